"""What a system's lines asked for, by line and by day: values that a record of the load gives."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from rules.system.state import LineLoad


@dataclass(frozen=True, slots=True)
class LinePeak:
    """What one board line asked for: highest and 95th percentile, W and VA. None: never known."""

    line: int
    peak_w: float | None
    peak_va: float | None
    p95_w: float | None
    p95_va: float | None
    peak_at: datetime | None


@dataclass(frozen=True, slots=True)
class Peaks:
    """The record of a system's lines; `known_days` says how much of the 30 days was read."""

    lines: tuple[LinePeak, ...]
    known_days: float
    since: datetime | None

    def of(self, line: int) -> LinePeak | None:
        """Return what is recorded of a board line."""
        return next((item for item in self.lines if item.line == line), None)


@dataclass(frozen=True, slots=True)
class DayPeak:
    """The highest 5-minute means of one day (UTC), by board line; None: not known."""

    day: date
    lines: tuple[LineLoad, ...]


def total_by_day(days: Iterable[DayPeak]) -> list[tuple[date, float]]:
    """Return the sum of the lines' peaks of each day, W, of days on which every line is known."""
    found = []
    for peak in days:
        watts = [line.power_w for line in peak.lines if line.power_w is not None]
        if watts and len(watts) == len(peak.lines):
            found.append((peak.day, sum(watts)))
    return found


def line_by_day(days: Iterable[DayPeak], line: int) -> list[tuple[date, float]]:
    """Return the peak of one board line of each day, W, of days on which it is known."""
    return [
        (peak.day, item.power_w)
        for peak in days
        for item in peak.lines
        if item.line == line and item.power_w is not None
    ]


@dataclass(frozen=True, slots=True)
class LineHistory:
    """One board line over the time looked at, W and VA: median, 95th percentile and peak."""

    line: int
    median_w: float
    p95_w: float
    peak_w: float
    peak_va: float


NO_PEAKS: Final = Peaks((), 0.0, None)
