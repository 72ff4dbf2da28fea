"""Capacity from a discharge, whole or in part, with an honest interval.

Theory of operation. For every health h on a grid the voltage model of `rules.battery.discharge.curve.voltage` says how the
rows so far would look; `rules.battery.discharge.posterior` weighs them against what banks are like before being
looked at. A discharge that reached its end voltage needs no inference: its used fraction is its health, up
to the gain of the meters. Everything left of the end is then (h - s) / rate at the present power, draw by
draw.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

import numpy as np

from rules.battery.discharge.columns import DischargeLog
from rules.battery.discharge.contradictions import believable, can_be, moving
from rules.battery.discharge.curve.type_shape import (
    Reference,
    TypeShape,
    curve_from_references,
    fallback_curve,
    learn_shape,
    reference_of,
    scaled_to,
)
from rules.battery.discharge.curve.voltage import (
    VoltageCourse,
    course_of,
    deviation,
    features,
    hat_matrix,
    health_at_mean_rate,
    prior,
    rate_slope,
)
from rules.battery.discharge.likelihood import Shape, shape_of
from rules.battery.discharge.log import (
    Battery,
    CleanDischarge,
    DischargeBeginning,
    NotADischarge,
    clean,
    times_in,
)
from rules.battery.discharge.log_doubts import UNKNOWN_K
from rules.battery.discharge.missing_charge import missing_by_log
from rules.battery.discharge.posterior import GRID, LEAST_USED, ln_at, ln_before, ln_posterior, posterior
from rules.battery.discharge.resistance import resistance_ohm
from rules.battery.model.health import BankBelief, slope_draws
from rules.battery.model.inverter_losses import Losses
from rules.battery.model.recharge import FULL, Nodes
from rules.battery.model.runtime_curve import Beyond, Floats, RuntimeCurve
from rules.battery.model.temperature import correction_sd, seconds_at, time_per_kelvin
from rules.battery.state import ShownToCarry
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis

_CURRENT_GAIN: Final = 0.011
_OUTPUT_GAIN: Final = 0.03
_FEW_NODES: Final = 3
_SAYS_OF_START: Final = 0.25
"""What a record's own word on how full its bank began counts, of a whole likelihood."""

Missing = float | Sequence[float] | None
"""What was missing at the start: one value, equally likely ones, or None: as far as the log shows it."""
_WANDER: Final = 0.5


@dataclass(frozen=True)
class CapacityEstimate:
    """What a discharge says of its bank. Fields named as in the command's JSON; draws for what follows.

    Health draws are at 25 degC and at the mean power of the record; `health_here` the same draws in shares
    of published time at the bank's temperature, as `used_fraction` is counted. `missing`: what was not in the
    bank at its start, as equally likely shares of published time; `used_draws` what was used at the last row,
    with it. `likelihood`: what the rows alone say of health, empty of a discharge that came to its end. All numbers are None, and `draws` empty, where `cannot_tell` says why.
    """

    cannot_tell: Reason | None
    basis: Reason
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
    because: tuple[Reason, ...] = ()
    table_basis: Basis = Basis.NONE
    ended: bool = False
    anchor_s: float | None = None
    used_fraction: float | None = None
    temperature_c: float | None = None
    correction: float = 1.0
    curve: RuntimeCurve | None = None
    missing: Nodes = FULL
    used_draws: Floats = field(default_factory=lambda: np.zeros(0))
    health_draws: Floats = field(default_factory=lambda: np.zeros(0))
    health_here: Floats = field(default_factory=lambda: np.zeros(0))
    slope_draws: Floats = field(default_factory=lambda: np.zeros(0))
    correction_draws: Floats = field(default_factory=lambda: np.zeros(0))
    course: VoltageCourse | None = None
    discharge: CleanDischarge | None = None
    likelihood: Shape = ()


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
    used_before: Missing = None,
    seed: int = 0,
    draws: int = 1000,
) -> CapacityEstimate:
    """Return what a logged discharge says of its bank.

    `until_s` compares with the log's own time and uses only earlier rows. `used_before`: what was missing
    at the start as a share of the published time (from an energy balance, never a card's charge percent), or
    equally likely values of it; None: as far as the log itself shows it.
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
) -> tuple[TypeShape, RuntimeCurve | None, tuple[Reason, ...]]:
    """Return the type's shape, the run time curve to judge by, and remarks; worth keeping between updates."""
    remarks: list[Reason] = []
    found: list[tuple[CleanDischarge, Battery, bool]] = []
    for reference in references:
        scaled = scaled_to(reference.battery, battery)
        try:
            discharge = clean(reference.log, scaled)
        except NotADischarge as useless:
            remarks.append(reason(Code.LOG_REFERENCE_USELESS, why=useless.why))
            continue
        if discharge.start is DischargeBeginning.MIDDLE:
            remarks.append(reason(Code.LOG_REFERENCE_IN_THE_MIDDLE))
            continue
        found.append((discharge, scaled, reference.own))
    curve = battery.curve
    if curve is None or curve.basis is Basis.GENERIC:
        complete = [d for d, _, _ in found]
        curve = curve_from_references(complete, battery.end_voltage_per_cell_v, curve) or curve
    curve = curve or fallback_curve(battery)
    if curve is None:
        return TypeShape(), None, tuple(remarks)
    learnt: list[Reference] = []
    for discharge, scaled, own in found:
        reference_curve = curve if curve.basis is Basis.TESTED else scaled.curve or curve
        health = None
        if discharge.ended_s is None:
            grid, mass = posterior(
                course_of(discharge, scaled, reference_curve), TypeShape(), reference_curve
            )
            health = float(np.sum(grid * mass))
        one = reference_of(discharge, scaled, reference_curve, health, own=own)
        if one is None:
            remarks.append(reason(Code.LOG_REFERENCE_TOO_SHORT))
        else:
            learnt.append(one)
    return learn_shape(learnt), curve, tuple(remarks)


def live_update(
    log: DischargeLog,
    battery: Battery,
    shape: TypeShape,
    curve: RuntimeCurve,
    *,
    used_before: Missing = 0.0,
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
    used_before: Missing = 0.0,
    seed: int = 0,
    draws: int = 1000,
    coarse: bool = False,
    remarks: tuple[Reason, ...] = (),
) -> CapacityEstimate:
    """Return the judgement of a log with the type's shape and curve at hand."""
    basis, said = _basis(curve, shape), list(remarks)
    if curve is None:
        return CapacityEstimate(reason(Code.LOG_WITHOUT_CURVE), basis, because=remarks)
    try:
        discharge, courses = _courses_in(log, battery, curve, used_before, said)
        course = courses[len(courses) // 2]
        rng = np.random.default_rng(seed)
        drawn = _drawn(courses, shape, curve, rng, draws, coarse=coarse)
        believable(float(np.median(drawn.here)), battery, said)
    except NotADischarge as nothing:
        return CapacityEstimate(nothing.why, basis, because=tuple(said))
    return _estimate(discharge, course, battery, curve, drawn, rng, basis, tuple(said))


def _courses_in(
    log: DischargeLog, battery: Battery, curve: RuntimeCurve, used_before: Missing, said: list[Reason]
) -> tuple[CleanDischarge, list[VoltageCourse]]:
    """Return the discharge to judge, and its course for each of what may have been missing at its start.

    Raises NotADischarge where nothing can be told.
    """
    times = times_in(log, battery)
    discharge = longest_of(times)
    said += discharge.notes
    nodes: Nodes
    if used_before is None:
        nodes, shown = missing_by_log(times, discharge, battery, curve)
        said += shown
    else:
        nodes = (float(used_before),) if isinstance(used_before, float | int) else tuple(used_before)
    discharge, stands = moving(discharge, course_of(discharge, battery, curve))
    said += stands
    courses = [course_of(discharge, battery, curve, used_before=node) for node in nodes or FULL]
    course = courses[len(courses) // 2]
    if curve.basis is Basis.TABLE and curve.beyond(course.mean_power_w) is Beyond.ABOVE_LARGEST:
        raise NotADischarge(reason(Code.LOG_ABOVE_TABLE, power_w_per_cell=course.mean_power_w))
    if course.full_used is None and course.used_now - course.used_before < LEAST_USED:
        left = reason(Code.LOG_TOO_LITTLE_LEFT, stands=stands[0]) if stands else None
        raise NotADischarge(left or reason(Code.LOG_TOO_LITTLE_USED))
    can_be(discharge, course, battery)
    return discharge, courses


def longest_of(times: Sequence[CleanDischarge]) -> CleanDischarge:
    """Return the time on the bank that took the most energy."""
    taken = [float(np.trapezoid(d.power_w, d.t_s)) for d in times]
    return times[int(np.argmax(taken))]


def _drawn(
    courses: Sequence[VoltageCourse],
    shape: TypeShape,
    curve: RuntimeCurve,
    rng: np.random.Generator,
    draws: int,
    *,
    coarse: bool,
) -> Drawn:
    """Return draws of health, and of what was used at the last row, that belong together.

    Each of what may have been missing at the start is weighed by how well the record goes with it, with
    restraint: a bank not full and one a little worn, or of a product a little other than any learnt from, differ
    by the same few millivolts.
    """
    coarse = coarse or len(courses) > _FEW_NODES
    on_grid = [_on_grid(course, shape, curve, coarse=coarse) for course in courses]
    alone = [(grid, ln_mass - ln_before(grid, curve)) for grid, ln_mass in on_grid]
    say = np.array([_ln_sum(ln_rows) for _, ln_rows in alone])
    held = (_SAYS_OF_START - 1.0) * (say - np.max(say))
    weights = np.array([_ln_sum(ln_mass) for _, ln_mass in on_grid]) + held
    weights = np.exp(weights - np.max(weights))
    share = np.floor(np.cumsum(weights) / np.sum(weights) * draws + 0.5).astype(int)
    counts = np.diff(np.concatenate([[0], share]))
    parts = [
        _drawn_of(course, *one, rng, int(count))
        for course, one, count in zip(courses, on_grid, counts, strict=True)
        if count
    ]
    order = rng.permutation(draws) if len(courses) > 1 else np.arange(draws)
    here, used = (np.concatenate([part[k] for part in parts])[order] for k in (0, 1))
    ended = courses[0].full_used is not None
    kept = () if ended else tuple((g, ln_rows + h) for (g, ln_rows), h in zip(alone, held, strict=True))
    return Drawn(tuple(one.used_before for one in courses), here, used, kept)


def _on_grid(
    course: VoltageCourse, shape: TypeShape, curve: RuntimeCurve, *, coarse: bool
) -> tuple[Floats, Floats]:
    """Return healths and ln of their probability; of a discharge that came to its end, the one it showed."""
    if course.full_used is not None:
        health = np.array([min(health_at_mean_rate(course), float(GRID[-1]))])
        return health, ln_at(course, shape, curve, health, coarse=coarse)
    return ln_posterior(course, shape, curve, coarse=coarse)


def _ln_sum(ln_parts: Floats) -> float:
    most = float(np.max(ln_parts))
    return most + float(np.log(np.sum(np.exp(ln_parts - most))))


def _drawn_of(
    course: VoltageCourse, grid: Floats, ln_mass: Floats, rng: np.random.Generator, draws: int
) -> tuple[Floats, Floats]:
    if course.full_used is None:
        mass = np.exp(ln_mass - np.max(ln_mass))
        here = np.maximum(_draw(grid, mass / np.sum(mass), rng, draws), course.used_now * 1.001)
    else:
        here = health_at_mean_rate(course) * np.exp(rng.normal(0.0, 0.003, draws))
    return here, np.full(draws, course.used_now)


def _basis(curve: RuntimeCurve | None, shape: TypeShape) -> Reason:
    """Return what a judgement rests on: its curve, and of how many discharges of the type the shape was learnt."""
    if curve is None:
        return reason(Code.LOG_JUDGED_BY, curve=Basis.NONE, learnt=None)
    return reason(Code.LOG_JUDGED_BY, curve=curve.basis, learnt=len(shape))


def _draw(grid: Floats, mass: Floats, rng: np.random.Generator, draws: int) -> Floats:
    edges = np.append(grid, 2.0 * grid[-1] - grid[-2]) - 0.5 * (grid[1] - grid[0])
    total = np.concatenate([[0.0], np.cumsum(mass)])
    spread = (np.arange(draws) + rng.random(draws)) / draws
    values: Floats = np.interp(spread, total / total[-1], edges)
    return np.asarray(rng.permutation(values))


def _estimate(  # noqa: PLR0917 - the parts of one judgement
    discharge: CleanDischarge,
    course: VoltageCourse,
    battery: Battery,
    curve: RuntimeCurve,
    drawn: Drawn,
    rng: np.random.Generator,
    basis: Reason,
    remarks: tuple[Reason, ...],
) -> CapacityEstimate:
    here, used = drawn.here, drawn.used
    draws = len(here)
    published = float(curve.seconds(course.mean_power_w))
    warm = course.temperature_c - 25.0
    sd = correction_sd(published, course.temperature_c)
    correction = np.clip(rng.normal(1.0, sd, draws), 0.2, 2.0)
    probe = discharge.probe_k if discharge.temperature_c is not None else UNKNOWN_K
    # At 25 degC: the share of the correction that is in doubt, the probe, and the gain of the meters.
    gain = _CURRENT_GAIN if np.isfinite(discharge.current_a).any() else _OUTPUT_GAIN
    gain = float(np.hypot(gain, course.traits.steepness * discharge.power_doubt))
    ln_doubt = course.per_kelvin * (warm * (correction - 1.0) + rng.normal(0.0, probe, draws))
    health = here * np.exp(rng.normal(0.0, gain, draws) - ln_doubt)
    doubt = float(np.hypot(gain, course.per_kelvin * np.hypot(warm * sd, probe)))
    # Judged by references, a bank without a table is still stated against the generic curve of its rating.
    stated = battery.curve if battery.curve is not None else curve
    stated_s = float(stated.seconds(course.mean_power_w))
    middle, low, high = _quantiles(health * published / stated_s)
    end, end_low, end_high = _end_of_discharge(discharge, course, curve, drawn, rng)
    rate_adjusted = course.mean_power_w / float(stated.watts(stated_s * middle))
    nominal = course.per_kelvin / float(time_per_kelvin(published))
    return CapacityEstimate(
        cannot_tell=None,
        basis=basis,
        capacity_fraction=middle,
        capacity_fraction_low=low,
        capacity_fraction_high=high,
        capacity_rate_adjusted_fraction=rate_adjusted,
        at_power_w_per_cell=course.mean_power_w,
        at_published_time_s=stated_s,
        anchor_s=published,
        end_of_discharge_s=end,
        end_of_discharge_low_s=end_low,
        end_of_discharge_high_s=end_high,
        depth_fraction=float(np.clip(np.median(used) / np.median(here), 0.0, 1.0)),
        resistance_ohm=resistance_ohm(discharge, battery),
        end_voltage_v=battery.end_voltage_per_cell_v * battery.cells_read,
        because=remarks,
        table_basis=curve.basis,
        ended=course.full_used is not None,
        used_fraction=float(np.median(used)),
        temperature_c=course.temperature_c,
        correction=nominal,
        curve=curve,
        missing=drawn.missing,
        used_draws=used,
        health_draws=health,
        health_here=here,
        slope_draws=slope_draws(health, rng),
        correction_draws=nominal * correction,
        course=course,
        discharge=discharge,
        likelihood=shape_of(drawn.on_grid, doubt, published / stated_s) if drawn.on_grid else (),
    )


def _quantiles(values: Floats) -> tuple[float, float, float]:
    low, middle, high = np.quantile(values, [0.05, 0.5, 0.95])
    return float(middle), float(low), float(high)


def _end_of_discharge(
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
        ahead = _ahead(course, float(np.median(here)), 30)
        left = left * float(np.mean(curve.seconds(power * ahead / ahead[0]))) / seconds
    return _quantiles(float(discharge.t_s[-1]) + left)


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


def _ahead(course: VoltageCourse, health: float, points: int) -> Floats:
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
    if estimate.cannot_tell is not None or estimate.curve is None or estimate.anchor_s is None:
        raise ValueError("no judgement" if estimate.cannot_tell is None else estimate.cannot_tell.code)
    losses = losses or battery.losses
    power = estimate.at_power_w_per_cell or 1.0
    used = estimate.used_draws if still_discharging else np.zeros_like(estimate.health_draws)
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
        anchor_s=estimate.anchor_s,
        used=used * per_draw,
        temperature_c=estimate.temperature_c,
        loss_fixed_w=losses.fixed_w,
        loss_share=losses.share,
        shown_to_carry=shown_to_carry,
        correction=estimate.correction_draws,
        carrying=still_discharging,
    )


def expected_voltage(estimate: CapacityEstimate, points: int = 60) -> tuple[Floats, Floats]:
    """Return times in s and V per cell, from the last row to the median end.

    For a picture, not for a figure. Empty where the judgement cannot tell or the discharge has ended.
    """
    course, discharge, end = estimate.course, estimate.discharge, estimate.end_of_discharge_s
    if course is None or discharge is None or end is None or course.full_used is not None:
        return np.zeros(0), np.zeros(0)
    volts = _ahead(course, float(np.median(estimate.health_here)), points)
    return np.linspace(float(discharge.t_s[-1]), end, points), volts
