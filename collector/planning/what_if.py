"""Plays a shutdown that somebody asks about: as asked, with the generator and without, and with one more unit lost."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final, TypeVar

from collector.planning.planner import Busy, Planner
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.shutdown import Shutdown, Way
from rules.plant.estate import Estate
from rules.values.verdict import Verdict

T = TypeVar("T")

MOST_WAIT_S: Final = 10.0
"""So long a person or a program is left waiting for a plan; beyond, what is judged has the machine, and it is said. s."""
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

    All of it is one question to the judging process: asked one after the other, each would wait again behind what is
    judged. Raises NotYet, Busy and ValueError as the planner does; Busy too where it was not reckoned in `MOST_WAIT_S`.
    """
    left = [unit.id for unit in estate.units_of(system) if unit.id not in scenario.units_out]
    lost = left if len(left) > 1 else []
    beside = [replace(scenario, units_out=scenario.units_out | {unit}) for unit in lost]
    shutdown, ways = await in_time(planner.shutdown_and(system, scenario, None, starts_at, beside))
    found = [WithUnitLost(unit, gone) for unit, gone in zip(lost, ways, strict=True)]
    return WhatIf(shutdown, max(found, key=_missed, default=None))


async def in_time(asked: Awaitable[T]) -> T:
    """Return what was asked; raise Busy where it takes longer than somebody waits, and let go of the question."""
    try:
        return await asyncio.wait_for(asked, MOST_WAIT_S)
    except TimeoutError as error:
        raise Busy from error


def _missed(lost: WithUnitLost) -> tuple[int, float]:
    """Return how much a unit is missed: by the verdict, then by what is to spare."""
    margin_s = lost.way.result.margin_s
    return _ORDER.index(lost.way.result.verdict), -(float("inf") if margin_s is None else margin_s)
