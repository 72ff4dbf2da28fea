"""What a judgement of a bank says of its alarms."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from rules.alarms.catalogue import CATALOGUE
from rules.alarms.conditions.bank import bank_conditions
from rules.alarms.conditions.condition import Condition
from rules.battery.assessment.charging import CHARGER_LOST, DIFFERS, RUNAWAY
from rules.battery.assessment.faults import NOT_SHOWN, OPEN_STRING, SHORTED_CELL, TEST_DUE, UNDERSIZED
from rules.battery.state import BankFinding, BankState, Capacity, ChargingVerdict, ReplacementDates
from rules.phrasing.reasons import say
from rules.values.code import Code
from rules.values.reason import reason, told
from rules.values.severity import Severity
from rules.values.verdict import Basis, Verdict
from tests.rules.sample_plant import estate

TODAY = date(2026, 10, 9)


def was(kind: str, qualifier: str) -> bool:
    return False


def bank_state(
    *,
    replace_by: date | None = None,
    order_by: date | None = None,
    charging: Verdict = Verdict.ADEQUATE,
    age: float | None = None,
) -> BankState:
    at = datetime(2026, 10, 9, tzinfo=UTC)
    return BankState(
        id="bank-W1",
        feeds=("W1",),
        fitted="Fell 18",
        capacity=Capacity(0.8, 0.7, 0.9, at, Basis.TESTED),
        asked_fraction=0.6,
        dates=ReplacementDates(None, order_by, replace_by),
        charging=ChargingVerdict(charging, (told("2.31 V per cell at 24 °C, 2.25 wanted."),)),
        effective_age_years=age,
        discharges=(),
        shown_to_carry=None,
    )


def bank(state: BankState) -> dict[str, Condition]:
    found = bank_conditions(state, estate().banks["bank-W1"], TODAY, CATALOGUE["bank_past_age"], was)
    return {one.kind: one for one in found}


def test_a_bank_within_its_design_life_and_dates_raises_nothing() -> None:
    found = bank(bank_state(replace_by=date(2028, 1, 1), order_by=date(2027, 11, 1)))
    assert not any(one.seen.present for one in found.values())


def test_findings_of_a_judgement_raise_the_alarm_they_belong_to() -> None:
    sound = bank_state()
    for finding, severity, alarm in (
        (OPEN_STRING, Severity.CRITICAL, "bank_will_not_carry"),
        (NOT_SHOWN, Severity.CRITICAL, "bank_will_not_carry"),
        (NOT_SHOWN, Severity.WARNING, "bank_not_shown"),
        (RUNAWAY, Severity.CRITICAL, "bank_runaway"),
        (CHARGER_LOST, Severity.MAJOR, "charger_lost"),
        (SHORTED_CELL, Severity.MINOR, "bank_suspect"),
        (UNDERSIZED, Severity.MINOR, "bank_too_small"),
        (TEST_DUE, Severity.WARNING, "bank_test_due"),
    ):
        state = replace(
            sound, findings=(BankFinding(finding, told("This is how it is."), told("Do that."), severity),)
        )
        raised = {kind for kind, one in bank(state).items() if one.seen.present}
        assert raised == {alarm}
        assert say(bank(state)[alarm].seen.what) == "Bank bank-W1: This is how it is."


def test_a_bank_that_is_too_small_is_not_to_be_renewed_by_the_same_again() -> None:
    do = "Do not renew like for like. A larger bank: 2 strings of this type in place of 1."
    offers = (reason(Code.HELPS_LARGER_BANK, strings=2, of=1, rated_ah=None, of_rated_ah=None),)
    small = BankFinding(
        UNDERSIZED,
        told("The bank is too small."),
        reason(Code.DO_NOT_RENEW_ALIKE, offers=offers),
        Severity.MINOR,
    )
    due = bank_state(replace_by=TODAY, order_by=TODAY - timedelta(days=30))
    assert say(bank(due)["bank_order_now"].seen.do) == ""
    found = bank(replace(due, findings=(small,), offers=offers))
    assert say(found["bank_order_now"].seen.do) == do
    assert say(found["bank_too_small"].seen.do) == do, "which size would do is said where it is told"
    assert say(found["bank_replace_now"].seen.do).startswith(do + " Until then shed load")
    assert say(found["bank_replace_now"].seen.what) == "Bank bank-W1 is to be renewed now."


def test_what_is_shown_beside_a_bank_only_raises_no_alarm() -> None:
    state = replace(
        bank_state(), findings=(BankFinding(DIFFERS, told("It differs."), told("Look."), Severity.WARNING),)
    )
    assert not any(one.seen.present for one in bank(state).values())


def test_warmth_makes_a_bank_older_than_its_years() -> None:
    # seven years and nine months old, of ten; as worn as after eleven
    past = bank(bank_state(age=11.0))["bank_past_age"].seen
    assert past.present
    assert "7.8 years old, worn as after 11.0" in say(past.what)


def test_an_overdue_bank_says_so_and_need_not_say_order_too() -> None:
    found = bank(bank_state(replace_by=date(2026, 9, 9), order_by=date(2026, 7, 15)))
    assert found["bank_replace_now"].seen.present
    assert say(found["bank_replace_now"].seen.what) == "Bank bank-W1 should have been renewed by 9 Sep 2026."
    assert found["bank_order_now"].seen.explained == ("said_already",)


def test_unknown_dates_neither_raise_nor_clear() -> None:
    found = bank(bank_state(charging=Verdict.CANNOT_TELL))
    assert found["bank_replace_now"].seen.present is None
    assert found["charging_wrong"].seen.present is None


def test_a_bank_that_nothing_was_seen_of_is_not_overdue_and_leaves_no_alarm_of_its_forerunner_standing() -> (
    None
):
    found = bank(replace(bank_state(), unproven=True))
    assert found["bank_replace_now"].seen.present is False
    assert found["bank_order_now"].seen.present is False


def test_a_day_is_said_no_finer_than_its_end_is_known() -> None:
    dates = ReplacementDates(
        None, None, date(2025, 9, 9), ends_early=date(2025, 6, 1), ends_late=date(2026, 6, 1)
    )
    said = bank(replace(bank_state(), dates=dates))["bank_replace_now"].seen.what
    assert say(said) == "Bank bank-W1 should have been renewed by autumn 2025."
    near = replace(dates, replace_by=date(2026, 9, 9))
    said = bank(replace(bank_state(), dates=near))["bank_replace_now"].seen.what
    assert say(said) == "Bank bank-W1 should have been renewed by Sep 2026."


def test_charging_outside_its_window_says_why() -> None:
    seen = bank(bank_state(charging=Verdict.INADEQUATE))["charging_wrong"].seen
    assert seen.present
    assert "2.31 V per cell" in say(seen.what)
