"""What must be replaced, serviced and tested, by date: with reason, interval, lead time and budget year.

Banks carry three dates of their own (`rules.battery.state.ReplacementDates`): the programme asks for the one by
which nothing has been risked. Units, fans, capacitors, visits and tests go by age or interval. Jobs at one
site that fall close together are put into one visit, on the earliest of their dates.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from hashlib import sha256
from typing import Final

from rules.battery.state import BankState
from rules.phrasing.dates import about_words, day_words, years_words
from rules.phrasing.safety import SAFETY
from rules.plant.estate import UNIT_LIFE_YEARS, Estate, FittedBank, in_place
from rules.values.constants import DAYS_A_YEAR
from rules.values.verdict import Basis

TOGETHER: Final = timedelta(days=60)


class Job(StrEnum):
    """Kinds of work."""

    REPLACE_BANK = "replace_bank"
    REPLACE_UNIT = "replace_unit"
    FANS = "fans"
    CAPACITORS = "capacitors"
    VISIT = "visit"
    BANK_TEST = "bank_test"
    GENERATOR_TEST = "generator_test"


USUAL_YEARS: Final[Mapping[Job, float]] = {
    Job.REPLACE_UNIT: UNIT_LIFE_YEARS,
    Job.FANS: 5.0,
    Job.CAPACITORS: 7.0,
    Job.VISIT: 1.0,
    Job.BANK_TEST: 2.0,
    Job.GENERATOR_TEST: 1.0 / 12.0,
}
"""Usual intervals: fans and capacitors by trade habit, bank tests at most two years apart (IEEE 1188),
a set on load monthly (NFPA 110, as quoted by the trade). The maker's figures win."""

WORDS: Final[Mapping[Job, str]] = {
    Job.REPLACE_BANK: "Replace bank",
    Job.REPLACE_UNIT: "Replace unit",
    Job.FANS: "Renew fans of",
    Job.CAPACITORS: "Renew capacitors of",
    Job.VISIT: "Service visit to",
    Job.BANK_TEST: "Discharge test of bank",
    Job.GENERATOR_TEST: "Run on load: set",
}


@dataclass(frozen=True, slots=True)
class ServiceItem:
    """Work that comes round: on what, how often, and when it was last done (None: never recorded)."""

    job: Job
    about: str
    site: str
    last_done: date | None
    every_years: float | None = None
    first_due: date | None = None
    cost: float | None = None


@dataclass(frozen=True, slots=True)
class Terms:
    """How the site reckons: first month of the budget year, prices, and what a visit may gather."""

    budget_month: int = 1
    price_per_block: float | None = None
    unit_price_per_kva: float | None = None
    unit_lead_days: int = 84
    together: timedelta = TOGETHER


@dataclass(frozen=True, slots=True)
class ProgrammeRow:
    """One job. `uid` stays the same as long as the job is the same job, whatever its date.

    `due`: to be done by; `order_by`: with the lead time counted; `likely`: when the thing is expected to
    fail its purpose, for what it is worth. `visit` names the jobs that are best done in one journey.
    """

    uid: str
    job: Job
    about: str
    site: str
    what: str
    due: date
    order_by: date | None
    likely: date | None
    because: str
    basis: str
    budget_year: str
    cost: float | None = None
    overdue: bool = False
    visit: str | None = None


@dataclass(frozen=True, slots=True)
class Programme:
    """All jobs by date, what cannot be dated and why, and cost by budget year where prices are known.

    `too_small`: banks that renewing like for like does not help, each with what does.
    """

    as_of: date
    rows: tuple[ProgrammeRow, ...]
    undated: tuple[str, ...]
    budget: tuple[tuple[str, float], ...]
    safety: str = SAFETY
    too_small: tuple[str, ...] = ()


def uid_of(job: Job, about: str, instance: str) -> str:
    """Return an id that stays: made of the job, the thing and the instance now in place."""
    return sha256(f"{job}/{about}/{instance}".encode()).hexdigest()[:24]


def budget_year(day: date, first_month: int) -> str:
    """Return the budget year of a day: "2027", or "2026/27" where it does not begin in January.

    Raises:
        ValueError: the month is not 1 to 12.
    """
    if not 1 <= first_month <= 12:
        raise ValueError(f"want a month from 1 to 12; got {first_month}")
    if first_month == 1:
        return str(day.year)
    begins = day.year if day.month >= first_month else day.year - 1
    return f"{begins}/{(begins + 1) % 100:02d}"


def programme(
    estate: Estate,
    banks: Sequence[BankState],
    today: date,
    *,
    service: Sequence[ServiceItem] = (),
    terms: Terms | None = None,
) -> Programme:
    """Return the replacement and service programme as of `today`."""
    terms = terms or Terms()
    undated: list[str] = []
    states = {state.id: state for state in banks}
    rows = _bank_rows(estate, states, today, terms, undated)
    rows += _test_rows(estate, states, today, terms)
    rows += _unit_rows(estate, today, terms, undated)
    rows += _service_rows(service, today, terms, undated)
    rows = _visits(sorted(rows, key=lambda r: (r.due, r.uid)), terms.together)
    budget: dict[str, float] = {}
    for row in rows:
        if row.cost is not None:
            budget[row.budget_year] = budget.get(row.budget_year, 0.0) + row.cost
    small = tuple(
        _too_small(states[name]) for name in estate.banks if name in states and states[name].too_small
    )
    return Programme(today, tuple(rows), tuple(undated), tuple(sorted(budget.items())), too_small=small)


def _too_small(state: BankState) -> str:
    """Return that a bank is too small, and what helps."""
    asked = "" if state.asked_fraction is None else f" for the {100 * state.asked_fraction:.0f} % asked of it"
    return f"Bank {state.id} is too small{asked}; renewing it like for like does not help. {' '.join(state.offers)}".strip()


def _row(  # noqa: PLR0917 - what makes a row
    job: Job,
    about: str,
    instance: str,
    site: str,
    due: date,
    today: date,
    terms: Terms,
    because: str,
    basis: str,
) -> ProgrammeRow:
    return ProgrammeRow(
        uid=uid_of(job, about, instance),
        job=job,
        about=about,
        site=site,
        what=f"{WORDS[job]} {about}",
        due=due,
        order_by=None,
        likely=None,
        because=because,
        basis=basis,
        budget_year=budget_year(max(due, today), terms.budget_month),
        overdue=due < today,
    )


def _bank_rows(
    estate: Estate, states: Mapping[str, BankState], today: date, terms: Terms, undated: list[str]
) -> list[ProgrammeRow]:
    rows = []
    for bank in estate.banks.values():
        fitted = in_place(bank.fitted, today)
        site = estate.site_of(estate.units[bank.feeds[0]].system).id
        if fitted is None:
            undated.append(f"Bank {bank.id}: no blocks are declared in place.")
            continue
        state = states.get(bank.id)
        due = None if state is None else state.dates.replace_by
        if state is None or due is None:
            undated.append(_no_date(bank.id, state, fitted))
            continue
        made = _row(
            Job.REPLACE_BANK,
            bank.id,
            f"{fitted.type}/{fitted.from_day}",
            site,
            due,
            today,
            terms,
            _bank_because(state, fitted),
            state.capacity.basis.value,
        )
        blocks = fitted.blocks  # every string, both halves
        cost = None if terms.price_per_block is None or not blocks else terms.price_per_block * blocks
        ordered = state.dates.order_by or due - timedelta(days=bank.order_lead_days)
        rows.append(replace(made, order_by=ordered, likely=state.dates.expected_end, cost=cost))
    return rows


def _test_rows(
    estate: Estate, states: Mapping[str, BankState], today: date, terms: Terms
) -> list[ProgrammeRow]:
    """Return the discharge tests that the judged banks are due for; one whose blocks go before is left out."""
    rows = []
    for bank in estate.banks.values():
        fitted, state = in_place(bank.fitted, today), states.get(bank.id)
        if fitted is None or state is None or state.tests is None:
            continue
        plan, gone = state.tests, state.dates.replace_by
        renewed = state.dates.order_by is not None and state.dates.order_by <= today
        if renewed or (gone is not None and gone <= plan.due):
            continue
        site = estate.site_of(estate.units[bank.feeds[0]].system).id
        instance = f"{fitted.type}/{fitted.from_day}"
        rows.append(
            _row(Job.BANK_TEST, bank.id, instance, site, plan.due, today, terms, plan.because, "interval")
        )
    return rows


def _no_date(bank: str, state: BankState | None, fitted: FittedBank) -> str:
    """Return why a bank has no date, with what its age alone suggests and what would tell."""
    since = f"fitted {day_words(fitted.from_day)}"
    if state is None or not state.unproven:
        return f"Bank {bank}: no date can be given yet ({since})."
    span = state.dates.by_age_alone
    age = (
        ""
        if span is None
        else f", which by its age alone comes to its end {years_words(span.from_day, span.to_day)}"
    )
    step = f" {state.would_tell[0].step}" if state.would_tell else ""
    return f"Bank {bank}: no discharge of it was judged yet ({since}){age}.{step}"


def _bank_because(state: BankState, fitted: FittedBank) -> str:
    """Return why the bank's date is what it is."""
    parts = [f"fitted {day_words(fitted.from_day)}"]
    c = state.capacity
    if c.fraction is not None and c.low is not None and c.high is not None:
        seen = "judged" if c.basis is Basis.TESTED else "reckoned"
        parts.append(f"{seen} at {100 * c.fraction:.0f} % ({100 * c.low:.0f} to {100 * c.high:.0f})")
    if state.asked_fraction is not None:
        parts.append(f"{100 * state.asked_fraction:.0f} % is asked of it")
    if state.effective_age_years is not None:
        parts.append(f"{state.effective_age_years:.1f} years old as its heat counts")
    if state.dates.expected_end is not None:
        when = about_words(state.dates.expected_end, state.dates.ends_early, state.dates.ends_late)
        parts.append(f"expected to fall short about {when}")
    return "; ".join(parts) + "."


def after(day: date, years: float) -> date:
    """Return the day so many years later."""
    return day + timedelta(days=round(years * DAYS_A_YEAR))


def _unit_rows(estate: Estate, today: date, terms: Terms, undated: list[str]) -> list[ProgrammeRow]:
    rows = []
    for unit in estate.units.values():
        fitted = in_place(unit.fitted, today)
        if fitted is None:
            undated.append(f"Unit {unit.id}: no cabinet is declared in place.")
            continue
        due = after(fitted.from_day, fitted.life_years)
        site = estate.site_of(unit.system).id
        why = f"in place since {day_words(fitted.from_day)}; {fitted.life_years:.0f} years are reckoned for this cabinet."
        made = _row(Job.REPLACE_UNIT, unit.id, str(fitted.from_day), site, due, today, terms, why, "age")
        cost = None if terms.unit_price_per_kva is None else terms.unit_price_per_kva * fitted.rating_va / 1e3
        rows.append(replace(made, order_by=due - timedelta(days=terms.unit_lead_days), cost=cost))
    return rows


def _service_rows(
    service: Sequence[ServiceItem], today: date, terms: Terms, undated: list[str]
) -> list[ProgrammeRow]:
    rows = []
    for item in service:
        years = item.every_years if item.every_years is not None else USUAL_YEARS.get(item.job)
        if item.last_done is not None and years is not None:
            due = after(item.last_done, years)
            why = f"last done {day_words(item.last_done)}, every {_interval(years)}."
        elif item.first_due is not None:
            due, why = item.first_due, "never recorded as done; reckoned from the day it was put in place."
        else:
            undated.append(f"{WORDS[item.job]} {item.about}: never recorded as done; say when it was.")
            continue
        made = _row(item.job, item.about, "", item.site, due, today, terms, why, "interval")
        rows.append(replace(made, cost=item.cost))
    return rows


def _interval(years: float) -> str:
    return f"{years:.0f} years" if years >= 1.5 else f"{round(12 * years)} months"


def _visits(rows: Sequence[ProgrammeRow], together: timedelta) -> list[ProgrammeRow]:
    """Return rows with the name of the visit that jobs at one site within `together` share."""
    named: dict[str, str] = {}
    for site in {row.site for row in rows}:
        gathered: list[ProgrammeRow] = []
        for row in [r for r in rows if r.site == site]:
            if gathered and row.due - gathered[0].due > together:
                gathered = []
            gathered.append(row)
            if len(gathered) > 1:
                named |= dict.fromkeys((r.uid for r in gathered), f"{site} {gathered[0].due.isoformat()}")
    return [replace(row, visit=named.get(row.uid)) for row in rows]
