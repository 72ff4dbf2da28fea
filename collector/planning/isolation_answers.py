"""Keeps an answer ready for every unit: may it be taken out for work in the next four hours?

One unit at a time, slowly, behind the judgements; nobody waits for it. An answer that could not be made
again is thrown away, so that none stands longer than it is true.
"""

from __future__ import annotations

import logging

from collector.assessment.worker import JudgementFailed
from collector.planning.planner import WORK, Busy, NotYet, Planner
from collector.planning.refresh import go_round
from collector.process.background_budget import Budget
from collector.process.clock import Clock
from collector.recorder.current_state import Present
from rules.plant.estate import Estate, Unit

_log = logging.getLogger(__name__)


class TakingOut:
    """The answers, in `Present.isolations`, by unit."""

    def __init__(
        self, estate: Estate, planner: Planner, clock: Clock, present: Present, *, budget: Budget
    ) -> None:
        self._estate = estate
        self._planner = planner
        self._clock = clock
        self._present = present
        self._budget = budget

    async def run(self) -> None:
        """Go round the units until cancelled."""
        units = list(self._estate.units.values())
        await go_round(self._budget, "taking out", units, self.once, self._missing)

    def _missing(self) -> bool:
        at_rest = (u.id for u in self._estate.units.values() if not self._present.on_banks(u.system))
        return any(unit not in self._present.isolations for unit in at_rest)

    async def once(self, unit: Unit) -> None:
        """Answer for one unit, once every unit of its system was asked how it is, and not while it is on its banks."""
        if self._present.on_banks(unit.system) or not self._present.asked(unit.system):
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
        if not self._present.on_banks(unit.system):
            self._present.isolations[unit.id] = answer
