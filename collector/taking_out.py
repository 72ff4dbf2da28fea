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
SETTLING_S: Final = 180.0
"""After a start, banks are first believed by age alone and units are heard one by one."""
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
        """Go round the units until cancelled: quickly while the first judgements come in, then slowly."""
        settled_s = self._clock.monotonic_s() + SETTLING_S
        while True:
            for unit in self._estate.units.values():
                began_s = self._clock.monotonic_s()
                await self.once(unit)
                took_s = self._clock.monotonic_s() - began_s
                missing = any(u not in self._present.isolations for u in self._at_rest())
                quick = missing or began_s < settled_s
                wanted_s = AT_FIRST_S if quick else EVERY_S / len(self._estate.units)
                await self._clock.sleep_until(began_s + max(wanted_s, took_s / SHARE))
            if not self._estate.units:
                return

    def _at_rest(self) -> list[str]:
        return [u.id for u in self._estate.units.values() if not self._on_banks(u)]

    def _asked(self, unit: Unit) -> bool:
        known = (self._present.readings, self._present.silences, self._present.faults)
        return all(any(u.id in of for of in known) for u in self._estate.units_of(unit.system))

    def _on_banks(self, unit: Unit) -> bool:
        state = self._present.systems.get(unit.system)
        return state is not None and state.on_battery is not None

    async def once(self, unit: Unit) -> None:
        """Answer for one unit, once every unit of its system was asked how it is, and not while it is on its banks."""
        if self._on_banks(unit) or not self._asked(unit):
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
