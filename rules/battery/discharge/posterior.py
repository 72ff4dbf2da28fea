"""Which health the rows of a discharge speak for: the likelihoods, on a grid.

Two readings of the product compete, and the record decides by its own evidence:

- *like the learnt*: the departure from the mean resembles that of one of the learnt products, the donors
  (a mixture, not one Gaussian: how a curve bends at its end is not normally distributed), plus an offset;
- *foreign*: a product unlike all of them, with departures several times as large.

References of the type (see `rules.battery.discharge.curve.type_shape`) move both and narrow them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from rules.battery.discharge.curve.type_shape import FOREIGN, LEARNT, Kinship, TypeShape
from rules.battery.discharge.curve.voltage import (
    LEARNT_LN_HOURS,
    Prior,
    VoltageCourse,
    early_offset_v,
    features,
    hat_weights,
    prior,
    rate_slope,
)
from rules.battery.model.runtime_curve import Floats, RuntimeCurve
from rules.values.verdict import Basis

Places: TypeAlias = NDArray[np.intp]

GRID: Final = np.arange(0.25, 1.6001, 0.01)
_COARSE: Final = np.arange(0.25, 1.6001, 0.02)
_BINS: Final = 20
_FEW_BINS: Final = 12
LEAST_USED: Final = 0.02
"""Used fraction below which the surface charge and the opening dip speak, not the bank."""
_DONORS: Final = 140
_DONOR_SHARE: Final = 0.8
_DONOR_HEALTH, _DONOR_RATE, _DONOR_END_V = 0.12, 0.6, 0.06
OFFSET_V: Final = 0.012
FADE: Final = 6
GAIN_V: Final = 0.003  # two meters that differ by 0.2 %
LOAD_DOUBT_V: Final = (
    0.02,
    0.06,
)  # doubt of the load's effect, per e-fold of rate: always, and more when short
_SETTLING_V: Final = 0.08
"""Doubt of how much of a load step the voltage has followed yet, per e-fold of the rate that is still to follow: the
share at once is known to a quarter of the whole step, which is some 0.1 V per e-fold, and 0.3 of it come later."""
_ROUGH_V, _FINE_V = 0.0022, 0.0012
_FOREIGN_SHARE: Final = 0.2
FOREIGN_SPREAD: Final = 2.0
_FOREIGN_V, _FOREIGN_BEND, _FOREIGN_FADE = 0.04, 0.3, 20
_FOREIGN_SURELY: Final = 0.99999
_ODD_HIGH_V, _ODD_HIGH_WIDTH_V, _ODD_LOW_V, _ODD_LOW_WIDTH_V, _ODD_LEVEL = 0.017, 0.008, 0.04, 0.02, 2.0
"""Early rows so far over (under) the mean at the nearest of healths make a product foreign: at 0.017 V it begins. Of 157
full records of the simulated products at hand two lie over that."""
_BRIEF_USED, _ODD_UNSEEN_V = 0.1, 0.04
"""A record of so little of the bank, whose early rows are too few to compare, is taken for one that lies so far off."""
_MOST_PRINTED: Final = 1.08  # of a maker's table: tables understate new blocks by a few percent at most
_PRINTED_DOUBT: Final = 0.06
_FAR_OFF: Final = -1e4


def posterior(
    course: VoltageCourse, shape: TypeShape, curve: RuntimeCurve, *, coarse: bool = False
) -> tuple[Floats, Floats]:
    """Return a grid of health (at the mean power, at the bank's temperature) and its probabilities."""
    grid, ln_mass = ln_posterior(course, shape, curve, coarse=coarse)
    mass = np.exp(ln_mass - np.max(ln_mass))
    return grid, mass / np.sum(mass)


def ln_posterior(
    course: VoltageCourse, shape: TypeShape, curve: RuntimeCurve, *, coarse: bool = False
) -> tuple[Floats, Floats]:
    """Return a grid of health and ln of its probability, to a constant that hangs on the rows alone.

    So courses of the same rows that differ in what was used before them can be weighed against each other.
    """
    grid = _COARSE if coarse else GRID
    grid = grid[grid > course.used_now]
    if len(grid) < 3:
        grid = course.used_now * np.array([1.002, 1.03, 1.08, 1.15])
    ln_mass = ln_at(course, shape, curve, grid, coarse=coarse)
    at_now = grid + rate_slope(grid) * (float(course.ln_hours[-1]) - course.mean_ln_hours)
    ln_mass[at_now <= course.used_now] = -np.inf
    if not np.isfinite(ln_mass).any():
        ln_mass = _FAR_OFF - (grid - course.used_now) / 0.02
    return grid, ln_mass


def ln_at(
    course: VoltageCourse, shape: TypeShape, curve: RuntimeCurve, health: Floats, *, coarse: bool = False
) -> Floats:
    """Return ln of how likely a record and each of these healths are together, to the same constant."""
    bins = _binned(course, _FEW_BINS if coarse else _BINS)
    off_v = 0.0 if len(shape) else early_offset_v(course)
    if off_v is None:  # of a few seconds' rows nobody sees whether the product is like any learnt
        off_v = _ODD_UNSEEN_V if course.used_now - course.used_before < _BRIEF_USED else 0.0
    odd = float(np.clip((off_v - _ODD_HIGH_V) / _ODD_HIGH_WIDTH_V, 0.0, 1.0))
    odd = max(odd, float(np.clip((-off_v - _ODD_LOW_V) / _ODD_LOW_WIDTH_V, 0.0, 1.0)))
    like, foreign = _log_likelihoods(bins, course, health, shape, off_v=abs(off_v) if odd else 0.0)
    share = foreign_share(course, curve, len(shape))
    share += (_FOREIGN_SURELY - share) * odd
    ln_mass = np.logaddexp(np.log(1.0 - share) + like, np.log(share) + foreign)
    return np.asarray(ln_mass + ln_before(health, curve))


def taken_before(basis: Basis) -> tuple[float, float]:
    """Return mean and standard deviation of what health is taken to be before a record is looked at."""
    return {Basis.TABLE: (0.78, 0.17), Basis.TESTED: (0.95, 0.12)}.get(basis, (0.9, 0.25))


def ln_before(grid: Floats, curve: RuntimeCurve) -> Floats:
    """Return ln of what health is taken to be before the record is looked at, to a constant.

    Against a maker's table banks in service are about 0.78 +- 0.17: so wide that a worn one is drawn up by no more
    than its shallow record leaves open; against references of the type nearer
    to one; against a generic curve anywhere. A sixth of the weight is always wide, but a maker's table is
    hardly ever beaten by more than a few percent.
    """
    middle, spread = taken_before(curve.basis)
    near = np.exp(-0.5 * ((grid - middle) / spread) ** 2) / spread
    wide = np.exp(-0.5 * ((grid - 0.75) / 0.3) ** 2) / 0.3
    before = np.log(0.85 * near + 0.15 * wide)
    if curve.basis is Basis.TABLE:
        before = before - 0.5 * (np.maximum(grid - _MOST_PRINTED, 0.0) / _PRINTED_DOUBT) ** 2
    return np.asarray(before)


@dataclass(frozen=True)
class _Bins:
    used: Floats
    voltage_v: Floats
    ln_hours: Floats
    settling: Floats
    rows: Floats


def _binned(course: VoltageCourse, most: int) -> _Bins:
    """Return the record in at most `most` bins of equal used fraction, the surface charge left out."""
    start = float(course.used[0])
    skip = start + min(LEAST_USED, 0.3 * (course.used_now - start))
    keep = course.used >= skip
    used, volts, rate = course.used[keep], course.voltage_v[keep], course.ln_hours[keep]
    settling = course.settling[keep]
    number = min(most, len(used))
    edges = np.linspace(used[0], used[-1] + 1e-9, number + 1)
    places = np.clip(np.searchsorted(edges, used, side="right") - 1, 0, number - 1)
    rows = np.bincount(places, minlength=number).astype(np.float64)
    filled = rows > 0

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(places, values, minlength=number)[filled] / rows[filled])

    return _Bins(mean(used), mean(volts), mean(rate), mean(settling), rows[filled])


def _log_likelihoods(
    bins: _Bins, course: VoltageCourse, grid: Floats, shape: TypeShape, *, off_v: float
) -> tuple[Floats, Floats]:
    """Return ln p(record | health) for "like the learnt" and for "foreign"."""
    model = prior()
    shift = bins.ln_hours - course.mean_ln_hours
    at_rate = np.maximum(grid[:, None] + rate_slope(grid)[:, None] * shift, 0.05)
    left, right = hat_weights(bins.used / at_rate)
    rows = features(
        np.broadcast_to(bins.ln_hours, at_rate.shape),
        grid[:, None],
        temperature_c=course.temperature_c,
        end_v=course.end_v,
        traits=course.traits,
    )
    plain = rows @ model.mean
    covariance = hat_covariance(model.covariance, left, right)
    common = load_doubt_v(course) ** 2 * np.outer(shift, shift) + GAIN_V**2
    common += _SETTLING_V**2 * np.outer(bins.settling, bins.settling)
    counted = (course.step_v**2 / 12.0 + 1e-6) / bins.rows

    def against(kinship: Kinship) -> tuple[Floats, Floats, Floats]:
        expected, left_over = shape.at(
            kinship, course.mean_ln_hours, grid, course.temperature_c, course.end_v
        )
        mean = hat_values(plain + expected[:, None, :], left, right)
        noise = (_ROUGH_V**2 * left_over + _FINE_V**2)[:, None] + counted
        return bins.voltage_v - course.end_v - mean, left_over[:, None, None], noise

    x = np.minimum(bins.used / at_rate, 1.0)
    # An offset of the whole curve must fade towards the end, which is at the end voltage by definition.
    fade = 1.0 - x**FADE
    donors = _nearest_donors(course, model)
    residual, left_over, noise = against(LEARNT)
    own = covariance * (1.0 - _DONOR_SHARE**2) + OFFSET_V**2 * fade[:, :, None] * fade[:, None, :]
    like = _donor_mixture(
        residual,
        own * left_over + common,
        noise,
        _DONOR_SHARE * np.sqrt(left_over) * _donor_rows(model, donors, left, right),
        _donor_weights(course, model, donors, grid),
    )
    residual, left_over, noise = against(FOREIGN)
    wide = (covariance * FOREIGN_SPREAD**2 + foreign_departure(x, off_v)) * left_over + common
    return like, _donor_mixture(residual, wide, 2.0 * noise, None, None)


def load_doubt_v(course: VoltageCourse) -> float:
    """Return the doubt of what a change of load does to the voltage, V per cell and e-fold of rate."""
    short = float(np.exp(-0.5 - np.clip(course.mean_ln_hours, *LEARNT_LN_HOURS)))
    return LOAD_DOUBT_V[0] + LOAD_DOUBT_V[1] * short


def foreign_departure(x: Floats, off_v: float) -> Floats:
    """Return the covariance of how a foreign product may depart: level and slow bends, to its very end.

    One that already departs early by `off_v` may by as much everywhere: its level says nothing of its health. How it
    bends still does: denser acid or another resistance moves the whole curve alike.
    """
    fade = 1.0 - x**_FOREIGN_FADE
    apart = x[:, :, None] - x[:, None, :]
    near = 0.5 + 0.5 * np.exp(-0.5 * (apart / _FOREIGN_BEND) ** 2)
    departs = _FOREIGN_V**2 * near + (_ODD_LEVEL * off_v) ** 2
    return np.asarray(departs * fade[:, :, None] * fade[:, None, :])


def foreign_share(course: VoltageCourse, curve: RuntimeCurve, references: int) -> float:
    """Return how likely the product is taken to be foreign.

    More so the more of its own type's discharges speak for it, and nearly surely where the learnt products
    have nothing to say: at rates they never saw, and where health is against a generic curve.
    """
    low, high = LEARNT_LN_HOURS
    outside = max(low - course.mean_ln_hours, course.mean_ln_hours - high, 0.0)
    if curve.basis is Basis.GENERIC:
        return _FOREIGN_SURELY
    spoken = _FOREIGN_SHARE + (0.95 - _FOREIGN_SHARE) * (1.0 - float(np.exp(-max(references - 1, 0) / 4.0)))
    return spoken + (_FOREIGN_SURELY - spoken) * min(outside / 0.3, 1.0)


def hat_values(at_knots: Floats, left: Places, right: Floats) -> Floats:
    """Return values at the places of `hat_weights` from those at the knots, one row a course."""
    low = np.take_along_axis(at_knots, left[..., None], axis=-1)[..., 0]
    high = np.take_along_axis(at_knots, left[..., None] + 1, axis=-1)[..., 0]
    return np.asarray((1.0 - right) * low + right * high)


def hat_covariance(covariance: Floats, left: Places, right: Floats) -> Floats:
    """Return the covariance between the places of `hat_weights`, one matrix a course."""
    i, j = left[:, :, None], left[:, None, :]
    u, w = right[:, :, None], right[:, None, :]
    low = (1.0 - w) * covariance[i, j] + w * covariance[i, j + 1]
    high = (1.0 - w) * covariance[i + 1, j] + w * covariance[i + 1, j + 1]
    return np.asarray((1.0 - u) * low + u * high)


def _nearest_donors(course: VoltageCourse, model: Prior) -> Places:
    rate = np.clip(course.mean_ln_hours, *LEARNT_LN_HOURS)
    apart = ((rate - model.ln_hours) / _DONOR_RATE) ** 2 + ((course.end_v - model.end_v) / _DONOR_END_V) ** 2
    return np.argsort(apart - 2.0 * np.log(model.weight), kind="stable")[:_DONORS]


def _donor_weights(course: VoltageCourse, model: Prior, donors: Places, grid: Floats) -> Floats:
    rate = np.clip(course.mean_ln_hours, *LEARNT_LN_HOURS)
    ln_weight = (
        -0.5 * ((grid[:, None] - model.health[donors]) / _DONOR_HEALTH) ** 2
        - 0.5 * ((rate - model.ln_hours[donors]) / _DONOR_RATE) ** 2
        - 0.5 * ((course.end_v - model.end_v[donors]) / _DONOR_END_V) ** 2
        + np.log(model.weight[donors])
    )
    return np.asarray(ln_weight - _ln_sum(ln_weight)[:, None])


def _donor_rows(
    model: Prior,
    donors: Places,
    left: Places,
    right: Floats,
) -> Floats:
    by_knot = model.deviations[donors].T
    return np.asarray((1.0 - right)[..., None] * by_knot[left] + right[..., None] * by_knot[left + 1])


def _donor_mixture(
    residual: Floats, covariance: Floats, noise: Floats, donors: Floats | None, ln_weight: Floats | None
) -> Floats:
    bins = residual.shape[1]
    full = covariance.copy()
    full[:, np.arange(bins), np.arange(bins)] += noise
    root = np.linalg.cholesky(full)
    ln_scale = np.sum(np.log(np.diagonal(root, axis1=1, axis2=2)), axis=1)
    if donors is None or ln_weight is None:
        white = np.linalg.solve(root, residual[..., None])[..., 0]
        return np.asarray(-0.5 * np.sum(white**2, axis=1) - ln_scale)
    whitener = np.linalg.inv(root)
    white = whitener @ (residual[..., None] - donors)
    return np.asarray(_ln_sum(ln_weight - 0.5 * np.sum(white**2, axis=1)) - ln_scale)


def _ln_sum(values: Floats) -> Floats:
    most = np.max(values, axis=-1)
    return np.asarray(most + np.log(np.sum(np.exp(values - most[..., None]), axis=-1)))
