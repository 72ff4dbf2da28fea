"""The daemon's clocks: one for real, one that a test turns by hand, one that runs faster.

The rules never see a clock; they are given `rules.reading.Stamp`. Delays use the monotonic seconds,
records the UTC time, and `start_id` says within which run of the daemon the seconds compare.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import secrets
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Protocol

from rules.reading import Stamp


class Clock(Protocol):
    """What the collector asks for the time."""

    start_id: str

    def now(self) -> datetime:
        """Return the time of day, UTC."""
        ...

    def monotonic_s(self) -> float:
        """Return seconds that never go back and do not jump with the time of day."""
        ...

    async def sleep_until(self, monotonic_s: float) -> None:
        """Return once `monotonic_s` is reached; at once (after one pass of the loop) if it is past."""
        ...

    def call_at(self, monotonic_s: float, wake: Callable[[], object]) -> Callable[[], object]:
        """Have `wake` called on the event loop once `monotonic_s` is reached; return what calls it off."""
        ...


def stamp(clock: Clock) -> Stamp:
    """Return the present moment as the rules want it."""
    return Stamp(at=clock.now(), monotonic_s=clock.monotonic_s(), start_id=clock.start_id)


def new_start_id() -> str:
    """Return a name for this run of the daemon."""
    return secrets.token_hex(4)


class SystemClock:
    """The machine's clock."""

    def __init__(self) -> None:
        self.start_id = new_start_id()

    def now(self) -> datetime:
        """Return the machine's time of day, UTC."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """Return the machine's monotonic seconds."""
        return time.monotonic()

    async def sleep_until(self, monotonic_s: float) -> None:
        """Sleep on the event loop until then."""
        await asyncio.sleep(max(0.0, monotonic_s - time.monotonic()))

    def call_at(self, monotonic_s: float, wake: Callable[[], object]) -> Callable[[], object]:
        """Have the event loop call then."""
        loop = asyncio.get_running_loop()
        return loop.call_later(max(0.0, monotonic_s - time.monotonic()), wake).cancel


class ScaledClock:
    """A clock that runs `speed` times as fast as the machine's, from `start` on.

    For accelerated runs in which simulated cards and the collector share one clock. Time limits of
    the network stay real: they belong to the wire, not to the estate.
    """

    def __init__(self, start: datetime, speed: float) -> None:
        self.start_id = new_start_id()
        self._start = start
        self._speed = speed
        self._origin_s = time.monotonic()

    def now(self) -> datetime:
        """Return the scaled time of day, UTC."""
        return self._start + timedelta(seconds=self.monotonic_s())

    def monotonic_s(self) -> float:
        """Return scaled seconds since this clock was made."""
        return (time.monotonic() - self._origin_s) * self._speed

    async def sleep_until(self, monotonic_s: float) -> None:
        """Sleep until the scaled seconds are reached."""
        await asyncio.sleep(max(0.0, monotonic_s - self.monotonic_s()) / self._speed)

    def call_at(self, monotonic_s: float, wake: Callable[[], object]) -> Callable[[], object]:
        """Have the event loop call when the scaled seconds are reached."""
        left_s = max(0.0, monotonic_s - self.monotonic_s()) / self._speed
        return asyncio.get_running_loop().call_later(left_s, wake).cancel


class TurnedClock:
    """A clock that stands still until `advance` turns it; sleepers wake in the order of their time."""

    def __init__(self, start: datetime, start_id: str = "turned") -> None:
        self.start_id = start_id
        self._start = start
        self._monotonic_s = 0.0
        self._order = itertools.count()
        self._sleepers: list[tuple[float, int, list[Callable[[], object]]]] = []

    def now(self) -> datetime:
        """Return the time of day it was turned to, UTC."""
        return self._start + timedelta(seconds=self._monotonic_s)

    def monotonic_s(self) -> float:
        """Return the seconds it was turned by."""
        return self._monotonic_s

    async def sleep_until(self, monotonic_s: float) -> None:
        """Wait until somebody turns the clock that far."""
        if monotonic_s <= self._monotonic_s:
            await asyncio.sleep(0)
            return
        woken = asyncio.Event()
        self.call_at(monotonic_s, woken.set)
        await woken.wait()

    def call_at(self, monotonic_s: float, wake: Callable[[], object]) -> Callable[[], object]:
        """Call when somebody turns the clock that far; what is past already, at the next turn of it."""
        called = [wake]
        heapq.heappush(self._sleepers, (max(monotonic_s, self._monotonic_s), next(self._order), called))
        return called.clear

    async def advance(self, seconds: float, settle_s: float = 0.0) -> None:
        """Turn the clock on, waking each sleeper at its own time and letting it run.

        `settle_s` is real time given to sockets after each waking.
        """
        target_s = self._monotonic_s + seconds
        await self._settle(0.0)  # whoever was woken by something else than time may want to sleep anew first
        while self._sleepers and self._sleepers[0][0] <= target_s:
            at_s, _, called = heapq.heappop(self._sleepers)
            if not called:
                continue
            self._monotonic_s = at_s
            called[0]()
            await self._settle(settle_s)
        self._monotonic_s = target_s
        await self._settle(settle_s)

    @staticmethod
    async def _settle(settle_s: float) -> None:
        if settle_s:
            await asyncio.sleep(settle_s)
        else:
            for _ in range(10):
                await asyncio.sleep(0)
