"""Capacity from a discharge, whole or in part, with an honest interval.

Theory of operation. For every health h on a grid the voltage model of `rules.battery.voltage` says how the
rows so far would look; the likelihoods, times what banks are like before being looked at, give the
posterior of h. Two readings of the product compete and the record decides by its own evidence:

- *like the learnt*: the departure from the mean resembles that of one of the learnt products, the donors
  (a mixture, not one Gaussian: how a curve bends at its end is not normally distributed), plus an offset;
- *foreign*: a product unlike all of them, with departures several times as large.

References of the type (see `rules.battery.shape`) move both and narrow them. A discharge that reached its
end voltage needs no inference: its used fraction is its health, up to the gain of the meters.

Everything left of the end is then (h - s) / rate at the present power, draw by draw.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

import numpy as np

from rules.battery.belief import BankBelief, slope_draws
from rules.battery.discharge import Battery, Discharge, DischargeLog, NotADischarge, clean
from rules.battery.losses import Losses
from rules.battery.resistance import resistance_ohm
from rules.battery.runtime import Beyond, Floats, RuntimeCurve
from rules.battery.shape import (
    Reference,
    TypeShape,
    curve_from_references,
    fallback_curve,
    learn_shape,
    reference_of,
    scaled_to,
)
from rules.battery.temperature import correction_sd, seconds_at, time_per_kelvin
from rules.battery.voltage import (
    KNOTS,
    Course,
    Prior,
    course_of,
    features,
    hat_weights,
    health_at_mean_rate,
    prior,
    rate_slope,
)
from rules.verdicts import Basis, ShownToCarry

GRID: Final = np.arange(0.25, 1.3001, 0.01)
_COARSE: Final = np.arange(0.25, 1.3001, 0.02)
_BINS: Final = 20
_FEW_BINS: Final = 12
_LEAST_USED: Final = 0.02
_DONORS: Final = 140
_DONOR_SHARE: Final = 0.8
_DONOR_HEALTH, _DONOR_RATE, _DONOR_END_V = 0.12, 0.6, 0.06
_OFFSET_V: Final = 0.012
_GAIN_V: Final = 0.003  # two meters that differ by 0.2 %
_LOAD_V: Final = (0.04, 0.06)  # doubt of the load's effect, per e-fold of rate: always, and more when short
_ROUGH_V, _FINE_V = 0.0022, 0.0012
_FOREIGN_SHARE: Final = 0.2
_FOREIGN_SPREAD: Final = 2.0
_FOREIGN_OFFSET_V: Final = 0.03
_CURRENT_GAIN: Final = 0.011
_OUTPUT_GAIN: Final = 0.03
_PROBE_K: Final = 1.5


@dataclass(frozen=True)
class CapacityEstimate:
    """What a discharge says of its bank. Fields named as in the command's JSON; draws for what follows.

    Health draws are at 25 degC and at the mean power of the record; `health_here` the same draws in shares
    of published time at the bank's temperature, as `used_fraction` is counted. All numbers are None, and
    `draws` empty, where `cannot_tell` says why.
    """

    cannot_tell: str | None
    basis: str
    capacity_fraction: float | None = None
    capacity_fraction_low: float | None = None
    capacity_fraction_high: float | None = None
    capacity_rate_adjusted_fraction: float | None = None
    at_power_w_per_cell: float | None = None
    at_published_time_s: float | None = None
    end_of_discharge_s: float | None = None
    end_of_discharge_low_s: float | None = None
    end_of_discharge_high_s: float | None = None
    depth_fraction: float | None = None
    resistance_ohm: float | None = None
    end_voltage_v: float | None = None
    because: tuple[str, ...] = ()
    table_basis: Basis = Basis.NONE
    ended: bool = False
    used_fraction: float | None = None
    temperature_c: float | None = None
    correction: float = 1.0
    curve: RuntimeCurve | None = None
    health_draws: Floats = field(default_factory=lambda: np.zeros(0))
    health_here: Floats = field(default_factory=lambda: np.zeros(0))
    slope_draws: Floats = field(default_factory=lambda: np.zeros(0))
    correction_draws: Floats = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True)
class ReferenceLog:
    """An earlier long discharge, of this bank (`own`) or of another of its type, with its own battery."""

    log: DischargeLog
    battery: Battery
    own: bool = False


def judge_discharge(
    log: DischargeLog,
    battery: Battery,
    references: Sequence[ReferenceLog] = (),
    *,
    until_s: float | None = None,
    used_before: float = 0.0,
    seed: int = 0,
    draws: int = 1000,
) -> CapacityEstimate:
    """Return what a logged discharge says of its bank.

    `until_s` compares with the log's own time and uses only earlier rows. `used_before`: what was missing
    at the start as a share of the published time (from an energy balance, never a card's charge percent).
    """
    shape, curve, remarks = prepare(battery, references)
    return judge_prepared(
        log if until_s is None else log.until(until_s),
        battery,
        shape,
        curve=curve,
        used_before=used_before,
        seed=seed,
        draws=draws,
        remarks=remarks,
    )


def prepare(
    battery: Battery, references: Sequence[ReferenceLog]
) -> tuple[TypeShape, RuntimeCurve | None, tuple[str, ...]]:
    """Return the type's shape, the run time curve to judge by, and remarks; worth keeping between updates."""
    remarks: list[str] = []
    found: list[tuple[Discharge, Battery, bool]] = []
    for reference in references:
        scaled = scaled_to(reference.battery, battery)
        try:
            found.append((clean(reference.log, scaled), scaled, reference.own))
        except NotADischarge as why:
            remarks.append(f"a reference is left out: {why}")
    curve = battery.curve
    if curve is None:
        curve = curve_from_references([d for d, _, _ in found], battery.end_voltage_per_cell_v)
    curve = curve or fallback_curve(battery)
    if curve is None:
        return TypeShape(), None, tuple(remarks)
    learnt: list[Reference] = []
    for discharge, scaled, own in found:
        reference_curve = scaled.curve or curve
        health = None
        if discharge.ended_s is None:
            grid, mass = posterior(
                course_of(discharge, scaled, reference_curve), TypeShape(), reference_curve
            )
            health = float(np.sum(grid * mass))
        one = reference_of(discharge, scaled, reference_curve, health, own=own)
        if one is None:
            remarks.append("a reference is left out: it is too short to teach the type's shape")
        else:
            learnt.append(one)
    return learn_shape(learnt), curve, tuple(remarks)


def live_update(
    log: DischargeLog,
    battery: Battery,
    shape: TypeShape,
    curve: RuntimeCurve,
    *,
    used_before: float = 0.0,
    seed: int = 0,
    draws: int = 400,
) -> CapacityEstimate:
    """Return the judgement of a running discharge, on a coarser grid; `shape`, `curve` from `prepare`."""
    return judge_prepared(
        log, battery, shape, curve=curve, used_before=used_before, seed=seed, draws=draws, coarse=True
    )


def judge_prepared(
    log: DischargeLog,
    battery: Battery,
    shape: TypeShape,
    *,
    curve: RuntimeCurve | None,
    used_before: float = 0.0,
    seed: int = 0,
    draws: int = 1000,
    coarse: bool = False,
    remarks: tuple[str, ...] = (),
) -> CapacityEstimate:
    """Return the judgement of a log with the type's shape and curve at hand."""
    basis = _basis(curve, shape)
    if curve is None:
        why = "neither a constant-power table, a rated capacity nor a complete reference is given"
        return CapacityEstimate(why, basis, because=remarks)
    try:
        discharge = clean(log, battery)
    except NotADischarge as why_not:
        return CapacityEstimate(str(why_not), basis, because=remarks)
    remarks += discharge.notes
    course = course_of(discharge, battery, curve, used_before=used_before)
    if curve.basis is Basis.TABLE and curve.beyond(course.mean_power_w) is Beyond.ABOVE_LARGEST:
        why = f"the power, {course.mean_power_w:.1f} W per cell, is above the table's largest"
        return CapacityEstimate(why, basis, because=remarks)
    if course.full_used is None and course.used_now < _LEAST_USED:
        return CapacityEstimate("too little of the bank was used to tell", basis, because=remarks)
    rng = np.random.default_rng(seed)
    if course.full_used is None:
        grid, mass = posterior(course, shape, curve, coarse=coarse)
        here = _draw(grid, mass, rng, draws)
        here = np.maximum(here, course.used_now * 1.001)
    else:
        here = health_at_mean_rate(course) * np.exp(rng.normal(0.0, 0.003, draws))
    return _estimate(discharge, course, battery, curve, here, rng, basis, remarks)


def _basis(curve: RuntimeCurve | None, shape: TypeShape) -> str:
    if curve is None:
        return "none"
    table = {
        Basis.TABLE: "maker's table",
        Basis.TESTED: "references of the type instead of a table",
        Basis.GENERIC: "generic curve from the rated capacity, no table",
    }.get(curve.basis, "none")
    if len(shape):
        return f"{table}; shape learnt from {len(shape)} of the type's discharges"
    return f"{table}; no discharge of the type known"


def _draw(grid: Floats, mass: Floats, rng: np.random.Generator, draws: int) -> Floats:
    edges = np.append(grid, 2.0 * grid[-1] - grid[-2]) - 0.5 * (grid[1] - grid[0])
    total = np.concatenate([[0.0], np.cumsum(mass)])
    spread = (np.arange(draws) + rng.random(draws)) / draws
    values: Floats = np.interp(spread, total / total[-1], edges)
    return np.asarray(rng.permutation(values))


def posterior(
    course: Course, shape: TypeShape, curve: RuntimeCurve, *, coarse: bool = False
) -> tuple[Floats, Floats]:
    """Return a grid of health (at the mean power, at the bank's temperature) and its probabilities."""
    grid = _COARSE if coarse else GRID
    grid = grid[grid > course.used_now]
    if len(grid) < 3:
        grid = course.used_now * np.array([1.002, 1.03, 1.08, 1.15])
    bins = _binned(course, _FEW_BINS if coarse else _BINS)
    like, foreign = _log_likelihoods(bins, course, grid, shape, prior())
    ln_mass = np.logaddexp(np.log(1.0 - _FOREIGN_SHARE) + like, np.log(_FOREIGN_SHARE) + foreign)
    ln_mass += _ln_before(grid, curve)
    at_now = grid + rate_slope(grid) * (float(course.ln_hours[-1]) - course.mean_ln_hours)
    ln_mass[at_now <= course.used_now] = -np.inf
    if not np.isfinite(ln_mass).any():
        ln_mass = -(grid - course.used_now) / 0.02
    mass = np.exp(ln_mass - np.max(ln_mass))
    return grid, mass / np.sum(mass)


def taken_before(basis: Basis) -> tuple[float, float]:
    """Return mean and standard deviation of what health is taken to be before a record is looked at."""
    return {Basis.TABLE: (0.82, 0.15), Basis.TESTED: (0.95, 0.12)}.get(basis, (0.9, 0.25))


def _ln_before(grid: Floats, curve: RuntimeCurve) -> Floats:
    """Return ln of what health is taken to be before the record is looked at, to a constant.

    Against a maker's table banks in service are about 0.82 +- 0.15; against references of the type nearer
    to one; against a generic curve anywhere. A sixth of the weight is always wide.
    """
    middle, spread = taken_before(curve.basis)
    near = np.exp(-0.5 * ((grid - middle) / spread) ** 2) / spread
    wide = np.exp(-0.5 * ((grid - 0.75) / 0.3) ** 2) / 0.3
    return np.asarray(np.log(0.85 * near + 0.15 * wide))


@dataclass(frozen=True)
class _Bins:
    used: Floats
    voltage_v: Floats
    ln_hours: Floats
    rows: Floats


def _binned(course: Course, most: int) -> _Bins:
    """Return the record in at most `most` bins of equal used fraction, the surface charge left out."""
    start = float(course.used[0])
    skip = start + min(_LEAST_USED, 0.3 * (course.used_now - start))
    keep = course.used >= skip
    used, volts, rate = course.used[keep], course.voltage_v[keep], course.ln_hours[keep]
    number = min(most, len(used))
    edges = np.linspace(used[0], used[-1] + 1e-9, number + 1)
    places = np.clip(np.searchsorted(edges, used, side="right") - 1, 0, number - 1)
    rows = np.bincount(places, minlength=number).astype(np.float64)
    filled = rows > 0

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(places, values, minlength=number)[filled] / rows[filled])

    return _Bins(mean(used), mean(volts), mean(rate), rows[filled])


def _log_likelihoods(
    bins: _Bins, course: Course, grid: Floats, shape: TypeShape, model: Prior
) -> tuple[Floats, Floats]:
    """Return ln p(record | health) for "like the learnt" and for "foreign"."""
    shift = bins.ln_hours - course.mean_ln_hours
    at_rate = np.maximum(grid[:, None] + rate_slope(grid)[:, None] * shift, 0.05)
    left, right = hat_weights(bins.used / at_rate)
    rows = features(
        np.broadcast_to(bins.ln_hours, at_rate.shape),
        grid[:, None],
        temperature_c=course.temperature_c,
        end_v=course.end_v,
        steepness=course.steepness,
    )
    expected, left_over = shape.at(course.mean_ln_hours, grid, course.temperature_c, course.end_v)
    at_knots = rows @ model.mean + expected[:, None, :]
    mean = _hat(at_knots, left, right)
    residual = bins.voltage_v - course.end_v - mean
    covariance = _hat_covariance(model.covariance, left, right)
    rough = _ROUGH_V**2 * left_over + _FINE_V**2
    noise = rough[:, None] + (course.step_v**2 / 12.0 + 1e-6) / bins.rows
    load = _LOAD_V[0] + _LOAD_V[1] * float(np.exp(-0.5 - np.clip(course.mean_ln_hours, -2.1, 1.8)))
    common = load**2 * np.outer(shift, shift) + _GAIN_V**2
    donors = _nearest_donors(course, model)
    like = _donor_mixture(
        residual,
        covariance * ((1.0 - _DONOR_SHARE**2) * left_over)[:, None, None]
        + common
        + (_OFFSET_V**2 * left_over)[:, None, None],
        noise,
        _DONOR_SHARE * np.sqrt(left_over)[:, None, None] * _donor_rows(model, donors, left, right),
        _donor_weights(course, model, donors, grid),
    )
    wide = covariance * (_FOREIGN_SPREAD**2 * left_over)[:, None, None] + common
    wide = wide + (_FOREIGN_OFFSET_V**2 * left_over)[:, None, None]
    foreign = _donor_mixture(residual, wide, 2.0 * noise, None, None)
    return like, foreign


def _hat(at_knots: Floats, left: np.ndarray[tuple[int, ...], np.dtype[np.intp]], right: Floats) -> Floats:
    low = np.take_along_axis(at_knots, left[..., None], axis=-1)[..., 0]
    high = np.take_along_axis(at_knots, left[..., None] + 1, axis=-1)[..., 0]
    return np.asarray((1.0 - right) * low + right * high)


def _hat_covariance(
    covariance: Floats, left: np.ndarray[tuple[int, ...], np.dtype[np.intp]], right: Floats
) -> Floats:
    i, j = left[:, :, None], left[:, None, :]
    u, w = right[:, :, None], right[:, None, :]
    low = (1.0 - w) * covariance[i, j] + w * covariance[i, j + 1]
    high = (1.0 - w) * covariance[i + 1, j] + w * covariance[i + 1, j + 1]
    return np.asarray((1.0 - u) * low + u * high)


def _nearest_donors(course: Course, model: Prior) -> np.ndarray[tuple[int], np.dtype[np.intp]]:
    rate = np.clip(course.mean_ln_hours, -2.1, 1.8)
    apart = ((rate - model.ln_hours) / _DONOR_RATE) ** 2 + ((course.end_v - model.end_v) / _DONOR_END_V) ** 2
    return np.argsort(apart - 2.0 * np.log(model.weight), kind="stable")[:_DONORS]


def _donor_weights(
    course: Course, model: Prior, donors: np.ndarray[tuple[int], np.dtype[np.intp]], grid: Floats
) -> Floats:
    rate = np.clip(course.mean_ln_hours, -2.1, 1.8)
    ln_weight = (
        -0.5 * ((grid[:, None] - model.health[donors]) / _DONOR_HEALTH) ** 2
        - 0.5 * ((rate - model.ln_hours[donors]) / _DONOR_RATE) ** 2
        - 0.5 * ((course.end_v - model.end_v[donors]) / _DONOR_END_V) ** 2
        + np.log(model.weight[donors])
    )
    return np.asarray(ln_weight - _ln_sum(ln_weight)[:, None])


def _donor_rows(
    model: Prior,
    donors: np.ndarray[tuple[int], np.dtype[np.intp]],
    left: np.ndarray[tuple[int, ...], np.dtype[np.intp]],
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


def _estimate(  # noqa: PLR0917 - the parts of one judgement
    discharge: Discharge,
    course: Course,
    battery: Battery,
    curve: RuntimeCurve,
    here: Floats,
    rng: np.random.Generator,
    basis: str,
    remarks: tuple[str, ...],
) -> CapacityEstimate:
    draws = len(here)
    published = float(curve.seconds(course.mean_power_w))
    warm = course.temperature_c - 25.0
    sd = correction_sd(published, course.temperature_c)
    correction = np.clip(rng.normal(1.0, sd, draws), 0.2, 2.0)
    probe = _PROBE_K if discharge.temperature_c is not None else 5.0
    # At 25 degC: the share of the correction that is in doubt, the probe, and the gain of the meters.
    gain = _CURRENT_GAIN if np.isfinite(discharge.current_a).any() else _OUTPUT_GAIN
    ln_doubt = course.per_kelvin * (warm * (correction - 1.0) + rng.normal(0.0, probe, draws))
    health = here * np.exp(rng.normal(0.0, gain, draws) - ln_doubt)
    middle, low, high = _quantiles(health)
    end, end_low, end_high = _end_of_discharge(discharge, course, curve, here)
    rate_adjusted = course.mean_power_w / float(curve.watts(published * middle))
    nominal = course.per_kelvin / float(time_per_kelvin(published))
    return CapacityEstimate(
        cannot_tell=None,
        basis=basis,
        capacity_fraction=middle,
        capacity_fraction_low=low,
        capacity_fraction_high=high,
        capacity_rate_adjusted_fraction=rate_adjusted,
        at_power_w_per_cell=course.mean_power_w,
        at_published_time_s=published,
        end_of_discharge_s=end,
        end_of_discharge_low_s=end_low,
        end_of_discharge_high_s=end_high,
        depth_fraction=float(np.clip(course.used_now / np.median(here), 0.0, 1.0)),
        resistance_ohm=resistance_ohm(discharge, battery),
        end_voltage_v=battery.end_voltage_per_cell_v * battery.cells_read,
        because=remarks,
        table_basis=curve.basis,
        ended=course.full_used is not None,
        used_fraction=course.used_now,
        temperature_c=course.temperature_c,
        correction=nominal,
        curve=curve,
        health_draws=health,
        health_here=here,
        slope_draws=slope_draws(health, rng),
        correction_draws=nominal * correction,
    )


def _quantiles(values: Floats) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return float(middle), float(low), float(high)


def _end_of_discharge(
    discharge: Discharge, course: Course, curve: RuntimeCurve, here: Floats
) -> tuple[float, float, float]:
    """Return s from the first discharging row to the end voltage at the present power: 50, 5, 95 %."""
    if discharge.ended_s is not None:
        return discharge.ended_s, discharge.ended_s, discharge.ended_s
    seconds = float(curve.seconds(discharge.power_now_w))
    at_now = here + rate_slope(here) * (np.log(seconds / 3600.0) - course.mean_ln_hours)
    left = np.maximum(at_now - course.used_now, 0.0) * seconds * course.time_factor
    return _quantiles(float(discharge.t_s[-1]) + left)


def belief_from_posterior(
    estimate: CapacityEstimate,
    *,
    bank: str,
    battery: Battery,
    as_of: datetime,
    losses: Losses | None = None,
    shown_to_carry: ShownToCarry | None = None,
    still_discharging: bool = True,
) -> BankBelief:
    """Return the belief that hold-up is played with, from a judgement that could tell.

    Each draw keeps its own temperature correction, so that at the bank's temperature the doubt about it
    cancels and the time left is that of the judgement. Raises ValueError where the judgement cannot tell.
    """
    if estimate.cannot_tell is not None or estimate.curve is None or estimate.at_published_time_s is None:
        raise ValueError(estimate.cannot_tell or "no judgement")
    losses = losses or battery.losses
    power = estimate.at_power_w_per_cell or 1.0
    used = estimate.used_fraction or 0.0 if still_discharging else 0.0
    factor = seconds_at(estimate.curve, power, estimate.temperature_c, correction=estimate.correction_draws)
    nominal = seconds_at(estimate.curve, power, estimate.temperature_c, correction=estimate.correction)
    # In this draw's own count, the same seconds are another share of its published time.
    per_draw = np.asarray(nominal / factor)
    basis = Basis.TESTED if estimate.table_basis is not Basis.GENERIC else Basis.GENERIC
    health = estimate.health_here * per_draw if still_discharging else estimate.health_draws
    return BankBelief(
        bank=bank,
        as_of=as_of,
        basis=basis,
        curve=estimate.curve,
        cells=battery.cells,
        strings=battery.strings,
        health=health,
        health_slope=estimate.slope_draws,
        anchor_s=estimate.at_published_time_s,
        used=used * per_draw,
        temperature_c=estimate.temperature_c,
        loss_fixed_w=losses.fixed_w,
        loss_share=losses.share,
        shown_to_carry=shown_to_carry,
        correction=estimate.correction_draws,
    )


def with_health(belief: BankBelief, health: Floats) -> BankBelief:
    """Return a belief with other draws of health, for what fuses several discharges."""
    return replace(belief, health=health)


def knots() -> Floats:
    """Return the places along a discharge at which shapes are kept."""
    return KNOTS
