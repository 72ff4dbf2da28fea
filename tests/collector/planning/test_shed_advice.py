"""What to shed first: asked as an outage begins, again now and then, one at a time, and gone when it is over."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from typing import Any, cast

from collector.assessment.worker import JudgementFailed
from collector.planning.planner import Busy, NotYet, Planner
from collector.planning.shed_advice import EVERY_S, SOON_S, ShedAdviser
from collector.process.clock import TurnedClock
from collector.recorder.current_state import Present
from rules.alarms.conditions.shedding import shed_reason
from rules.phrasing.reasons import say
from rules.planning.ridethrough.shedding import UNSAID_S, ShedAdvice, SheddingPlan
from rules.system.hold_up.sharing import BoardLoad
from rules.system.hold_up.task import HoldUpTask
from rules.system.state import OnBattery
from rules.values.reason import told
from tests.rules.sample_plant import estate, system_state

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
LIT = OnBattery(NOON, NOON + timedelta(seconds=900), None)


@dataclass
class Plans:
    """Stands for the planner: sheds the lab, or cannot tell, or raises."""

    raises: Exception | None = None
    tells: bool = True
    asked: list[tuple[Any, ...]] = field(default_factory=list)

    async def shed_now(self, *question: Any) -> SheddingPlan:
        self.asked.append(question)
        if self.raises is not None:
            raise self.raises
        steps = (ShedAdvice("lab", 0.0, 4000.0, None, 1200.0, 300.0),) if self.tells else ()
        return SheddingPlan(
            question[0], question[1], (), 900.0, steps, True if self.tells else None, None, ()
        )


def made(plans: Plans, *lit: str) -> tuple[ShedAdviser, Present, TurnedClock]:
    clock, present = TurnedClock(NOON), Present(estate())
    for name in ("works", "control", "depot"):
        present.systems[name] = system_state(name, 0.0, on_battery=LIT if name in lit else None)
    return ShedAdviser(present.estate, cast("Planner", plans), clock, present), present, clock


async def asked(adviser: ShedAdviser, clock: TurnedClock) -> str | None:
    state = adviser._next(clock.monotonic_s())
    if state is not None:
        await adviser.once(state)
    return None if state is None else state.id


async def test_only_systems_on_their_banks_are_asked_about_each_in_turn_and_again_after_a_while() -> None:
    plans = Plans()
    adviser, present, clock = made(plans, "works", "depot")
    assert [await asked(adviser, clock) for _ in range(3)] == ["works", "depot", None]
    await clock.advance(EVERY_S)
    assert await asked(adviser, clock) in {"works", "depot"}
    shed = present.sheds["works"]
    assert [step.group for step in shed.steps] == ["lab"]
    assert shed.ends_earliest == shed.as_of + timedelta(seconds=1200)
    # the depot has no generator and declares no need
    assert next(q[1] for q in plans.asked if q[0] == "depot") == UNSAID_S
    works = [q[2] for q in plans.asked if q[0] == "works"]
    assert works[:2] == [0, 1][: len(works)], "how many steps were advised before"


async def test_what_is_back_on_supply_needs_no_advice() -> None:
    adviser, present, clock = made(Plans(), "works")
    await asked(adviser, clock)
    present.systems["works"] = replace(present.systems["works"], on_battery=None)
    assert await asked(adviser, clock) is None
    assert present.sheds == {}


async def test_an_answer_that_cannot_be_made_again_is_kept_and_a_fault_stops_nothing() -> None:
    plans = Plans()
    adviser, present, clock = made(plans, "works")
    await asked(adviser, clock)
    first = present.sheds["works"]
    for plans.raises in (NotYet("works"), JudgementFailed("a fault")):
        await clock.advance(EVERY_S)
        assert await asked(adviser, clock) == "works"
    plans.raises, plans.tells = None, False
    await clock.advance(EVERY_S)
    await asked(adviser, clock)
    kept = present.sheds["works"]
    assert replace(kept, not_since=None) == first
    assert say(kept.not_since) == "Too little is known now."
    told = say(shed_reason(kept, clock.now(), NOON + timedelta(seconds=900)))
    assert told.endswith("Reckoned 1.5 min ago and not since: too little is known now.")
    plans.tells = True
    await clock.advance(EVERY_S)
    await asked(adviser, clock)
    assert present.sheds["works"].not_since is None


async def test_where_too_much_is_asked_at_once_it_is_asked_again_in_a_moment() -> None:
    plans = Plans(raises=Busy())
    adviser, present, clock = made(plans, "works")
    assert await asked(adviser, clock) == "works"
    assert present.sheds == {}
    plans.raises = None
    assert await asked(adviser, clock) == "works"
    assert present.sheds


async def test_it_is_asked_again_at_once_when_the_end_has_moved_from_what_the_advice_was_reckoned_with() -> (
    None
):
    adviser, present, clock = made(Plans(), "works")
    assert await asked(adviser, clock) == "works"
    await clock.advance(SOON_S)
    assert await asked(adviser, clock) is None
    later = replace(LIT, ends_earliest=NOON + timedelta(seconds=1380))
    present.systems["works"] = replace(present.systems["works"], on_battery=later)
    assert await asked(adviser, clock) == "works"


@dataclass
class Process:
    """Stands for the judging process, which raises where it is told to."""

    raises: Exception | None = None
    asked: list[int] = field(default_factory=list)

    async def ask_first(self, _key: str, function: Any, *arguments: Any) -> Any:
        self.asked.append(len(arguments[0]))
        if self.raises is not None:
            raise self.raises
        return function(*arguments)


class Known(Plans):
    """What a plan is made of, of systems whose banks nobody knows: nothing can be told, and that is told at once."""

    def to_shed(self, system: str) -> tuple[Any, ...]:
        if system == "control":
            raise NotYet(system)
        task = HoldUpTask(
            system, None, (), (), BoardLoad({}, {}), {}, each_lost=False, missing=(told("Nothing is known."),)
        )
        return task, {}, []


async def test_systems_that_go_at_once_are_all_asked_about_in_the_same_second() -> None:
    adviser, present, clock = made(Known(), "works", "depot", "control")
    present.lit |= {"works", "depot", "control"}
    process = Process()
    running = asyncio.create_task(adviser.run(process))
    await clock.advance(0.5)
    assert process.asked == [2]
    assert {name for name, shed in present.sheds.items() if shed.reached is None} == {"works", "depot"}
    assert adviser._fresh() == []
    running.cancel()


async def test_what_came_of_none_of_them_is_asked_again_one_by_one() -> None:
    plans = Known()
    adviser, present, clock = made(plans, "works", "depot")
    present.lit |= {"works", "depot"}
    process = Process(JudgementFailed("shed: it broke"))
    running = asyncio.create_task(adviser.run(process))
    await clock.advance(3.5)
    assert process.asked == [2]
    assert [question[0] for question in plans.asked] == ["works", "depot"]
    assert set(present.sheds) == {"works", "depot"}
    running.cancel()


async def test_until_when_it_should_hold_stays_where_it_was_while_the_outage_goes_on() -> None:
    """What moved on with the clock moved the last moment to shed by four seconds a second, from 2.6 min to too late in 30 s."""
    plans = Plans()
    adviser, present, clock = made(plans, "depot")
    untils = []
    for _ in range(60):
        if await asked(adviser, clock):
            untils.append(present.sheds["depot"].until)
            assert present.sheds["depot"].of_s == UNSAID_S
        await clock.advance(EVERY_S)
    first = NOON + timedelta(seconds=UNSAID_S)  # the outage began at noon
    half = int(0.5 * UNSAID_S / EVERY_S)
    assert untils[:half] == [first] * half
    await clock.advance(EVERY_S)
    await asked(adviser, clock)
    again = present.sheds["depot"].until
    assert again > first, "nothing came in half of that time: it is wanted anew"
