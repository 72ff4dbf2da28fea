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

from rules.battery.assessment.next_discharge.advised import discharge_advised
from rules.battery.state import BankState
from rules.planning.programme.discharge_visits import DischargeVisit, by_bank, discharge_visits
from rules.plant.estate import UNIT_LIFE_YEARS, Estate, FittedBank, in_place
from rules.values.code import Code
from rules.values.constants import DAYS_A_YEAR
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis

TOGETHER: Final = timedelta(days=60)
SAFETY: Final = reason(Code.SAFETY)


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
a generator on load monthly (NFPA 110, as quoted by the trade). The maker's figures win."""


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
    what: Reason
    due: date
    order_by: date | None
    likely: date | None
    because: Reason
    basis: str
    budget_year: str
    cost: float | None = None
    overdue: bool = False
    visit: str | None = None


@dataclass(frozen=True, slots=True)
class Programme:
    """All jobs by date, what cannot be dated and why, and cost by budget year where prices are known.

    `too_small`: banks that renewing like for like does not help, each with what does. `visits`: the discharges that pay,
    by day and site.
    """

    as_of: date
    rows: tuple[ProgrammeRow, ...]
    undated: tuple[Reason, ...]
    budget: tuple[tuple[str, float], ...]
    safety: Reason = SAFETY
    too_small: tuple[Reason, ...] = ()
    visits: tuple[DischargeVisit, ...] = ()


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
    spare: Mapping[str, bool | None] | None = None,
) -> Programme:
    """Return the replacement and service programme as of `today`.

    `spare`: by system whether the load is carried with any one unit lost, None or missing where that cannot be told.
    """
    terms = terms or Terms()
    undated: list[Reason] = []
    states = {state.id: state for state in banks}
    rows = _bank_rows(estate, states, today, terms, undated)
    visits = discharge_visits(estate, banks, spare)
    rows += _test_rows(estate, states, today, terms, visits)
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
    return Programme(
        today, tuple(rows), tuple(undated), tuple(sorted(budget.items())), too_small=small, visits=visits
    )


def _too_small(state: BankState) -> Reason:
    """Return that a bank is too small, and what helps."""
    return reason(Code.BANK_TOO_SMALL, state.id, asked_fraction=state.asked_fraction, offers=state.offers)


def _row(  # noqa: PLR0917 - what makes a row
    job: Job,
    about: str,
    instance: str,
    site: str,
    due: date,
    today: date,
    terms: Terms,
    because: Reason,
    basis: str,
) -> ProgrammeRow:
    return ProgrammeRow(
        uid=uid_of(job, about, instance),
        job=job,
        about=about,
        site=site,
        what=reason(Code.JOB, about, kind=job),
        due=due,
        order_by=None,
        likely=None,
        because=because,
        basis=basis,
        budget_year=budget_year(max(due, today), terms.budget_month),
        overdue=due < today,
    )


def _bank_rows(
    estate: Estate, states: Mapping[str, BankState], today: date, terms: Terms, undated: list[Reason]
) -> list[ProgrammeRow]:
    rows = []
    for bank in estate.banks.values():
        fitted = in_place(bank.fitted, today)
        site = estate.site_of(estate.units[bank.feeds[0]].system).id
        if fitted is None:
            undated.append(reason(Code.BANK_WITHOUT_BLOCKS, bank.id))
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
    estate: Estate,
    states: Mapping[str, BankState],
    today: date,
    terms: Terms,
    visits: Sequence[DischargeVisit],
) -> list[ProgrammeRow]:
    """Return the discharge tests of the judged banks: by the day of the visit where one pays, else by their interval.

    One whose blocks go before is left out, unless it may put the order off.
    """
    rows, visited = [], by_bank(visits)
    for bank in estate.banks.values():
        fitted, state = in_place(bank.fitted, today), states.get(bank.id)
        if fitted is None or state is None or state.tests is None:
            continue
        plan, gone = state.tests, state.dates.replace_by
        visit = visited.get(bank.id)
        renewed = state.dates.order_by is not None and state.dates.order_by <= today
        if visit is None and (renewed or (gone is not None and gone <= plan.due)):
            continue
        site = estate.site_of(estate.units[bank.feeds[0]].system).id
        instance = f"{fitted.type}/{fitted.from_day}"
        due, why, basis = plan.due, plan.because, "interval"
        if visit is not None:
            due, why, basis = visit[0].on, discharge_advised(bank.id, visit[1].advice), "advice"
        rows.append(_row(Job.BANK_TEST, bank.id, instance, site, due, today, terms, why, basis))
    return rows


def _no_date(bank: str, state: BankState | None, fitted: FittedBank) -> Reason:
    """Return why a bank has no date, with what its age alone suggests and what would tell."""
    if state is None or not state.unproven:
        return reason(Code.BANK_WITHOUT_DATE, bank, fitted=fitted.from_day)
    span = state.dates.by_age_alone
    return reason(
        Code.BANK_NOT_JUDGED,
        bank,
        fitted=fitted.from_day,
        from_day=None if span is None else span.from_day,
        to_day=None if span is None else span.to_day,
        step=state.would_tell[0].step if state.would_tell else None,
    )


def _bank_because(state: BankState, fitted: FittedBank) -> Reason:
    """Return why the bank's date is what it is."""
    c, dates = state.capacity, state.dates
    return reason(
        Code.BANK_DUE,
        state.id,
        fitted=fitted.from_day,
        tested=c.basis is Basis.TESTED,
        fraction=c.fraction,
        low=c.low,
        high=c.high,
        asked_fraction=state.asked_fraction,
        age_years=state.effective_age_years,
        ends=dates.expected_end,
        early=dates.ends_early,
        late=dates.ends_late,
        too_small=state.too_small,
    )


def after(day: date, years: float) -> date:
    """Return the day so many years later."""
    return day + timedelta(days=round(years * DAYS_A_YEAR))


def _unit_rows(estate: Estate, today: date, terms: Terms, undated: list[Reason]) -> list[ProgrammeRow]:
    rows = []
    for unit in estate.units.values():
        fitted = in_place(unit.fitted, today)
        if fitted is None:
            undated.append(reason(Code.UNIT_WITHOUT_CABINET, unit.id))
            continue
        due = after(fitted.from_day, fitted.life_years)
        site = estate.site_of(unit.system).id
        why = reason(Code.UNIT_DUE, unit.id, since=fitted.from_day, life_years=fitted.life_years)
        made = _row(Job.REPLACE_UNIT, unit.id, str(fitted.from_day), site, due, today, terms, why, "age")
        cost = None if terms.unit_price_per_kva is None else terms.unit_price_per_kva * fitted.rating_va / 1e3
        rows.append(replace(made, order_by=due - timedelta(days=terms.unit_lead_days), cost=cost))
    return rows


def _service_rows(
    service: Sequence[ServiceItem], today: date, terms: Terms, undated: list[Reason]
) -> list[ProgrammeRow]:
    rows = []
    for item in service:
        years = item.every_years if item.every_years is not None else USUAL_YEARS.get(item.job)
        if item.last_done is not None and years is not None:
            due = after(item.last_done, years)
            why = reason(Code.SERVICE_DUE, item.about, done=item.last_done, every_years=years)
        elif item.first_due is not None:
            due, why = item.first_due, reason(Code.SERVICE_NEVER_DONE, item.about)
        else:
            job = reason(Code.JOB, item.about, kind=item.job)
            undated.append(reason(Code.SERVICE_WITHOUT_DATE, item.about, job=job))
            continue
        made = _row(item.job, item.about, "", item.site, due, today, terms, why, "interval")
        rows.append(replace(made, cost=item.cost))
    return rows


def _visits(rows: Sequence[ProgrammeRow], together: timedelta) -> list[ProgrammeRow]:
    """Return rows with the name of the visit that jobs at one site within `together` share."""
    named: dict[str, str] = {}
    at_site: dict[str, list[ProgrammeRow]] = {}
    for row in rows:
        at_site.setdefault(row.site, []).append(row)
    for site, here in at_site.items():
        gathered: list[ProgrammeRow] = []
        for row in here:
            if gathered and row.due - gathered[0].due > together:
                gathered = []
            gathered.append(row)
            if len(gathered) > 1:
                named |= dict.fromkeys((r.uid for r in gathered), f"{site} {gathered[0].due.isoformat()}")
    return [replace(row, visit=named.get(row.uid)) for row in rows]
