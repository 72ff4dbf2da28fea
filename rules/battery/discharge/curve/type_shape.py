"""The shape of a block type's discharge, learnt across the estate.

Every long discharge of a type, of this bank or of any other, says how the type departs from the mean of
all products. Departures of one type are alike, the more so the nearer two discharges are in rate, health,
temperature and end voltage; the bank's own count most. In the words of the theory: departures are a
Gaussian field, separable into a covariance along the discharge and a correlation between discharges; what
references say of a new discharge is a weighted sum of their departures, and the variance that is left.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.battery.discharge.curve.voltage import course_of, deviation, health_at_mean_rate, prior
from rules.battery.discharge.record.clean_discharge import Battery, CleanDischarge
from rules.battery.model.runtime_curve import Floats, RuntimeCurve, curve_through, generic_curve
from rules.battery.model.temperature import time_per_kelvin
from rules.values.verdict import Basis

_WARM_REACH_K: Final = 120.0
_END_REACH_V: Final = 0.5
_SAME_POWER: Final = 1.06
_PEUKERT: Final = 1.22
_LEAST_DEPTH: Final = 0.35


@dataclass(frozen=True)
class Reference:
    """What one long discharge teaches of its type: its departure at the knots, and where it stands."""

    deviation: Floats
    ln_hours: float
    health: float
    temperature_c: float
    end_v: float
    depth: float
    own: bool = False


@dataclass(frozen=True, slots=True)
class Kinship:
    """How alike two discharges of one type are at the same rate, health and temperature: correlations.

    `own` of one and the same bank. `rate_reach`: e-folds of published time over which likeness fades;
    `health_reach` likewise of health. What meters and the day add is the same few millivolts for every
    product; so the more a product departs from the mean, the more alike its discharges are.
    """

    alike: float
    own: float
    rate_reach: float
    health_reach: float


LEARNT: Final = Kinship(alike=0.87, own=0.93, rate_reach=3.0, health_reach=2.5)
FOREIGN: Final = Kinship(alike=0.98, own=0.99, rate_reach=10.0, health_reach=5.0)


@dataclass(frozen=True)
class TypeShape:
    """What the references of a type say together, ready for any number of judgements."""

    references: tuple[Reference, ...] = ()
    inverses: Mapping[Kinship, Floats] = field(default_factory=dict)

    def __len__(self) -> int:
        """Return the number of references."""
        return len(self.references)

    def at(
        self, kinship: Kinship, ln_hours: float, health: ArrayLike, temperature_c: float, end_v: float
    ) -> tuple[Floats, Floats]:
        """Return the expected departure (one row a health, V) and the share of variance left (0 to 1)."""
        h = np.atleast_1d(np.asarray(health, dtype=np.float64))
        if not self.references:
            return np.zeros((len(h), 1)), np.ones(len(h))
        likeness = np.column_stack(
            [
                (kinship.own if r.own else kinship.alike)
                * _nearness(kinship, r, ln_hours, h, temperature_c, end_v)
                for r in self.references
            ]
        )
        weights = likeness @ self.inverses[kinship]
        expected = weights @ np.array([r.deviation for r in self.references])
        return np.asarray(expected), np.clip(1.0 - np.sum(weights * likeness, axis=1), 0.01, 1.0)


def _nearness(  # noqa: PLR0917 - the four ways in which two discharges differ
    kinship: Kinship, r: Reference, ln_hours: float, health: Floats, temperature_c: float, end_v: float
) -> Floats:
    apart = (
        abs(ln_hours - r.ln_hours) / kinship.rate_reach
        + np.abs(health - r.health) / kinship.health_reach
        + abs(temperature_c - r.temperature_c) / _WARM_REACH_K
        + abs(end_v - r.end_v) / _END_REACH_V
    )
    return np.asarray(np.exp(-apart))


def learn_shape(references: Sequence[Reference]) -> TypeShape:
    """Return what the references of one type say together."""
    inverses = {kinship: _inverse(references, kinship) for kinship in (LEARNT, FOREIGN)}
    return TypeShape(tuple(references), inverses) if references else TypeShape()


def _inverse(references: Sequence[Reference], kinship: Kinship) -> Floats:
    near = np.array(
        [
            [
                float(_nearness(kinship, a, b.ln_hours, np.array([b.health]), b.temperature_c, b.end_v)[0])
                for b in references
            ]
            for a in references
        ]
    ).reshape(len(references), len(references))
    own = np.array([r.own for r in references], dtype=bool)
    together = near * np.where(own[:, None] & own[None], kinship.own, kinship.alike)
    # A short record says less: its own departure carries more doubt.
    short = np.array([1.0 - min(r.depth, 1.0) for r in references])
    np.fill_diagonal(together, 1.0 + (1.0 - kinship.alike) * 4.0 * short)
    return np.asarray(np.linalg.inv(together), dtype=np.float64)


def reference_of(
    discharge: CleanDischarge, battery: Battery, curve: RuntimeCurve, health: float | None, *, own: bool
) -> Reference | None:
    """Return what a cleaned discharge teaches, None where it is too short to teach anything.

    `health` as judged, for one that did not reach its end voltage; ignored for one that did.
    """
    course = course_of(discharge, battery, curve)
    if course.full_used is not None:
        judged = health_at_mean_rate(course)
    elif health is not None:
        judged = health
    else:
        return None
    depth = course.used_now / max(judged, 0.05)
    if depth < _LEAST_DEPTH:
        return None
    return Reference(
        deviation=deviation(course, judged, prior()),
        ln_hours=course.mean_ln_hours,
        health=judged,
        temperature_c=course.temperature_c,
        end_v=course.end_v,
        depth=min(depth, 1.0),
        own=own,
    )


def curve_from_references(
    discharges: Sequence[CleanDischarge], end_v: float, base: RuntimeCurve | None = None
) -> RuntimeCurve | None:
    """Return a run time curve through complete discharges of the type, None where there are none.

    For a bank with neither table nor rated capacity: health is then relative to its references. Times at
    one power are averaged; outside, the curve follows `base` or Peukert's law with exponent 1.22.
    """
    points: list[tuple[float, float]] = []
    for d in discharges:
        if d.ended_s is None:
            continue
        warm = 0.0 if d.temperature_c is None else d.temperature_c - 25.0
        factor = 1.0 + float(time_per_kelvin(d.ended_s)) * warm
        points.append((d.mean_power_w, d.ended_s / max(factor, 0.5)))
    if not points:
        return None
    points.sort()
    groups: list[list[tuple[float, float]]] = [[points[0]]]
    for point in points[1:]:
        if point[0] < groups[-1][0][0] * _SAME_POWER:
            groups[-1].append(point)
        else:
            groups.append([point])
    knots = [tuple(np.exp(np.mean(np.log(group), axis=0))) for group in groups]
    falling = [knots[0]]
    for power, seconds in knots[1:]:
        if seconds < falling[-1][1] * (falling[-1][0] / power) ** 0.9:
            falling.append((power, seconds))
    lines = [(s / 60.0, p) for p, s in falling]
    (p_low, s_low), (p_high, s_high) = falling[0], falling[-1]
    for factor in (3.0, 9.0):
        lines.append((_beyond(base, p_high, s_high, factor) / 60.0, p_high * factor))
        lines.append((_beyond(base, p_low, s_low, 1.0 / factor) / 60.0, p_low / factor))
    return curve_through(lines, end_v, Basis.TESTED)


def _beyond(base: RuntimeCurve | None, power: float, seconds: float, factor: float) -> float:
    if base is None:
        exponent = _PEUKERT + 0.06 * np.log(max(factor, 1.0))
        return float(seconds * factor**-exponent)
    return float(seconds * base.seconds(power * factor) / base.seconds(power))


def scaled_to(battery: Battery, target: Battery) -> Battery:
    """Return a reference's battery read to the target's end voltage, with a curve if either has one.

    A reference without a table of its own stands for the same type: it takes the target's curve, scaled
    by rated capacity where both are known.
    """
    end_v = target.end_voltage_per_cell_v
    curve = battery.curve
    if target.curve is not None and (curve is None or battery.type == target.type):
        known = battery.rated_capacity_ah and target.rated_capacity_ah
        ratio = (battery.rated_capacity_ah or 1.0) / (target.rated_capacity_ah or 1.0) if known else 1.0
        shifted = np.log(ratio)
        curve = replace(target.curve, ln_w=target.curve.ln_w + shifted)
    return replace(battery, end_voltage_per_cell_v=end_v, curve=curve)


def fallback_curve(battery: Battery) -> RuntimeCurve | None:
    """Return the bank's own curve, or the generic one by rated capacity, or None."""
    if battery.curve is not None:
        return battery.curve
    if battery.rated_capacity_ah is not None:
        return generic_curve(battery.rated_capacity_ah, battery.end_voltage_per_cell_v)
    return None
