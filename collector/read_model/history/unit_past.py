"""How a unit went: its load line by line, its share of the system, the volts and the temperature of its bank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final, Protocol

from collector.read_model.history.imported import ImportedReadings
from collector.storage.history.store import Bucket
from rules.plant.estate import Estate


class PastSpan(StrEnum):
    """How far is looked back."""

    DAY = "24 h"
    MONTH = "30 days"
    YEARS = "2 years"


LENGTH: Final = {
    PastSpan.DAY: timedelta(days=1),
    PastSpan.MONTH: timedelta(days=30),
    PastSpan.YEARS: timedelta(days=730),
}
POINTS: Final = {PastSpan.DAY: 288, PastSpan.MONTH: 360, PastSpan.YEARS: 365}
"""Means of five minutes, of two hours, of two days: a course of so many is as fine as a plot can show."""


@dataclass(frozen=True, slots=True)
class Course:
    """A quantity over time, in buckets of equal length. `line`: the unit's own, None where it has none."""

    line: int | None
    buckets: tuple[Bucket, ...]


@dataclass(frozen=True, slots=True)
class UnitPast:
    """What there is to see of a unit's past, up to `end`. `share`: of the power of its system, 0 to 1, by five minutes."""

    unit: str
    end: datetime
    loads: dict[PastSpan, tuple[Course, ...]]
    share: tuple[float | None, ...]
    voltage: dict[PastSpan, Course]
    temperature: dict[PastSpan, Course]
    imported: tuple[ImportedReadings, ...] = ()
    """What of it was not measured here."""


class PastSource(Protocol):
    """Where the past is read."""

    @property
    def estate(self) -> Estate:
        """The estate."""

    async def series(
        self, unit: str, quantity: str, line: int | None, *, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        """Return a quantity over time."""


async def unit_past(source: PastSource, unit: str, now: datetime) -> UnitPast:
    """Return a unit's past up to now. Raises StoreError where the history cannot be read."""
    end = now.replace(second=0, microsecond=0) + timedelta(minutes=1)

    async def course(of: str, quantity: str, line: int | None, span: PastSpan) -> Course:
        start = end - LENGTH[span]
        buckets = await source.series(of, quantity, line, start=start, end=end, points=POINTS[span])
        return Course(line, buckets)

    async def loads(of: str, span: PastSpan) -> tuple[Course, ...]:
        lines = range(1, source.estate.units[of].output_lines + 1)
        return tuple([await course(of, "output_power_w", line, span) for line in lines])

    mine = {span: await loads(unit, span) for span in PastSpan}
    system = source.estate.units[unit].system
    all_of_it = [
        mine[PastSpan.DAY] if one.id == unit else await loads(one.id, PastSpan.DAY)
        for one in source.estate.units_of(system)
    ]
    slow = (PastSpan.MONTH, PastSpan.YEARS)
    return UnitPast(
        unit,
        end,
        mine,
        shares(mine[PastSpan.DAY], all_of_it),
        {span: await course(unit, "battery_voltage_v", None, span) for span in slow},
        {span: await course(unit, "battery_temperature_c", None, span) for span in slow},
    )


def shares(mine: Sequence[Course], all_of_it: Sequence[Sequence[Course]]) -> tuple[float | None, ...]:
    """Return what part of its system's power a unit carried, None where any of its units was not read or none gave any."""
    own = _sums(mine)
    others = [_sums(courses) for courses in all_of_it]
    found: list[float | None] = []
    for place, part in enumerate(own):
        parts = [sums[place] if place < len(sums) else None for sums in others]
        known = [p for p in parts if p is not None]
        whole = sum(known) if len(known) == len(parts) else 0.0
        found.append(part / whole if part is not None and whole > 0.0 else None)
    return tuple(found)


def _sums(courses: Sequence[Course]) -> list[float | None]:
    """Return the power of all lines together, W, None where a line was not read."""
    if not courses:
        return []
    columns = zip(*([b.mean for b in c.buckets] for c in courses), strict=False)
    return [sum(p for p in column if p is not None) if None not in column else None for column in columns]
