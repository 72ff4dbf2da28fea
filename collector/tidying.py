"""Keeps the history tidy while the service runs: folds what is old enough, once a minute, off the loop.

A full or failing disk does not end it: what could not be folded is still there, and is tried again. What
went wrong last stands in `trouble`, for whoever raises the alarm.
"""

from __future__ import annotations

import logging
from typing import Final

from collector.clock import Clock
from collector.database import StoreError
from collector.history.store import HistoryStore

EVERY_S: Final = 60.0
_log = logging.getLogger(__name__)


class Tidying:
    """The history's housekeeping. `trouble` holds a sentence while something is wrong, None while all is well."""

    def __init__(self, history: HistoryStore, clock: Clock) -> None:
        self.trouble: str | None = None
        self._history = history
        self._clock = clock

    async def run(self) -> None:
        """Tidy once a minute until cancelled."""
        due_s = self._clock.monotonic_s()
        while True:
            due_s = max(due_s + EVERY_S, self._clock.monotonic_s())
            await self._clock.sleep_until(due_s)
            await self.once()

    async def once(self) -> None:
        """Fold all that is due."""
        before = self.trouble
        try:
            damaged = await self._history.tend(self._clock.now())
        except StoreError as error:
            self.trouble = str(error)
        else:
            self.trouble = "; ".join(damaged) or None
        if self.trouble is not None and self.trouble != before:
            _log.error("history: %s", self.trouble)
