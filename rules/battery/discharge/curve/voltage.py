"""The voltage of a cell along a discharge, and what is known of it before any discharge of its type.

Theory of operation. Let s be the used fraction (time spent in shares of the published time at the
power of the moment) and h the health, both at the bank's temperature. Ageing of lead-acid is mostly a
stretch of the discharge in time and an offset in voltage, so the voltage above the end voltage is written
as a function of x = s / h, which runs from 0 to 1 whatever the bank's health:

    v - v_end = m(x; features) + d(x) + noise

m is linear in features of rate, temperature, end voltage, health and table steepness, at fixed knots of
x, straight lines between; d is what makes this product, this bank and this day differ. The numbers in
`_prior` were learnt from discharges of many different products; how d may look is remembered as the
deviations of those products themselves ("donors") and as their covariance.

A change of load moves the cell to the curve that belongs to the new rate: by the drop over its resistance and its
charge transfer at once, by the rest as its diffusion layers follow within a minute. It moves the end too: health falls
a little with the rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.battery.discharge.curve import prior_table as _prior
from rules.battery.discharge.record.clean_discharge import Battery, CleanDischarge, mean_over_time
from rules.battery.model.runtime_curve import Floats, RuntimeCurve
from rules.values.verdict import Basis

KNOTS: Final = np.array((
    0.01, 0.02, 0.03, 0.045, 0.06, 0.08, 0.1, 0.125, 0.15, 0.18, 0.21, 0.25, 0.29, 0.33, 0.37, 0.41, 0.45, 0.5, 0.55, 0.6,
    0.65, 0.7, 0.75, 0.79, 0.83, 0.87, 0.9, 0.93, 0.95, 0.97, 0.985, 1.0,
))  # fmt: skip
_LAG_S: Final = 45.0
_AT_ONCE: Final = 0.7
"""How much of a load step's voltage follows at once. Fitted to simulated discharges of porous electrodes with changing
load: of 0, 0.3, 0.5, 0.7, 0.85 and 1 the likeliest, at lags of 45 and of 90 s."""
_EARLY: Final = (0.03, 0.12)  # of the published time since the start
_HEALTHS: Final = (0.5, 0.7, 0.9, 1.1)
LEARNT_LN_HOURS: Final = (
    -2.1,
    1.8,
)  # published times from 7 minutes to 6 hours: what the prior was learnt on
_SLOPE_OF_LOSS: Final = 0.09
_SOUND_HEALTH: Final = 1.03
_DIFFUSION_PER_K: Final = 0.015
_DROP_PER_K: Final = 0.0046
_USUAL_HEADROOM_V: Final = 0.3
_LEAST_HEADROOM_V: Final = 0.09
"""The least of the discharges that the two were fitted to: what lies closer to its end is held here, not carried on."""
_LEAST_PER_K, _MOST_PER_K = 0.002, 0.035


@dataclass(frozen=True, slots=True)
class Traits:
    """What a run time table says of the build behind it, beside the time at one power.

    `steepness` -d ln(time)/d ln(power) at the mean power; `short` and `long`: the energy given in 5 and in
    600 minutes over that in 300, as a logarithm, less its middle over products. All three as they would
    be at an end voltage of 1.67 V; `short` and `long` are 0 where the table does not reach so far.
    """

    steepness: float = 1.3
    short: float = 0.0
    long: float = 0.0


def ln_time_ratio(ln_hours: ArrayLike, end_v: float) -> Floats:
    """Return ln of the published time to `end_v` over that to 1.67 V at one power, typical of sound banks.

    A higher end voltage costs time with nearly the square of its height, and most in short discharges.
    """
    rate = np.clip(np.asarray(ln_hours, dtype=np.float64), -2.5, 4.0)
    return np.asarray(-(0.02 + 0.025 * np.exp(-rate)) * (max(end_v - 1.67, 0.0) / 0.09) ** 1.8)


def traits_of(curve: RuntimeCurve, power_w_per_cell: float, end_v: float) -> Traits:
    """Return a table's traits at a power, brought to an end voltage of 1.67 V."""
    ln_hours = float(np.log(curve.seconds(power_w_per_cell) / 3600.0))
    bend = float(ln_time_ratio(ln_hours + 0.05, end_v) - ln_time_ratio(ln_hours - 0.05, end_v)) / 0.1
    steepness = float(curve.steepness(power_w_per_cell)) / (1.0 + bend)

    def ln_energy(minutes: float) -> float:
        watts = float(curve.watts(60.0 * minutes))
        shift = float(ln_time_ratio(np.log(minutes / 60.0), end_v)) / float(curve.steepness(watts))
        return float(np.log(watts * minutes)) - shift

    short = long = 0.0
    if curve.basis is Basis.TABLE and curve.longest_s > 17000.0:
        if curve.shortest_s < 330.0:
            short = float(np.clip(ln_energy(5.0) - ln_energy(300.0) + 1.13, -0.17, 0.17))
        if curve.longest_s > 34000.0:
            long = float(np.clip(ln_energy(600.0) - ln_energy(300.0) - 0.075, -0.05, 0.05))
    return Traits(steepness, short, long)


@dataclass(frozen=True)
class Prior:
    """What is known before any discharge of a type.

    `mean`: features x knots (V). `covariance` of deviations, knots x knots (V2). Donors: deviations of
    learnt products (V) with their `ln_hours`, `health`, `end_v` and weight.
    """

    mean: Floats
    covariance: Floats
    deviations: Floats
    ln_hours: Floats
    health: Floats
    end_v: Floats
    weight: Floats


@cache
def prior() -> Prior:
    """Return the prior shipped with the rules."""

    def numbers(text: str, columns: int) -> Floats:
        flat = np.array(text.split(), dtype=np.float64)
        return flat.reshape(-1, columns)

    basis = numbers(_prior.BASIS, len(KNOTS)) * 1e-4
    donors = numbers(_prior.DONORS, 4 + len(basis))
    scores = donors[:, 4:] * 1e-3
    return Prior(
        mean=numbers(_prior.MEAN, len(KNOTS)) * 1e-4,
        covariance=numbers(_prior.COVARIANCE, len(KNOTS)) * 1e-8,
        deviations=scores @ basis,
        ln_hours=donors[:, 0],
        health=donors[:, 1],
        end_v=donors[:, 2],
        weight=donors[:, 3],
    )


def features(
    ln_hours: ArrayLike, health: ArrayLike, *, temperature_c: float, end_v: float, traits: Traits
) -> Floats:
    """Return the features of the mean voltage, along a new last axis; rates outside the learnt are held."""
    rate, h = np.broadcast_arrays(np.clip(np.asarray(ln_hours, dtype=np.float64), *LEARNT_LN_HOURS), health)
    high, q = np.exp(-rate), h - 0.8
    warm, end = np.full_like(rate, (temperature_c - 25.0) / 10.0), np.full_like(rate, (end_v - 1.70) / 0.05)
    steep = np.full_like(rate, (traits.steepness - 1.3) * 5.0)
    short, long = np.full_like(rate, traits.short * 10.0), np.full_like(rate, traits.long * 30.0)
    columns = (np.ones_like(rate), rate, rate**2, high, warm, 0.3 * warm * high, end, end * rate, end * q)
    more = (0.5 * end**2, q, q * rate, 0.5 * q * high, 3.0 * q**2, steep, short, long)
    return np.stack(columns + more, axis=-1)


def hat_weights(x: ArrayLike) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.intp]], Floats]:
    """Return the knot to the left of each x, and the weight of the knot to its right (0 to 1)."""
    inside = np.clip(np.asarray(x, dtype=np.float64), KNOTS[0], KNOTS[-1])
    left = np.clip(np.searchsorted(KNOTS, inside, side="right") - 1, 0, len(KNOTS) - 2)
    return left, np.asarray((inside - KNOTS[left]) / (KNOTS[left + 1] - KNOTS[left]))


def hat_matrix(x: Floats) -> Floats:
    """Return the matrix that takes values at the knots to values at x (one row each)."""
    left, right = hat_weights(x)
    matrix = np.zeros((len(x), len(KNOTS)))
    rows = np.arange(len(x))
    matrix[rows, left] = 1.0 - right
    matrix[rows, left + 1] += right
    return matrix


def rate_slope(health: ArrayLike) -> Floats:
    """Return d(health) / d ln(published time), the middle of what ageing does: see `rules.battery.model.health.slope_draws`."""
    return np.asarray(_SLOPE_OF_LOSS * np.maximum(_SOUND_HEALTH - np.asarray(health), 0.0))


@dataclass(frozen=True)
class VoltageCourse:
    """A discharge in the model's own coordinates.

    `used` s at each row; `ln_hours` = ln(published time / 1 h) of the power that the voltage has followed, `mean_ln_hours`
    of the mean power; `settling`: by how much the ln(time) of the power at the row differs from it, 0 where the load is steady; `time_factor`: time at the bank's temperature over time at 25 degC; `full_used`: s when the
    end voltage was reached, None if it was not. `used_before`: what was missing when it began.
    """

    used: Floats
    voltage_v: Floats
    ln_hours: Floats
    settling: Floats
    mean_ln_hours: float
    mean_power_w: float
    temperature_c: float
    end_v: float
    traits: Traits
    time_factor: float
    per_kelvin: float
    step_v: float
    full_used: float | None
    used_before: float = 0.0

    @property
    def used_now(self) -> float:
        """Return the used fraction at the last row, or at the end voltage where it was reached."""
        return self.full_used if self.full_used is not None else float(self.used[-1])


def course_of(
    discharge: CleanDischarge, battery: Battery, curve: RuntimeCurve, *, used_before: float = 0.0
) -> VoltageCourse:
    """Return a cleaned discharge in the model's coordinates.

    `used_before`: what was used and not yet recharged when it began, as a share of the published time.
    """
    t, power = discharge.drawn or (discharge.t_s, discharge.power_w)
    rows = np.searchsorted(t, discharge.t_s)
    seconds = curve.seconds(power)
    share = np.concatenate([[0.0], np.cumsum(0.5 * (1.0 / seconds[1:] + 1.0 / seconds[:-1]) * np.diff(t))])[
        rows
    ]
    mean_power = mean_over_time(t, power)
    mean_ln_hours = float(np.log(curve.seconds(mean_power) / 3600.0))
    end_v = battery.end_voltage_per_cell_v
    temperature = 25.0 if discharge.temperature_c is None else discharge.temperature_c
    traits = traits_of(curve, mean_power, end_v)
    per_kelvin = _per_kelvin(traits.steepness, _headroom(share, discharge.voltage_v, end_v))
    factor = float(np.exp(per_kelvin * np.clip(temperature - 25.0, -40.0, 20.0)))
    used = used_before + share / factor
    full = None
    if discharge.ended_s is not None:
        full = float(used[-1] + (discharge.ended_s - discharge.t_s[-1]) / (seconds[rows[-1]] * factor))
    followed = curve.seconds(_AT_ONCE * power + (1.0 - _AT_ONCE) * _lagged(t, power))[rows]
    seconds = seconds[rows]
    return VoltageCourse(
        used=used,
        voltage_v=discharge.voltage_v,
        ln_hours=np.log(followed / 3600.0),
        settling=np.log(seconds / followed),
        mean_ln_hours=mean_ln_hours,
        mean_power_w=mean_power,
        temperature_c=temperature,
        end_v=end_v,
        traits=traits,
        time_factor=factor,
        per_kelvin=per_kelvin,
        step_v=discharge.step_v,
        full_used=full,
        used_before=used_before,
    )


def _headroom(share: Floats, voltage_v: Floats, end_v: float) -> float:
    early = (share > 0.02) & (share < 0.10)
    later = int(np.searchsorted(share, 0.10))  # where the early rows were left out, the first that follows
    level = float(np.mean(voltage_v[early])) if early.any() else float(voltage_v[min(later, len(share) - 1)])
    return max(level - end_v, _LEAST_HEADROOM_V)


def _per_kelvin(steepness: float, headroom_v: float) -> float:
    """Return the share of time lost per kelvin of cold, by the table's steepness and the voltage left above the end.

    Two things slow in the cold. Acid diffuses slower, and where diffusion limits a discharge, the energy it gives hangs on
    power over diffusivity alone: cold is then a higher rate, and time falls with the diffusivity to the power
    (steepness - 1). And the drop over resistance and charge transfer grows, of which a bank that runs close to its end
    voltage feels most. The first comes to 11 kJ/mol, which is half of what acid's diffusion alone would have: so
    both share it. Fitted to 113 simulated discharges of many products at 12 to 34 degC (rms of what is left 0.7 points of
    capacity; by published time and voltage left it was 1.2); in long ones it tends to the 0.006 per kelvin of IEC 60896-21.
    """
    value = _DIFFUSION_PER_K * (steepness - 1.0) + _DROP_PER_K * _USUAL_HEADROOM_V / headroom_v
    return float(np.clip(value, _LEAST_PER_K, _MOST_PER_K))


def _lagged(t_s: Floats, values: Floats) -> Floats:
    out = np.empty_like(values)
    out[0] = values[0]
    keep = np.exp(-np.diff(t_s) / _LAG_S)
    for i in range(1, len(values)):
        out[i] = keep[i - 1] * out[i - 1] + (1.0 - keep[i - 1]) * values[i]
    return out


def health_at_mean_rate(course: VoltageCourse) -> float:
    """Return the health, at the mean power, of a discharge that reached its end voltage."""
    if course.full_used is None:
        raise ValueError("the discharge did not reach its end voltage")
    health = course.full_used
    for _ in range(6):
        health = course.full_used - float(rate_slope(health)) * (
            float(course.ln_hours[-1]) - course.mean_ln_hours
        )
    return health


def early_offset_v(course: VoltageCourse) -> float | None:
    """Return by how much the early rows lie over or under the mean of all products, V per cell.

    The least over the healths a bank can have; None where too few rows show it. Products learnt from lie
    within some 0.04 V; far outside is another technology, or a number of cells that is not what it is said to be.
    """
    own = course.used - course.used_before
    early = (own >= _EARLY[0]) & (own <= _EARLY[1])
    if np.count_nonzero(early) < 3:
        return None
    offsets = []
    for health in _HEALTHS:
        rows = features(
            course.ln_hours[early],
            health,
            temperature_c=course.temperature_c,
            end_v=course.end_v,
            traits=course.traits,
        )
        mean = np.einsum("bf,fk,bk->b", rows, prior().mean, hat_matrix(course.used[early] / health))
        offsets.append(float(np.mean(course.voltage_v[early] - course.end_v - mean)))
    return min(offsets, key=abs)


def deviation(course: VoltageCourse, health: float, model: Prior, *, spread: float = 3.0) -> Floats:
    """Return at the knots how a discharge differs from the mean: d(x), V.

    The best estimate under the prior covariance widened `spread` times, so that the record speaks where it
    has rows, and where it ends early the rest follows as products go together.
    """
    keep = course.used > 0.004 * max(health, 0.1)
    used, volts, rate = course.used[keep], course.voltage_v[keep], course.ln_hours[keep]
    x = used / np.maximum(health + rate_slope(health) * (rate - course.mean_ln_hours), 0.05)
    inside = (x >= KNOTS[0]) & (x <= 1.0)
    x, volts, rate = x[inside], volts[inside], rate[inside]
    if len(x) == 0:
        return np.zeros(len(KNOTS))
    rows = features(
        rate,
        health,
        temperature_c=course.temperature_c,
        end_v=course.end_v,
        traits=course.traits,
    )
    hats = hat_matrix(x)
    residual = volts - course.end_v - np.einsum("bf,fk,bk->b", rows, model.mean, hats)
    noise = (1.5e-3) ** 2 + course.step_v**2 / 12.0
    wide = spread**2 * model.covariance + (0.03**2) * np.ones_like(model.covariance)
    wide += np.diag(np.full(len(KNOTS), (1e-3) ** 2))
    precision = np.linalg.inv(wide) + hats.T @ hats / noise
    return np.asarray(np.linalg.solve(precision, hats.T @ residual / noise))
