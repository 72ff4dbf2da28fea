"""The daemon's clocks: one for real, one that a test turns by hand, one that runs faster.

The rules never see a clock; they are given `rules.plant.reading.Stamp`. Delays use the monotonic seconds,
records the UTC time, and `start_id` says within which run of the daemon the seconds compare.

The time of day counts on in the monotonic seconds. Where the machine's own is set (by hand, by a time service that was
lost and found), that is taken over at one moment, by whoever can move along what was noted until then
(`collector.recorder.recorder`): so nothing noted on both sides of it is ever compared as it stands, and nothing takes a day
longer, or a negative time, for a clock that was set.
"""

from __future__ import annotations

import asyncio
import heapq
import itertools
import secrets
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, Protocol

from rules.plant.reading import Stamp

FELT_S: Final = 2.0
"""From here on a difference between the machine's time of day and ours is a clock that was set; less is followed slowly."""
AT_A_TIME_S: Final = 0.05
"""How far a small difference is followed at a time, less than what passes in between: time goes on."""
REMEMBERED_S: Final = 3600.0
LATE_S: Final = 300.0


@dataclass(frozen=True, slots=True)
class Jump:
    """The machine's time of day was set: when, in monotonic seconds, and by how much."""

    at_s: float
    by: timedelta


class Clock(Protocol):
    """What the collector asks for the time."""

    start_id: str
    jumps: tuple[Jump, ...]
    """What was taken over within the last hour, oldest first."""

    def now(self) -> datetime:
        """Return the time of day, UTC, counted on in seconds that do not jump."""
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

    def was_set(self) -> bool:
        """Return whether the machine's time of day was set; a small difference is followed instead."""
        ...

    def take_over(self) -> timedelta:
        """Go by the machine's time of day again, and return by how much it had been set."""
        ...


def moved_since(clock: Clock, noted: Stamp) -> timedelta:
    """Return by how much the clock was set since something was noted in this run: what its moment is to be moved by."""
    if noted.start_id != clock.start_id:
        return timedelta()
    by = clock.now() - timedelta(seconds=clock.monotonic_s() - noted.monotonic_s) - noted.at
    return by if abs(by) >= timedelta(seconds=FELT_S) else timedelta()


def late_move(clock: Clock, noted: datetime) -> timedelta:
    """Return by how much a moment of the last minutes is to be moved that may have been noted before the clock was set.

    For what carries no monotonic seconds: of the moments that it may mean, it means the one nearest to now.
    """
    late_s, now, may = clock.monotonic_s() - LATE_S, clock.now(), [timedelta()]
    for jump in reversed(clock.jumps):
        if jump.at_s > late_s:
            may.append(may[-1] + jump.by)
    return min(may, key=lambda by: abs(now - (noted + by)))


def stamp(clock: Clock) -> Stamp:
    """Return the present moment as the rules want it."""
    return Stamp(at=clock.now(), monotonic_s=clock.monotonic_s(), start_id=clock.start_id)


def new_start_id() -> str:
    """Return a name for this run of the daemon."""
    return secrets.token_hex(4)


class _Steady(ABC):
    """A time of day that is counted on, from the machine's at the start; and what was taken over since."""

    def __init__(self, start: datetime, start_id: str) -> None:
        self.start_id = start_id
        self.jumps: tuple[Jump, ...] = ()
        self._start, self._start_s = start, self.monotonic_s()

    def now(self) -> datetime:
        """Return the time of day, UTC, counted on in seconds that do not jump."""
        return self._start + timedelta(seconds=self.monotonic_s() - self._start_s)

    def was_set(self) -> bool:
        """Return whether the machine's time of day was set; a small difference is followed instead."""
        astray = self._machines() - self.now()
        if abs(astray) >= timedelta(seconds=FELT_S):
            return True
        most = timedelta(seconds=AT_A_TIME_S)
        self._start += max(-most, min(astray, most))
        return False

    def take_over(self) -> timedelta:
        """Go by the machine's time of day again, and return by how much it had been set."""
        by, at_s = self._machines() - self.now(), self.monotonic_s()
        self._start += by
        self.jumps = (*(j for j in self.jumps if at_s - j.at_s <= REMEMBERED_S), Jump(at_s, by))
        return by

    @abstractmethod
    def monotonic_s(self) -> float:
        """Return seconds that never go back."""

    @abstractmethod
    def _machines(self) -> datetime:
        """Return the machine's time of day."""


class NeverSet:
    """The part of a clock whose time of day nobody sets."""

    jumps: tuple[Jump, ...] = ()

    def was_set(self) -> bool:
        """Return that it was not."""
        return False

    def take_over(self) -> timedelta:
        """Return that there is nothing to take over."""
        return timedelta()


class SystemClock(_Steady):
    """The machine's clock."""

    def __init__(self) -> None:
        super().__init__(self._machines(), new_start_id())

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

    def _machines(self) -> datetime:
        return datetime.now(UTC)


class ScaledClock(NeverSet):
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


class TurnedClock(_Steady):
    """A clock that stands still until `advance` turns it; sleepers wake in the order of their time."""

    def __init__(self, start: datetime, start_id: str = "turned") -> None:
        self._monotonic_s = 0.0
        super().__init__(start, start_id)
        self._machines_start = start
        self._order = itertools.count()
        self._sleepers: list[tuple[float, int, list[Callable[[], object]]]] = []

    def monotonic_s(self) -> float:
        """Return the seconds it was turned by."""
        return self._monotonic_s

    def jump(self, seconds: float) -> None:
        """Set the machine's time of day; the monotonic seconds know nothing of it."""
        self._machines_start += timedelta(seconds=seconds)

    def _machines(self) -> datetime:
        return self._machines_start + timedelta(seconds=self._monotonic_s)

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
