"""Signs of a bad bank that are no capacity figure: shorts, open strings, resistance, claims, tests.

Signs are weighed, not proved: every finding says "suspected" and what to measure. RFC 1628 gives one
voltage and one current a unit, so single blocks show only in a discharge, or to a person with a meter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final

import numpy as np

from rules.battery.assessment.next_discharge.advised import do_discharge
from rules.battery.assessment.would_tell import proposed_day
from rules.battery.model.health import BankBelief
from rules.battery.state import AgeSpan, BankFinding, CardClaims, JudgedDischarge, TestPlan
from rules.values.code import Code
from rules.values.constants import DAYS_A_YEAR
from rules.values.reason import Reason, reason
from rules.values.severity import Severity

SHORTED_CELL: Final = "shorted_cell_suspected"
OPEN_STRING: Final = "open_string_suspected"
RESISTANCE_UP: Final = "resistance_up"
BLOCK_OUT_OF_LINE: Final = "block_out_of_line"
CLAIMS_WRONG: Final = "card_claims_wrong"
TEST_DUE: Final = "test_due"
TEST_RISKY: Final = "test_risky"
NOT_SHOWN: Final = "not_shown_to_carry"
CAPACITY_FELL: Final = "capacity_fell"
BEYOND_TABLE: Final = "beyond_table"
UNDERSIZED: Final = "undersized"
UNPROVEN: Final = "unproven"
YEARLY: Final = 365
TWO_YEARS: Final = 730
"""Days from one capacity test to the next, of a worn bank and of a sound one (IEEE 1188-2005, as quoted)."""
WEAK: Final = 0.9
LATE_IN_LIFE: Final = 0.85
"""Capacity under which, and share of the expected life from which, a bank is tested every year (the same)."""

RISKY: Final = 0.1
"""Probability from which it is said that a bank may end in a test; an assumption: one bank of ten."""
CELL_V: Final = 2.0
SHOWN_WITHIN_DAYS: Final = 365
_RISE_WATCH, _RISE_BAD = 0.2, 0.3
_NAMED: Final = 6


def shorted_cells(
    offset_v: float,
    offset_sd_v: float,
    *,
    cells_per_block: int = 6,
    float_current_ratio: float | None = None,
    recharge_ratio: float | None = None,
) -> BankFinding | None:
    """Return the suspicion of shorted cells from a discharge.

    `offset_v`: the whole bank's voltage minus its own reference at equal used fraction, V. One cell
    short takes about 2 V off (4 to 6 V where a block loses two or three); on float the charger hides it,
    since every other cell rises by a few millivolts. `float_current_ratio` and `recharge_ratio`: against
    the bank's own past; either raised makes the suspicion stronger.
    """
    count = round(-offset_v / CELL_V)
    if (
        count < 1
        or -offset_v < 2.5 * offset_sd_v
        or abs(-offset_v - count * CELL_V) > max(0.6, 1.5 * offset_sd_v)
    ):
        return None
    if count > cells_per_block:
        return None  # a whole bank that sags is old or cold, not shorted
    backed = (float_current_ratio or 0.0) > 1.3 or (recharge_ratio or 0.0) > 1.2
    return BankFinding(
        SHORTED_CELL,
        reason(Code.SHORT_SUSPECTED, under_v=-offset_v, cells=count, backed=backed),
        reason(Code.DO_MEASURE_BLOCK_VOLTAGES),
        Severity.MAJOR if backed else Severity.MINOR,
    )


def open_string(
    before_v: float, lowest_v: float, current_a: float | None, *, cells: int, strings: int = 1
) -> BankFinding | None:
    """Return the suspicion of an open string, from the first seconds of a discharge.

    A sound bank falls from float (2.25 V per cell) to about 2.0 in seconds, never under 1.5 while fresh.
    An open cell or link gives no current and lets the DC bus collapse at once.
    """
    slumped = lowest_v / cells < 1.5 and lowest_v < 0.7 * before_v
    silent = current_a is not None and abs(current_a) < 0.2
    if not slumped and not (silent and lowest_v / cells < 1.9):
        return None
    return BankFinding(
        OPEN_STRING,
        reason(Code.STRING_OPEN, before_v=before_v, lowest_v=lowest_v, silent=silent, strings=strings),
        reason(Code.DO_CHECK_LINKS_AND_FUSES),
        Severity.CRITICAL,
    )


def resistance_rise(now_ohm: float, reference_ohm: float) -> BankFinding | None:
    """Return a finding where resistance has risen by 20 % or more over the bank's own reference.

    20 to 30 % over the own baseline is the usual call for attention (trade texts on IEEE 1188).
    """
    rise = now_ohm / reference_ohm - 1.0
    if rise < _RISE_WATCH:
        return None
    return BankFinding(
        RESISTANCE_UP,
        reason(Code.RESISTANCE_ROSE, now_ohm=now_ohm, rise=rise),
        reason(Code.DO_RETORQUE_LINKS),
        Severity.MINOR if rise >= _RISE_BAD else Severity.WARNING,
    )


def capacity_fell(earlier: float, later: float) -> BankFinding | None:
    """Return a finding where capacity fell by more than 10 points from one test to the next (IEEE 1188, as quoted)."""
    if earlier - later <= 0.10:
        return None
    return BankFinding(
        CAPACITY_FELL,
        reason(Code.CAPACITY_FELL, earlier=earlier, later=later),
        reason(Code.DO_TEST_YEARLY),
        Severity.MINOR,
    )


def blocks_out_of_line(
    values: Mapping[str, float], *, what: str, least_share: float
) -> tuple[BankFinding, ...]:
    """Return the blocks whose hand-measured value stands apart from the bank's others.

    `what`: "voltage" or "resistance". A block counts when it is over four robust deviations and
    `least_share` of the median away; for resistance only upwards, for voltage both ways.
    """
    if len(values) < 5:
        return ()
    numbers = np.array(list(values.values()))
    middle = float(np.median(numbers))
    spread = max(1.4826 * float(np.median(np.abs(numbers - middle))), least_share * abs(middle) / 4.0)
    odd = {
        name: value
        for name, value in values.items()
        if (value - middle if what == "resistance" else abs(value - middle))
        > max(4.0 * spread, least_share * middle)
    }
    if not odd:
        return ()
    named = tuple(sorted(odd.items())[:_NAMED])
    return (
        BankFinding(
            BLOCK_OUT_OF_LINE,
            reason(Code.BLOCKS_APART, what=what, odd=len(odd), of=len(values), middle=middle, named=named),
            reason(Code.DO_MEASURE_BLOCKS_AGAIN),
            Severity.MINOR,
        ),
    )


@dataclass(frozen=True, slots=True)
class Claim:
    """What a card promised at the start of a discharge, and what came of it.

    `true_s` is the whole time the bank gave or, by the best estimate, would have given; `said_good`:
    whether the card held its bank for sound; `failed`: whether the bank then failed its load.
    """

    on: date
    claimed_s: float | None
    true_s: float | None
    said_good: bool = True
    failed: bool = False


def score_claims(claims: Sequence[Claim]) -> tuple[CardClaims, BankFinding | None]:
    """Return how far a card's minutes can be believed, over all discharges, and whether to say so."""
    pairs = [(c.claimed_s, c.true_s) for c in claims if c.claimed_s is not None and c.true_s]
    ratios = np.array([claimed / true for claimed, true in pairs if true])
    missed = sum(c.said_good and c.failed for c in claims)
    if len(ratios) == 0:
        return CardClaims(len(claims), None, None, missed), None
    median, worst = float(np.median(ratios)), float(np.max(ratios))
    score = CardClaims(len(claims), median, worst, missed)
    if missed == 0 and 0.8 <= median <= 1.2:
        return score, None
    return score, BankFinding(
        CLAIMS_WRONG,
        reason(Code.CARD_PROMISES_WRONG, ratio=median, discharges=len(ratios), missed=missed),
        reason(Code.DO_NOT_PLAN_BY_DISPLAY),
        Severity.WARNING,
    )


def plan_tests(
    installed: date,
    last_test: date | None,
    *,
    capacity: float | None,
    life_share: float | None,
    expected_life_years: float | None,
    worn_since: date | None = None,
    today: date | None = None,
) -> TestPlan:
    """Return when the next capacity test is due, by what was known at the time.

    At acceptance; then every two years or a quarter of the expected life, whichever is less; every year
    once capacity is under 90 % or 85 % of the expected life is over (IEEE 1188-2005 with its 2014
    amendment, as quoted by trade texts). `capacity` and `life_share`: as of the last test. `worn_since`: the day
    from which a later discharge, or the age, has asked for a yearly test; it makes none due before itself. Of a
    bank whose acceptance test nobody knows of, the test falls due on the next day that is proposed for one.
    """
    quarter = TWO_YEARS if expected_life_years is None else round(expected_life_years * DAYS_A_YEAR / 4.0)
    interval = min(quarter, TWO_YEARS)
    why = (
        reason(Code.TEST_TWO_YEARLY)
        if interval == TWO_YEARS
        else reason(Code.TEST_BY_QUARTERS, life_years=expected_life_years)
    )
    weak = capacity is not None and capacity < WEAK
    worn = weak or (life_share is not None and life_share > LATE_IN_LIFE)
    if worn and interval > YEARLY:
        interval = YEARLY
        why = reason(Code.TEST_YEARLY_BY_CAPACITY) if weak else reason(Code.TEST_YEARLY_BY_AGE)
    if last_test is None:
        due = installed + timedelta(days=90)
        if today is not None and due < today:
            due = proposed_day(today)
        return TestPlan(None, due, interval, reason(Code.TEST_NEVER_ACCEPTED))
    due = last_test + timedelta(days=interval)
    if worn_since is not None and interval > YEARLY:
        sooner = max(last_test + timedelta(days=YEARLY), worn_since)
        if sooner < due:
            due, why = sooner, reason(Code.TEST_YEARLY_SINCE, since=worn_since)
    return TestPlan(last_test, due, interval, why)


def findings_of_tests(
    bank: str, plan: TestPlan, today: date, *, renewed: bool = False, unproven: bool = False
) -> tuple[BankFinding, ...]:
    """Return that a test is due, and that the bank may not survive it.

    None is due for a bank that is to be renewed (`renewed`); of one that is unproven it is said already what
    would tell, and that it may not survive would rest on its age alone.
    """
    if unproven:
        return ()
    found: list[BankFinding] = []
    do = discharge_to_make(bank, plan, today, renewed=renewed)
    if do is not None and is_due(plan, today, renewed=renewed):
        found.append(
            BankFinding(
                TEST_DUE,
                reason(Code.TEST_IS_DUE, due=plan.due, why=plan.because, last=plan.last),
                do,
                Severity.WARNING,
            )
        )
    # Where another discharge is advised nobody asks for that one: what it would risk is nobody's question.
    risk = plan.ends_in_test_probability
    if plan.advice is None and risk is not None and risk >= RISKY:
        found.append(
            BankFinding(
                TEST_RISKY,
                reason(Code.TEST_MAY_END_BANK, probability=risk),
                reason(Code.DO_TEST_WITH_CARE),
                Severity.WARNING,
            )
        )
    return tuple(found)


def is_due(plan: TestPlan, today: date, *, renewed: bool = False) -> bool:
    """Return whether a test is due; none is of a bank that is to be renewed."""
    return not renewed and today >= plan.due


def discharge_to_make(bank: str, plan: TestPlan, today: date, *, renewed: bool = False) -> Reason | None:
    """Return the one discharge that is asked of a bank, whatever asks for it; None where none is.

    The discharge that pays; else the test that is due, with care where the bank may end in it.
    """
    if plan.advice is not None:
        return do_discharge(bank, plan.advice)
    if not is_due(plan, today, renewed=renewed):
        return None
    risk = plan.ends_in_test_probability
    if risk is not None and risk >= RISKY:
        return reason(Code.DO_TEST_WITH_CARE)
    return reason(Code.DO_PLAN_DISCHARGE)


def in_one_plan(
    findings: Sequence[BankFinding], bank: str, plan: TestPlan | None, today: date, *, renewed: bool = False
) -> tuple[BankFinding, ...]:
    """Return findings with what is to be done of a bank that was not seen to carry: the discharge that is asked of it in any case."""
    do = None if plan is None else discharge_to_make(bank, plan, today, renewed=renewed)
    if do is None:
        return tuple(findings)
    carries = (NOT_SHOWN, Severity.WARNING)
    return tuple(replace(f, do=do) if (f.kind, f.severity) == carries else f for f in findings)


def ends_in_test(belief: BankBelief, output_power_w: float, share_of_published: float = 0.5) -> float:
    """Return the probability that a bank ends in a test of a share of its published time."""
    needed = belief.used + share_of_published
    return float(np.mean(belief.health_at(output_power_w) < needed))


def not_shown(last: date | None, installed: date, today: date, *, failed: bool = False) -> BankFinding | None:
    """Return that a bank has not been seen to carry its load within a year, or failed when it was asked.

    Abrupt failures (an open cell, a corroded link) leave no trace on float and in no capacity figure;
    only a discharge shows that they have not happened.
    """
    if failed:
        what, do = reason(Code.FAILED_WHEN_ASKED), reason(Code.DO_INSPECT_AT_ONCE)
        return BankFinding(NOT_SHOWN, what, do, Severity.CRITICAL)
    since = installed if last is None else last
    days = (today - since).days
    if days <= SHOWN_WITHIN_DAYS:
        return None
    return BankFinding(
        NOT_SHOWN,
        reason(Code.NOT_SHOWN_TO_CARRY, days=days, last=last),
        reason(Code.DO_LET_IT_CARRY),
        Severity.WARNING,
    )


def beyond_table(
    power_w_per_cell: float, largest_w: float, shortest_s: float, *, reached: bool
) -> BankFinding:
    """Return that the load with a unit lost is above what the maker's table covers. What is not known is no fault.

    `reached`: the curve may be carried on so far, with its width.
    """
    return BankFinding(
        BEYOND_TABLE,
        reason(
            Code.LOAD_BEYOND_TABLE,
            power_w_per_cell=power_w_per_cell,
            largest_w=largest_w,
            shortest_s=shortest_s,
            reached=reached,
        ),
        reason(Code.DO_ASK_FOR_SHORTER_TIMES),
        Severity.WARNING,
    )


def undersized(
    asked_w: float, asked_s: float, given_s: float, offers: Sequence[Reason], *, worn: bool | None = None
) -> BankFinding:
    """Return that even new blocks of this type would not give what is asked of the bank, and what helps.

    Asked are `asked_w` at the output for `asked_s`; new blocks give that for `given_s` as published. `worn`: whether it
    is at its end of life besides; None: that cannot be told.
    """
    return BankFinding(
        UNDERSIZED,
        reason(Code.BLOCKS_GIVE_LESS, asked_w=asked_w, asked_s=asked_s, given_s=given_s, worn=worn),
        reason(Code.DO_NOT_RENEW_ALIKE, offers=tuple(offers)),
        Severity.MINOR,
    )


def nothing_seen(span: AgeSpan | None, do: Reason, best: JudgedDischarge | None = None) -> BankFinding:
    """Return that nothing seen of a bank tells its capacity yet. `span`: when its end is to be expected by age alone.

    `best`: the discharge that tells most of it, too little.
    """
    from_day, to_day = (None, None) if span is None else (span.from_day, span.to_day)
    what = reason(
        Code.BANK_UNSEEN,
        from_day=from_day,
        to_day=to_day,
        best=None if best is None else best.at.date(),
        low=None if best is None else best.low,
        high=None if best is None else best.high,
    )
    return BankFinding(UNPROVEN, what, do, Severity.WARNING)
