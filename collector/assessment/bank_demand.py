"""What systems ask of their banks for years: the load at rest with every unit in service, for the time that is counted on.

Banks are dated and sized by it. An outage, in which units end or take their supply one by one, and an hour's work on a
unit leave more to the others for a while, and say nothing of the years.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, timedelta
from typing import Final

from collector.recorder.current_state import Present
from rules.battery.assessment.replacement import BankDemand
from rules.plant.estate import Bank, Estate, Purpose
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.hold_up.task import powers_with_all
from rules.system.state import SystemState

RESTS_AFTER: Final = timedelta(seconds=60)
"""After an outage: the last unit has walked in, and its share is read and judged."""


class BankDemands:
    """What is asked of each bank, as of when its system last was at rest. `growth`: of a system's load, a share a year."""

    def __init__(self, estate: Estate, present: Present, growth: Callable[[str], float]) -> None:
        self._estate = estate
        self._present = present
        self._growth = growth
        self._asked_w: dict[str, Mapping[str, float]] = {}

    def of(self, bank: Bank, day: date) -> BankDemand | None:
        """Return what its system asks of a bank, with the worst single unit lost where one is spare."""
        system = self._estate.units[bank.feeds[0]].system
        judged = self._present.hold_ups.get(system)
        state = self._present.systems.get(system)
        if judged is None or state is None:
            return None
        if self._at_rest(system, judged):
            self._asked_w[system] = powers_with_all(self._estate, system, judged.bank_asked_w, day)
        asked_w = self._asked_w.get(system, judged.bank_asked_w)
        if bank.id not in asked_w:
            return None
        required = _required_s(state)
        if required is None:
            return None
        units = len(self._estate.units_of(system))
        spare = min(self._estate.systems[system].spare_units, 1)
        more = units / (units - spare) if units > spare else 1.0
        part_w = asked_w[bank.id]
        return BankDemand(required, part_w * more, day, self._growth(system), shared_w=part_w)

    def _at_rest(self, system: str, judged: HoldUpJudgement) -> bool:
        """Return whether a judgement is of a system at rest: not on its banks, and not as its units just took supply."""
        lit_at = self._present.lit_at.get(system)
        return lit_at is None or (judged.as_of is not None and judged.as_of > lit_at + RESTS_AFTER)


def _required_s(state: SystemState) -> float | None:
    """Return the longest hold-up that is counted on whatever happens: orders to shut down or to start the generator."""
    asked = [
        r.required_s
        for r in state.requirements
        if r.required_s is not None and r.purpose is not Purpose.PLANNED
    ]
    return max(asked, default=None)
