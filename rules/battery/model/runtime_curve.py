"""The published run time: how long a maker says a bank carries a constant power.

A maker prints watts per cell against minutes for one end voltage at 25 degC. Between the printed points
the logarithm of the time is a smooth falling function of the logarithm of the power; a monotone cubic
through the points keeps it falling (Fritsch and Carlson, SIAM J. Numer. Anal. 17(2), 1980). Beyond the
printed range nothing is known: above the largest power the tool cannot tell, below the smallest it may
only say "at least the longest time"; the curve still continues with its end slopes, so that a record
that strays outside can be followed, and `beyond` says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rules.plant.estate import FittedBank, PowerTable
from rules.values.verdict import Basis

Floats = NDArray[np.float64]

# Watts per cell, per ampere-hour at the 20 h rate, to about 1.67 V at 25 degC, by minutes. Nobody's
# table: a round middle of what sealed blocks give, good to about 20 %, used only where a bank has none.
_GENERIC_W_PER_AH: Final = (
    (5.0, 7.0),
    (10.0, 4.9),
    (15.0, 3.8),
    (20.0, 3.1),
    (30.0, 2.3),
    (45.0, 1.66),
    (60.0, 1.31),
    (90.0, 0.95),
    (120.0, 0.75),
    (180.0, 0.55),
    (300.0, 0.36),
    (480.0, 0.24),
    (600.0, 0.195),
)
_GENERIC_END_V: Final = 1.67

# A table printed for another end voltage is moved by d ln(power) / d(volt per cell), by ln(minutes):
# the share a higher end voltage costs is large when the discharge is short and small when it is long.
_END_VOLTAGE_MINUTES: Final = (5.0, 30.0, 60.0, 300.0, 1200.0)
_END_VOLTAGE_PER_V: Final = (-1.1, -0.7, -0.6, -0.2, -0.1)

# Ah at a rate of h hours: C20 = C_h (20 / h) ** 0.11, a Peukert exponent of about 1.12 between 1 h and 20 h.
_HOURS_EXPONENT: Final = 0.11

_DECADE: Final = float(np.log(10.0))
_LEAST_SLOPE: Final = 1.0  # d ln T / d ln(1/p): below one, energy would grow with power
_MOST_SLOPE: Final = 2.5


class Beyond(StrEnum):
    """Where a power lies outside the printed range."""

    ABOVE_LARGEST = "above_largest"
    BELOW_SMALLEST = "below_smallest"


def pchip_slopes(x: Floats, y: Floats) -> Floats:
    """Return slopes at the knots that keep a cubic monotone wherever the points are.

    Weighted harmonic mean of neighbouring secants (Fritsch and Butland, 1984); one-sided three-point
    slopes at the ends, limited so that they never turn. `x` strictly rising, two points or more.
    """
    step = np.diff(x)
    secant = np.diff(y) / step
    if len(x) == 2:
        return np.array([secant[0], secant[0]])
    slopes = np.zeros_like(y)
    left, right = secant[:-1], secant[1:]
    w1, w2 = 2.0 * step[1:] + step[:-1], step[1:] + 2.0 * step[:-1]
    same = left * right > 0.0
    slopes[1:-1][same] = (w1 + w2)[same] / (w1[same] / left[same] + w2[same] / right[same])
    slopes[0] = _end_slope(float(step[0]), float(step[1]), float(secant[0]), float(secant[1]))
    slopes[-1] = _end_slope(float(step[-1]), float(step[-2]), float(secant[-1]), float(secant[-2]))
    return slopes


def _end_slope(step: float, next_step: float, secant: float, next_secant: float) -> float:
    slope = ((2.0 * step + next_step) * secant - step * next_secant) / (step + next_step)
    if slope * secant <= 0.0:
        return 0.0
    if secant * next_secant <= 0.0 and abs(slope) > 3.0 * abs(secant):
        return 3.0 * secant
    return slope


def pchip(x: Floats, y: Floats, slopes: Floats, at: Floats) -> Floats:
    """Return the cubic through the knots at `at`; outside, the straight line with the end slope."""
    inside = np.clip(at, x[0], x[-1])
    i = np.clip(np.searchsorted(x, inside, side="right") - 1, 0, len(x) - 2)
    step = x[i + 1] - x[i]
    u = (inside - x[i]) / step
    value: Floats = (
        y[i] * (1.0 + 2.0 * u) * (1.0 - u) ** 2
        + y[i + 1] * u * u * (3.0 - 2.0 * u)
        + step * (slopes[i] * u * (1.0 - u) ** 2 - slopes[i + 1] * u * u * (1.0 - u))
    )
    return np.asarray(value + np.where(at < x[0], slopes[0], slopes[-1]) * (at - inside))


@dataclass(frozen=True)
class RuntimeCurve:
    """Published seconds for watts per cell at 25 degC to the bank's end voltage.

    `ln_w` rises, `ln_s` falls; `slopes` are d ln_s / d ln_w at the knots. `basis` is TABLE, GENERIC, or
    NONE where neither table nor rated capacity is known: then the numbers stand for a one-ampere-hour
    cell and mean nothing. `end_voltage_moved`: no table straddles the bank's end voltage.
    """

    ln_w: Floats
    ln_s: Floats
    slopes: Floats
    end_voltage_per_cell_v: float
    basis: Basis
    end_voltage_moved: bool = False

    @property
    def largest_w(self) -> float:
        """Return the largest printed power, W per cell."""
        return float(np.exp(self.ln_w[-1]))

    @property
    def smallest_w(self) -> float:
        """Return the smallest printed power, W per cell."""
        return float(np.exp(self.ln_w[0]))

    @property
    def longest_s(self) -> float:
        """Return the longest printed time, s."""
        return float(np.exp(self.ln_s[0]))

    @property
    def shortest_s(self) -> float:
        """Return the shortest printed time, s."""
        return float(np.exp(self.ln_s[-1]))

    def beyond(self, power_w_per_cell: float) -> Beyond | None:
        """Return on which side a power lies outside the printed range, None inside (to 0.1 %)."""
        if power_w_per_cell > self.largest_w * 1.001:
            return Beyond.ABOVE_LARGEST
        if power_w_per_cell < self.smallest_w / 1.001:
            return Beyond.BELOW_SMALLEST
        return None

    def seconds(self, power_w_per_cell: ArrayLike) -> Floats:
        """Return the published time in s, continued by at most a decade of power outside the table.

        No power (zero or less) is held at that limit: the answer is finite, and long.
        """
        ln_w = np.log(np.maximum(np.asarray(power_w_per_cell, dtype=np.float64), 1e-9))
        ln_w = np.clip(ln_w, self.ln_w[0] - _DECADE, self.ln_w[-1] + _DECADE)
        return np.asarray(np.exp(pchip(self.ln_w, self.ln_s, self.slopes, ln_w)))

    def steepness(self, power_w_per_cell: ArrayLike) -> Floats:
        """Return -d ln(seconds) / d ln(power): about 1.1 for long discharges, 1.6 for short ones."""
        power = np.asarray(power_w_per_cell, dtype=np.float64)
        ratio = self.seconds(power * 0.99) / self.seconds(power * 1.01)
        return np.asarray(np.clip(np.log(ratio) / np.log(1.01 / 0.99), _LEAST_SLOPE, _MOST_SLOPE))

    def watts(self, seconds: ArrayLike) -> Floats:
        """Return the power in W per cell that is published for a time: the inverse of `seconds`."""
        target = np.log(np.maximum(np.asarray(seconds, dtype=np.float64), 1e-3))
        low = np.full_like(target, self.ln_w[0] - _DECADE)
        high = np.full_like(target, self.ln_w[-1] + _DECADE)
        for _ in range(48):  # halving 2 to 3 decades 48 times leaves nothing a float can show
            middle = 0.5 * (low + high)
            longer = pchip(self.ln_w, self.ln_s, self.slopes, middle) > target
            low, high = np.where(longer, middle, low), np.where(longer, high, middle)
        return np.asarray(np.exp(0.5 * (low + high)))


def curve_for(fitted: FittedBank) -> RuntimeCurve:
    """Return the run time curve of the blocks in a bank's place.

    From the maker's tables at the bank's end voltage (between two printed end voltages the power is
    interpolated in a straight line); else generic from the rated capacity; else marked `Basis.NONE`.
    """
    end_v = fitted.end_voltage_per_cell_v
    if fitted.constant_power:
        points, moved = _table_at(fitted.constant_power, end_v)
        return curve_through(points, end_v, Basis.TABLE, moved=moved)
    if fitted.rated_capacity_ah is not None:
        ah_20h = fitted.rated_capacity_ah * (20.0 / fitted.rated_hours) ** _HOURS_EXPONENT
        return generic_curve(ah_20h, end_v)
    return generic_curve(1.0, end_v, basis=Basis.NONE)


def generic_curve(ah_20h: float, end_v: float, *, basis: Basis = Basis.GENERIC) -> RuntimeCurve:
    """Return the generic curve of a cell of `ah_20h` (20 h rate, 25 degC) to `end_v`: good to 20 %."""
    points = _moved([(m, w * ah_20h) for m, w in _GENERIC_W_PER_AH], _GENERIC_END_V, end_v)
    return curve_through(points, end_v, basis)


def curve_through(
    minutes_watts: Sequence[tuple[float, float]], end_v: float, basis: Basis, *, moved: bool = False
) -> RuntimeCurve:
    """Return the curve through printed points (minutes, W per cell at 25 degC); one point is enough."""
    points = sorted({float(w): float(m) for m, w in minutes_watts}.items())
    if len(points) == 1:  # one printed point: a Peukert line of exponent 1.2 through it
        watts, minutes = points[0]
        points = [(watts, minutes), (watts * 1.01, minutes * 1.01**-1.2)]
    ln_w = np.log([w for w, _ in points])
    ln_s = np.log([m * 60.0 for _, m in points])
    slopes = pchip_slopes(ln_w, ln_s)
    # The cubic keeps its own slopes inside; the straight ends must be physical.
    slopes[[0, -1]] = -np.clip(-slopes[[0, -1]], _LEAST_SLOPE, _MOST_SLOPE)
    return RuntimeCurve(ln_w, ln_s, slopes, end_v, basis, moved)


def _moved(points: Sequence[tuple[float, float]], from_v: float, to_v: float) -> list[tuple[float, float]]:
    per_v = np.interp(np.log([m for m, _ in points]), np.log(_END_VOLTAGE_MINUTES), _END_VOLTAGE_PER_V)
    return [(m, float(w * np.exp(k * (to_v - from_v)))) for (m, w), k in zip(points, per_v, strict=True)]


def _at_25_c(table: PowerTable) -> PowerTable:
    if table.temperature_c == 25.0:
        return table
    # Printed at another temperature (20 or 27 degC are met): the standards' factor for short rates.
    factor = 1.0 + 0.009 * (table.temperature_c - 25.0)
    return PowerTable(table.end_voltage_per_cell_v, tuple((m, w / factor) for m, w in table.minutes_watts))


def _table_at(tables: Sequence[PowerTable], end_v: float) -> tuple[list[tuple[float, float]], bool]:
    ordered = sorted((_at_25_c(t) for t in tables), key=lambda t: t.end_voltage_per_cell_v)
    for table in ordered:
        if abs(table.end_voltage_per_cell_v - end_v) < 0.005:
            return list(table.minutes_watts), False
    below = [t for t in ordered if t.end_voltage_per_cell_v < end_v]
    above = [t for t in ordered if t.end_voltage_per_cell_v > end_v]
    if not below or not above:
        nearest = above[0] if above else below[-1]
        return _moved(nearest.minutes_watts, nearest.end_voltage_per_cell_v, end_v), True
    low, high = below[-1], above[0]
    share = (end_v - low.end_voltage_per_cell_v) / (high.end_voltage_per_cell_v - low.end_voltage_per_cell_v)
    at_high = curve_through(high.minutes_watts, end_v, Basis.TABLE)
    upper = at_high.watts([m * 60.0 for m, _ in low.minutes_watts])
    return [
        (m, (1.0 - share) * w + share * float(u)) for (m, w), u in zip(low.minutes_watts, upper, strict=True)
    ], False
