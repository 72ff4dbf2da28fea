"""Keeps an answer ready for every unit: may it be taken out for work in the next four hours?

One unit at a time, slowly, behind the judgements; nobody waits for it. An answer that could not be made
again is thrown away, so that none stands longer than it is true.
"""

from __future__ import annotations

import logging
from typing import Final

from collector.clock import Clock
from collector.planner import WORK, Busy, NotYet, Planner
from collector.present import Present
from collector.worker import JudgementFailed
from rules.estate import Estate, Unit

EVERY_S: Final = 60.0
AT_FIRST_S: Final = 1.0
SHARE: Final = 0.2
"""The part of the time that may go into these answers: a large estate is gone round more slowly."""
_log = logging.getLogger(__name__)


class TakingOut:
    """The answers, in `Present.isolations`, by unit."""

    def __init__(self, estate: Estate, planner: Planner, clock: Clock, present: Present) -> None:
        self._estate = estate
        self._planner = planner
        self._clock = clock
        self._present = present

    async def run(self) -> None:
        """Go round the units until cancelled."""
        while True:
            for unit in self._estate.units.values():
                began_s = self._clock.monotonic_s()
                await self.once(unit)
                took_s = self._clock.monotonic_s() - began_s
                missing = len(self._present.isolations) < len(self._estate.units)
                wanted_s = AT_FIRST_S if missing else EVERY_S / len(self._estate.units)
                await self._clock.sleep_until(began_s + max(wanted_s, took_s / SHARE))
            if not self._estate.units:
                return

    async def once(self, unit: Unit) -> None:
        """Answer for one unit."""
        now = self._clock.now()
        try:
            answer = await self._planner.isolation(unit.system, unit.id, now, now + WORK)
        except Busy:
            return
        except (NotYet, JudgementFailed) as why:
            if isinstance(why, JudgementFailed):
                _log.error("whether %s may be taken out: %s", unit.id, why)
            self._present.isolations.pop(unit.id, None)
            return
        self._present.isolations[unit.id] = answer
