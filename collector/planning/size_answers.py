"""Keeps an answer ready for every system: what size should its replacement be?

Once an hour, and at once when the record of its load has grown by more than a day, as it does while the past
is read in after a start. Nobody waits for it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from collector.planning.planner import NotYet, Planner
from collector.process.background_budget import Budget
from collector.process.clock import Clock
from collector.recorder.current_state import Present
from rules.plant.estate import Estate
from rules.system.load.record import PeakRecord

LOOK_EVERY_S: Final = 20.0
AGAIN_S: Final = 3600.0


class SizesAhead:
    """The answers, in `Present.sizes`, by system. `record`: a system's load on record."""

    def __init__(
        self,
        estate: Estate,
        planner: Planner,
        clock: Clock,
        present: Present,
        record: Callable[[str], PeakRecord],
        *,
        budget: Budget,
    ) -> None:
        self._estate = estate
        self._planner = planner
        self._clock = clock
        self._present = present
        self._record = record
        self._budget = budget
        self._made: dict[str, tuple[float, int]] = {}

    async def run(self) -> None:
        """Go round the systems until cancelled."""
        while True:
            for system in self._estate.systems:
                if self._due(system):
                    async with self._budget.piece("sizes"):
                        await self.once(system)
            await self._clock.sleep_until(self._clock.monotonic_s() + LOOK_EVERY_S)

    def _due(self, system: str) -> bool:
        now_s, days = self._clock.monotonic_s(), self._record(system).day_count
        made_s, from_days = self._made.get(system, (now_s - AGAIN_S, days))
        return now_s - made_s >= AGAIN_S or abs(days - from_days) > 1

    async def once(self, system: str) -> None:
        """Answer for one system where its last answer is old, or was made from less of a record."""
        if not self._due(system):
            return
        now_s, days = self._clock.monotonic_s(), self._record(system).day_count
        try:
            answer = await self._planner.sizes(system)
        except NotYet:
            return
        self._made[system] = now_s, days
        if answer is not None:
            self._present.sizes[system] = answer
