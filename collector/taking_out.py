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
                missing = any(u not in self._present.isolations for u in self._at_rest())
                wanted_s = AT_FIRST_S if missing else EVERY_S / len(self._estate.units)
                await self._clock.sleep_until(began_s + max(wanted_s, took_s / SHARE))
            if not self._estate.units:
                return

    def _at_rest(self) -> list[str]:
        return [u.id for u in self._estate.units.values() if not self._on_banks(u)]

    def _on_banks(self, unit: Unit) -> bool:
        state = self._present.systems.get(unit.system)
        return state is not None and state.on_battery is not None

    async def once(self, unit: Unit) -> None:
        """Answer for one unit; while its system is on its banks there is nothing to ask."""
        if self._on_banks(unit):
            self._present.isolations.pop(unit.id, None)
            return
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
        if not self._on_banks(unit):
            self._present.isolations[unit.id] = answer
