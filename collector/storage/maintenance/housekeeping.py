"""Keeps the stores tidy while the service runs, off the loop.

Once a minute the readings around what happened are marked to be kept, and the history is tended: the local file
folds what is old enough, InfluxDB is sent what waits. Once a day the ledger lets go of what is older than is asked
for. While the clock cannot be believed, nothing is let go for good.

A full or failing disk does not end it: what could not be folded is still there, and is tried again. What
went wrong last stands in `trouble`, for whoever raises the alarm.
"""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator, Awaitable, Callable
from datetime import datetime, timedelta
from typing import Final

from collector.process.clock import Clock
from collector.storage.database import StoreError
from collector.storage.history.store import HistoryStore
from collector.storage.maintenance.clock_trust import LettingGo
from collector.storage.maintenance.exact_retention import ExactSpans

EVERY_S: Final = 60.0
LET_GO_EVERY: Final = timedelta(days=1)
LetGo = Callable[[datetime], Awaitable[object]]
"""Has the ledger let go of what is too old now."""
_log = logging.getLogger(__name__)


class Tidying:
    """The stores' housekeeping. `trouble` holds a sentence while something is wrong, None while all is well."""

    def __init__(
        self, history: HistoryStore, clock: Clock, events: ExactSpans, letting_go: LettingGo, let_go: LetGo
    ) -> None:
        self.trouble: str | None = None
        self._history = history
        self._clock = clock
        self._events = events
        self._letting_go = letting_go
        self._let_go = let_go
        self._let_go_at: datetime | None = None

    async def run(self) -> None:
        """Tidy once a minute until cancelled."""
        due_s = self._clock.monotonic_s()
        while True:
            due_s = max(due_s + EVERY_S, self._clock.monotonic_s())
            await self._clock.sleep_until(due_s)
            await self.once()

    async def once(self) -> None:
        """Do all that is due."""
        before = self.trouble
        found = [one async for one in self._done()]
        self.trouble = "; ".join(found) or None
        if self.trouble is not None and self.trouble != before:
            _log.error("history: %s", self.trouble)

    async def _done(self) -> AsyncIterator[str]:
        """Do all that is due, and yield what is wrong. What one store refuses does not keep the other from its own."""
        may_let_go = False
        try:
            await self._events.once()  # before anything of them could be let go
            may_let_go = await self._letting_go.may()
        except StoreError as error:
            yield str(error)
        try:
            for damaged in await self._history.tend(self._clock.now(), let_go=may_let_go):
                yield damaged
            if may_let_go:
                await self._lighten()
        except StoreError as error:
            yield str(error)

    async def _lighten(self) -> None:
        now = self._clock.now()
        due = self._let_go_at is None or now - self._let_go_at >= LET_GO_EVERY
        if due:
            await self._let_go(now)
            self._let_go_at = now
