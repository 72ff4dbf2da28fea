"""What the work that nobody waits for may cost: one share of a core for all of it, and nothing in an outage.

Answers kept ready, the record of the load read back from the history, and what else the service does on its own
account ask here before each piece of it. One piece runs at a time, in the order of asking; each is paid for by a
rest. A little is held in hand, so that a small estate, and the first answers of a large one, need not wait.

A piece is reckoned by the time it took, waiting included, which is never less than what it cost: on a busy
machine the service so does less of this, not more.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Final

from collector.process.clock import Clock

SHARE: Final = 0.05
"""Seconds of work a second."""
IN_HAND_S: Final = 2.0
"""Work that may be done at once after a rest."""
OWED_AT_LEAST_S: Final = 1e-6
"""Less is nothing: what rounding leaves is not to be waited for."""
LOOK_EVERY_S: Final = 5.0
"""How often somebody who waits for the end of an outage looks."""


class Budget:
    """The one purse for background work. `lively`: whether anything goes on that must not be slowed."""

    def __init__(self, clock: Clock, lively: Callable[[], bool] = lambda: False) -> None:
        self.clock = clock
        self._lively = lively
        self._turn = asyncio.Lock()
        self._in_hand_s = IN_HAND_S
        self._reckoned_s = clock.monotonic_s()
        self._waiting: Counter[str] = Counter()
        self._done: Counter[str] = Counter()
        self._spent_s = 0.0

    @asynccontextmanager
    async def piece(self, work: str) -> AsyncIterator[None]:
        """Wait until a piece of some work may be done; what the block takes is paid for afterwards.

        A piece must not ask for another one.
        """
        self._waiting[work] += 1
        try:
            async with self._turn:
                await self._until_there_is_enough()
                began_s = self.clock.monotonic_s()
                try:
                    yield
                finally:
                    took_s = self.clock.monotonic_s() - began_s
                    self._in_hand_s -= took_s
                    self._spent_s += took_s
                    self._done[work] += 1
        finally:
            self._waiting[work] -= 1

    @property
    def debt_s(self) -> float:
        """Return for how long no piece may begin, in s; 0 where one may begin now."""
        self._reckon()
        return 0.0 if self._in_hand_s > -OWED_AT_LEAST_S else -self._in_hand_s / SHARE

    @property
    def spent_s(self) -> float:
        """Return what all pieces have taken since the start, in s."""
        return self._spent_s

    @property
    def waiting(self) -> int:
        """Return how many pieces wait or run."""
        return self._waiting.total()

    @property
    def done(self) -> dict[str, int]:
        """Return how many pieces were done, by work."""
        return dict(self._done)

    async def _until_there_is_enough(self) -> None:
        while True:
            while self._lively():
                await self.clock.sleep_until(self.clock.monotonic_s() + LOOK_EVERY_S)
            debt_s = self.debt_s
            if not debt_s:
                return
            await self.clock.sleep_until(self.clock.monotonic_s() + debt_s)

    def _reckon(self) -> None:
        now_s = self.clock.monotonic_s()
        self._in_hand_s = min(IN_HAND_S, self._in_hand_s + SHARE * (now_s - self._reckoned_s))
        self._reckoned_s = now_s
