"""Capacity from a discharge, whole or in part, with an honest interval.

Theory of operation. For every health h on a grid the voltage model of `rules.battery.discharge.curve.voltage` says how the
rows so far would look; `rules.battery.discharge.posterior` weighs them against what banks are like before being
looked at. A discharge that reached its end voltage needs no inference: its used fraction is its health, up
to the gain of the meters. Everything left of the end is then (h - s) / rate at the present power, draw by
draw.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rules.battery.discharge.capacity_estimate import CapacityEstimate
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
from rules.battery.discharge.curve.voltage import VoltageCourse, course_of, health_at_mean_rate
from rules.battery.discharge.declared_otherwise import held_beside_others
from rules.battery.discharge.discharge_end import Drawn, end_of_discharge, interval_of
from rules.battery.discharge.likelihood import shape_of
from rules.battery.discharge.missing_charge import missing_by_log
from rules.battery.discharge.posterior import GRID, LEAST_USED, ln_at, ln_before, ln_posterior, posterior
from rules.battery.discharge.record.clean_discharge import (
    Battery,
    CleanDischarge,
    DischargeBeginning,
    NotADischarge,
)
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.log import clean, times_in
from rules.battery.discharge.record.log_doubts import UNKNOWN_K
from rules.battery.discharge.resistance import resistance_ohm
from rules.battery.model.health import slope_draws
from rules.battery.model.recharge import FULL, Nodes
from rules.battery.model.runtime_curve import Beyond, Floats, RuntimeCurve
from rules.battery.model.temperature import correction_sd, time_per_kelvin
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
    rows = log if until_s is None else log.until(until_s)

    def judge(bank: Battery) -> CapacityEstimate:
        return judge_prepared(
            rows, bank, shape, curve=curve, used_before=used_before, seed=seed, draws=draws, remarks=remarks
        )

    return held_beside_others(judge(battery), battery, judge)


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
    longest = longest_of(times)
    said += longest.notes
    discharge, stands = moving(longest, course_of(longest, battery, curve))
    if any(dict(one.args)["from_s"] == longest.start_t_s for one in stands):
        # its opening is a meter's, not the bank's: it shows nothing of how full the bank began
        discharge = replace(discharge, start=DischargeBeginning.NOT_SHOWN)
    times = tuple(discharge if one is longest else one for one in times)
    nodes: Nodes
    if used_before is None:
        nodes, shown = missing_by_log(times, discharge, battery, curve)
        said += shown
    else:
        nodes = (float(used_before),) if isinstance(used_before, float | int) else tuple(used_before)
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
    middle, low, high = interval_of(health * published / stated_s)
    end, end_low, end_high = end_of_discharge(discharge, course, curve, drawn, rng)
    rate_adjusted = course.mean_power_w / float(stated.watts(stated_s * middle))
    nominal = course.per_kelvin / float(time_per_kelvin(published))
    resistance = resistance_ohm(discharge, battery)
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
        resistance_ohm=resistance[0],
        by_steps=resistance[1],
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
