"""Signs of a bad bank that are no capacity figure: shorts, open strings, resistance, claims, tests.

Signs are weighed, not proved: every finding says "suspected" and what to measure. RFC 1628 gives one
voltage and one current a unit, so single blocks show only in a discharge, or to a person with a meter.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np

from rules.battery.assessment.would_tell import proposed_day
from rules.battery.model.health import BankBelief
from rules.battery.state import AgeSpan, BankFinding, CardClaims, TestPlan
from rules.phrasing.dates import day_words, years_words
from rules.values.constants import DAYS_A_YEAR
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

CELL_V: Final = 2.0
SHOWN_WITHIN_DAYS: Final = 365
_RISE_WATCH, _RISE_BAD = 0.2, 0.3


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
    cells = "one cell" if count == 1 else f"{count} cells"
    also = " Its float current or recharge time has risen too." if backed else ""
    return BankFinding(
        SHORTED_CELL,
        f"In discharge the bank lies {-offset_v:.1f} V under its own reference, about {cells}: a short is suspected.{also}",
        "Measure every block's voltage, at rest and under load; a block with a shorted cell is 2 V low.",
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
    which = "its string is" if strings == 1 else "strings are"
    return BankFinding(
        OPEN_STRING,
        f"At the transfer the bank fell from {before_v:.0f} to {lowest_v:.0f} V at once"
        f"{' and gave no current' if silent else ''}: {which} suspected to be open.",
        "Do not count on this bank. Have links, fuses and every block checked by qualified people.",
        Severity.CRITICAL,
    )


def missing_string(current_a: float, expected_a: float, strings: int) -> BankFinding | None:
    """Return the suspicion that strings in parallel are missing: the others cannot hide it in voltage.

    `expected_a`: what the resistance of all strings lets one expect at the same voltage step.
    """
    if strings < 2 or expected_a <= 0.0:
        return None
    missing = round(strings * (1.0 - current_a / expected_a))
    if not 1 <= missing < strings or abs(current_a / expected_a - (strings - missing) / strings) > 0.12:
        return None
    return BankFinding(
        OPEN_STRING,
        f"The bank behaves as if {missing} of its {strings} strings gave nothing.",
        "Measure the current of each string with a clamp in the next test.",
        Severity.MAJOR,
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
        f"The bank's resistance is {now_ohm * 1000.0:.0f} mΩ, {rise * 100.0:.0f} % over its reference.",
        "Have the links retorqued and the blocks' ohmic values measured; test the capacity soon.",
        Severity.MINOR if rise >= _RISE_BAD else Severity.WARNING,
    )


def capacity_fell(earlier: float, later: float) -> BankFinding | None:
    """Return a finding where capacity fell by more than 10 points from one test to the next (IEEE 1188, as quoted)."""
    if earlier - later <= 0.10:
        return None
    return BankFinding(
        CAPACITY_FELL,
        f"Capacity fell from {earlier * 100.0:.0f} to {later * 100.0:.0f} % between two tests.",
        "Test yearly from now on, and order the replacement as the dates say.",
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
    listed = ", ".join(f"{name} ({value:.4g})" for name, value in sorted(odd.items())[:6])
    return (
        BankFinding(
            BLOCK_OUT_OF_LINE,
            f"By hand-measured {what}, {len(odd)} of {len(values)} blocks stand apart (median {middle:.4g}): {listed}.",
            "Measure these blocks again under load; replace whole strings, and do not mix ages.",
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
    times = (
        f"{median:.1f} times what was there" if median >= 1.0 else f"{median * 100.0:.0f} % of what was there"
    )
    failed = f" It called the bank sound {missed} times when it failed." if missed else ""
    return score, BankFinding(
        CLAIMS_WRONG,
        f"The card promised {times} (median of {len(ratios)} discharges).{failed}",
        "Do not plan by the minutes on the unit's display.",
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
    quarter = 730 if expected_life_years is None else round(expected_life_years * DAYS_A_YEAR / 4.0)
    interval, why = (730, "two years") if quarter >= 730 else (quarter, "quarter of the expected life")
    worn = (capacity is not None and capacity < 0.9) or (life_share is not None and life_share > 0.85)
    if worn and interval > YEARLY:
        interval = YEARLY
        why = (
            "year: capacity is under 90 %"
            if capacity is not None and capacity < 0.9
            else "year: 85 % of life is over"
        )
    if last_test is None:
        due = installed + timedelta(days=90)
        if today is not None and due < today:
            due = proposed_day(today)
        return TestPlan(None, due, interval, "no acceptance test is known")
    due = last_test + timedelta(days=interval)
    if worn_since is not None and interval > YEARLY:
        sooner = max(last_test + timedelta(days=YEARLY), worn_since)
        if sooner < due:
            due, why = sooner, f"year: worn as known since {day_words(worn_since)}"
    return TestPlan(last_test, due, interval, f"every {why}")


def findings_of_tests(
    plan: TestPlan, today: date, *, renewed: bool = False, unproven: bool = False
) -> tuple[BankFinding, ...]:
    """Return that a test is due, and that the bank may not survive it.

    None is due for a bank that is to be renewed (`renewed`); of one that is unproven it is said already what
    would tell, and that it may not survive would rest on its age alone.
    """
    if unproven:
        return ()
    found: list[BankFinding] = []
    late = -1 if renewed else (today - plan.due).days
    if late >= 0:
        last = "never tested" if plan.last is None else f"last tested on {day_words(plan.last)}"
        found.append(
            BankFinding(
                TEST_DUE,
                f"A capacity test is due since {day_words(plan.due)} ({plan.because}; {last}).",
                "Plan a discharge of at least half the bank's time, with the generator ready and somebody present.",
                Severity.WARNING,
            )
        )
    risk = plan.ends_in_test_probability
    if risk is not None and risk >= 0.1:
        found.append(
            BankFinding(
                TEST_RISKY,
                f"In a test to half its published time this bank may end, with a probability of {risk * 100.0:.0f} %.",
                "Test with the load on another unit or the generator running, or replace without a test.",
                Severity.WARNING,
            )
        )
    return tuple(found)


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
        what = "The bank did not carry its load when it was last asked to."
        return BankFinding(
            NOT_SHOWN, what, "Do not count on it. Have it inspected and tested at once.", Severity.CRITICAL
        )
    since = installed if last is None else last
    days = (today - since).days
    if days <= SHOWN_WITHIN_DAYS:
        return None
    never = "never since its installation" if last is None else f"last on {day_words(last)}"
    return BankFinding(
        NOT_SHOWN,
        f"The bank has not been shown to carry its load for {days} days ({never}). An open cell would not show.",
        "Have it carry the load for a minute or more, at a time when help is at hand.",
        Severity.WARNING,
    )


def beyond_table(
    power_w_per_cell: float, largest_w: float, from_minutes: float, *, reached: bool
) -> BankFinding:
    """Return that the load with a unit lost is above what the maker's table covers. What is not known is no fault.

    `reached`: the curve may be carried on so far, with its width.
    """
    told = (
        "beyond it the time is carried on by physics, and wide"
        if reached
        else "how long the bank holds then cannot be told"
    )
    return BankFinding(
        BEYOND_TABLE,
        f"With a unit lost each cell would have to give {power_w_per_cell:.0f} W; the table starts at {from_minutes:g} min "
        f"with {largest_w:.0f} W: {told}.",
        "Ask the maker for shorter times, and put them into the estate file.",
        Severity.WARNING,
    )


def undersized(asked_fraction: float, offers: Sequence[str], *, worn: bool | None = None) -> BankFinding:
    """Return that even new blocks of this type would not give what is asked of the bank, and what helps.

    `worn`: whether it is at its end of life besides; None: that cannot be told.
    """
    besides = "" if worn is None else " and worn besides" if worn else ", not worn"
    return BankFinding(
        UNDERSIZED,
        f"The bank is too small{besides}: asked of it is {asked_fraction * 100.0:.0f} % of the published time, which new "
        "blocks of this type would not give either.",
        f"Do not renew like for like. {' '.join(offers)}".strip(),
        Severity.MINOR,
    )


def nothing_seen(span: AgeSpan | None, do: str) -> BankFinding:
    """Return that nothing was seen of a bank yet. `span`: when its end is to be expected by age alone."""
    age = (
        ""
        if span is None
        else f" By its age alone it comes to its end {years_words(span.from_day, span.to_day)}."
    )
    return BankFinding(UNPROVEN, f"No discharge of this bank was judged yet.{age}", do, Severity.WARNING)
