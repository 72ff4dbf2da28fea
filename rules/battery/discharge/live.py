"""A running discharge: what is left, from what was believed before it and what it has shown so far.

The draws believed before the discharge (age and every earlier discharge, fused) are weighted by how well
each explains the voltages read so far, and drawn anew. Where none of them explains them, either what was
believed was wrong, or this bank is like none that the estimator learnt of: a worn one shows the voltages of a
better one until its knee. Nobody can tell which, so each has half of the draws; what was believed goes as it is
used up. Beside the partial discharges that stand behind the belief already, the record and they count less, since they err
alike (`rules.battery.model.same_error`): a second outage of a night hardly tells more than the first, until it goes deeper. Between the two the draws pass over by and by, as fewer and fewer of what was believed explain the readings: a
reading more would else move the end by more than its interval.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Final

import numpy as np
import numpy.typing as npt

from rules.battery.discharge.capacity import judge_prepared
from rules.battery.discharge.capacity_estimate import belief_from_posterior
from rules.battery.discharge.contradictions import moving
from rules.battery.discharge.curve.type_shape import TypeShape
from rules.battery.discharge.curve.voltage import VoltageCourse, course_of
from rules.battery.discharge.likelihood import ln_at, moments, shape_of
from rules.battery.discharge.posterior import LEAST_USED, ln_before, ln_posterior
from rules.battery.discharge.record.clean_discharge import Battery, CleanDischarge, NotADischarge
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.log import clean
from rules.battery.model.health import BankBelief, by_charge_draws, more_spent
from rules.battery.model.recharge import nodes_of
from rules.battery.model.runtime_curve import Floats, RuntimeCurve
from rules.battery.model.same_error import Weighed, counted, shared_at, with_tails
from rules.values.verdict import Basis

BORNE_OUT: Final = 0.1
"""Share of the draws that must still count (effective sample size) for the earlier belief to stand whole."""
OVERRULED: Final = 0.01
"""Share of the draws under which nothing of it stands but as one of two that may be wrong. An assumption: ten in a thousand."""
_MOST_LOSS: Final = 0.2
_ALIKE: Final = 0.02
_MOST_GROUPS: Final = 5
_STANDS_S: Final = 15.0

Places = npt.NDArray[np.intp]


def during(
    belief: BankBelief,
    log: DischargeLog,
    battery: Battery,
    shape: TypeShape,
    curve: RuntimeCurve,
    *,
    as_of: datetime,
    seed: int,
) -> BankBelief | None:
    """Return the belief at the log's last row; None where the log says nothing yet.

    `belief` is the one from before the discharge, its `used` what was missing then. `shape` and `curve`
    come from `rules.battery.discharge.capacity.prepare`. Costs some 10 ms.
    """
    try:
        discharge = clean(log, battery)
    except NotADischarge:
        return None
    discharge, _ = moving(discharge, course_of(discharge, battery, curve))
    own = course_of(discharge, battery, curve)
    if own.full_used is None and own.used_now < LEAST_USED:
        return None
    at_w = belief.output_power_w(discharge.mean_power_w)
    if curve.basis is not belief.curve.basis:  # judged by references: the earlier health is of another table
        return _by_itself(belief, log, battery, shape, curve, at_w=at_w, as_of=as_of, seed=seed)
    health, before = belief.health_at(at_w), belief.used_at(at_w)
    ln_weight, read = np.full(belief.draws, -np.inf), []
    # Draws that had about the same missing at the start are weighed together.
    for rows in np.array_split(np.argsort(before, kind="stable"), _groups(before)):
        missing = float(np.mean(before[rows]))
        course = course_of(discharge, battery, curve, used_before=missing)
        grid, ln_mass = ln_posterior(course, shape, curve, coarse=True)
        ln_like = np.maximum(ln_mass, -1e5) - ln_before(grid, curve)
        read.append((grid, ln_like))
        weighed = np.interp(health[rows], grid, ln_like)
        weighed[health[rows] <= course.used_now] = -np.inf
        ln_weight[rows] = weighed
    rng = np.random.default_rng(seed)
    measured = _with_measured_losses(belief, discharge, log)
    if not np.isfinite(ln_weight).any():
        return _by_itself(belief, log, battery, shape, curve, at_w=at_w, as_of=as_of, seed=seed)
    weight = _weights(ln_weight)
    pick = _drawn_by(_weights(_beside(belief, ln_weight, _weighs(read, own, as_of.date()))), rng)
    correction = belief.correction
    after = replace(
        measured,
        as_of=as_of,
        basis=Basis.TESTED if belief.basis is not Basis.GENERIC else Basis.GENERIC,
        health=belief.health[pick],
        health_slope=belief.health_slope[pick],
        used=belief.used[pick] + own.used_now,
        spent_ws=_spent_ws(belief, own, discharge, pick),
        temperature_c=belief.temperature_c if discharge.temperature_c is None else discharge.temperature_c,
        correction=correction[pick] if isinstance(correction, np.ndarray) else correction,
        carrying=True,
        steeper=belief.steeper[pick] if isinstance(belief.steeper, np.ndarray) else belief.steeper,
        by_charge=belief.by_charge[pick] if isinstance(belief.by_charge, np.ndarray) else belief.by_charge,
    )
    after = _carried_on(after, discharge, log)
    doubted = _doubted(1.0 / float(np.sum(weight**2)) / belief.draws)
    spoken = (
        _by_itself(belief, log, battery, shape, curve, at_w=at_w, as_of=as_of, seed=seed) if doubted else None
    )
    if spoken is None:
        return after if doubted < 1.0 else None
    held = np.flatnonzero(health > before + own.used_now)
    apart = spoken
    if len(held):
        whole = replace(
            measured, used=belief.used + own.used_now, spent_ws=_spent_ws(belief, own, discharge, None)
        )
        apart = _mixed(whole, spoken, 0.5, rng, of_first=held)
    return _mixed(after, apart, doubted, rng)


def _weighs(read: Sequence[tuple[Floats, Floats]], own: VoltageCourse, on: date) -> Weighed:
    """Return what a record so far weighs, by the likelihoods that it has for each reading of what was missing."""
    mean, sd = moments(shape_of(read, 0.0))
    published_s = 3600.0 * float(np.exp(own.mean_ln_hours))
    return Weighed(on, sd, 0.0 if own.full_used is not None else shared_at(own.used_now / mean), published_s)


def _beside(belief: BankBelief, ln_like: Floats, record: Weighed) -> Floats:
    """Return ln of the weights of the draws by a record, with the tails it will have when it has ended.

    Beside earlier ones that err alike: what it counts with them, and what they count less now than when the belief was made.
    """
    possible = np.isfinite(ln_like)  # what is used up is so, however little a record counts
    before, now = counted(belief.rests_on), counted((*belief.rests_on, record))
    weight = now[-1] * with_tails(np.where(possible, ln_like - np.max(ln_like), 0.0))
    for k, said in enumerate(belief.rests_on):
        if said.likelihood:
            here = belief.health + belief.health_slope * np.log(said.published_s / belief.anchor_s)
            weight = weight + (now[k] - before[k]) * with_tails(ln_at(said.likelihood, here))
    return np.where(possible, weight, -np.inf)


def _weights(ln_weight: Floats) -> Floats:
    weight = np.exp(ln_weight - np.max(ln_weight))
    return np.asarray(weight / np.sum(weight))


def _drawn_by(weight: Floats, rng: np.random.Generator) -> Places:
    """Return draws by weight, as many as there are: by a comb, so that a reading more moves no quantile by chance."""
    steps = np.cumsum(weight)
    comb = (rng.random() + np.arange(len(weight))) / len(weight) * steps[-1]
    return np.minimum(np.searchsorted(steps, rng.permutation(comb)), len(weight) - 1)


def _doubted(share_left: float) -> float:
    """Return how far the earlier belief is doubted, 0 to 1, by the share of its draws that still count."""
    return float(np.clip(np.log(BORNE_OUT / share_left) / np.log(BORNE_OUT / OVERRULED), 0.0, 1.0))


def _groups(used: Floats) -> int:
    """Return into how many parts draws are sorted by what was missing: one where they hardly differ."""
    spread = float(np.ptp(np.quantile(used, (0.05, 0.95))))
    return 1 if spread < _ALIKE else min(_MOST_GROUPS, 1 + int(spread / _ALIKE))


def _carried_on(belief: BankBelief, discharge: CleanDischarge, log: DischargeLog) -> BankBelief:
    """Return the belief with what was drawn since the last row that could be read (a voltage that stands still)."""
    since_s = float(log.t_s[-1]) - discharge.start_t_s - float(discharge.t_s[-1])
    if since_s < _STANDS_S or discharge.ended_s is not None:
        return belief
    output_w = belief.output_power_w(discharge.power_now_w)
    return belief.carried(output_w, since_s, belief.as_of)


def _spent_ws(
    before: BankBelief, own: VoltageCourse, discharge: CleanDischarge, pick: Places | None
) -> Floats:
    """Return what is spent by now, W s a cell, of the draws `pick` (None: all) of what was believed before."""
    lasted_s = float(discharge.t_s[-1] - discharge.t_s[0])
    share = float(own.used[-1]) * own.time_factor  # of the published time at 25 degC
    mean_w = before.output_power_w(own.mean_power_w)
    evenly = own.mean_power_w * float(before.curve.seconds(own.mean_power_w))
    # What its powers came to, beside what as much at their mean had: a bank is above its table at some of them.
    times = own.mean_power_w * lasted_s / (share * evenly) if share > 0.0 else 1.0
    whole = before.published_ws(mean_w) * times
    spent = more_spent(before.spent_ws, before.used, np.full(before.draws, own.used_now), whole)
    return spent if pick is None else spent[pick]


def _by_itself(
    belief: BankBelief,
    log: DischargeLog,
    battery: Battery,
    shape: TypeShape,
    curve: RuntimeCurve,
    *,
    at_w: float,
    as_of: datetime,
    seed: int,
) -> BankBelief | None:
    """Return what the discharge alone says, at `at_w` of mean output; None where it says nothing."""
    estimate = judge_prepared(
        log,
        battery,
        shape,
        curve=curve,
        used_before=nodes_of(belief.used_at(at_w), _MOST_GROUPS),
        seed=seed,
        coarse=True,
    )
    if estimate.cannot_tell is not None:
        return None
    found = belief_from_posterior(
        estimate, bank=belief.bank, battery=battery, as_of=as_of, shown_to_carry=belief.shown_to_carry
    )
    rng = np.random.default_rng(seed)
    # no discharge within the table says how the time falls above it
    found = replace(
        found, steeper=rng.standard_normal(found.draws), by_charge=by_charge_draws(rng, found.draws)
    )
    return found.spending(found.used, at_w)


def _mixed(
    first: BankBelief,
    second: BankBelief,
    share: float,
    rng: np.random.Generator,
    *,
    of_first: Places | None = None,
) -> BankBelief:
    """Return a belief with `share` of its draws from `second`, the others from the rows `of_first` (None: all) of `first`."""
    count = round(share * second.draws)
    old = rng.choice(np.arange(first.draws) if of_first is None else of_first, second.draws - count)
    new = rng.choice(second.draws, count, replace=False)
    order = rng.permutation(second.draws)
    to_anchor = np.log(second.anchor_s / first.anchor_s)

    def draws(of_old: Floats | float, of_new: Floats | float) -> Floats:
        parts = (np.resize(of_old, first.draws)[old], np.resize(of_new, second.draws)[new])
        return np.concatenate(parts, dtype=np.float64)[order]

    return replace(
        second,
        health=draws(first.health + first.health_slope * to_anchor, second.health),
        health_slope=draws(first.health_slope, second.health_slope),
        used=draws(first.used, second.used),
        correction=draws(first.correction, second.correction),
        steeper=draws(first.steeper, second.steeper),
        spent_ws=None
        if first.spent_ws is None or second.spent_ws is None
        else draws(first.spent_ws, second.spent_ws),
        by_charge=draws(first.by_charge, second.by_charge),
    )


def _with_measured_losses(belief: BankBelief, discharge: CleanDischarge, log: DischargeLog) -> BankBelief:
    """Return the belief with losses that give the battery power read now at the output power of the same rows."""
    known = np.isfinite(log.output_power_w) & (log.output_power_w > 0.0)
    if not known.any():
        return belief
    at_s = discharge.t_s[discharge.now] + discharge.start_t_s
    watts = float(np.mean(np.interp(at_s, log.t_s[known], log.output_power_w[known])))
    battery_w = discharge.power_now_w * belief.cells * belief.strings
    share = (battery_w - belief.loss_fixed_w) / watts - 1.0
    return replace(belief, loss_share=share) if 0.0 <= share <= _MOST_LOSS else belief
