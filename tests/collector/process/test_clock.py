"""The clocks keep their promises."""

import asyncio
from datetime import UTC, datetime

from collector.process.clock import ScaledClock, TurnedClock, stamp

START = datetime(2026, 1, 1, tzinfo=UTC)


async def test_a_turned_clock_wakes_sleepers_in_the_order_of_their_time() -> None:
    clock = TurnedClock(START)
    woken: list[tuple[str, float]] = []

    async def sleeper(name: str, until_s: float) -> None:
        await clock.sleep_until(until_s)
        woken.append((name, clock.monotonic_s()))

    async with asyncio.TaskGroup() as group:
        group.create_task(sleeper("late", 20.0))
        group.create_task(sleeper("early", 5.0))
        await asyncio.sleep(0)
        await clock.advance(30.0)
    assert woken == [("early", 5.0), ("late", 20.0)]
    assert (clock.now() - START).total_seconds() == 30.0


async def test_a_past_moment_does_not_wait() -> None:
    clock = TurnedClock(START)
    await asyncio.wait_for(clock.sleep_until(-1.0), 1.0)


async def test_a_scaled_clock_passes_an_hour_in_a_moment() -> None:
    clock = ScaledClock(START, speed=360_000.0)
    before = stamp(clock)
    await clock.sleep_until(before.monotonic_s + 3600.0)
    after = stamp(clock)
    assert after.monotonic_s - before.monotonic_s >= 3600.0
    assert after.start_id == before.start_id
