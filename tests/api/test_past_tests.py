"""A past test is brought over HTTP or by the form on the bank's sheet, and refused with each fault in it."""

from datetime import timedelta
from pathlib import Path

import httpx
import pytest

from api.pages.sheets import registry as sheets
from tests.api.pages import samples
from tests.api.test_service_http import START, opened

BANK = """
[[bank]]
id = "B1"
feeds = ["A1"]
cells_in_series = 180

[[bank.fitted]]
from = 2020-01-01
type = "12 V 100 Ah"
blocks = 30
end_voltage_per_cell_v = 1.67
constant_power = [[5, 600.0], [10, 420.0], [30, 200.0]]
"""
LOG = "t_s,bank_voltage_v,bank_current_a,output_power_w\n0,400.1,0,0\n" + "".join(
    f"{10 * n},{360 - n / 4:.1f},48.0,17000\n" for n in range(1, 60)
)
AT = (START - timedelta(days=300)).isoformat()
WAY = "/v1/banks/B1/past-tests"


async def test_a_past_test_is_kept_as_evidence_with_who_vouches_for_it(tmp_path: Path) -> None:
    async with opened(tmp_path, BANK) as (service, client):
        said = {"by": "R. Haugen", "at": AT, "csv": LOG, "kind": "acceptance"}
        answer = await client.post(WAY, json=said)
        assert answer.status_code == 200, answer.text
        assert answer.json()["bank"] == "B1"
        (kept,) = await service.ledger.evidence(bank="B1")
        assert (kept.id, kept.author) == (answer.json()["id"], "R. Haugen")
        again = await client.post(WAY, json=said)
        assert again.json()["id"] == kept.id
        assert len(await service.ledger.evidence(bank="B1")) == 1


@pytest.mark.parametrize(
    ("more", "status", "says"),
    [
        ({"csv": "t_s\n0\n"}, 422, "2 or more rows"),
        ({"csv": "t_s,bank_voltage_v\n0,400\nx,399\n"}, 422, "line 3, t_s"),
        ({"at": (START + timedelta(days=1)).isoformat()}, 422, "a time that is past"),
        ({"at": "2019-01-01T00:00:00Z"}, 422, "B1"),
        ({"by": ""}, 422, "by"),
        ({"csv": "x" * 61_000}, 422, "csv"),
    ],
)
async def test_what_cannot_be_read_is_refused_with_its_place(
    tmp_path: Path, more: dict[str, str], status: int, says: str
) -> None:
    async with opened(tmp_path, BANK) as (service, client):
        answer = await client.post(WAY, json={"by": "R. Haugen", "at": AT, "csv": LOG, **more})
        assert answer.status_code == status, answer.text
        assert says in answer.text
        assert await service.ledger.evidence(bank="B1") == ()
        unknown = await client.post("/v1/banks/none/past-tests", json={"by": "X", "at": AT, "csv": LOG})
        assert unknown.status_code == 404


async def test_the_form_works_without_script(tmp_path: Path) -> None:
    html = sheets.bank(samples.short(), "D")
    assert html is not None
    assert 'action="/v1/banks/D/past-tests"' in html
    assert html.index("What would tell") < html.index("A past test")
    async with opened(tmp_path, BANK) as (service, client):
        here = {"Origin": "http://127.0.0.1:8470", "Referer": "http://127.0.0.1:8470/banks/B1"}
        fields = {"by": "R. Haugen", "at": AT.replace("+00:00", "Z"), "csv": LOG, "kind": "import"}
        done: httpx.Response = await client.post(WAY, data=fields, headers=here)
        assert (done.status_code, done.headers["location"]) == (303, "/banks/B1")
        assert len(await service.ledger.evidence(bank="B1")) == 1
