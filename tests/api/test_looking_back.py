"""Percentiles and records of discharges over HTTP: from known values, page by page."""

import threading
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.http.json import list_bytes
from api.routes import dependencies as asking
from collector.service.service import Service
from collector.storage.history.store import Wire, WireReading
from collector.storage.ledger.discharge_record import DischargeRecord, DischargeRow, Phase, to_evidence
from rules.plant.reading import Stamp
from tests.api.test_service_http import START, opened

BANK = """
[[bank]]
id = "A1-bank"
feeds = ["A1"]
cells_in_series = 240
[[bank.fitted]]
from = 2024-01-01
type = "Fern 12"
blocks = 40
rated_capacity_ah = 30.0
rated_hours = 20
"""


async def steps(service: Service) -> None:
    """A hundred spells of five minutes, the n-th at 10 n watts on line 1 and the same on the others; 230 V, 1 A."""
    batch = []
    begin = START - timedelta(minutes=500)
    for second in range(0, 30_000, 10):
        watts = 10 * (second // 300 + 1)
        wire: dict[str, Wire] = {f"upsOutputPower.{line}": watts for line in (1, 2, 3)}
        wire |= {f"upsOutputVoltage.{line}": 230 for line in (1, 2, 3)}
        wire |= {f"upsOutputCurrent.{line}": 10 for line in (1, 2, 3)}
        at = Stamp(begin + timedelta(seconds=second), float(second), "s")
        batch.append(WireReading("A1", at, 10.0, "", wire))
    await service.history.append(batch)


async def asked(client: httpx.AsyncClient, path: str) -> Any:
    reply = await client.get(path)
    assert reply.status_code == 200, reply.text
    return reply.json()


async def test_percentiles_of_a_quantity_are_those_of_its_means(tmp_path: Path) -> None:
    async with opened(tmp_path) as (service, client):
        await steps(service)
        since = (START - timedelta(minutes=500)).strftime("%Y-%m-%dT%H:%M:%SZ")
        path = f"/v1/units/A1/percentiles?quantity=output_power_w&line=1&from={since}"
        found = await asked(client, path + "&share=0.05&share=0.5&share=0.95&share=1")
        assert [(s["share"], s["value"]) for s in found["items"]] == [
            (0.05, 50.0), (0.5, 500.0), (0.95, 950.0), (1.0, 1000.0),
        ]  # fmt: skip
        assert (found["mean_of_s"], found["good_count"], found["expected_count"]) == (300.0, 3000, 3000)
        by_hour = await asked(client, path + "&share=1&mean_of_s=3600")
        assert by_hour["items"][0]["value"] < 1000.0  # the highest hour is a mean of twelve spells
        nothing = await asked(client, "/v1/units/A1/percentiles?quantity=battery_card_runtime_s")
        assert [s["value"] for s in nothing["items"]] == [None] * 3


async def test_a_long_answer_is_put_into_json_off_the_event_loop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    where: list[threading.Thread] = []

    def watched(*arguments: Any, **more: Any) -> bytes:
        where.append(threading.current_thread())
        return list_bytes(*arguments, **more)

    monkeypatch.setattr(asking, "list_bytes", watched)
    async with opened(tmp_path) as (service, client):
        await steps(service)
        path = "/v1/units/A1/history?quantity=output_power_w&line=1&points="
        assert len((await asked(client, path + "5000"))["items"]) > asking.SHORT
        assert where.pop() is not threading.main_thread()
        assert 0 < len((await asked(client, path + "20"))["items"]) <= 20
        assert where.pop() is threading.main_thread()


async def test_percentiles_of_a_systems_load_are_those_of_its_lines(tmp_path: Path) -> None:
    async with opened(tmp_path) as (service, client):
        await steps(service)
        since = (START - timedelta(minutes=500)).strftime("%Y-%m-%dT%H:%M:%SZ")
        until = (START - timedelta(minutes=5)).strftime("%Y-%m-%dT%H:%M:%SZ")
        found = await asked(
            client, f"/v1/systems/A/load/percentiles?from={since}&to={until}&share=1&share=0.5"
        )
        assert [line["line"] for line in found["items"]] == [1, 2, 3]
        for line in found["items"]:
            # a quarter of an hour holds three spells, the last one the 98th to the 100th; the first but one
            highest, middle = (s["value"] for s in line["power_w"])
            assert highest == 990.0
            assert middle == 480.0  # of 10, 30, 60 ... 990 W, 34 in all, the 17th
            assert [s["value"] for s in line["apparent_va"]] == [230.0, 230.0]


def record(number: int, rows: int) -> DischargeRecord:
    return DischargeRecord(
        id=f"A1-bank-outage-{number}",
        bank="A1-bank",
        at=START - timedelta(days=100 * number),
        kind="outage",
        rows=tuple(DischargeRow(float(n), 480.0 - 0.01 * n, 33.0, 24.0, 15_000.0, True) for n in range(rows)),
        phase=Phase.DONE,
        started_s=0.0,
        ended_after_s=rows - 1.0,
        ended_s=rows - 1.0,
        ended_how="supply_back",
        until=START - timedelta(days=100 * number) + timedelta(seconds=rows),
    )


async def test_records_of_discharges_are_listed_and_their_rows_come_page_by_page(tmp_path: Path) -> None:
    async with opened(tmp_path, BANK) as (service, client):
        kept = [record(number, 2500 if number == 2 else 5) for number in range(1, 6)]
        async with service.ledger.transaction() as tx:
            for one in kept:
                tx.save_evidence(to_evidence(one))
        first = await asked(client, "/v1/banks/A1-bank/discharges?limit=3")
        assert [one["id"] for one in first["items"]] == [f"A1-bank-outage-{n}" for n in (1, 2, 3)]
        assert first["items"][1]["row_count"] == 2500
        async with service.ledger.transaction() as tx:  # a newer one comes between two pages
            tx.save_evidence(to_evidence(record(0, 5)))
        rest = await asked(client, f"/v1/banks/A1-bank/discharges?limit=3&after={first['next']}")
        assert [one["id"] for one in rest["items"]] == [f"A1-bank-outage-{n}" for n in (4, 5)]
        assert rest["next"] is None
        rows: list[dict[str, Any]] = []
        mark: str | None = "0"
        while mark is not None:
            page = await asked(client, f"/v1/banks/A1-bank/discharges/A1-bank-outage-2?after={mark}")
            rows += page["items"]
            mark = page["next"]
        assert [row["t_s"] for row in rows] == [float(n) for n in range(2500)]
        assert rows[100] == {
            "t_s": 100.0, "voltage_v": 479.0, "current_a": 33.0, "temperature_c": 24.0,
            "output_power_w": 15_000.0, "on_battery": True,
        }  # fmt: skip
        assert (await client.get("/v1/banks/A1-bank/discharges/other")).status_code == 404
