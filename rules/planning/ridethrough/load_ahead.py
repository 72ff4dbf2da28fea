"""The load that a scenario at a named time meets: what the same hour of the week asked in the last weeks.

For each stretch on the banks the quarter of an hour is taken that asks most while the stretch lasts, at most
four hours of it: loads move little within an hour, and more than that few banks last.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import log
from typing import Final

from rules.planning.ridethrough.supply import MainsOut, SetPlan, on_banks
from rules.plant.estate import Generator, Unit
from rules.system.hold_up.sharing import BoardLoad
from rules.system.load.quarters import QUARTER_S
from rules.system.load.record import PeakRecord
from rules.system.load.usual import Usual
from rules.values.constants import Z_90

LOOKED_AT_S: Final = 4.0 * 3600.0


@dataclass(frozen=True, slots=True)
class QuarterLoad:
    """What the board asks in one quarter of an hour, `from_s` after the scenario's start, with its 90 % interval."""

    from_s: float
    asked: BoardLoad
    low_w: float
    high_w: float

    @property
    def sd(self) -> float:
        """Return the standard deviation of the load's logarithm that the interval speaks of."""
        return log(self.high_w / self.low_w) / (2.0 * Z_90) if self.low_w > 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class LoadAhead:
    """The load on record for a scenario that starts at a named time."""

    starts_at: datetime
    quarters: tuple[QuarterLoad, ...]

    def during(self, from_s: float, until_s: float) -> QuarterLoad | None:
        """Return the quarter that asks most in a stretch; None where one of them is not on record."""
        last_s = min(until_s, from_s + LOOKED_AT_S)
        inside = [q for q in self.quarters if q.from_s < last_s and q.from_s + QUARTER_S > from_s]
        if not inside or inside[0].from_s > from_s or inside[-1].from_s + QUARTER_S < last_s:
            return None
        return max(inside, key=lambda q: q.asked.total_w)


def load_ahead(
    record: PeakRecord,
    starts_at: datetime,
    outages: Sequence[MainsOut],
    plan: SetPlan,
    *,
    generator: Generator | None,
    units: Sequence[Unit],
) -> LoadAhead:
    """Return what is on record for the stretches that a scenario has on the banks."""
    found: dict[datetime, QuarterLoad] = {}
    for stretch in on_banks(outages, plan, generator, units)[0]:
        begin = starts_at + timedelta(seconds=stretch.from_s)
        end = begin + timedelta(seconds=min(stretch.until_s - stretch.from_s, LOOKED_AT_S))
        for usual in record.usual(begin, end):
            found[usual.at] = _quarter(usual, starts_at)
    return LoadAhead(starts_at, tuple(found[at] for at in sorted(found)))


def _quarter(usual: Usual, starts_at: datetime) -> QuarterLoad:
    return QuarterLoad(
        (usual.at - starts_at).total_seconds(),
        BoardLoad(
            {line.line: line.median_w for line in usual.lines},
            {line.line: line.median_va for line in usual.lines},
        ),
        sum(line.low_w for line in usual.lines),
        sum(line.high_w for line in usual.lines),
    )
