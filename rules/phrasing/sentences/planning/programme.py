"""What the replacement and service programme says (`rules.planning.programme`)."""

from __future__ import annotations

from datetime import date
from typing import Final

from rules.phrasing.dates import about_words, day_words, years_words
from rules.phrasing.says import says
from rules.planning.programme.programme import Job
from rules.values.code import Code

JOBS: Final = {
    Job.REPLACE_BANK: "Replace bank",
    Job.REPLACE_UNIT: "Replace unit",
    Job.FANS: "Renew fans of",
    Job.CAPACITORS: "Renew capacitors of",
    Job.VISIT: "Service visit to",
    Job.BANK_TEST: "Discharge test of bank",
    Job.GENERATOR_TEST: "Run on load: generator",
}


@says(Code.JOB)
def job(about: str, *, kind: str) -> str:
    """Name a job."""
    return f"{JOBS[Job(kind)]} {about}"


@says(Code.JOB_DUE)
def job_due(*, job: str, day: date, to_order: bool, because: str) -> str:
    """Say that a job is due, or to be ordered, and why."""
    verb = "to be ordered by" if to_order else "due by"
    return f"{job}: {verb} {day_words(day)}; {because}"


@says(Code.BANK_DUE)
def bank_due(
    *,
    fitted: date,
    tested: bool,
    fraction: float | None,
    low: float | None,
    high: float | None,
    asked_fraction: float | None,
    age_years: float | None,
    ends: date | None,
    early: date | None,
    late: date | None,
    too_small: bool = False,
) -> str:
    """Say what a bank's date rests on: its capacity with its interval, what is asked of it, its age as its heat counts.

    `too_small`: new blocks of its type would not do, so the date is that of its wear.
    """
    parts = [f"fitted {day_words(fitted)}"]
    if fraction is not None and low is not None and high is not None:
        seen = "judged" if tested else "reckoned"
        parts.append(f"{seen} at {100 * fraction:.0f} % ({100 * low:.0f} to {100 * high:.0f})")
    if asked_fraction is not None:
        parts.append(f"{100 * asked_fraction:.0f} % is asked of it")
    if age_years is not None:
        parts.append(f"{age_years:.1f} years old as its heat counts")
    if ends is not None:
        wears = "expected to be worn out" if too_small else "expected to fall short"
        parts.append(f"{wears} about {about_words(ends, early, late)}")
    if too_small:
        parts.append("too small for it even new: renew it with a larger one")
    return "; ".join(parts) + "."


@says(Code.UNIT_DUE)
def unit_due(*, since: date, life_years: float) -> str:
    """Say since when a cabinet is in place."""
    return f"in place since {day_words(since)}; {life_years:.0f} years are reckoned for this cabinet."


@says(Code.SERVICE_DUE)
def service_due(*, done: date, every_years: float) -> str:
    """Say when work was done last, and how often it comes round."""
    every = f"{every_years:.0f} years" if every_years >= 1.5 else f"{round(12 * every_years)} months"
    return f"last done {day_words(done)}, every {every}."


@says(Code.SERVICE_NEVER_DONE)
def service_never_done() -> str:
    """Say from when it is counted."""
    return "never recorded as done; reckoned from the day it was put in place."


@says(Code.BANK_WITHOUT_BLOCKS)
def bank_without_blocks(about: str) -> str:
    """Say that nothing is declared."""
    return f"Bank {about}: no blocks are declared in place."


@says(Code.BANK_WITHOUT_DATE)
def bank_without_date(about: str, *, fitted: date) -> str:
    """Say that a bank has no date yet."""
    return f"Bank {about}: no date can be given yet (fitted {day_words(fitted)})."


@says(Code.BANK_NOT_JUDGED)
def bank_not_judged(
    about: str, *, fitted: date, from_day: date | None, to_day: date | None, step: str | None
) -> str:
    """Say that nothing was seen of a bank, what its age alone suggests, and what would tell."""
    age = (
        f", which by its age alone comes to its end {years_words(from_day, to_day)}"
        if from_day is not None and to_day is not None
        else ""
    )
    then = f" {step}" if step else ""
    return f"Bank {about}: no discharge of it tells enough yet (fitted {day_words(fitted)}){age}.{then}"


@says(Code.UNIT_WITHOUT_CABINET)
def unit_without_cabinet(about: str) -> str:
    """Say that nothing is declared."""
    return f"Unit {about}: no cabinet is declared in place."


@says(Code.SERVICE_WITHOUT_DATE)
def service_without_date(*, job: str) -> str:
    """Say that work is not on record."""
    return f"{job}: never recorded as done; say when it was."


@says(Code.BANK_TOO_SMALL)
def bank_too_small(about: str, *, asked_fraction: float | None, offers: tuple[str, ...]) -> str:
    """Say that a bank is too small, and what helps."""
    asked = "" if asked_fraction is None else f" for the {100 * asked_fraction:.0f} % asked of it"
    return " ".join((f"Bank {about} is too small{asked}; renewing it like for like does not help.", *offers))
