"""What switching the mains off would do, kept ready: of the next signed shutdown, else of half an hour from now."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any, cast

from collector.planning.planner import Busy, NotYet, Planner
from collector.planning.shutdown_answers import SwitchingOff
from collector.process.background_budget import Budget
from rules.phrasing.reasons import said, say
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.shutdown import STANDARD, with_set, without_set
from rules.planning.ridethrough.signed_course import Status
from rules.planning.ridethrough.supply import MainsOut
from rules.values.verdict import Verdict
from tests.collector.signing import Site, site
from tests.rules.sample_plants import NOON, estate

LONG = Scenario((MainsOut(0.0, 6 * 3600.0),))


@dataclass
class Refuses:
    """A planner that has no answer."""

    why: Exception
    asked: list[Any] = field(default_factory=list)

    async def shutdown(self, *question: Any) -> object:
        self.asked.append(question)
        raise self.why


def asking(here: Site, planner: object | None = None) -> SwitchingOff:
    return SwitchingOff(
        here.plant,
        cast("Planner", planner or here.planner),
        here.clock,
        here.present,
        here.plans,
        budget=Budget(here.clock),
    )


async def test_without_a_plan_half_an_hour_is_played_with_the_set_and_without(tmp_path: Path) -> None:
    async with site(tmp_path) as here:
        await asking(here).once("A")
        found = here.present.shutdowns["A"]
        assert found.scenario == STANDARD
        assert found.plan is None
        assert found.with_set is not None
        assert found.planned == found.with_set
        assert found.with_set.result.verdict is Verdict.ADEQUATE
        # the generator takes over at its third start: 5 + 3 x 15 + 2 x 15 s, 12 s run-up, 3 s transfer, 50 s of walk-in
        assert found.with_set.stretches[0].until_s == 5 + 45 + 30 + 12 + 3 + 50
        assert found.without_set.stretches[0].until_s == 1800 + 50


async def test_a_supply_without_a_set_has_one_way_only(tmp_path: Path) -> None:
    async with site(tmp_path, plant=estate(2, generator=None)) as here:
        await asking(here).once("A")
        found = here.present.shutdowns["A"]
        assert found.with_set is None
        assert found.planned == found.without_set
        assert "No generator is declared behind this supply." in said(found.planned.result.assumptions)


async def test_hours_without_the_set_are_lost_and_with_it_carried(tmp_path: Path) -> None:
    async with site(tmp_path) as here:
        found = await here.planner.shutdown("A", LONG, None)
        assert found.with_set is not None
        assert found.with_set.lost_s == (None, None)
        first, last = found.without_set.lost_s
        assert first is not None
        assert last is not None
        assert 0.0 < first <= last < 6 * 3600.0


async def test_the_next_signed_shutdown_is_played_again_and_what_runs_is_left_alone(tmp_path: Path) -> None:
    async with site(tmp_path) as here:
        short = Scenario((MainsOut(0.0, 300.0, generator=False),))
        signed = await here.plans.sign("A", short, NOON + timedelta(seconds=60), by="R. Haugen")
        off = asking(here)
        await off.once("A")
        found = here.present.shutdowns["A"]
        assert found.plan == signed.id
        assert found.planned == found.without_set
        kept = here.plans.get(signed.id)
        assert kept is not None
        assert kept.against == ()
        await here.run_for(60.0)
        here.mains = False
        await here.run_for(20.0)
        running = here.plans.next_of("A")
        assert running is not None
        assert running.course.status is Status.RUNNING
        await off.once("A")
        assert here.present.shutdowns["A"] is found


async def test_an_answer_that_cannot_be_made_again_does_not_stay(tmp_path: Path) -> None:
    async with site(tmp_path) as here:
        await asking(here).once("A")
        await asking(here, Refuses(Busy())).once("A")
        assert "A" in here.present.shutdowns  # too much asked at once: a minute later
        await asking(here, Refuses(NotYet("A"))).once("A")
        assert "A" not in here.present.shutdowns
        await asking(here).once("A")
        here.mains = False
        await here.read()
        await asking(here).once("A")  # an outage nobody planned
        assert "A" not in here.present.shutdowns


async def test_a_plan_that_names_what_is_no_longer_there_is_objected_to(tmp_path: Path) -> None:
    async with site(tmp_path) as here:
        short = Scenario((MainsOut(0.0, 300.0, generator=False),))
        signed = await here.plans.sign("A", short, NOON + timedelta(hours=1), by="R. Haugen")
        await asking(here, Refuses(ValueError("units_out: want units of A in service; got A2"))).once("A")
        kept = here.plans.get(signed.id)
        assert kept is not None
        assert kept.against is not None
        assert "A2" in say(kept.against[0])


def test_with_and_without_the_set_are_the_same_hours() -> None:
    mixed = Scenario((MainsOut(0.0, 60.0, generator=False), MainsOut(600.0, 60.0)))
    assert [o.generator for o in with_set(mixed).outages] == [True, True]
    assert [o.generator for o in without_set(mixed).outages] == [False, False]
    assert [o.from_s for o in with_set(mixed).outages] == [0.0, 600.0]
