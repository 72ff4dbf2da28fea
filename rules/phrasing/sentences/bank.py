"""What is said of a bank and of a set at rest (`rules.alarms.conditions.bank`, `generators`)."""

from __future__ import annotations

from datetime import date

from rules.phrasing.dates import about_day
from rules.phrasing.says import says
from rules.values.code import Code


@says(Code.BANK_PAST_AGE)
def bank_past_age(about: str, *, years: float, worn_years: float | None, design_life_years: float) -> str:
    """Say how old a bank is, and as after how many years it is worn where that is more."""
    warm = "" if worn_years is None else f", worn as after {worn_years:.1f}"
    return f"Bank {about} is {years:.1f} years old{warm}; its design life is {design_life_years:g}."


@says(Code.BANK_RENEW_NOW)
def bank_renew_now(about: str) -> str:
    """Say that a bank is due today."""
    return f"Bank {about} is to be renewed now."


@says(Code.BANK_RENEWAL_MISSED)
def bank_renewal_missed(about: str, *, by: date, early: date | None, late: date | None, today: date) -> str:
    """Say by when a bank should have been renewed, no finer than its end was known."""
    return f"Bank {about} should have been renewed by {about_day(by, early, late, today)}."


@says(Code.BANK_ORDER_NOW)
def bank_order_now(
    about: str,
    *,
    lead_days: int,
    by: date | None,
    early: date | None,
    late: date | None,
    today: date,
) -> str:
    """Say that a bank is to be ordered, how many days that takes, and by when it is needed."""
    needed = "" if by is None else f" by {about_day(by, early, late, today)}"
    return f"Order bank {about} now: its successor takes {lead_days} days and is needed{needed}."


@says(Code.CHARGING_WRONG)
def charging_wrong(about: str, *, because: tuple[str, ...]) -> str:
    """Say how a bank is not charged as it should be."""
    return " ".join((f"Bank {about} is not kept as it should be.", *because))


@says(Code.BANK_FINDINGS)
def bank_findings(about: str, *, findings: tuple[str, ...]) -> str:
    """Say what was found of a bank."""
    return f"Bank {about}: {' '.join(findings)}"


@says(Code.DO_RENEW_LARGER)
def do_renew_larger(*, larger: str) -> str:
    """Say what helps where the same again would be too small again, and what to do until then."""
    return f"{larger} Until then shed load or keep its unit from being the only one."


@says(Code.SET_TEST_DUE)
def set_test_due(about: str, *, because: str) -> str:
    """Say that a set is to be run, and why."""
    return f"Set {about} is to be run on load. {because}"


@says(Code.SET_WORDS_FAILING)
def set_words_failing(*, why: str) -> str:
    """Say that the site's word of its sets does not come in, and what the broker says."""
    return f"The broker of [set_words] is not listened to. It says: {why}."
