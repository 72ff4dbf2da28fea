"""What the volts of a discharge were expected to be before it began: of this bank, at the power that it then gave.

Theory of operation. Every draw of what was believed of the bank's health is played through the voltage model
(`rules.battery.discharge.curve.voltage`) with the power that was read, and departs from it at random as products do: like one of
the learnt, or foreign, with what the type's other discharges leave open (`rules.battery.discharge.posterior`). What nine of ten draws
lie between is the band. Of the discharge itself only power and warmth are looked at, so a bank that leaves its
band has shown something.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from rules.battery.discharge.capacity import ReferenceLog, longest_of, prepare
from rules.battery.discharge.curve.type_shape import FOREIGN, LEARNT, Kinship, TypeShape
from rules.battery.discharge.curve.voltage import (
    VoltageCourse,
    course_of,
    features,
    hat_weights,
    prior,
    rate_slope,
)
from rules.battery.discharge.posterior import (
    FADE,
    FOREIGN_SPREAD,
    GAIN_V,
    LEAST_USED,
    OFFSET_V,
    foreign_departure,
    foreign_share,
    hat_covariance,
    hat_values,
    load_doubt_v,
)
from rules.battery.discharge.record.clean_discharge import Battery, CleanDischarge, NotADischarge
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.log import times_in
from rules.battery.model.health import BankBelief
from rules.battery.model.recharge import Nodes
from rules.battery.model.runtime_curve import Floats, RuntimeCurve
from rules.values.verdict import Basis

POINTS: Final = 40
"""At which the band is told: evenly over what was used."""
COURSES: Final = 400
FEWEST_ROWS: Final = 5
"""On the bank; fewer are a flicker, of which the opening dip is all that was read."""
POWER_GAIN: Final = 0.03
"""Standard deviation of the power that the bank gave, as far as it is reckoned from that of the units."""


class Beside(StrEnum):
    """Where what was read lies beside what was expected."""

    UNDER = "under"
    WITHIN = "within"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class ExpectedCourse:
    """The band of expected volts, as the card reports them: 5th percentile, median and 95th, at `t_s` of the log.

    `read_v`: what was read at the last of them, and where it lies, both over the last rows.
    """

    t_s: tuple[float, ...]
    low_v: tuple[float, ...]
    median_v: tuple[float, ...]
    high_v: tuple[float, ...]
    read_v: float
    beside: Beside


def expected_course(
    log: DischargeLog,
    battery: Battery,
    references: Sequence[ReferenceLog],
    belief: BankBelief,
    missing: Nodes,
    *,
    seed: int,
) -> ExpectedCourse | None:
    """Return what was expected of a discharge; None where nothing was known of the bank or too little was drawn.

    `belief`: what was believed before it, of a full bank; `missing`: what was not in it when it began, as equally likely shares of
    published time. Costs some 20 ms.
    """
    shape, curve, _ = prepare(battery, references)
    if curve is None or belief.basis is Basis.NONE:
        return None
    try:
        discharge = longest_of(times_in(log, battery))
    except NotADischarge:
        return None
    course = course_of(discharge, battery, curve)
    at = _places(course)
    if len(at) < FEWEST_ROWS:
        return None
    rng = np.random.default_rng(seed)
    health = _health(course, curve, belief, rng)
    before = rng.choice(np.asarray(missing or (0.0,)), COURSES)
    gain = np.exp(rng.normal(0.0, POWER_GAIN, COURSES))
    used = before[:, None] + course.used[at] * gain[:, None]
    foreign = rng.random(COURSES) < foreign_share(course, curve, len(shape))
    volts = np.empty((COURSES, len(at)))
    for kinship, rows in ((LEARNT, ~foreign), (FOREIGN, foreign)):
        if rows.any():
            volts[rows] = _played(course, at, used[rows], health[rows], shape, kinship, rng)
    low, median, high = np.quantile(volts * battery.cells_read, (0.05, 0.5, 0.95), axis=0)
    return _told(discharge, at, battery, low, median, high)


def _places(course: VoltageCourse) -> np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
    """Return the rows at which volts are expected: evenly over what was used, the opening dip left out."""
    upto = float(course.used[-1])
    first = min(LEAST_USED, 0.3 * upto)
    wanted = np.linspace(first, upto, POINTS)
    return np.unique(np.clip(np.searchsorted(course.used, wanted), 0, len(course.used) - 1))


def _health(
    course: VoltageCourse, curve: RuntimeCurve, belief: BankBelief, rng: np.random.Generator
) -> Floats:
    """Return draws of health at the mean power, against `curve`, at the bank's temperature."""
    pick = rng.integers(0, belief.draws, COURSES)
    power = course.mean_power_w
    own_s = float(belief.curve.seconds(max(power, belief.curve.smallest_w)))
    health = belief.health_at(belief.output_power_w(power))[pick] * own_s / float(curve.seconds(power))
    correction = np.broadcast_to(np.asarray(belief.correction), belief.health.shape)[pick]
    return np.asarray(health * np.exp(course.per_kelvin * (course.temperature_c - 25.0) * (correction - 1.0)))


def _played(  # noqa: PLR0917 - what a course is played of
    course: VoltageCourse,
    at: np.ndarray[tuple[int, ...], np.dtype[np.intp]],
    used: Floats,
    health: Floats,
    shape: TypeShape,
    kinship: Kinship,
    rng: np.random.Generator,
) -> Floats:
    """Return V per cell, one row a draw."""
    model, rate = prior(), course.ln_hours[at]
    shift = rate - course.mean_ln_hours
    at_rate = np.maximum(health[:, None] + rate_slope(health)[:, None] * shift, 0.05)
    x = np.minimum(used / at_rate, 1.0)
    left, right = hat_weights(x)
    rows = features(
        np.broadcast_to(rate, x.shape),
        health[:, None],
        temperature_c=course.temperature_c,
        end_v=course.end_v,
        traits=course.traits,
    )
    expected, left_over = shape.at(kinship, course.mean_ln_hours, health, course.temperature_c, course.end_v)
    mean = hat_values(rows @ model.mean + expected[:, None, :], left, right)
    covariance = hat_covariance(model.covariance, left, right)
    if kinship is FOREIGN:
        covariance = covariance * FOREIGN_SPREAD**2 + foreign_departure(x, 0.0)
    else:
        fade = 1.0 - x**FADE
        covariance = covariance + OFFSET_V**2 * fade[:, :, None] * fade[:, None, :]
    covariance = covariance * left_over[:, None, None] + load_doubt_v(course) ** 2 * np.outer(shift, shift)
    covariance = covariance + GAIN_V**2
    covariance[:, np.arange(len(at)), np.arange(len(at))] += course.step_v**2 / 12.0 + 1e-6
    root = np.linalg.cholesky(covariance)
    departs = (root @ rng.standard_normal((len(health), len(at), 1)))[..., 0]
    # a bank at its end is at its end voltage, whatever way it took
    return np.asarray(course.end_v + np.where(x < 1.0, mean + departs, 0.0))


def _told(  # noqa: PLR0917 - the band, and what it is held against
    discharge: CleanDischarge,
    at: np.ndarray[tuple[int, ...], np.dtype[np.intp]],
    battery: Battery,
    low: Floats,
    median: Floats,
    high: Floats,
) -> ExpectedCourse:
    last = slice(int(at[-2]) + 1, int(at[-1]) + 1)
    read_v = float(np.mean(discharge.voltage_v[last])) * battery.cells_read
    beside = Beside.UNDER if read_v < low[-1] else Beside.OVER if read_v > high[-1] else Beside.WITHIN
    times = discharge.t_s[at] + discharge.start_t_s
    return ExpectedCourse(
        t_s=_plain(times),
        low_v=_plain(low),
        median_v=_plain(median),
        high_v=_plain(high),
        read_v=read_v,
        beside=beside,
    )


def _plain(values: Floats) -> tuple[float, ...]:
    return tuple(round(float(value), 3) for value in values)
