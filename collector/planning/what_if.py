"""Plays a shutdown that somebody asks about: as asked, with the generator and without, and with one more unit lost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from collector.planning.planner import Planner
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.shutdown import Shutdown, Way, way
from rules.plant.estate import Estate
from rules.values.verdict import Verdict

_ORDER = (Verdict.ADEQUATE, Verdict.CANNOT_TELL, Verdict.INADEQUATE)


@dataclass(frozen=True, slots=True)
class WithUnitLost:
    """The same shutdown with one more unit out from its start on."""

    unit: str
    way: Way


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A shutdown as it was asked about. `one_lost`: with the unit lost that is missed most, None where none is left over."""

    shutdown: Shutdown
    one_lost: WithUnitLost | None


async def play_shutdown(
    planner: Planner, estate: Estate, system: str, scenario: Scenario, starts_at: datetime
) -> WhatIf:
    """Return how a shutdown goes on what is known now, on the load on record for its hours.

    Raises NotYet, Busy and ValueError as the planner does.
    """
    shutdown = await planner.shutdown(system, scenario, None, starts_at)
    left = [unit.id for unit in estate.units_of(system) if unit.id not in scenario.units_out]
    lost: list[WithUnitLost] = []
    for unit in left if len(left) > 1 else ():
        asked = replace(scenario, units_out=scenario.units_out | {unit})
        result = await planner.ridethrough(system, asked, starts_at)
        lost.append(
            WithUnitLost(unit, way(result, asked, estate.generator_of(system), estate.units_of(system)))
        )
    return WhatIf(shutdown, max(lost, key=_missed, default=None))


def _missed(lost: WithUnitLost) -> tuple[int, float]:
    """Return how much a unit is missed: by the verdict, then by what is to spare."""
    margin_s = lost.way.result.margin_s
    return _ORDER.index(lost.way.result.verdict), -(float("inf") if margin_s is None else margin_s)
