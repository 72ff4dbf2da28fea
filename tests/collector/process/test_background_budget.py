"""The purse for background work: what it lets through, and when."""

import asyncio
from datetime import UTC, datetime

import pytest

from collector.process.background_budget import IN_HAND_S, SHARE, Budget
from collector.process.clock import TurnedClock

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
HOUR_S = 3600.0


async def working(budget: Budget, clock: TurnedClock, name: str, took_s: float) -> None:
    """Do one piece after another for ever, each of which takes so long by the clock."""
    while True:
        async with budget.piece(name):
            await clock.sleep_until(clock.monotonic_s() + took_s)


async def test_all_work_together_takes_its_share_of_an_hour_and_no_more() -> None:
    clock = TurnedClock(NOON)
    budget = Budget(clock)
    jobs = [
        asyncio.create_task(working(budget, clock, name, took_s))
        for name, took_s in (("small", 0.01), ("large", 0.7), ("middling", 0.1))
    ]
    await clock.advance(HOUR_S)
    for job in jobs:
        job.cancel()
    # the longest piece may begin with nothing owed, and is paid for afterwards
    assert SHARE * HOUR_S * 0.95 <= budget.spent_s <= SHARE * HOUR_S + IN_HAND_S + 0.7
    done = budget.done
    assert done["small"] > 0
    assert max(done.values()) - min(done.values()) <= 1, "one after the other, whatever each costs"


async def test_nothing_begins_in_an_outage_and_all_goes_on_after_it() -> None:
    clock, outage = TurnedClock(NOON), [True]
    budget = Budget(clock, lambda: outage[0])
    job = asyncio.create_task(working(budget, clock, "answers", 0.1))
    await clock.advance(HOUR_S)
    assert budget.spent_s == 0.0
    assert budget.waiting == 1
    outage[0] = False
    await clock.advance(60.0)
    assert budget.spent_s > 0.0
    job.cancel()


async def test_a_piece_that_fails_is_paid_for_and_gives_the_turn_on() -> None:
    clock = TurnedClock(NOON)
    budget = Budget(clock)

    async def failing() -> None:
        async with budget.piece("failing"):
            await clock.sleep_until(clock.monotonic_s() + 5.0)
            raise ValueError

    job = asyncio.create_task(failing())
    await clock.advance(5.0)
    assert isinstance(job.exception(), ValueError)
    # what was taken, less what was in hand and what the five seconds themselves brought
    assert budget.debt_s == pytest.approx((5.0 - IN_HAND_S - SHARE * 5.0) / SHARE)
    assert budget.waiting == 0
