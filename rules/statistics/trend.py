"""Robust trends: a slope that outliers do not bend, whether it is one at all, and when a limit is met.

Theil (1950) and Sen (1968): the median of the slopes of all pairs, with Sen's interval from the variance
of Kendall's S; Mann (1945) and Kendall (1975): the test for a trend, ties counted. Both ask nothing of
the scatter but that it be independent; daily or weekly figures of a load are nearly so, minutes are not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from math import erfc, sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rules.values.code import Code
from rules.values.constants import DAYS_A_YEAR, Z_90
from rules.values.reason import Reason, reason

Floats = NDArray[np.float64]

MOST_POINTS: Final = 1000
FORESIGHT_YEARS: Final = 10.0
"""No date further ahead than this is told: a straight line is no longer a forecast."""


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Kendall's S, its normal deviate (corrected for continuity and ties) and the two-sided p."""

    s: int
    z: float
    p: float


@dataclass(frozen=True, slots=True)
class Slope:
    """A robust line y = at_middle + per_unit * (t - middle); 90 % interval of the slope."""

    per_unit: float
    low: float
    high: float
    middle: float
    at_middle: float
    count: int
    p: float

    def at(self, t: float) -> float:
        """Return the line's value at `t`."""
        return self.at_middle + self.per_unit * (t - self.middle)


def mann_kendall(values: Sequence[float] | Floats) -> MannKendall:
    """Return the test for a trend in values in order of time.

    Two values or fewer show none: p is 1.
    """
    y = np.asarray(values, dtype=np.float64)
    n = len(y)
    rows, columns = np.triu_indices(n, k=1)
    s = int(np.sign(y[columns] - y[rows]).sum())
    deviation = sqrt(_variance(y))
    z = 0.0 if deviation == 0.0 or s == 0 else (s - np.sign(s)) / deviation
    return MannKendall(s, float(z), float(erfc(abs(z) / sqrt(2.0))))


def _variance(y: Floats) -> float:
    """Return the variance of S without a trend, ties taken off (Kendall 1975)."""
    n = len(y)
    _, ties = np.unique(y, return_counts=True)
    return float(n * (n - 1) * (2 * n + 5) - (ties * (ties - 1) * (2 * ties + 5)).sum()) / 18.0


def weighted_median(values: Floats, weights: Floats) -> float:
    """Return the value at which half of the weight lies on either side."""
    order = np.argsort(values)
    heap = np.cumsum(weights[order])
    half = 0.5 * heap[-1]
    i = int(np.searchsorted(heap, half))
    if i + 1 < len(values) and np.isclose(heap[i], half):
        return float(0.5 * (values[order[i]] + values[order[i + 1]]))
    return float(values[order[i]])


def theil_sen(
    times: Sequence[float] | Floats,
    values: Sequence[float] | Floats,
    sd: Sequence[float] | Floats | None = None,
) -> Slope | None:
    """Return the robust slope of `values` over `times`, or None for fewer than three distinct times.

    `sd`: standard deviation of each value; a pair then weighs by the inverse of its variance and by the
    square of its distance in time, as in a weighted fit.

    Raises:
        ValueError: the lengths differ, or there are more than 1000 points (thin them by day or week first).
    """
    t, y = np.asarray(times, dtype=np.float64), np.asarray(values, dtype=np.float64)
    if len(t) != len(y) or (sd is not None and len(sd) != len(t)):
        raise ValueError("want as many values as times")
    if len(t) > MOST_POINTS:
        raise ValueError(f"want at most {MOST_POINTS} points; got {len(t)}")
    if len(np.unique(t)) < 3:
        return None
    order = np.argsort(t, kind="stable")
    t, y = t[order], y[order]
    rows, columns = np.triu_indices(len(t), k=1)
    apart = t[columns] - t[rows]
    valid = apart > 0.0
    slopes = (y[columns] - y[rows])[valid] / apart[valid]
    test = mann_kendall(y)
    if sd is None:
        slope = float(np.median(slopes))
    else:
        spread = np.asarray(sd, dtype=np.float64)[order]
        weights = apart**2 / (spread[columns] ** 2 + spread[rows] ** 2)
        slope = weighted_median(slopes, weights[valid])
    ordered = np.sort(slopes)
    reach = Z_90 * sqrt(_variance(y))
    low_at = max(int(np.floor((len(ordered) - reach) / 2.0)) - 1, 0)
    high_at = min(int(np.ceil((len(ordered) + reach) / 2.0)), len(ordered) - 1)
    middle = float(np.median(t))
    at_middle = float(np.median(y - slope * (t - middle)))
    low, high = min(float(ordered[low_at]), slope), max(float(ordered[high_at]), slope)
    return Slope(slope, low, high, middle, at_middle, len(t), test.p)


def crossing(line: Slope, limit: float, now: float) -> tuple[float | None, float | None, float | None]:
    """Return when the line reaches `limit` going down: earliest, expected, latest; None: never.

    The value now is taken as the line's; the slope's interval gives the two ends. Already under the
    limit: now.
    """
    value = line.at(now)
    if value <= limit:
        return now, now, now

    def when(slope: float) -> float | None:
        return now + (value - limit) / -slope if slope < 0.0 else None

    return when(line.low), when(line.per_unit), when(line.high)


@dataclass(frozen=True, slots=True)
class SeriesStep:
    """A lasting jump: between which two points, and from which median to which (Pettitt 1979)."""

    after: int
    before_value: float
    after_value: float
    p: float


def step_change(values: Sequence[float] | Floats) -> SeriesStep | None:
    """Return the most likely single jump in values in order of time; None for fewer than six.

    Pettitt's test: p is its approximate two-sided significance; above 0.05 read it as no jump.
    """
    y = np.asarray(values, dtype=np.float64)
    n = len(y)
    if n < 6:
        return None
    signs = np.sign(y[:, None] - y[None, :])
    u = np.array([signs[:k, k:].sum() for k in range(1, n)])
    k = int(np.abs(u).argmax())
    p = min(2.0 * float(np.exp(-6.0 * u[k] ** 2 / (n**3 + n**2))), 1.0)
    return SeriesStep(k, float(np.median(y[: k + 1])), float(np.median(y[k + 1 :])), p)


@dataclass(frozen=True, slots=True)
class MarginTrend:
    """How a redundancy margin moves, and when it is gone at present growth. W and W a year.

    Dates are None where the margin does not shrink, or lasts beyond ten years.
    """

    margin_now_w: float | None
    per_year_w: float | None
    per_year_low_w: float | None
    per_year_high_w: float | None
    gone_earliest: date | None
    gone_expected: date | None
    gone_latest: date | None
    because: tuple[Reason, ...]


LEAST_WEEKS: Final = 8


def margin_trend(daily_w: Sequence[tuple[date, float]]) -> MarginTrend:
    """Return the trend of a margin from its least value of each day, in W.

    The least of each week is taken, so that week-ends do not look like relief. Eight weeks are needed.
    """
    weeks: dict[date, float] = {}
    for day, margin_w in daily_w:
        monday = day - timedelta(days=day.weekday())
        weeks[monday] = min(margin_w, weeks.get(monday, float("inf")))
    if len(weeks) < LEAST_WEEKS:
        why = reason(Code.MARGIN_TOO_FEW_WEEKS, weeks=len(weeks), needed=LEAST_WEEKS)
        return MarginTrend(None, None, None, None, None, None, None, (why,))
    mondays = sorted(weeks)[-520:]
    origin = mondays[0]
    years = [(day - origin).days / DAYS_A_YEAR for day in mondays]
    line = theil_sen(years, [weeks[day] for day in mondays])
    if line is None:
        return MarginTrend(None, None, None, None, None, None, None, (reason(Code.MARGIN_NO_TREND),))
    now = years[-1]
    dates = [_day(origin, at, now) for at in crossing(line, 0.0, now)]
    because = [
        reason(
            Code.MARGIN_TREND,
            margin_w=line.at(now),
            per_year_w=line.per_unit,
            low_w=line.low,
            high_w=line.high,
            weeks=line.count,
        )
    ]
    if line.p > 0.05:
        because.append(reason(Code.MARGIN_NOT_CLEAR, p=line.p))
    return MarginTrend(
        line.at(now), line.per_unit, line.low, line.high, dates[0], dates[1], dates[2], tuple(because)
    )


def _day(origin: date, years: float | None, now: float) -> date | None:
    if years is None or years > now + FORESIGHT_YEARS:
        return None
    return origin + timedelta(days=int(years * DAYS_A_YEAR))
