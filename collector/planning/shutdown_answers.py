"""Keeps an answer ready for every system: what if we switch the mains off, with the generator and without it?

Of the next signed shutdown where there is one, else of half an hour from now. A signed shutdown is played
again on what is known now, so that it is told in time when it would not be signed any more.
"""

from __future__ import annotations

import logging
from typing import Final

from collector.assessment.worker import JudgementFailed
from collector.planning.planner import Busy, NotYet, Planner
from collector.planning.refresh import go_round
from collector.planning.signed_book import SignedBook
from collector.process.background_budget import Budget
from collector.process.clock import Clock
from collector.recorder.current_state import Present
from rules.planning.ridethrough.shutdown import STANDARD
from rules.planning.ridethrough.signed_course import Status
from rules.plant.estate import Estate
from rules.values.reason import told

_log: Final = logging.getLogger(__name__)


class SwitchingOff:
    """The answers, in `Present.shutdowns`, by system."""

    def __init__(
        self,
        estate: Estate,
        planner: Planner,
        clock: Clock,
        present: Present,
        plans: SignedBook,
        *,
        budget: Budget,
    ) -> None:
        self._estate = estate
        self._planner = planner
        self._clock = clock
        self._present = present
        self._plans = plans
        self._budget = budget

    async def run(self) -> None:
        """Go round the systems until cancelled."""
        systems = list(self._estate.systems)
        await go_round(self._budget, "switching off", systems, self.once, self._missing)

    def _missing(self) -> bool:
        at_rest = (s for s in self._estate.systems if not self._present.on_banks(s))
        return any(system not in self._present.shutdowns for system in at_rest)

    async def once(self, system: str) -> None:
        """Answer for one system; what runs already is not played again, and a system on its banks is not asked about."""
        kept = self._plans.next_of(system)
        if kept is not None and kept.course.status is Status.RUNNING:
            return
        if self._present.on_banks(system) or not self._present.asked(system):
            self._present.shutdowns.pop(system, None)
            return
        scenario = STANDARD if kept is None else kept.plan.scenario
        try:
            answer = await self._planner.shutdown(
                system,
                scenario,
                None if kept is None else kept.id,
                None if kept is None else kept.plan.starts_at,
            )
        except Busy:
            return
        except (NotYet, JudgementFailed, ValueError) as why:
            if isinstance(why, JudgementFailed):
                _log.error("what if the mains of %s is switched off: %s", system, why)
            if kept is not None and isinstance(why, ValueError):  # a unit or a load group is no longer there
                self._plans.objected(kept.id, (told(f"{why}."),))
            self._present.shutdowns.pop(system, None)
            return
        if not self._present.on_banks(system):
            self._present.shutdowns[system] = answer
            if kept is not None:
                self._plans.replayed(kept.id, answer.planned.result)
