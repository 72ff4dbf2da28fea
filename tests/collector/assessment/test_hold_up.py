"""What is said of banks before they were judged, and what the judging process is asked at all."""

import asyncio
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import TypeVar

import numpy as np

from collector.assessment.hold_up import JUDGED_IN_OUTAGE_S, JUDGED_WITHIN_S, Judging
from collector.assessment.worker import Worker
from collector.process.clock import TurnedClock, stamp
from collector.recorder.current_state import Present
from rules.plant.reading import OutputSource
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.observation import glance
from tests.rules.sample_plants import estate, known_banks, reading, view

START = datetime(2026, 3, 1, 12, tzinfo=UTC)
T = TypeVar("T")


async def test_age_alone_is_not_spoken_of_until_judging_took_too_long() -> None:
    plant = estate()
    clock = TurnedClock(START)
    told: asyncio.Queue[object] = asyncio.Queue()
    judging = Judging(plant, Worker(), clock, Present(plant), told.put)
    unit = next(iter(plant.units))
    judging.carry(replace(reading(unit), unit=unit))
    bank = plant.banks_of(unit)[0].id
    assert bank in judging.beliefs
    assert judging.spoken_beliefs() == {}
    assert judging.spoken_beliefs(urgent=True) == {}, "the record comes first, and within a minute"
    judging.believe(judging.beliefs[bank])
    assert list(judging.spoken_beliefs()) == [bank]
    others = [other.id for other in plant.banks.values() if other.id != bank]
    assert others
    assert list(judging.spoken_beliefs([bank, *others])) == [bank]
    assert judging.spoken_beliefs(others) == {}, "of one system's banks nothing is made of all"
    other = Judging(plant, Worker(), clock, Present(plant), told.put)
    other.carry(replace(reading(unit), unit=unit))
    await clock.advance(JUDGED_IN_OUTAGE_S + 1.0)
    assert bank in other.spoken_beliefs(urgent=True)
    assert other.spoken_beliefs() == {}
    await clock.advance(JUDGED_WITHIN_S)
    assert bank in other.spoken_beliefs()


async def test_a_bank_that_is_judged_while_it_gives_is_not_full_again() -> None:
    plant, clock = estate(), TurnedClock(START)
    present = Present(plant)
    judging = Judging(plant, Worker(), clock, present, asyncio.Queue[object]().put)
    bank = plant.banks_of("A1")[0].id
    judged = known_banks(plant)[bank]
    began = reading("A1", [3000.0] * 3, source=OutputSource.BATTERY)
    began = replace(began, stamp=stamp(clock), battery=replace(began.battery, on_battery_s=5.0))
    present.readings["A1"] = began
    judging.carry(began)
    await clock.advance(120.0)
    later = replace(began, stamp=stamp(clock), battery=replace(began.battery, on_battery_s=125.0))
    present.readings["A1"] = later
    judging.carry(later)
    judging.believe(replace(judged, as_of=clock.now()))
    holds = float(np.median(judging.beliefs[bank].seconds_left(9000.0)))
    full = float(np.median(judged.seconds_left(9000.0)))
    assert 118.0 < full - holds < 132.0, "it has given for 125 s, five of them before the first reading"
    on_record = judging.on_record(bank)
    assert on_record is not None
    assert on_record.full, "a running discharge is held against the bank as it was before"


async def test_a_bank_that_rests_is_believed_as_of_its_last_reading_and_gives_from_then_on() -> None:
    plant, clock = estate(), TurnedClock(START)
    present = Present(plant)
    judging = Judging(plant, Worker(), clock, present, asyncio.Queue[object]().put)
    bank = plant.banks_of("A1")[0].id
    judging.believe(replace(known_banks(plant)[bank], as_of=clock.now()))
    at_first = judging.beliefs[bank]
    for _ in range(3):
        await clock.advance(60.0)
        judging.carry(replace(reading("A1", [3000.0] * 3), stamp=stamp(clock)))
    at_rest = judging.beliefs[bank]
    assert (at_rest.as_of, at_rest.full) == (clock.now(), True)
    assert at_rest.health is at_first.health, "nothing of it was made anew"
    judging.carry(replace(reading("A1", [3000.0] * 3), stamp=stamp(clock)))
    await clock.advance(60.0)
    gives_none = reading("A1", [3000.0] * 3)
    judging.carry(
        replace(gives_none, stamp=stamp(clock), battery=replace(gives_none.battery, temperature_c=31.0))
    )
    assert judging.beliefs[bank].temperature_c == 31.0
    gives = reading("A1", [3000.0] * 3, source=OutputSource.BATTERY)
    await clock.advance(10.0)
    present.readings["A1"] = gives = replace(gives, stamp=stamp(clock))
    judging.carry(gives)
    used_s = float(np.median(judging.beliefs[bank].used / judging.beliefs[bank].rate_per_s(9000.0)))
    assert used_s <= 11.0, "what it rested for is not taken for a discharge"


async def test_what_a_bank_gives_is_the_same_asked_for_at_each_reading_or_at_the_end() -> None:
    """A load that wanders and steps, a card that falls silent for a while, and a return."""
    plant, clock = estate(), TurnedClock(START)
    present = Present(plant)
    often, seldom = (Judging(plant, Worker(), clock, present, asyncio.Queue[object]().put) for _ in range(2))
    bank = plant.banks_of("A1")[0].id
    for judging in (often, seldom):
        judging.believe(replace(known_banks(plant)[bank], as_of=clock.now()))
    chance = np.random.default_rng(3)
    watts = [*(3000.0 * (1.0 + 0.02 * chance.standard_normal(40))), *[4200.0] * 20]
    for number, power_w in enumerate(watts):
        await clock.advance(20.0 if number == 30 else 2.0)
        gives = reading("A1", [power_w] * 3, source=OutputSource.BATTERY)
        present.readings["A1"] = gives = replace(gives, stamp=stamp(clock))
        for judging in (often, seldom):
            judging.carry(gives)
        assert often.beliefs[bank].as_of == clock.now()
    before_s = float(np.median(often.beliefs[bank].seconds_left(9000.0)))
    for judging in (often, seldom):
        judging.carry(replace(reading("A1", [4200.0] * 3), stamp=stamp(clock)))
    ends_s = [float(np.median(one.beliefs[bank].seconds_left(9000.0))) for one in (often, seldom)]
    assert abs(ends_s[0] - before_s) < 1.0
    assert abs(ends_s[1] - ends_s[0]) < 1e-3 * before_s
    assert seldom.beliefs[bank].as_of == often.beliefs[bank].as_of
    used = [float(np.median(one.beliefs[bank].used)) for one in (often, seldom)]
    assert abs(used[1] / used[0] - 1.0) < 1e-4


class Counted(Worker):
    """Judges at once, in this process, and counts how often."""

    def __init__(self) -> None:
        super().__init__()
        self.asked = 0

    async def ask(
        self, key: str, function: Callable[..., T], *arguments: object, about: str | None = None
    ) -> T:
        self.asked += 1
        return function(*arguments)


async def test_the_process_is_asked_again_only_for_what_can_have_another_answer() -> None:
    plant, clock, worker = estate(), TurnedClock(START), Counted()
    told: asyncio.Queue[HoldUpJudgement] = asyncio.Queue()
    judging = Judging(plant, worker, clock, Present(plant), told.put)
    asking = asyncio.create_task(judging.run())

    async def looked_at(power_w: float) -> HoldUpJudgement:
        now = stamp(clock)
        readings = [replace(reading(u.id, [power_w / 3] * 3), stamp=now) for u in plant.units_of("A")]
        for one in readings:
            judging.carry(one)
        for belief in dict(judging.beliefs).values():
            if belief.bank not in judging.spoken_beliefs():
                judging.believe(belief)
        seen = replace(view(plant, readings), now=now)
        judging.look(seen, glance(seen))
        await clock.advance(30.0)
        answer = await asyncio.wait_for(told.get(), 10.0)
        while not told.empty():
            answer = told.get_nowait()
        return answer

    first = await looked_at(9000.0)
    asked = worker.asked
    again = await looked_at(9001.0)
    assert worker.asked == asked, "nothing but the moment is another"
    assert again.as_of is not None
    assert first.as_of is not None
    assert again.as_of > first.as_of
    assert replace(again, as_of=first.as_of) == first
    for belief in dict(judging.beliefs).values():
        curve = replace(belief.curve)
        judging.believe(replace(belief, curve=curve, health=0.5 * belief.health))
    asked = worker.asked
    worse = await looked_at(9000.0)
    assert worker.asked > asked, "other draws, from a judgement of the bank"
    assert (worse.hold_ups.now.median_s or 0.0) < (first.hold_ups.now.median_s or 0.0)
    asked = worker.asked
    more = await looked_at(12000.0)
    assert worker.asked > asked
    assert (more.hold_ups.now.median_s or 0.0) < (worse.hold_ups.now.median_s or 0.0)
    asking.cancel()
