"""Which discharge is advised, and that the day to order then moves as foretold."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from rules.battery.assessment.bank import BankJudgement, judge_bank
from rules.battery.assessment.evidence import BankEvidence
from rules.battery.assessment.faults import TEST_DUE
from rules.battery.assessment.next_discharge.advice import MOST_RISK
from rules.battery.assessment.next_discharge.record_error import error_at, sureness_of
from rules.battery.assessment.replacement import BankDemand
from rules.battery.assessment.settled import settled
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.discharge.likelihood import HEALTHS
from rules.battery.state import DischargeAdvice, DischargeMeans, TestPlan
from rules.plant.estate import Bank, FittedBank, PowerTable
from rules.values.code import Code
from rules.values.constants import SD_90
from rules.values.reason import reason

TABLE = ((5.0, 66.0), (10.0, 43.0), (15.0, 33.0), (30.0, 19.5), (60.0, 11.2))
FITTED = FittedBank(date(2019, 1, 1), None, "T", 40, 1.67, 9.0, 20.0, (PowerTable(1.67, TABLE),), 10.0)
BANK = Bank("b1", ("A1",), 240, 1, (FITTED,))
NOW = datetime(2024, 1, 1, 12, tzinfo=UTC)
LOAD_W = 240 * 18.0
PUBLISHED_S = 1800.0
ASKED = BankDemand(1200.0, LOAD_W, NOW.date())


def shape(mean: float, sd: float) -> tuple[float, ...]:
    apart = -0.5 * ((HEALTHS - mean) / sd) ** 2
    return tuple(float(v) for v in np.maximum(apart - np.max(apart), -40.0))


def partial(at: datetime, shown: float, used: float, stated: float) -> DischargeEvidence:
    """Return a discharge of which a share of published time was taken, and what its record says."""
    low, high = shown - 0.5 * SD_90 * stated, shown + 0.5 * SD_90 * stated
    return DischargeEvidence(
        at, "outage", used * PUBLISHED_S, LOAD_W, PUBLISHED_S, used, shown, low, high,
        likelihood=shape(shown, stated),
    )  # fmt: skip


def to_the_end(at: datetime, health: float) -> DischargeEvidence:
    return DischargeEvidence(
        at, "test", health * PUBLISHED_S, LOAD_W, PUBLISHED_S, health, health, health - 0.03, health + 0.03, ended=True
    )  # fmt: skip


def ago(days: float) -> datetime:
    return NOW - timedelta(days=days)


def evidence(*discharges: DischargeEvidence, asked: BankDemand = ASKED, bank: Bank = BANK) -> BankEvidence:
    return BankEvidence(bank, NOW, 23.0, discharges=discharges, asked=asked, rating_w=30_000.0)


TESTED = evidence(partial(ago(900), 0.98, 0.6, 0.05), partial(ago(300), 0.93, 0.2, 0.11))


def plan_of(judged: BankJudgement) -> TestPlan:
    assert judged.state.tests is not None
    return judged.state.tests


def advice_of(judged: BankJudgement) -> DischargeAdvice:
    advice = plan_of(judged).advice
    assert advice is not None
    return advice


def test_an_advice_names_a_day_a_length_a_load_and_what_it_buys() -> None:
    judged = judge_bank(TESTED)
    advice = advice_of(judged)
    assert NOW.date() < advice.on <= advice.latest
    assert advice.on.weekday() == 1
    assert advice.power_w == LOAD_W
    assert advice.for_s % 60.0 == 0.0
    assert advice.least_s is not None
    assert advice.for_s < advice.least_s  # the low end of what it holds
    assert advice.ends_probability <= MOST_RISK
    assert advice.expected_days is not None
    assert advice.expected_days > 14
    assert advice.order_early <= advice.order_late
    assert advice.later_probability + advice.sooner_probability <= 1.0


def test_the_same_evidence_gets_the_same_advice() -> None:
    assert judge_bank(TESTED).state.tests == judge_bank(TESTED).state.tests


@pytest.mark.parametrize("truth", [0.8, 0.95])
def test_the_day_to_order_moves_as_foretold(truth: float) -> None:
    """The advised discharge is made, of a bank that truly gives so much: what is then judged anew lies where it was said."""
    judged = judge_bank(TESTED)
    advice = advice_of(judged)
    used = advice.for_s * float(np.median(judged.belief.rate_per_s(LOAD_W)))
    error = error_at(advice.depth_fraction, sureness_of(TESTED.discharges))
    on = datetime.combine(advice.on, NOW.timetz())
    made = partial(on, truth, used, error.stated)
    after = judge_bank(
        replace(TESTED, discharges=(*TESTED.discharges, made), as_of=on + timedelta(days=1))
    ).state
    assert after.dates.order_by is not None
    moved = max(after.dates.order_by, advice.on)
    assert advice.order_early - timedelta(days=21) <= moved <= advice.order_late + timedelta(days=60)


def test_stronger_records_put_the_order_off_and_weaker_ones_bring_it_on() -> None:
    judged = judge_bank(TESTED)
    advice = advice_of(judged)
    used = advice.for_s * float(np.median(judged.belief.rate_per_s(LOAD_W)))
    on = datetime.combine(advice.on, NOW.timetz())
    days = []
    for truth in (0.75, 0.85, 0.95):
        made = partial(on, truth, used, error_at(advice.depth_fraction).stated)
        found = judge_bank(
            replace(TESTED, discharges=(*TESTED.discharges, made), as_of=on + timedelta(days=1))
        )
        assert found.state.dates.order_by is not None
        days.append(found.state.dates.order_by)
    assert days == sorted(days)
    assert days[-1] - days[0] > timedelta(days=60)


def test_after_the_test_the_same_test_pays_no_more() -> None:
    judged = judge_bank(TESTED)
    advice = advice_of(judged)
    on = datetime.combine(advice.on, NOW.timetz())
    after = judge_bank(
        replace(TESTED, discharges=(*TESTED.discharges, to_the_end(on, 0.9)), as_of=on + timedelta(days=1))
    )
    plan = plan_of(after)
    assert plan.advice is None or plan.advice.on > advice.on + timedelta(days=60)


def test_none_pays_where_the_order_is_far_and_known_or_the_bank_is_over() -> None:
    over = evidence(to_the_end(ago(20), 0.5))
    assert plan_of(judge_bank(over)).without_advice is not None
    assert plan_of(judge_bank(over)).advice is None
    assert plan_of(judge_bank(over)).without_advice == reason(Code.NO_TEST_PAYS_SHOWN_OVER)
    failed = evidence(replace(partial(ago(2), 0.9, 0.1, 0.1), failed=True))
    assert plan_of(judge_bank(failed)).without_advice == reason(Code.NO_TEST_PAYS_SHOWN_OVER)
    bare = replace(BANK, fitted=(replace(FITTED, constant_power=(), rated_capacity_ah=None),))
    without = plan_of(judge_bank(evidence(bank=bare)))
    assert without.advice is None
    assert without.without_advice == reason(Code.NO_TEST_PAYS_WITHOUT_TABLE)


def test_none_is_advised_that_the_bank_may_not_survive() -> None:
    # judged once, nearly five years ago, and in a room at 38 degC since
    old = evidence(partial(ago(1700), 0.95, 0.3, 0.1), bank=replace(BANK, room_temperature_c=38.0))
    plan = plan_of(judge_bank(replace(old, temperature_c=38.0)))
    assert plan.without_advice == reason(Code.NO_TEST_PAYS_SAFELY, most=0.02)
    assert plan.advice is None


def test_the_units_own_test_is_advised_where_it_buys_as_much_and_no_other() -> None:
    advice = advice_of(judge_bank(TESTED))
    assert advice.means is DischargeMeans.INPUT_OFF
    long = replace(partial(ago(300), 0.93, 0.2, 0.11), kind="test", seconds=advice.for_s)
    own = advice_of(judge_bank(replace(TESTED, discharges=(TESTED.discharges[0], long))))
    assert (own.means, own.for_s) == (DischargeMeans.OWN_TEST, advice.for_s)
    short = replace(partial(ago(300), 0.93, 0.2, 0.11), kind="test", seconds=20.0)
    other = advice_of(judge_bank(replace(TESTED, discharges=(TESTED.discharges[0], short))))
    assert other.means is DischargeMeans.INPUT_OFF


def test_an_unproven_bank_gets_the_discharge_that_would_tell_and_no_other() -> None:
    judged = judge_bank(evidence())
    advice = advice_of(judged)
    carry = judged.state.would_tell[-1].step
    assert (advice.for_s, advice.on) == (carry["for_s"], carry["on"])
    assert advice.power_w == carry["asked_w"]
    assert advice.order_by is None
    assert advice.expected_days is None
    assert advice.least_s is None  # nothing but age speaks of its least


def test_a_test_that_is_due_is_the_one_that_is_advised() -> None:
    asked = BankDemand(300.0, LOAD_W, NOW.date())
    judged = judge_bank(
        evidence(partial(ago(900), 0.97, 0.6, 0.05), partial(ago(400), 0.95, 0.3, 0.1), asked=asked)
    )
    due = next(f for f in judged.state.findings if f.kind == TEST_DUE)
    advice = advice_of(judged)
    assert due.do.code is Code.DO_DISCHARGE
    assert (due.do["on"], due.do["for_s"]) == (advice.on, advice.for_s)


def test_a_test_that_somebody_planned_is_the_one_that_is_advised() -> None:
    planned = date(2024, 2, 20)
    assert advice_of(judge_bank(replace(TESTED, next_test=planned))).on == planned
    assert advice_of(judge_bank(replace(evidence(), next_test=planned))).on == planned


def test_an_advice_stands_while_nothing_is_new_until_its_day_has_passed() -> None:
    first = judge_bank(TESTED).state
    advice = advice_of(judge_bank(TESTED))
    later = judge_bank(replace(TESTED, as_of=NOW + timedelta(days=10))).state
    kept = settled(later, first, later.rests_on.judged_on if later.rests_on else NOW.date()).state
    assert kept.tests is not None
    assert kept.tests.advice == advice
    visited = judge_bank(
        replace(TESTED, as_of=datetime.combine(advice.on + timedelta(days=7), NOW.timetz()))
    ).state
    still = settled(visited, first, advice.on + timedelta(days=7)).state
    assert still.tests is not None
    assert still.tests.advice == advice  # the second unit of a system has its turn a week after the first
    late = advice.on + timedelta(days=22)
    missed = judge_bank(replace(TESTED, as_of=datetime.combine(late, NOW.timetz()))).state
    anew = settled(missed, first, late).state
    assert anew.tests is not None
    assert anew.tests.advice is None or anew.tests.advice.on > advice.on
