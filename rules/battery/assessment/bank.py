"""The slow door: a bank's whole judgement, from its evidence to its state and the draws hold-up is played with.

Runs in the worker process; takes and returns values that pickle. A judgement carries the digest of its
input and its seed, so it can be reckoned again and must agree to the last bit.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from zlib import crc32

import numpy as np

from rules.battery.assessment.charging import judge_charging
from rules.battery.assessment.due_tests import DEEP_TEST, plan_of_tests
from rules.battery.assessment.evidence import (
    BankEvidence,
    HandReading,
    Sibling,
    capacity_evidence,
    claims_of,
    judged,
    last_shown,
    losses_from,
    tells,
)
from rules.battery.assessment.expected_cost import cheapest_of
from rules.battery.assessment.faults import (
    ends_in_test,
    findings_of_tests,
    in_one_plan,
    nothing_seen,
    score_claims,
)
from rules.battery.assessment.findings import AssessedBank, beside_siblings, signs, size, whether_shown
from rules.battery.assessment.fusion import CapacityEvidence, Lives, fuse
from rules.battery.assessment.life.by_class import aged
from rules.battery.assessment.life.earlier_blocks import blocks_of, lessons_before, seed_of
from rules.battery.assessment.life.shared_life import by_others, informed, lesson, nearest
from rules.battery.assessment.next_discharge.advice import with_advice
from rules.battery.assessment.replacement import (
    BankDemand,
    Forecast,
    asked_fraction,
    expected_capacity,
    forecast,
)
from rules.battery.assessment.rests_on import rests_on
from rules.battery.assessment.too_small import too_small, what_helps
from rules.battery.assessment.would_tell import Unproven, steps_for
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.model.ageing import AgeCurve
from rules.battery.model.health import BankBelief, anchor_for, by_charge_draws
from rules.battery.model.recharge import GIVEN_AT_ONCE, after_recharge, middle_of, used_after_recharge
from rules.battery.model.runtime_curve import Floats, curve_for
from rules.battery.model.same_error import Weighed
from rules.battery.state import (
    BankState,
    Capacity,
    ChargingVerdict,
    ReplacementDates,
    TestPlan,
    WouldTell,
    best_judged,
)
from rules.plant.estate import FittedBank, in_place
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis, Verdict


@dataclass(frozen=True)
class BankJudgement:
    """What was judged, and what is needed to reckon it again. `moved`: how the dates moved from what was said before."""

    state: BankState
    belief: BankBelief
    as_of: datetime
    digest: str
    seed: int
    moved: Reason | None = None


def digest_of(evidence: BankEvidence) -> str:
    """Return a digest of the input: the same for the same values, in every process."""
    return hashlib.blake2b(repr(evidence).encode(), digest_size=16).hexdigest()


def judge_bank(evidence: BankEvidence, seed: int | None = None) -> BankJudgement:
    """Return the judgement of one bank.

    The seed follows from the blocks where none is given: the same lives are drawn at every judgement, so that what
    is said moves with the evidence, not with chance.
    """
    digest = digest_of(evidence)
    today = evidence.as_of.date()
    fitted = in_place(evidence.bank.fitted, today)
    if fitted is None:
        return _empty_place(evidence, digest, crc32(evidence.bank.id.encode()) if seed is None else seed)
    of = blocks_of(evidence, fitted)
    chosen = seed_of(of) if seed is None else seed
    discharges = tuple(
        sorted((d for d in evidence.discharges if d.at.date() >= fitted.from_day), key=lambda d: d.at)
    )
    case = AssessedBank(evidence, fitted, discharges)
    before = lessons_before(evidence, fitted)
    taught = nearest(of, (*evidence.lessons, *before))
    age, by_class = aged(case, today)
    prior = informed(by_class, of, taught)
    seen, anchor_s = capacity_evidence(discharges), anchor_for(curve_for(fitted))
    lives = fuse(age, prior, seen, anchor_s, chosen)
    alone = lives if prior == by_class else fuse(age, by_class, seen, anchor_s, chosen)
    own = lesson(of, alone, by_class)
    belief = _belief(case, lives, chosen, seen)
    asked = evidence.asked if _can_be_asked(belief, evidence.asked) else None
    small = too_small(lives, belief, evidence.asked)
    foreseen = forecast(
        lives,
        belief.rested(evidence.as_of),
        today,
        lead_days=evidence.bank.order_lead_days,
        asked=None if small else asked,
        next_test=evidence.next_test,
    )
    if asked is not None and small:
        foreseen = replace(foreseen, asked_fraction=asked_fraction(belief, asked, today))
    offers = (
        what_helps(belief, fitted, evidence.asked, evidence.coldest_c) if evidence.asked and small else ()
    )
    state = _state(case, belief, lives, foreseen, chosen, offers)
    by_cost = None if state.unproven else cheapest_of(case, lives, foreseen)
    state = replace(
        state,
        too_small=small,
        rests_on=rests_on(case, taught, before if own is None else (*before, own)),
        by_cost=by_cost,
        by_others=by_others(by_class, prior, evidence.bank.id, taught),
    )
    return BankJudgement(state, belief, evidence.as_of, digest, chosen)


def _can_be_asked(belief: BankBelief, asked: BankDemand | None) -> bool:
    """Return whether a requirement can be held against the bank: its table is known and covers the power."""
    return (
        asked is not None and belief.basis is not Basis.NONE and not belief.beyond_table(asked.output_power_w)
    )


def _belief(case: AssessedBank, lives: Lives, seed: int, seen: Sequence[CapacityEvidence]) -> BankBelief:
    evidence, discharges, today = case.evidence, case.discharges, case.today
    curve = curve_for(case.fitted)
    health = lives.health_draws(today, seed + 1)
    basis = curve.basis
    if curve.basis is Basis.NONE:
        health = np.zeros_like(health)
    elif any(tells(d) for d in discharges):
        basis = Basis.TESTED
    if discharges and discharges[-1].failed:
        health = np.minimum(health, discharges[-1].used)  # it gave no more when it was asked
    losses = evidence.losses or losses_from(discharges, evidence.rating_w)
    belief = BankBelief(
        bank=evidence.bank.id,
        as_of=evidence.as_of,
        basis=basis,
        curve=curve,
        cells=evidence.bank.cells,
        strings=evidence.bank.strings,
        health=health,
        health_slope=lives.slope(health),
        anchor_s=lives.anchor_s,
        used=_used(evidence, discharges, seed + 2, len(health)),
        temperature_c=evidence.temperature_c,
        loss_fixed_w=losses.fixed_w,
        loss_share=losses.share,
        shown_to_carry=last_shown(discharges),
        correction=np.clip(np.random.default_rng(seed + 3).normal(1.0, 0.2, len(health)), 0.2, 2.0),
        steeper=np.random.default_rng(seed + 4).normal(0.0, 1.0, len(health)),
        by_charge=by_charge_draws(np.random.default_rng(seed + 5), len(health)),
        rests_on=tuple(
            Weighed(one.on, one.sd, one.shared, one.published_s, one.likelihood or ())
            for one in seen
            if one.shared
        ),
    )
    power_w = discharges[-1].output_power_w if discharges else None
    if basis is not Basis.NONE and power_w is not None and not belief.full:
        belief = belief.spending(belief.used, power_w)
    return belief


def _used(evidence: BankEvidence, discharges: Sequence[DischargeEvidence], seed: int, draws: int) -> Floats:
    if not discharges:
        return np.zeros(draws)
    last = discharges[-1]
    hours = (evidence.as_of - last.at).total_seconds() / 3600.0 - last.seconds / 3600.0
    used = last.used + _doubt_of(last, draws)
    removed = (
        last.used * GIVEN_AT_ONCE
        if last.removed is None
        else last.removed * last.used / max(last.by_itself, 1e-6)
    )
    if evidence.recharge is None:
        return used_after_recharge(used, removed, max(hours, 0.0), seed, draws=draws)
    return after_recharge(used, removed, evidence.recharge, seed, draws=draws)


def _doubt_of(last: DischargeEvidence, draws: int) -> Floats:
    """Return by how much the used fraction of a discharge may differ, for how full the bank began is in doubt."""
    if not last.missing:
        return np.zeros(draws)
    return np.asarray(np.resize(np.asarray(last.missing), draws) - middle_of(last.missing))


def _state(  # noqa: PLR0917 - what a state is made of
    case: AssessedBank,
    belief: BankBelief,
    lives: Lives,
    foreseen: Forecast,
    seed: int,
    offers: tuple[Reason, ...],
) -> BankState:
    evidence, fitted, discharges, today = case.evidence, case.fitted, case.discharges, case.today
    known = belief.basis is not Basis.NONE
    health = belief.health if evidence.asked is None else belief.health_at(evidence.asked.output_power_w)
    low, median, high = (float(q) for q in np.quantile(health, (0.05, 0.5, 0.95)))
    capacity = Capacity(median, low, high, evidence.as_of, belief.basis)
    charging, findings = judge_charging(
        evidence.hours,
        evidence.as_of,
        charging=evidence.bank.charging,
        rated_ah=fitted.rated_capacity_ah,
        strings=evidence.bank.strings,
    )
    dates = _dates(foreseen, unproven=belief.unproven)
    tests = _tests(case, belief, lives, foreseen, seed)
    telling = _would_tell(case, belief)
    unseen = (
        nothing_seen(dates.by_age_alone, telling[0].step, best_judged([judged(d) for d in discharges]))
        if telling
        else None
    )
    claims, claims_finding = score_claims(claims_of(discharges))
    more = [
        *size(case, belief, offers),
        *signs(case),
        *beside_siblings(case, charging.float_voltage_per_cell_v),
        *findings_of_tests(
            evidence.bank.id, tests, today, renewed=_to_be_renewed(dates, today), unproven=belief.unproven
        ),
        *([] if claims_finding is None else [claims_finding]),
    ]
    return BankState(
        id=evidence.bank.id,
        feeds=evidence.bank.feeds,
        fitted=fitted.type,
        capacity=capacity if known else Capacity(None, None, None, evidence.as_of, Basis.NONE),
        asked_fraction=foreseen.asked_fraction if known else None,
        dates=dates,
        charging=charging,
        effective_age_years=float(lives.age.at(float(today.toordinal()))),
        worn_as_c=lives.age.mean_c,
        discharges=tuple(judged(d) for d in discharges),
        shown_to_carry=belief.shown_to_carry,
        findings=in_one_plan(
            (*findings, *more, *whether_shown(case, unseen)),
            evidence.bank.id,
            tests,
            today,
            renewed=_to_be_renewed(dates, today),
        ),
        probability_met=foreseen.probability_met if known and not belief.unproven else None,
        tests=tests,
        claims=claims,
        expected=expected_capacity(
            lives,
            belief,
            today,
            output_power_w=None if evidence.asked is None else evidence.asked.output_power_w,
            seed=seed + 1,
            at_most=discharges[-1].used if discharges and discharges[-1].failed else None,
        )
        if known
        else (),
        unproven=belief.unproven,
        would_tell=telling,
        offers=offers,
    )


def _would_tell(case: AssessedBank, belief: BankBelief) -> tuple[WouldTell, ...]:
    """Return what would tell of a bank that nothing was seen of; empty of any other."""
    if not belief.unproven:
        return ()
    power = _power_of_a_discharge(case, belief)
    published_s = float(1.0 / np.median(belief.rate_per_s(power)))
    one = Unproven(case.evidence.bank.id, belief.curve.basis, power, published_s)
    return steps_for((one,), case.today, case.evidence.next_test)


def _to_be_renewed(dates: ReplacementDates, today: date) -> bool:
    return dates.order_by is not None and dates.order_by <= today


def _dates(foreseen: Forecast, *, unproven: bool) -> ReplacementDates:
    """Return the dates as they are shown: of a bank that nothing was seen of only the span of its age."""
    if unproven:
        return ReplacementDates(None, None, None, by_age_alone=foreseen.by_age)
    return replace(
        foreseen.dates,
        falls_under_80=foreseen.under_80,
        ends_early=foreseen.ends_early,
        ends_late=foreseen.ends_late,
    )


def _tests(case: AssessedBank, belief: BankBelief, lives: Lives, foreseen: Forecast, seed: int) -> TestPlan:
    plan = plan_of_tests(case, lives, seed)
    asked = case.evidence.asked
    power = asked.output_power_w if asked else _power_at_anchor(belief)
    plan = replace(plan, ends_in_test_probability=ends_in_test(belief, power, DEEP_TEST))
    return with_advice(plan, case, belief, lives, foreseen, _power_of_a_discharge(case, belief))


def _power_of_a_discharge(case: AssessedBank, belief: BankBelief) -> float:
    """Return the output power that a discharge would be of: the bank's part of today's load, W."""
    asked = case.evidence.asked
    return _power_at_anchor(belief) if asked is None else asked.shared_w or asked.output_power_w


def _power_at_anchor(belief: BankBelief) -> float:
    """Return the output power that the anchor rate belongs to."""
    bank_w = float(belief.curve.watts(belief.anchor_s)) * belief.cells * belief.strings
    return max(bank_w - belief.loss_fixed_w, 0.0) / (1.0 + belief.loss_share)


def _empty_place(evidence: BankEvidence, digest: str, seed: int) -> BankJudgement:
    """Return what is said of a place without blocks: nothing."""
    curve = curve_for(FittedBank(evidence.as_of.date(), None, "", 0, 1.75))
    nothing = np.zeros(1)
    belief = BankBelief(
        bank=evidence.bank.id,
        as_of=evidence.as_of,
        basis=Basis.NONE,
        curve=curve,
        cells=evidence.bank.cells,
        strings=evidence.bank.strings,
        health=nothing,
        health_slope=nothing,
        anchor_s=anchor_for(curve),
        used=nothing,
        temperature_c=evidence.temperature_c,
        loss_fixed_w=0.0,
        loss_share=0.0,
    )
    state = BankState(
        id=evidence.bank.id,
        feeds=evidence.bank.feeds,
        fitted=None,
        capacity=Capacity(None, None, None, evidence.as_of, Basis.NONE),
        asked_fraction=None,
        dates=ReplacementDates(None, None, None),
        charging=ChargingVerdict(Verdict.CANNOT_TELL, (reason(Code.NO_BLOCKS_IN_BANK),)),
        effective_age_years=None,
        discharges=(),
        shown_to_carry=None,
    )
    return BankJudgement(state, belief, evidence.as_of, digest, seed)


__all__ = [
    "AgeCurve",
    "BankEvidence",
    "BankJudgement",
    "DischargeEvidence",
    "HandReading",
    "Sibling",
    "capacity_evidence",
    "digest_of",
    "judge_bank",
]
