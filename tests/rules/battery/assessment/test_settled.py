"""What is said of a bank stands until there is a reason, and then the reason is said."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from rules.battery.assessment.faults import TEST_DUE, UNDERSIZED
from rules.battery.assessment.settled import settled
from rules.battery.state import (
    AgeSpan,
    BankState,
    Capacity,
    ChargingVerdict,
    ReplacementDates,
    RestsOn,
    TestPlan,
)
from rules.phrasing.reasons import kept, say
from rules.values.reason import told
from rules.values.serial import from_plain, to_plain
from rules.values.verdict import Basis, Verdict

TODAY = date(2026, 10, 9)
ORDER = date(2027, 9, 1)
LEAD = timedelta(days=56)


def dates(order: date | None, *, over: bool = False) -> ReplacementDates:
    if order is None:
        return ReplacementDates(None, None, None, by_age_alone=AgeSpan(date(2027, 1, 1), date(2035, 1, 1)))
    return ReplacementDates(
        order + timedelta(days=900), order, order + LEAD,
        ends_early=order + timedelta(days=150), ends_late=order + timedelta(days=2000), shown_over=over,
    )  # fmt: skip


def state(order: date | None = ORDER, day: date = TODAY, *, over: bool = False, **rests: Any) -> BankState:
    base = RestsOn(day, "T 2022-01-01", "declared", "shown", date(2026, 5, 2), 600.0, 9_000.0)
    at = datetime(2026, 10, 9, 12, tzinfo=UTC)
    return BankState(
        id="d3",
        feeds=("D3",),
        fitted="T",
        capacity=Capacity(0.9, 0.85, 0.95, at, Basis.TESTED),
        asked_fraction=0.5,
        dates=dates(order, over=over),
        charging=ChargingVerdict(Verdict.ADEQUATE, ()),
        effective_age_years=4.0,
        discharges=(),
        shown_to_carry=None,
        tests=TestPlan(date(2026, 5, 2), date(2028, 5, 1), 730, told("every two years")),
        rests_on=replace(base, **rests),
        unproven=order is None,
    )


def test_the_first_that_is_said_is_what_was_judged() -> None:
    found = settled(state(), None, TODAY)
    assert found.state.dates == dates(ORDER)
    assert found.moved is None


def test_on_the_same_day_and_evidence_nothing_moves_whatever_is_reckoned() -> None:
    again = settled(state(ORDER + timedelta(days=150), asked_w=9_300.0), state(), TODAY)
    assert again.state.dates == dates(ORDER)
    assert again.state.asked_fraction == 0.5
    assert again.moved is None


def test_what_other_banks_showed_moves_a_date_on_a_new_day_and_is_named() -> None:
    same_day = settled(state(ORDER - timedelta(days=150), others="more"), state(), TODAY)
    assert same_day.state.dates == dates(ORDER)
    later = TODAY + timedelta(days=1)
    found = settled(state(ORDER - timedelta(days=150), later, others="more"), state(), later)
    assert found.state.dates == dates(ORDER - timedelta(days=150))
    assert found.moved is not None
    assert "other banks that share its type" in say(found.moved)


@pytest.mark.parametrize(("days", "moves"), [(10, False), (40, False), (150, True)])
def test_on_a_new_day_a_date_moves_once_it_has_come_away(days: int, moves: bool) -> None:
    # 327 days to go to the order: a fortnight and a tenth of it are 46
    later = TODAY + timedelta(days=1)
    found = settled(state(ORDER - timedelta(days=days), later), state(), later)
    assert (found.state.dates != dates(ORDER)) is moves
    if moves:
        assert found.moved is not None
        assert say(found.moved).endswith("because of the time that has passed since.")


def test_small_moves_day_by_day_add_up_against_what_was_said() -> None:
    said, moved = state(), []
    for day in range(1, 80):
        today = TODAY + timedelta(days=day)
        found = settled(state(ORDER - timedelta(days=2 * day), today), said, today)
        said = found.state
        moved += [found.moved] if found.moved else []
    assert 1 <= len(moved) <= 4
    assert said.dates.order_by is not None
    assert abs((said.dates.order_by - (ORDER - timedelta(days=158))).days) <= 46


@pytest.mark.parametrize(
    ("rests", "why"),
    [
        ({"told": "more", "last_discharge": date(2026, 10, 7)}, "the discharge of 7 Oct 2026 was judged"),
        ({"told": "more"}, "another discharge of it came to be known, or was judged anew"),
        ({"declared": "other"}, "other things are declared of it"),
        ({"required_s": 1320.0}, "22.0 min are asked of it now"),
        ({"asked_w": 12_000.0}, "the load asked of it went from 9.0 to 12.0 kW"),
    ],
)
def test_news_moves_the_dates_and_is_said(rests: dict[str, Any], why: str) -> None:
    found = settled(state(date(2027, 2, 1), **rests), state(), TODAY)
    assert found.state.dates == dates(date(2027, 2, 1))
    # their ends are known to five years: a year is all that may be said, and where the years are one, the days
    assert say(found.moved) == (
        f"Bank d3: the day to have replaced it by moved from 27 Oct 2027 to 29 Mar 2027 because {why}."
    )


def test_what_is_asked_being_unknown_right_after_a_start_is_no_news() -> None:
    found = settled(state(date(2027, 2, 1), required_s=None, asked_w=None, awaits=True), state(), TODAY)
    assert found.state.dates == dates(ORDER)
    assert found.state.rests_on is not None
    assert found.state.rests_on.required_s == 600.0


def test_what_was_said_before_anything_was_asked_is_replaced_in_silence() -> None:
    early = state(date(2028, 1, 1), required_s=None, asked_w=None, awaits=True)
    found = settled(state(), early, TODAY)
    assert found.state.dates == dates(ORDER)
    assert found.moved is None


def test_nothing_was_due_before_it_could_be_known() -> None:
    past = TODAY - timedelta(days=500)
    found = settled(state(past), None, TODAY).state
    assert (found.dates.order_by, found.dates.replace_by) == (TODAY, TODAY + LEAD)
    later = TODAY + timedelta(days=70)
    stands = settled(state(past, later), found, later).state
    assert stands.dates.replace_by == TODAY + LEAD  # overdue now: it was said in time


def test_a_bank_that_was_shown_to_be_over_was_due_when_it_was_shown() -> None:
    shown = TODAY - timedelta(days=40)
    assert settled(state(shown - LEAD, over=True), None, TODAY).state.dates.replace_by == shown


def test_new_blocks_have_no_past() -> None:
    new = state(None, blocks="T 2026-10-01")
    found = settled(new, state(), TODAY)
    assert found.state.dates == new.dates
    assert found.moved is None


def test_the_first_evidence_of_a_bank_gives_it_a_date_and_says_so() -> None:
    found = settled(state(told="first"), state(None), TODAY)
    assert found.moved is not None
    assert "moved from none that can be told to 2027" in say(found.moved)


def test_a_test_that_fell_due_stays_due_since_then() -> None:
    due = replace(state(), tests=TestPlan(date(2024, 5, 2), date(2026, 5, 2), 730, told("every two years")))
    sooner = replace(state(), tests=TestPlan(date(2024, 5, 2), date(2025, 5, 2), 365, told("every year")))
    found = settled(sooner, due, TODAY).state
    assert found.tests is not None
    assert found.tests.due == date(2026, 5, 2)
    (said,) = [f for f in found.findings if f.kind == TEST_DUE]
    assert said.what["due"] == date(2026, 5, 2)
    assert said.severity == "warning"


def test_what_an_earlier_version_said_in_sentences_stands_as_it_was_said() -> None:
    """Findings were kept as sentences once; what goes with dates that stand is said on in those words."""
    plain = to_plain(state())
    plain["tests"]["because"] = "every two years"
    plain["charging"]["because"] = ["recharging after a discharge"]
    plain["would_tell"] = [{"step": "Import a past test.", "buys": "Its capacity."}]
    plain["findings"] = [
        {"kind": UNDERSIZED, "what": "It is too small.", "do": "Not again.", "severity": "minor"}
    ]
    found = settled(state(), from_plain(BankState, json.loads(json.dumps(plain))), TODAY).state
    assert [(say(f.what), say(f.do)) for f in found.findings] == [("It is too small.", "Not again.")]
    assert from_plain(BankState, kept(found)) == found


def test_no_outage_moves_the_day_on_which_a_test_fell_due() -> None:
    due = replace(state(), tests=TestPlan(date(2024, 5, 2), date(2026, 5, 2), 730, told("every two years")))
    sooner = replace(
        state(told="an outage"), tests=TestPlan(date(2024, 5, 2), date(2026, 4, 20), 718, told("quarters"))
    )
    said = settled(sooner, due, TODAY).state
    assert said.tests is not None
    assert (said.tests.due, say(said.tests.because)) == (date(2026, 5, 2), "every two years")
    (finding,) = [f for f in said.findings if f.kind == TEST_DUE]
    assert finding.what["due"] == date(2026, 5, 2)


def test_a_test_that_was_never_made_stays_due_when_an_outage_would_have_it_proposed_anew() -> None:
    never = replace(state(), tests=TestPlan(None, TODAY - timedelta(days=3), 730, told("never tested")))
    again = replace(
        state(told="an outage"), tests=TestPlan(None, TODAY + timedelta(days=20), 730, told("never tested"))
    )
    said = settled(again, never, TODAY).state.tests
    assert said is not None
    assert said.due == TODAY - timedelta(days=3)


@pytest.mark.parametrize(
    ("last", "declared"), [(date(2026, 10, 1), "declared"), (date(2024, 5, 2), "another table")]
)
def test_a_test_that_was_made_or_another_declaration_moves_the_next(last: date, declared: str) -> None:
    due = replace(state(), tests=TestPlan(date(2024, 5, 2), date(2026, 5, 2), 730, told("every two years")))
    after = replace(
        state(told="a test", declared=declared), tests=TestPlan(last, date(2028, 10, 1), 730, told("two"))
    )
    said = settled(after, due, TODAY).state.tests
    assert said is not None
    assert said.due == date(2028, 10, 1)
