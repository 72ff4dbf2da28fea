"""What comes round on a site's plant, and what of it is due: fans, capacitors, visits, generators on load, new units.

Intervals are declared with the cabinet in each position; days on which work was done come from the record.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Final

from rules.planning.programme.programme import Job, Programme, ProgrammeRow, ServiceItem, after
from rules.plant.estate import Estate, FittedUnit, in_place
from rules.values.code import Code
from rules.values.constants import DAYS_A_YEAR
from rules.values.reason import Reason, reason


@dataclass(frozen=True, slots=True)
class Done:
    """Work recorded as done on something."""

    job: Job
    about: str
    day: date


@dataclass(frozen=True, slots=True)
class WorkDue:
    """One kind of work on one thing: the alarm that asks for it, and why it is due now; None: it is not."""

    alarm: str
    about: str
    why: Reason | None


ALARMS: Final[Mapping[Job, str]] = {
    Job.REPLACE_UNIT: "unit_order_now",
    Job.FANS: "fans_due",
    Job.CAPACITORS: "capacitors_due",
    Job.VISIT: "visit_due",
}
"""The alarm of each job; banks, their tests and generators have their own, from their judgement."""


def _intervals(fitted: FittedUnit) -> dict[Job, float | None]:
    return {
        Job.FANS: fitted.fans_every_years,
        Job.CAPACITORS: fitted.capacitors_every_years,
        Job.VISIT: fitted.visit_every_years,
    }


def service_items(estate: Estate, done: Iterable[Done], today: date) -> tuple[ServiceItem, ...]:
    """Return the work that comes round: by declared intervals, and visits to wherever one was recorded."""
    last: dict[tuple[Job, str], date] = {}
    for item in done:
        key = item.job, item.about
        last[key] = max(item.day, last.get(key, item.day))
    sites = sites_of(estate)
    found: list[ServiceItem] = []
    for unit in estate.units.values():
        fitted = in_place(unit.fitted, today)
        if fitted is None:
            continue
        for job, years in _intervals(fitted).items():
            if years is None:
                continue
            day = last.pop((job, unit.id), None)
            if day is not None and day < fitted.from_day:
                day = None  # that was the cabinet before
            first = after(fitted.from_day, years)
            found.append(ServiceItem(job, unit.id, sites[unit.id], day, every_years=years, first_due=first))
    for name, generator in estate.generators.items():
        if name in sites:
            years = generator.test_every_days / DAYS_A_YEAR
            found.append(
                ServiceItem(
                    Job.GENERATOR_TEST, name, sites[name], last.get((Job.GENERATOR_TEST, name)), years
                )
            )
    found += [
        ServiceItem(job, about, sites[about], day)
        for (job, about), day in last.items()
        if job is Job.VISIT and about in sites
    ]
    return tuple(found)


def sites_of(estate: Estate) -> dict[str, str]:
    """Return the site of every unit, bank and generator, by its id."""
    sites = {s.generator: s.site for s in estate.supplies.values() if s.generator is not None}
    sites |= {unit: estate.systems[u.system].site for unit, u in estate.units.items()}
    sites |= {bank.id: sites[bank.feeds[0]] for bank in estate.banks.values()}
    return sites


def work_due(found: Programme, estate: Estate) -> tuple[WorkDue, ...]:
    """Return for every job with an alarm of its own whether it is due: a unit by the day to order it.

    A visit to a generator is told of the supply that it stands behind.
    """
    behind = {s.generator: s.id for s in estate.supplies.values() if s.generator is not None}
    return tuple(
        _due(row, found.as_of, behind.get(row.about, row.about)) for row in found.rows if row.job in ALARMS
    )


def _due(row: ProgrammeRow, today: date, about: str) -> WorkDue:
    day = row.order_by or row.due
    if day > today:
        return WorkDue(ALARMS[row.job], about, None)
    to_order = row.order_by is not None
    why = reason(Code.JOB_DUE, row.about, job=row.what, day=day, to_order=to_order, because=row.because)
    return WorkDue(ALARMS[row.job], about, why)
