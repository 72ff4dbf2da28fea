"""The replacement programme, its CSV and its calendar."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from io import StringIO

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.battery.state import (
    AgeSpan,
    BankState,
    Capacity,
    ChargingVerdict,
    ReplacementDates,
    TestPlan,
    WouldTell,
)
from rules.phrasing.programme_text import as_calendar, as_csv, revised
from rules.phrasing.reasons import said, say
from rules.planning.programme.programme import (
    Job,
    Programme,
    ProgrammeRow,
    ServiceItem,
    Terms,
    budget_year,
    programme,
)
from rules.values.reason import told
from rules.values.verdict import Basis, Verdict
from tests.rules.sample_plants import estate

TODAY = date(2026, 11, 24)
NOW = datetime(2026, 11, 24, 12, 0, tzinfo=UTC)


def state(bank: str, due: date | None) -> BankState:
    dates = ReplacementDates(
        None if due is None else due + timedelta(days=700),
        None if due is None else due - timedelta(days=56),
        due,
    )
    return BankState(
        id=bank,
        feeds=("A1",),
        fitted="type one",
        capacity=Capacity(0.83, 0.78, 0.88, NOW, Basis.TESTED),
        asked_fraction=0.7,
        dates=dates,
        charging=ChargingVerdict(Verdict.ADEQUATE, ()),
        effective_age_years=4.2,
        discharges=(),
        shown_to_carry=None,
    )


def made(**more: object) -> Programme:
    banks = [state("bank A1", date(2027, 6, 30)), state("bank A2", None)]
    return programme(estate(2), banks, TODAY, **more)  # type: ignore[arg-type]


def row(found: Programme, job: Job, about: str) -> ProgrammeRow:
    return next(r for r in found.rows if r.job is job and r.about == about)


def test_a_bank_is_due_by_its_date_with_its_lead_time_and_reason() -> None:
    bank = row(made(), Job.REPLACE_BANK, "bank A1")
    assert (bank.due, bank.order_by) == (date(2027, 6, 30), date(2027, 5, 5))
    assert bank.likely == date(2027, 6, 30) + timedelta(days=700)
    assert "judged at 83 % (78 to 88)" in say(bank.because)
    assert bank.basis == "tested"


def test_what_cannot_be_dated_is_said() -> None:
    assert said(made().undated) == ("Bank bank A2: no date can be given yet (fitted 1 Jan 2024).",)


def test_a_bank_that_nothing_was_seen_of_says_what_its_age_suggests_and_what_would_tell() -> None:
    span = AgeSpan(date(2027, 3, 1), date(2034, 1, 1))
    unseen = replace(
        state("bank A2", None),
        dates=ReplacementDates(None, None, None, by_age_alone=span),
        unproven=True,
        would_tell=(WouldTell(told("Import a past test."), told("Its capacity.")),),
    )
    assert say(programme(estate(2), [unseen], TODAY).undated[1]) == (
        "Bank bank A2: no discharge of it tells enough yet (fitted 1 Jan 2024), which by its age alone comes to its end "
        "2027 to 2034. Import a past test."
    )


def test_a_bank_too_small_is_offered_what_helps() -> None:
    small = replace(
        state("bank A1", date(2030, 6, 30)), too_small=True, offers=(told("A larger bank: 2 strings."),)
    )
    assert said(programme(estate(2), [small], TODAY).too_small) == (
        "Bank bank A1 is too small for the 70 % asked of it; renewing it like for like does not help. "
        "A larger bank: 2 strings.",
    )
    assert made().too_small == ()


def test_no_test_is_planned_for_a_bank_that_is_to_be_ordered() -> None:
    tests = TestPlan(date(2024, 1, 1), date(2026, 1, 1), 730, told("every two years"))
    due = replace(state("bank A1", TODAY + timedelta(days=30)), tests=tests)  # to order was 26 days ago
    later = replace(state("bank A1", TODAY + timedelta(days=300)), tests=tests)
    jobs = {row.job for row in programme(estate(2), [due], TODAY).rows}
    assert Job.BANK_TEST not in jobs
    assert Job.BANK_TEST in {row.job for row in programme(estate(2), [later], TODAY).rows}


def test_units_go_by_age_and_rows_by_date() -> None:
    found = made()
    assert row(found, Job.REPLACE_UNIT, "A1").due == date(2032, 1, 1)
    assert [r.due for r in found.rows] == sorted(r.due for r in found.rows)


def test_prices_make_a_budget_by_year() -> None:
    found = made(terms=Terms(budget_month=4, price_per_block=120.0))
    assert row(found, Job.REPLACE_BANK, "bank A1").cost == 40 * 120.0
    assert found.budget == (("2027/28", 4800.0),)


def test_service_comes_round_and_is_overdue_when_its_day_has_passed() -> None:
    fans = ServiceItem(Job.FANS, "A1", "S", date(2021, 3, 1))
    found = made(service=[fans, ServiceItem(Job.VISIT, "A", "S", None)])
    assert row(found, Job.FANS, "A1").due == date(2026, 3, 1)
    assert row(found, Job.FANS, "A1").overdue
    assert row(found, Job.FANS, "A1").budget_year == "2026"
    assert any("Service visit to A" in text for text in said(found.undated))


def test_jobs_at_one_site_that_fall_together_are_one_visit() -> None:
    items = [
        ServiceItem(Job.VISIT, "A", "S", None, first_due=date(2027, 5, 20)),
        ServiceItem(Job.FANS, "A2", "S", None, first_due=date(2029, 1, 1)),
    ]
    found = made(service=items)
    assert row(found, Job.VISIT, "A").visit == row(found, Job.REPLACE_BANK, "bank A1").visit == "S 2027-05-20"
    assert row(found, Job.FANS, "A2").visit is None


@pytest.mark.parametrize(
    ("day", "month", "year"),
    [
        (date(2026, 12, 31), 1, "2026"),
        (date(2027, 3, 31), 4, "2026/27"),
        (date(2027, 4, 1), 4, "2027/28"),
        (date(2099, 12, 1), 7, "2099/00"),
    ],
)
def test_budget_years(day: date, month: int, year: str) -> None:
    assert budget_year(day, month) == year


def test_a_month_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="month"):
        budget_year(TODAY, 13)


def test_ids_stay_when_dates_move_and_change_with_the_blocks() -> None:
    early = programme(estate(2), [state("bank A1", date(2027, 6, 30))], TODAY)
    late = programme(estate(2), [state("bank A1", date(2028, 6, 30))], TODAY)
    assert row(early, Job.REPLACE_BANK, "bank A1").uid == row(late, Job.REPLACE_BANK, "bank A1").uid
    assert len({r.uid for r in early.rows}) == len(early.rows)


def test_the_sequence_rises_only_when_a_job_changes() -> None:
    first = programme(estate(2), [state("bank A1", date(2027, 6, 30))], TODAY)
    kept = revised(first.rows, {}, NOW)
    later = NOW + timedelta(days=1)
    assert revised(first.rows, kept, later) == kept
    moved = programme(estate(2), [state("bank A1", date(2027, 7, 30))], TODAY)
    again = revised(moved.rows, kept, later)
    uid = row(moved, Job.REPLACE_BANK, "bank A1").uid
    assert (again[uid].sequence, again[uid].changed_at) == (1, later)
    assert sum(k.sequence for k in again.values()) == 1


def test_csv_reads_back_and_disarms_formulas() -> None:
    evil = replace(made().rows[0], about='=cmd|"x"', because=told("a, b\nc"))
    read = list(csv.DictReader(StringIO(as_csv([evil]))))
    assert read[0]["about"] == '\'=cmd|"x"'
    assert read[0]["because"] == "a, b\nc"
    assert read[0]["cost"] == ""


def unfolded(text: str) -> list[str]:
    return text.replace("\r\n ", "").split("\r\n")


def test_the_calendar_has_one_event_a_job_with_its_own_lasting_id() -> None:
    found = made()
    text = as_calendar(found.rows, revised(found.rows, {}, NOW), NOW)
    lines = unfolded(text)
    assert lines.count("BEGIN:VEVENT") == len(found.rows)
    assert len({line for line in lines if line.startswith("UID:")}) == len(found.rows)
    assert "DTSTART;VALUE=DATE:20270630" in lines
    assert "TRIGGER:-P84D" in lines  # 56 days of lead time and 28 of notice
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))
    assert text.endswith("END:VCALENDAR\r\n")


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=200))
def test_any_text_is_kept_to_its_line_and_folds_back(text: str) -> None:
    odd = replace(made().rows[0], what=told(text))
    calendar = as_calendar([odd], {}, NOW)
    assert all(len(line.encode()) <= 75 for line in calendar.split("\r\n"))
    summary = [line for line in unfolded(calendar) if line.startswith("SUMMARY:")]
    assert len(summary) == 1


def test_another_reader_of_calendars_reads_it() -> None:
    icalendar = pytest.importorskip("icalendar")
    found = made()
    read = icalendar.Calendar.from_ical(as_calendar(found.rows, revised(found.rows, {}, NOW), NOW))
    events = read.walk("VEVENT")
    assert sorted(event.decoded("dtstart") for event in events) == [r.due for r in found.rows]
    assert {str(event["summary"]) for event in events} == {say(r.what) for r in found.rows}
    assert {int(event["sequence"]) for event in events} == {0}
