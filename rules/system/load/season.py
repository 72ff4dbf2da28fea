"""A load's growth told apart from its seasons.

A year's swing looks like growth to any straight line through less than some years. So months are compared
with the same months of other years alone: the seasonal Kendall slope is the median of those differences, and
the test adds Kendall's S over the twelve months (Hirsch, Slack and Smith 1982); the slope's interval goes by
the ranks of the differences (Gilbert 1987, as textbooks quote it). What is left of a month once the trend is
taken off is its season.

A month stands for the median of its weekly highest loads: one odd week does not make a season. Until three
months have come round a second time nothing is said of growth, since there is nothing to tell it by. What comes
before a lasting step (`rules.system.load.step`) does not count: it is neither growth nor season. A season is told from two
years on whose months agree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import ceil, erfc, floor, sqrt
from statistics import median
from typing import Final

from rules.system.load.step import LoadStep, last_step, weekly
from rules.values.code import Code
from rules.values.constants import Z_90
from rules.values.reason import Reason, reason

LEAST_WEEKS: Final = 3
"""Weeks on record that make a month count."""
LEAST_PAIRS: Final = 3
"""Months that must have come round again: with fewer, no pair of ranks holds 90 %."""
MOST_GROWTH: Final = 0.15
"""No more growth or decline a year is reckoned with, as a share of the load: a site's plant does not allow it."""
AGREE: Final = 0.5
"""Correlation of two years' months from which on they are said to have the same season."""
HARDLY: Final = 0.02
"""Months that differ by less of the load are said to have no season: a reading is no better."""


@dataclass(frozen=True, slots=True)
class SeasonalTrend:
    """How a load grows, season taken off: W a year with its 90 % interval, None where that cannot be told.

    `level_w`: the load at the end of the record without its season. `season_w`: by month 1 to 12, what is
    above or below it; empty until every month is on record twice and the years agree. `months`: how many are on
    record, `p`: two-sided, that there is no trend. `step`: what the record began with.
    """

    per_year_w: float | None
    low_w: float | None
    high_w: float | None
    level_w: float | None
    season_w: tuple[tuple[int, float], ...]
    months: int
    p: float
    because: tuple[Reason, ...]
    step: LoadStep | None = None

    @property
    def clear(self) -> bool:
        """Return whether the interval leaves no growth at all out."""
        return self.low_w is not None and self.high_w is not None and not self.low_w <= 0.0 <= self.high_w

    def growth(self, per_year_w: float | None) -> float | None:
        """Return W a year as a share of the load, held within 15 % a year; None where it is not known."""
        if per_year_w is None or not self.level_w or self.level_w <= 0.0:
            return None
        return min(max(per_year_w / self.level_w, -MOST_GROWTH), MOST_GROWTH)


def monthly(daily_w: Sequence[tuple[date, float]]) -> dict[tuple[int, int], float]:
    """Return by year and month the median of the weekly highest, of months with three weeks on record."""
    months: dict[tuple[int, int], list[float]] = {}
    for monday, load_w in weekly(daily_w):
        months.setdefault((monday.year, monday.month), []).append(load_w)
    return {month: median(found) for month, found in months.items() if len(found) >= LEAST_WEEKS}


def seasonal_trend(daily_w: Sequence[tuple[date, float]]) -> SeasonalTrend:
    """Return growth and season of a load from its highest value of each day in W, since its last lasting step."""
    step = last_step(daily_w)
    found = _trend([(day, w) for day, w in daily_w if step is None or day >= step.since])
    return found if step is None else replace(found, step=step, because=(step.reason, *found.because))


def _trend(daily_w: Sequence[tuple[date, float]]) -> SeasonalTrend:
    months = monthly(daily_w)
    slopes, s, variance = _compared(months)
    count = len(months)
    if len(slopes) < LEAST_PAIRS:
        level = median(months.values()) if months else None
        return SeasonalTrend(
            None,
            None,
            None,
            level,
            (),
            count,
            1.0,
            (reason(Code.SEASON_TOO_FEW, months=count, pairs=len(slopes)),),
        )
    slope = median(slopes)
    reach = Z_90 * sqrt(variance)
    low = slopes[max(floor((len(slopes) - reach) / 2.0) - 1, 0)]
    high = slopes[min(ceil((len(slopes) + reach) / 2.0), len(slopes) - 1)]
    z = 0.0 if s == 0 or variance == 0.0 else (s - (1 if s > 0 else -1)) / sqrt(variance)
    season = _season(months, slope)
    level = _level(months, slope, dict(season))
    found = SeasonalTrend(slope, low, high, level, season, count, erfc(abs(z) / sqrt(2.0)), ())
    return replace(found, because=tuple(_reasons(found, _years_differ(months, slope))))


def load_growth(daily_w: Sequence[tuple[date, float]]) -> float:
    """Return how a load grows (or shrinks) a year, as a share of itself; 0 where that is not clear."""
    found = seasonal_trend(daily_w)
    return (found.growth(found.per_year_w) or 0.0) if found.clear else 0.0


def _compared(months: Mapping[tuple[int, int], float]) -> tuple[list[float], int, float]:
    """Return the differences of equal months by the years between, in order; Kendall's S and its variance."""
    slopes: list[float] = []
    s, variance = 0, 0.0
    for month in range(1, 13):
        values = [(year, load_w) for (year, m), load_w in sorted(months.items()) if m == month]
        n = len(values)
        for i, (early, before) in enumerate(values):
            for late, after in values[i + 1 :]:
                slopes.append((after - before) / (late - early))
                s += (after > before) - (after < before)
        ties = [sum(load_w == other for _, load_w in values) for other in {w for _, w in values}]
        variance += (n * (n - 1) * (2 * n + 5) - sum(t * (t - 1) * (2 * t + 5) for t in ties)) / 18.0
    return sorted(slopes), s, variance


def _years(month: tuple[int, int]) -> float:
    return month[0] + (month[1] - 1) / 12.0


def _rested(months: Mapping[tuple[int, int], float], slope: float) -> dict[tuple[int, int], float]:
    """Return the months brought to the time of the last one by the trend."""
    last = max(_years(month) for month in months)
    return {month: load_w + slope * (last - _years(month)) for month, load_w in months.items()}


def _by_month(months: Mapping[tuple[int, int], float], slope: float) -> dict[int, list[float]]:
    """Return the loads of each month of the year, trend taken off, oldest first."""
    found: dict[int, list[float]] = {}
    for (_, number), load_w in sorted(_rested(months, slope).items()):
        found.setdefault(number, []).append(load_w)
    return found


def _season(months: Mapping[tuple[int, int], float], slope: float) -> tuple[tuple[int, float], ...]:
    """Return by month what is above or below the year's mean; empty unless two years are on record and agree."""
    found = _by_month(months, slope)
    if len(found) < 12 or min(map(len, found.values())) < 2 or _years_differ(months, slope):
        return ()
    by_month = {number: median(loads) for number, loads in found.items()}
    mean = sum(by_month.values()) / 12.0
    return tuple((number, by_month[number] - mean) for number in range(1, 13))


def _years_differ(months: Mapping[tuple[int, int], float], slope: float) -> bool:
    """Return whether every month is on record twice and the older years swing otherwise than the newer ones."""
    found = _by_month(months, slope)
    if len(found) < 12 or min(map(len, found.values())) < 2:
        return False
    older = [median(found[n][: len(found[n]) // 2]) for n in range(1, 13)]
    newer = [median(found[n][len(found[n]) // 2 :]) for n in range(1, 13)]
    flat = all(max(half) - min(half) < HARDLY * max(half) for half in (older, newer))
    return not flat and _alike(older, newer) < AGREE


def _alike(one: Sequence[float], other: Sequence[float]) -> float:
    """Return the correlation of two years' months, 0 where either does not swing at all."""
    mean_one, mean_other = sum(one) / len(one), sum(other) / len(other)
    pairs = [(a - mean_one, b - mean_other) for a, b in zip(one, other, strict=True)]
    size = sqrt(sum(a * a for a, _ in pairs) * sum(b * b for _, b in pairs))
    return sum(a * b for a, b in pairs) / size if size > 0.0 else 0.0


def _level(months: Mapping[tuple[int, int], float], slope: float, season: Mapping[int, float]) -> float:
    return median(load_w - season.get(m, 0.0) for (_, m), load_w in _rested(months, slope).items())


def _reasons(found: SeasonalTrend, years_differ: bool) -> list[Reason]:
    growth, low, high = (found.growth(w) or 0.0 for w in (found.per_year_w, found.low_w, found.high_w))
    said = [reason(Code.SEASON_GROWTH, per_year=growth, low=low, high=high, months=found.months)]
    if not found.clear:
        said.append(reason(Code.SEASON_NOT_CLEAR))
    if years_differ:
        return [*said, reason(Code.SEASON_YEARS_DIFFER)]
    if found.season_w and found.level_w:
        most = max(found.season_w, key=lambda item: item[1])
        least = min(found.season_w, key=lambda item: item[1])
        if most[1] - least[1] < HARDLY * found.level_w:
            return [*said, reason(Code.SEASON_HARDLY, fraction=HARDLY)]
        said.append(
            reason(
                Code.SEASON_EXTREMES,
                highest=most[0],
                over=most[1] / found.level_w,
                lowest=least[0],
                under=-least[1] / found.level_w,
            )
        )
    return said
