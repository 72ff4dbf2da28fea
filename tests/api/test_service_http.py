"""The HTTP interface over a real, opened service: figures, metrics, messages, the site's word, refusals."""

import asyncio
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import quote

import httpx
import pytest

from api.access.terms import AccessTerms
from api.app import create_app
from collector.cards.mib.correction_set import Correction, CorrectionSet
from collector.configuration import load_text
from collector.process.clock import TurnedClock, stamp
from collector.recorder.monitor_state import kept_state
from collector.service.service import Service
from collector.storage.database import StoreError, StoreFault
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Evidence
from rules.alarms.incidents.incident import COUNTED_FROM
from rules.generator.outage_source import OutageSource
from rules.phrasing.reasons import say
from rules.plant.reading import (
    BatteryReading,
    DoubtKind,
    InputLine,
    InputReading,
    OutputLine,
    OutputReading,
    OutputSource,
    Reading,
    Silence,
)

START = datetime(2026, 3, 1, 12, tzinfo=UTC)
ESTATE = """
[[site]]
id = "yard"
name = "Yard"
time_zone = "UTC"

[[generator]]
id = "set"
rating_w = 40000

[[supply]]
id = "mains"
site = "yard"
generator = "set"

[[system]]
id = "A"
site = "yard"
supply = "mains"
name = "Hall"
spare_units = 0
requirements = [{ id = "bridge", for = "generator_start" }]

[[unit]]
id = "A1"
system = "A"
output_lines = 3

[[unit.fitted]]
from = 2024-01-01
model = "M 20"
rating_va = 20000
rating_w = 18000

[[card]]
id = "N1"
target = "snmp://127.0.0.1:9"
secret = "cards"
covers = ["A1"]

[listen]
site_secret = "site"

[watch]
box_fed_by = "A"
switches_fed_by = "A"
way_out_fed_by = "A"
"""
SECRETS = '[cards]\ncommunity = "readonly"\n[site]\ntoken = "let-me-tell"\n'


@asynccontextmanager
async def opened(folder: Path, more: str = "") -> AsyncIterator[tuple[Service, httpx.AsyncClient]]:
    secrets = folder / "secrets.toml"
    secrets.write_text(SECRETS, "utf-8")
    secrets.chmod(0o600)
    configuration = load_text(ESTATE + more, folder / "estate.toml")
    async with Service(configuration, folder / "data", TurnedClock(START)) as service:
        transport = httpx.ASGITransport(
            create_app(service, terms=AccessTerms(ours=lambda *_: True)), raise_app_exceptions=False
        )
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1:8470") as client:
            yield service, client


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/v1/systems", 200),
        ("/v1/systems/B", 404),
        ("/v1/systems/A/runtime", 200),
        ("/v1/units", 200),
        ("/v1/units/A1", 200),
        ("/v1/units/A9", 404),
        ("/v1/units/A1/history?quantity=output_power_w&line=1", 200),
        ("/v1/units/A1/history?quantity=nonsense", 422),
        ("/v1/units/A1/percentiles?quantity=output_power_w&line=1", 200),
        ("/v1/units/A1/percentiles?quantity=output_power_w&line=1&share=2", 422),
        ("/v1/units/A1/percentiles?quantity=output_power_w&line=1&from=2016-01-01T00:00:00Z", 422),
        ("/v1/units/A1/percentiles?quantity=nonsense", 422),
        ("/v1/systems/A/load/percentiles", 200),
        ("/v1/systems/A/load/percentiles?from=2016-01-01T00:00:00Z", 422),
        ("/v1/banks/none/discharges", 404),
        ("/v1/units/A1/history?quantity=output_power_w&line=1&from=yesterday", 422),
        ("/v1/units/A1/history?quantity=output_power_w&line=1&to=0001-01-01T00:00:00Z", 422),
        ("/v1/units/A1/history?quantity=output_power_w&line=1&to=0001-01-01T00:00:00%2B09:00", 422),
        ("/v1/systems/A/load/percentiles?from=9999-12-31T23:50:00Z&to=9999-12-31T23:59:00-09:00", 422),
        ("/v1/events?from=9999-12-31T23:59:59-01:00", 422),
        ("/v1/banks", 200),
        ("/v1/alarms", 200),
        ("/v1/alarms?state=no_such_state", 422),
        ("/v1/alarms/none", 404),
        ("/v1/incidents", 200),
        ("/v1/on-call", 200),
        ("/v1/events", 200),
        ("/v1/events?after=x", 422),
        ("/v1/messages?sending=dead", 200),
        ("/v1/alarms/quality", 200),
        ("/v1/alarms/quality?from=2026-03-02T00:00:00Z&to=2026-03-01T00:00:00Z", 422),
        ("/v1/programme", 200),
        ("/health/live", 200),
        ("/health/ready", 503),
        ("/metrics", 200),
        ("/openapi.json", 200),
        ("/", 200),
        ("/reports/estate", 200),
        ("/reports/programme", 200),
        ("/reports/system/A", 200),
        ("/reports/system/B", 404),
        ("/reports/bank/none", 404),
        ("/reports/isolation/A9", 404),
        ("/nowhere", 404),
    ],
)
async def test_before_anything_was_read_every_path_answers(tmp_path: Path, path: str, status: int) -> None:
    async with opened(tmp_path) as (_, client):
        response = await client.get(path)
        assert response.status_code == status, response.text
        if status >= 400 and not path.startswith("/health"):
            assert response.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize("path", ["/", "/v1/systems", "/v1/alarms", "/metrics", "/static/sheet.css"])
async def test_head_and_entity_tags_serve_pages_and_json_alike(tmp_path: Path, path: str) -> None:
    async with opened(tmp_path) as (_, client):
        get, head = await client.get(path), await client.head(path)
        assert head.status_code == get.status_code
        assert head.content == b""
        if get.status_code == 200:
            again = await client.get(path, headers={"If-None-Match": get.headers["etag"]})
            assert again.status_code in {304, 200}  # what holds for a second may have changed since
            assert again.status_code == 304 or again.headers["etag"] != get.headers["etag"]


async def test_a_silent_card_is_an_alarm_that_can_be_acknowledged_and_is_kept(tmp_path: Path) -> None:
    async with opened(tmp_path) as (service, client):
        clock = service.clock
        assert isinstance(clock, TurnedClock)
        for _ in range(60):
            await service.recorder.process([Silence("A1", stamp(clock), "no reply")])
            await clock.advance(10.0)
        listed = (await client.get("/v1/alarms")).json()["items"]
        silent = next(a for a in listed if a["id"].startswith("card_silent"))
        assert silent["state"] == "active_unacknowledged"
        figures = (await client.get("/v1/alarms/quality")).json()
        assert figures["count"] >= 1


async def test_an_alarm_taken_out_of_service_before_it_stood_has_no_time_since_when(tmp_path: Path) -> None:
    async with opened(tmp_path) as (service, client):
        clock = service.clock
        assert isinstance(clock, TurnedClock)
        await service.recorder.process(
            [Reading("A1", stamp(clock), battery=BatteryReading(temperature_c=60.0))]
        )
        path = "/v1/alarms/bank_hot:A1"
        running = asyncio.create_task(service.recorder.run())
        taken = await client.post(f"{path}/out-of-service", json={"by": "R. Haugen", "note": "sensor"})
        running.cancel()
        assert taken.status_code == 200, taken.text
        await clock.advance(10.0)
        await service.recorder.process(
            [Reading("A1", stamp(clock), battery=BatteryReading(temperature_c=20.0))]
        )
        found = (await client.get(path)).json()
        assert (found["state"], found["since"]) == ("out_of_service", None)
        assert found["out_of_service_by"] == "R. Haugen"
        assert (await client.get("/v1/alarms")).status_code == 200
        assert "has not occurred, taken out of service by R. Haugen" in (await client.get("/alarms")).text


@pytest.mark.parametrize(
    ("header", "status"), [(None, 401), ("Bearer wrong", 401), ("Bearer let-me-tell", 200)]
)
async def test_the_sites_word_about_its_set_needs_the_sites_token(
    tmp_path: Path, header: str | None, status: int
) -> None:
    async with opened(tmp_path) as (_, client):
        headers = {} if header is None else {"Authorization": header}
        body = {"running": True, "carries": True}
        response = await client.post("/v1/generators/set/state", json=body, headers=headers)
        assert response.status_code == status
        events = (await client.get("/v1/events?about=set")).json()["items"]
        assert len(events) == (1 if status == 200 else 0)


async def an_outage(service: Service) -> str:
    """Play an outage of 70 s of unit A1; return its incident."""

    def seen(clock: TurnedClock, volts: float, source: OutputSource) -> Reading:
        lines = tuple(InputLine(n, 50.0, volts) for n in (1, 2, 3))
        output = OutputReading(source, 50.0, tuple(OutputLine(n, 230.0, 10.0, 2000.0) for n in (1, 2, 3)))
        return Reading("A1", stamp(clock), input=InputReading(lines=lines), output=output)

    clock, recorder = service.clock, service.recorder
    assert isinstance(clock, TurnedClock)
    for volts, source in (
        [(230.0, OutputSource.NORMAL)] + [(0.0, OutputSource.BATTERY)] * 7 + [(230.0, OutputSource.NORMAL)]
    ):
        sample = seen(clock, volts, source)
        changes = recorder._watch(sample)
        found = recorder.trackers.outages.take(sample, changes, recorder.state.incidents)
        await clock.advance(10.0)
    assert say(found[0].what) == "Returned after 70 s, source not known: mark it."
    assert found[0].incident is not None
    return found[0].incident


async def test_a_persons_mark_on_an_outage_is_kept_and_read_back_by_the_next_start(tmp_path: Path) -> None:
    said = {"by": "R. Haugen", "source": "generator"}
    async with opened(tmp_path) as (service, client):
        incident = await an_outage(service)
        response = await client.post(f"/v1/incidents/{incident}/mark", json=said)
        assert response.status_code == 200, response.text
        kinds = [e["kind"] for e in (await client.get("/v1/events")).json()["items"]]
        assert kinds[:3] == ["set_start_learnt", "supply_returned", "outage_marked"]
        assert (await client.post("/v1/incidents/no-such/mark", json=said)).status_code == 404
        no_such_time = said | {"lost_at": "0001-01-01T00:00:00+09:00"}
        assert (await client.post(f"/v1/incidents/{incident}/mark", json=no_such_time)).status_code == 422
        steps = dict(service.recorder.trackers.outages.seen_steps("A"))
    async with opened(tmp_path) as (service, _):
        assert steps
        assert service.recorder.trackers.outages.seen_steps("A") == steps


async def test_an_outage_is_marked_on_the_page_without_script(tmp_path: Path) -> None:
    here = {"Origin": "http://127.0.0.1:8470", "Referer": "http://127.0.0.1:8470/systems/A"}
    async with opened(tmp_path) as (service, client):
        incident = await an_outage(service)
        page = (await client.get("/alarms")).text
        assert "Returned after 70 s, source not known: mark it." in page
        assert "Outages of all years" in (await client.get("/outages")).text
        assert (await client.get("/outages/0-nothing")).status_code == 404
        assert (await client.get("/outages/nonsense")).status_code == 422
        form = re.search(r'<form method="post" action="([^"]+/mark)".*?</form>', page)
        assert form is not None
        lost_at = re.search(r'name="lost_at" value="([^"]+)"', form[0])
        assert lost_at is not None
        said = {"by": "R. Haugen", "source": "generator", "lost_at": lost_at[1]}
        for headers in ({}, {"Origin": "http://elsewhere.example"}):
            refused = await client.post(form[1], data=said, headers=headers)
            assert refused.status_code == 403, "a form that another site's page posts"
        assert (await client.post(form[1], data={**said, "by": ""}, headers=here)).status_code == 422
        response = await client.post(form[1], data=said, headers=here)
        assert (response.status_code, response.headers["location"]) == (303, "/systems/A")
        (marked,) = service.recorder.trackers.outages.outages
        assert marked.mark is not None
        assert (marked.incident, marked.mark.by, marked.mark.source) == (
            incident,
            "R. Haugen",
            OutageSource.GENERATOR,
        )


async def test_an_alarm_is_acknowledged_and_shelved_on_the_page_without_script(tmp_path: Path) -> None:
    here = {"Origin": "http://127.0.0.1:8470", "Referer": "http://127.0.0.1:8470/"}
    async with opened(tmp_path) as (service, client):
        clock = service.clock
        assert isinstance(clock, TurnedClock)
        answering = asyncio.create_task(service.recorder.run())
        for _ in range(60):
            await service.recorder.process([Silence("A1", stamp(clock), "no reply")])
            await clock.advance(10.0)
        alarm = f"/v1/alarms/{quote('card_silent:A1', safe='')}"
        done = await client.post(f"{alarm}/shelve", data={"by": "R. Haugen", "hours": "8"}, headers=here)
        answering.cancel()
        assert (done.status_code, done.headers["location"]) == (303, "/")
        shelved = service.present.alarms["card_silent:A1"]
        assert shelved.shelved_until == clock.now() + timedelta(hours=8)


async def test_metrics_end_as_the_standard_asks_and_leave_out_what_is_not_known(tmp_path: Path) -> None:
    async with opened(tmp_path) as (_, client):
        response = await client.get("/metrics")
        assert response.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
        assert response.text.endswith("# EOF\n")
        assert "NaN" not in response.text
        assert "ridethrough_cards_count 1" in response.text
        assert "A figure of the service itself" not in response.text
        plain = await client.get("/metrics", headers={"Accept": "text/plain"})
        assert plain.headers["content-type"] == "text/plain; charset=utf-8"
        assert "Accept" in plain.headers["vary"].split(", ")
        refused = await client.get("/metrics", headers={"Accept": "application/json"})
        assert refused.status_code == 406


async def test_a_discharge_under_way_is_kept_on_a_clean_stop(tmp_path: Path) -> None:
    async with opened(tmp_path) as (service, _):
        kept = Evidence("d1", "bank", "outage", START, None)
        service.recorder.trackers.discharges.flush = lambda: (kept,)  # type: ignore[method-assign]
    async with Ledger(tmp_path / "data" / "ledger.sqlite") as ledger:
        assert [line.id for line in await ledger.open_evidence()] == ["d1"]


async def test_the_test_of_a_set_is_due_its_interval_after_its_last_run_on_load(tmp_path: Path) -> None:
    async with opened(tmp_path) as (service, client):
        clock = service.clock
        assert isinstance(clock, TurnedClock)
        await service.set_word("set", running=True, carries=True)
        await clock.advance(2400.0)
        await service.set_word("set", running=False, carries=False)
        known = (await client.get("/v1/generators/set")).json()
        assert [run["for_s"] for run in known["runs"]] == [2400.0]
        assert known["word"]["running"] is False
        assert known["test"]["due"].startswith("2026-04-01")
        assert (await client.get("/v1/generators")).json()["items"] == [known]
        assert (await client.get("/v1/generators/other")).status_code == 404
        rows = (await client.get("/v1/programme")).json()["items"]
        (due,) = [row for row in rows if row["about"] == "set"]
        assert "2026-04-01" in str(due), due  # 31 days after 1 March, as [[generator]] has it where left out


async def test_what_was_learnt_about_a_card_is_given_with_its_unit(tmp_path: Path) -> None:
    async with opened(tmp_path) as (service, client):
        known = service.recorder.learning.knowledge("N1")
        scaled = Correction("upsOutputPower", DoubtKind.SCALE, "watts come in tens", factor=10.0, evidence=9)
        known.corrections = CorrectionSet({"upsOutputPower": scaled}, frozenset({("bypass", 3)}))
        learnt = (await client.get("/v1/units/A1")).json()["corrections"]
    assert [(c["object"], c["factor"], c["evidence"]) for c in learnt["objects"]] == [
        ("upsOutputPower", 10.0, 9)
    ]
    assert learnt["absent_lines"] == [{"group": "bypass", "line": 3}]
    assert learnt["stale"] is None


async def test_a_report_of_a_running_service_may_only_use_its_own_styles(tmp_path: Path) -> None:
    async with opened(tmp_path) as (_, client):
        found = await client.get("/reports/estate")
        assert "style-src 'sha256-" in found.headers["content-security-policy"]
        assert "<style>" in found.text
        assert "qualified people" in found.text


async def test_two_services_on_one_folder_and_a_lost_ledger_are_refused(tmp_path: Path) -> None:
    data = tmp_path / "data"
    async with opened(tmp_path) as (service, _):
        with pytest.raises(StoreError, match="a service runs on this data folder") as refused:
            await Service(service.configuration, data).__aenter__()
        assert refused.value.fault is StoreFault.IN_USE
        await service.history.database.write(lambda c: c.execute("DELETE FROM kept"))  # type: ignore[attr-defined]
    for path in data.glob("ledger.sqlite*"):
        path.unlink()
    with pytest.raises(StoreError, match="--accept-loss ledger"):
        await Service(service.configuration, data).__aenter__()
    assert not (data / "ledger.sqlite").exists()  # nothing was begun
    for accepted in ("ledger", None):  # accepted once, and written down once
        async with Service(service.configuration, data, TurnedClock(START), accepted=accepted) as again:
            (line,) = [e for e in (await again.events()).items if e.kind == "store_loss_accepted"]
            assert "--accept-loss ledger" in line.text
            assert "ledger.sqlite is not there" in line.text
            # what was told before the loss has ids that no message after it may have
            counted = (await kept_state(again.ledger)).numbers
            assert counted == {COUNTED_FROM: int(START.timestamp()) // 60}


async def test_a_system_that_was_not_read_since_the_start_is_named_and_not_left_out_unsaid(
    tmp_path: Path,
) -> None:
    async with opened(tmp_path) as (_, client):
        told = (await client.get("/v1/systems")).json()
    named = [one["id"] for one in told["items"]] + told["not_yet"]
    assert sorted(named) == ["A"]
    assert told["not_yet"] == ["A"]
