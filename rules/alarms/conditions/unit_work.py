"""What is to be told of work on a unit: what the work does not explain, and that its time has passed."""

from __future__ import annotations

from collections.abc import Iterator

from rules.alarms.conditions.condition import Condition
from rules.alarms.lifecycle.course import Observation
from rules.plant.estate import Estate
from rules.system.state import SystemState
from rules.values.code import Code
from rules.values.reason import reason

UNEXPECTED = "work_unexpected"
OVERDUE = "work_overdue"


def unit_work_conditions(state: SystemState, estate: Estate) -> Iterator[Condition]:
    """Yield what the work on a system's units says of its alarms; units that nobody works on say no."""
    under_way = {work.unit: work for work in state.work}
    for unit in estate.units_of(state.id):
        work = under_way.get(unit.id)
        if work is None:
            yield Condition(UNEXPECTED, unit.id, Observation(False))
            yield Condition(OVERDUE, unit.id, Observation(False))
            continue
        because = tuple(one.because for one in work.unexpected[:2])
        what = reason(Code.WORK_UNEXPECTED, unit.id, system=state.name, because=because) if because else None
        yield Condition(UNEXPECTED, unit.id, Observation(bool(because), what))
        late = reason(Code.WORK_OVERDUE, unit.id, because=work.because) if work.overdue else None
        yield Condition(OVERDUE, unit.id, Observation(work.overdue, late))
