"""When a running discharge comes to its end voltage, and the way its voltage takes until then."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.battery.discharge.capacity_estimate import CapacityEstimate
from rules.battery.discharge.curve.voltage import (
    VoltageCourse,
    deviation,
    features,
    hat_matrix,
    prior,
    rate_slope,
)
from rules.battery.discharge.record.clean_discharge import CleanDischarge
from rules.battery.model.recharge import Nodes
from rules.battery.model.runtime_curve import Floats, RuntimeCurve

_WANDER: Final = 0.5


@dataclass(frozen=True)
class Drawn:
    """Draws of one judgement that belong together: health, and what was used at the last row; see `missing`.

    `on_grid`: healths and ln of how likely the rows are, for each of what may have been missing; empty of a discharge
    that came to its end.
    """

    missing: Nodes
    here: Floats
    used: Floats
    on_grid: tuple[tuple[Floats, Floats], ...] = ()


def interval_of(values: Floats) -> tuple[float, float, float]:
    """Return the median of draws, and their 5th and 95th percentile."""
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return float(middle), float(low), float(high)


def end_of_discharge(
    discharge: CleanDischarge,
    course: VoltageCourse,
    curve: RuntimeCurve,
    drawn: Drawn,
    rng: np.random.Generator,
) -> tuple[float, float, float]:
    """Return s from the first discharging row to the end voltage at the present power: 50, 5, 95 %.

    On a test bench the current may be held, not the power; then the power goes on falling with the voltage.
    """
    if discharge.ended_s is not None:
        return discharge.ended_s, discharge.ended_s, discharge.ended_s
    here, power = drawn.here, discharge.power_now_w
    seconds = float(curve.seconds(power))
    at_now = here + rate_slope(here) * (np.log(seconds / 3600.0) - course.mean_ln_hours)
    left = np.maximum(at_now - drawn.used, 0.0) * seconds * course.time_factor
    # A load that wandered so far will go on wandering; the present power is only its middle.
    wander = float(np.std(np.log(discharge.power_w))) * course.traits.steepness
    if not current_is_held(discharge):
        left = left * np.exp(rng.normal(0.0, min(_WANDER * wander, 0.15), len(here)))
    else:
        ahead = voltage_ahead(course, float(np.median(here)), 30)
        left = left * float(np.mean(curve.seconds(power * ahead / ahead[0]))) / seconds
    return interval_of(float(discharge.t_s[-1]) + left)


def current_is_held(discharge: CleanDischarge) -> bool:
    """Return whether the current stayed the same while the voltage fell: a test at constant current.

    An inverter holds power instead: its current rises as the voltage falls. A row in which the meter shows no
    current, or one that flows back, says of neither that it was held, and is left out.
    """
    known = (discharge.current_a > 0.0) & (discharge.t_s > 0.02 * discharge.t_s[-1])  # NaN is not more
    if np.count_nonzero(known) < 10:
        return False
    ln_i, ln_v = np.log(discharge.current_a[known]), np.log(discharge.voltage_v[known])
    fall = float(np.std(ln_v))
    if fall < 0.003 or float(np.std(ln_i)) > 0.5 * fall + 0.002:
        return False
    slope = float(np.mean((ln_i - ln_i.mean()) * (ln_v - ln_v.mean()))) / fall**2
    return abs(slope) < 0.35


def voltage_ahead(course: VoltageCourse, health: float, points: int) -> Floats:
    """Return V per cell from the last row to the end voltage, at equal steps of used fraction.

    The mean of all products plus what the record has shown of this one; the level of the last rows and the
    end voltage both hold, and what the shape misses between them is spread evenly.
    """
    row = features(
        course.mean_ln_hours,
        health,
        temperature_c=course.temperature_c,
        end_v=course.end_v,
        traits=course.traits,
    )
    shape = row @ prior().mean + deviation(course, health, prior())
    volts = course.end_v + hat_matrix(np.linspace(min(course.used_now / health, 1.0), 1.0, points)) @ shape
    ahead = np.linspace(1.0, 0.0, points)
    volts += ahead * (float(np.mean(course.voltage_v[-3:])) - volts[0])
    volts += (1.0 - ahead) * (course.end_v - volts[-1])
    return np.asarray(np.minimum.accumulate(volts))


def expected_voltage(estimate: CapacityEstimate, points: int = 60) -> tuple[Floats, Floats]:
    """Return times in s and V per cell, from the last row to the median end.

    For a picture, not for a figure. Empty where the judgement cannot tell or the discharge has ended.
    """
    course, discharge, end = estimate.course, estimate.discharge, estimate.end_of_discharge_s
    if course is None or discharge is None or end is None or course.full_used is not None:
        return np.zeros(0), np.zeros(0)
    volts = voltage_ahead(course, float(np.median(estimate.health_here)), points)
    return np.linspace(float(discharge.t_s[-1]), end, points), volts
