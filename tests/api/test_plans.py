"""Plans over HTTP: scenarios, shedding, isolation, sizes, the programme; and how a bad question is refused."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import timedelta
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import pytest
from fastapi import FastAPI

from api.http import problems
from api.routes import plans
from collector.configuration.settings_tables import BudgetTable
from collector.planning import what_if
from collector.planning.estate_ridethrough import KEPT, WAITING, EstateRides
from collector.planning.planner import AT_ONCE, Planner
from collector.planning.what_if import play_shutdown
from collector.process.clock import TurnedClock, stamp
from collector.recorder.current_state import Present
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import EquipmentEvent
from rules.phrasing.safety import SAFETY
from rules.planning.ridethrough.scenario import Scenario
from rules.plant.estate import LoadGroup
from rules.system.assessment import system_state, task_of
from rules.system.hold_up.judgement import hold_ups
from rules.system.load.peaks import DayPeak
from rules.system.load.record import PeakRecord
from rules.system.observation import SystemView, glance
from rules.system.state import LineLoad, Load
from tests.rules.sample_plants import NOON, estate, known_banks, reading

LAB = LoadGroup("lab", "A", (1000.0, 1000.0, 1000.0), 3, shed_by="relay 4")


@dataclass
class AtOnce:
    """A judging process that answers in place; `hold` keeps it from answering."""

    hold: asyncio.Event | None = None
    asked: list[str] = field(default_factory=list)

    async def ask(
        self, key: str, function: Callable[..., Any], *arguments: object, about: object = None
    ) -> Any:
        self.asked.append(key)
        if self.hold is not None:
            await self.hold.wait()
        return function(*arguments)


@dataclass
class Site:
    client: httpx.AsyncClient
    worker: AtOnce
    seen: dict[str, Any]
    planner: Planner
    rides: EstateRides


@cache
def recorded() -> PeakRecord:
    record = PeakRecord((1, 2, 3))
    for quarter in range(30 * 96):
        lines = tuple(LineLoad(n, 4000.0, 4210.0) for n in (1, 2, 3))
        at = NOON - timedelta(days=30) + timedelta(minutes=15 * quarter)
        for k in range(6):
            record.add(at + timedelta(seconds=60 * k), Load(12_000.0, 12_630.0, lines))
    for week in range(60):
        day = (NOON - timedelta(days=31 + 7 * week)).date()
        lines = tuple(LineLoad(n, 4000.0 - 10.0 * week, 4210.0 - 10.0 * week) for n in (1, 2, 3))
        record.add_day(DayPeak(day, lines))
    return record


@asynccontextmanager
async def site(folder: Path) -> AsyncIterator[Site]:
    plant = estate(2, load_groups=[LAB])
    clock = TurnedClock(NOON)
    now = stamp(clock)
    readings = {n: replace(reading(n, (2000.0,) * 3), stamp=now, card_alarms=()) for n in ("A1", "A2")}
    view = SystemView(plant, "A", readings, {}, now)
    first = glance(view)
    known = known_banks(plant)
    judged = hold_ups(task_of(view, first), known, seed=1)
    present = Present(plant, readings=dict(readings))
    present.hold_ups["A"] = judged
    present.systems["A"] = system_state(view, first, judged)
    seen: dict[str, Any] = {"A": (view, first)}
    worker = AtOnce()
    async with Ledger(folder / "ledger.sqlite") as ledger:
        planner = Planner(
            plant,
            worker,
            clock,
            present,
            seen=seen.get,
            record=lambda _system: recorded(),
            beliefs=lambda banks: {bank: known[bank] for bank in banks},
            ledger=ledger,
        )
        rides = EstateRides(plant, planner, clock)
        app = FastAPI()
        app.state.service = SimpleNamespace(
            estate=plant,
            clock=clock,
            present=present,
            planner=planner,
            estate_rides=rides,
            configuration=SimpleNamespace(budget=BudgetTable(energy_price_per_kwh=0.25)),
        )
        problems.install(app)
        app.include_router(plans.router)
        transport = httpx.ASGITransport(app)
        async with httpx.AsyncClient(transport=transport, base_url="http://here") as client:
            yield Site(client, worker, seen, planner, rides)


@pytest.fixture
async def here(tmp_path: Path) -> AsyncIterator[Site]:
    async with site(tmp_path / "data") as opened:
        yield opened


async def test_a_scenario_is_played_out(here: Site) -> None:
    body = {"outages": [{"from_s": 0, "for_s": 7200}], "sheds": [{"group": "lab", "at_s": 60}]}
    found = (await here.client.post("/v1/systems/A/ridethrough", json=body)).json()
    assert found["verdict"] == "adequate"
    assert found["margin_s"] > 0
    assert {span["about"] for span in found["timeline"]} == {"A", "A1", "A2"}
    assert [h["what"] for h in found["happenings"] if h["what"] in {"mains lost", "shed"}] == [
        "mains lost",
        "shed",
    ]
    assert found["safety"][0] == SAFETY
    assert found["not_checked"]
    assert found["assumptions"]


async def test_without_anything_said_the_mains_is_lost_for_good(here: Site) -> None:
    found = (await here.client.post("/v1/systems/A/ridethrough", json={})).json()
    assert found["verdict"] == "adequate"  # the generator takes over at its last start
    never = {"generator": {"case": "never"}}
    lost = (await here.client.post("/v1/systems/A/ridethrough", json=never)).json()
    assert lost["verdict"] == "inadequate"
    assert lost["hold_up"]["low_s"] > 0


@pytest.mark.parametrize(
    ("body", "word"),
    [
        ({"units_out": ["X"]}, "units_out"),
        ({"sheds": [{"group": "X", "at_s": 1}]}, "load groups"),
        ({"sheds": [{"group": "lab"}]}, "one of at_s and when_left_s"),
        ({"load_added_w": {"7": 100}}, "board lines"),
        ({"outages": []}, "outages"),
        ({"until": 3}, "until"),
    ],
)
async def test_a_wrong_scenario_is_refused_with_its_place(
    here: Site, body: dict[str, Any], word: str
) -> None:
    found = await here.client.post("/v1/systems/A/ridethrough", json=body)
    assert found.status_code == 422
    assert found.headers["content-type"] == "application/problem+json"
    assert word in found.json()["detail"]


async def test_shedding_is_proposed(here: Site) -> None:
    found = (await here.client.get("/v1/systems/A/shedding", params={"wanted_s": 100_000})).json()
    assert [step["group"] for step in found["steps"]] == ["lab"]
    assert found["steps"][0]["by"] == "relay 4"
    assert found["reached"] is False


async def test_isolation_has_rows_an_answer_and_times(here: Site) -> None:
    query = {"unit": "A1", "from": NOON.isoformat(), "to": (NOON + timedelta(hours=2)).isoformat()}
    found = (await here.client.get("/v1/systems/A/isolation", params=query)).json()
    rows = {row["check"]: row["result"] for row in found["rows"]}
    assert rows["load_fits_window"] == "met"
    assert rows["others_hold"] == "met"
    assert rows["breakers"] == "cannot_be_seen"
    assert rows["permit"] == "person"
    assert found["overall"] == "met"
    assert set(found["met_between"][0]) == {"from", "to"}
    assert found["safety"][0] == SAFETY


async def test_units_read_since_the_system_was_last_judged_are_fresh(here: Site) -> None:
    """At rest one round in some is judged, and what is asked in between is answered by what was read since."""
    clock, present = here.planner._clock, here.planner._present
    assert isinstance(clock, TurnedClock)
    await clock.advance(25.0)
    present.readings |= {name: replace(one, stamp=stamp(clock)) for name, one in present.readings.items()}
    now = clock.now()
    found = await here.planner.isolation("A", "A1", now, now + timedelta(hours=2))
    rows = {row.check: row.result.value for row in found.rows}
    assert (rows["data_fresh"], rows["load_fits_now"]) == ("met", "met")


async def test_isolation_of_a_stranger_or_in_a_backward_window_is_refused(here: Site) -> None:
    assert (await here.client.get("/v1/systems/A/isolation", params={"unit": "X"})).status_code == 404
    query = {"unit": "A1", "from": "2026-11-24T14:00:00Z", "to": "2026-11-24T13:00:00Z"}
    assert (await here.client.get("/v1/systems/A/isolation", params=query)).status_code == 422


async def test_the_size_of_what_comes_next(here: Site) -> None:
    found = (await here.client.get("/v1/systems/A/size", params={"required_s": 600})).json()
    assert [size["enough"] for size in found["units"]["sizes"]] == [False, True, True]
    assert found["units"]["present"]["rating_va"] == 30_000.0
    assert found["bank"]["sizes"][0]["strings"] >= 1
    assert found["bank"]["required_s"] == 600
    assert found["margin"]["per_year_w"] < 0.0  # the load grew by 10 W a week
    by_line = {item["line"]: item["trend"] for item in found["line_loads"]}
    assert set(by_line) == {1, 2, 3}
    assert by_line[1]["per_year_w"] == pytest.approx(10.0 * 365.25 / 7.0, rel=0.05)
    present = found["units"]["present"]  # 3 % of 27 kW, two units, 8766 h, 0.25 each
    assert present["standing_loss_cost_a_year"] == pytest.approx(0.03 * 27.0 * 2 * 8766.0 * 0.25)


async def test_the_bank_is_sized_for_the_longest_time_required_where_none_is_given(here: Site) -> None:
    found = (await here.client.get("/v1/systems/A/size")).json()["bank"]
    # Set: 5 s to see it, three cranks of 15 s with two rests of 15 s, 12 s of run-up, 3 s to change over;
    # then 20 s to accept, 10 s for the last unit's turn, 20 s to walk in.
    assert found["required_s"] == pytest.approx(5 + 75 + 12 + 3 + 20 + 10 + 20)
    assert (found["ageing_factor"], found["design_margin"]) == (1.25, 1.10)
    assert found["coldest_c"] == 15.0  # nothing is known of the room


async def test_the_margin_has_a_date(here: Site) -> None:
    found = (await here.client.get("/v1/systems/A/margin")).json()
    assert found["margin_now_w"] == pytest.approx(5000.0, rel=0.02)  # 9 kW a line, 4 kW asked
    assert found["gone_expected"] is not None


async def test_the_programme_in_three_forms(here: Site) -> None:
    plain = (await here.client.get("/v1/programme", params={"budget_month": 4})).json()
    assert {row["job"] for row in plain["items"]} == {"replace_unit"}
    assert len(plain["undated"]) == 3  # two banks not judged yet, a generator that no run is told of
    assert plain["items"][0]["budget_year"] == "2031/32"
    assert plain["too_small"] == []
    assert plain["visits"] == []  # no bank is judged yet, so no discharge is known to pay
    table = await here.client.get("/v1/programme.csv")
    assert table.text.splitlines()[0].startswith("due,order_by")
    calendar = await here.client.get("/v1/programme.ics")
    assert calendar.headers["content-type"].startswith("text/calendar")
    assert calendar.text.count("BEGIN:VEVENT") == 2
    assert (await here.client.get("/v1/programme.ics")).text == calendar.text


async def test_a_system_never_read_is_not_yet(here: Site) -> None:
    here.seen.clear()
    found = await here.client.post("/v1/systems/A/ridethrough", json={})
    assert (found.status_code, found.json()["type"]) == (503, "/problems/not-yet")
    assert (await here.client.get("/v1/systems/A/margin")).status_code == 503


async def test_more_questions_than_may_wait_are_refused(here: Site) -> None:
    here.worker.hold = asyncio.Event()
    async with asyncio.timeout(60):
        waiting = [
            asyncio.create_task(here.client.post("/v1/systems/A/ridethrough", json={}))
            for _ in range(AT_ONCE)
        ]
        while len(here.worker.asked) < AT_ONCE:  # noqa: ASYNC110 - all must wait before the one too many
            await asyncio.sleep(0.01)
        refused = await here.client.post("/v1/systems/A/ridethrough", json={})
        assert (refused.status_code, refused.json()["type"]) == (503, "/problems/busy")
        here.worker.hold.set()
        assert {answer.status_code for answer in await asyncio.gather(*waiting)} == {200}


async def test_a_system_that_is_not_there(here: Site) -> None:
    assert (await here.client.post("/v1/systems/X/ridethrough", json={})).status_code == 404


async def test_the_next_visit_is_due_a_year_after_the_last_that_was_recorded(
    here: Site, tmp_path: Path
) -> None:
    async with Ledger(tmp_path / "data" / "ledger.sqlite") as ledger, ledger.transaction() as tx:
        for days in (400, 100):
            at = NOON - timedelta(days=days)
            tx.add_equipment(EquipmentEvent(at, "visited", "A1", "R. Haugen", NOON))
    rows = (await here.client.get("/v1/programme")).json()["items"]
    (visit,) = [row for row in rows if row["job"] == "visit"]
    assert visit["about"] == "A1"
    due = (NOON - timedelta(days=100) + timedelta(days=365.25)).date().isoformat()
    assert due in str(visit), visit


async def test_a_scenario_at_a_named_time_is_played_on_the_load_of_that_hour(here: Site) -> None:
    now = (await here.client.post("/v1/systems/A/ridethrough", json={})).json()
    later = {"starts_at": "2026-11-25T14:00:00"}  # a site's clock in London, in winter
    found = (await here.client.post("/v1/systems/A/ridethrough", json=later)).json()
    # Read now: 2 kW on each line of each of two units. On record: 4 kW a line of the board, day and night.
    assert now["load"] == {"basis": "now", "power_w": 12_000.0, "low_w": None, "high_w": None}
    assert found["load"]["basis"] == "record"
    assert found["load"]["power_w"] == pytest.approx(12_000.0, rel=1e-3)
    assert found["load"]["low_w"] <= found["load"]["power_w"] <= found["load"]["high_w"]
    wrong = await here.client.post(
        "/v1/systems/A/ridethrough", json={"starts_at": "0001-01-01T00:00:00+14:00"}
    )
    assert wrong.status_code == 422


async def test_a_scenario_for_every_system_is_taken_and_its_answers_come_in(here: Site) -> None:
    taken = await here.client.post("/v1/ridethrough", json={"generator": {"case": "never"}})
    assert taken.status_code == 202
    assert (taken.json()["stage"], taken.json()["done"], taken.json()["of"]) == ("waiting", 0, 1)
    await here.rides.play(taken.json()["id"])
    found = (await here.client.get(taken.headers["Location"])).json()
    assert (found["stage"], found["done"], found["verdict"]) == ("done", 1, "inadequate")
    alone = await here.client.post("/v1/systems/A/ridethrough", json={"generator": {"case": "never"}})
    assert found["items"] == [alone.json()]
    assert found["safety"][0] == SAFETY


async def test_no_more_scenarios_for_every_system_wait_than_may_and_strangers_are_refused(here: Site) -> None:
    wrong = await here.client.post("/v1/ridethrough", json={"units_out": ["X"]})
    assert (wrong.status_code, wrong.json()["type"]) == (422, "/problems/wrong-input")
    codes = [(await here.client.post("/v1/ridethrough", json={})).status_code for _ in range(WAITING + 1)]
    assert codes == [202] * WAITING + [503]
    assert (await here.client.get("/v1/ridethrough/none")).status_code == 404


async def test_a_system_never_read_is_answered_with_cannot_tell_among_the_others(here: Site) -> None:
    here.seen.clear()
    ride = here.rides.ask(Scenario())
    await here.rides.play(ride.id)
    found = (await here.client.get(f"/v1/ridethrough/{ride.id}")).json()
    assert (found["verdict"], found["items"][0]["verdict"]) == ("cannot_tell", "cannot_tell")
    assert "not been read" in found["items"][0]["because"][0]


async def test_old_answers_are_pushed_out_by_newer_ones(here: Site) -> None:
    here.seen.clear()
    for _ in range(KEPT + 3):
        await here.rides.play(here.rides.ask(Scenario()).id)
    assert len(here.rides.rides) == KEPT + 1


async def test_a_size_that_cannot_be_told_yet_says_what_it_waits_for_and_how_far_that_is(
    here: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    young = PeakRecord((1, 2, 3))
    for second in range(0, 600, 5):  # L3 is not told in VA
        lines = (LineLoad(1, 4000.0, 4210.0), LineLoad(2, 4000.0, 4210.0), LineLoad(3, 4000.0, None))
        young.add(NOON - timedelta(seconds=600 - second), Load(12_000.0, None, lines))
    monkeypatch.setattr(here.planner, "_record", lambda _system: young)
    answer = await here.client.get("/v1/systems/A/size")
    assert answer.status_code == 503
    assert "over 5 whole minutes is needed on every line" in answer.json()["detail"]
    assert "L3 has none on record yet" in answer.json()["detail"]
    assert "by 12:10 UTC" in answer.json()["detail"]


async def test_a_plan_that_is_not_reckoned_in_time_is_refused_and_its_question_dropped(
    here: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(what_if, "MOST_WAIT_S", 0.05)
    here.worker.hold = asyncio.Event()
    asked = [here.client.post("/v1/systems/A/ridethrough", json={}) for _ in range(2)]
    for found in await asyncio.gather(*asked):
        assert found.status_code == 503
        assert found.headers["content-type"] == "application/problem+json"
        assert found.headers["retry-after"] == "5"
        assert "ask again in 5 s" in found.json()["detail"]
    here.worker.hold.set()
    for _ in range(AT_ONCE + 1):  # no place is held by what was given up
        assert (await here.client.post("/v1/systems/A/ridethrough", json={})).status_code == 200


async def test_a_shutdown_with_each_unit_lost_is_one_question(here: Site) -> None:
    """One after the other they would each wait again behind what is judged."""
    scenario = Scenario(units_out=frozenset())
    found = await play_shutdown(here.planner, here.planner._estate, "A", scenario, NOON + timedelta(days=1))
    assert len(here.worker.asked) == 1
    assert found.one_lost is not None
    assert found.one_lost.unit in {"A1", "A2"}
    alone = await here.planner.ridethrough(
        "A", replace(scenario, units_out=frozenset({found.one_lost.unit})), NOON + timedelta(days=1)
    )
    assert found.one_lost.way.result.verdict is alone.verdict
    assert found.one_lost.way.result.margin_s == alone.margin_s
