"""The discharges that pay, put into few visits: never two units of one system, or of partners, on one day.

A visit is a day at a site. Discharges that may be made on the same day are made on the same day, as soon as all of them
may; of those that may not stand beside each other each further one follows a week later, when the bank before is full
again (VRLA banks are back on float within one to three days, IEC 62040-3 declares hours to 90 %), be it discharged by a test or
by an outage. Banks that nothing was seen of go first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final

from rules.battery.state import BankState, DischargeAdvice
from rules.plant.estate import Bank, Estate
from rules.system.state import SystemState
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Verdict

APART: Final = timedelta(days=7)


@dataclass(frozen=True, slots=True)
class VisitDischarge:
    """One discharge of a visit: of which bank, through which units, for how long, and what follows if the bank ends in it."""

    bank: str
    units: tuple[str, ...]
    systems: tuple[str, ...]
    advice: DischargeAdvice
    if_it_ends: Reason


@dataclass(frozen=True, slots=True)
class DischargeVisit:
    """A day at a site on which banks are discharged, one after the other."""

    site: str
    on: date
    discharges: tuple[VisitDischarge, ...]


def discharge_visits(
    estate: Estate, banks: Sequence[BankState], spare: Mapping[str, bool | None] | None = None
) -> tuple[DischargeVisit, ...]:
    """Return the visits in the order of their days.

    `spare`: by system whether the load is carried with any one unit lost, None or missing where that cannot be told.
    """
    wanted: dict[str, list[VisitDischarge]] = {}
    gave = _gave(estate, banks)
    for state in banks:
        bank = estate.banks.get(state.id)
        if bank is None or state.tests is None or state.tests.advice is None:
            continue
        systems = tuple(dict.fromkeys(estate.units[u].system for u in bank.feeds))
        made = VisitDischarge(
            bank.id, bank.feeds, systems, state.tests.advice, _if_it_ends(estate, bank, systems, spare or {})
        )
        full = max((day + APART for s in _kin(estate, systems) for day in gave.get(s, ())), default=None)
        if full is not None and full > made.advice.on:
            made = _moved(made, full)
        wanted.setdefault(estate.site_of(systems[0]).id, []).append(made)
    visits = [
        DischargeVisit(site, on, tuple(sorted(together, key=lambda d: d.bank)))
        for site, some in wanted.items()
        for on, together in _days(estate, some).items()
    ]
    return tuple(sorted(visits, key=lambda v: (v.on, v.site)))


def spare_of(systems: Mapping[str, SystemState]) -> dict[str, bool | None]:
    """Return by system whether the load is carried with any one unit lost, None where that is not told."""
    told = {Verdict.ADEQUATE: True, Verdict.INADEQUATE: False}
    return {
        name: None if (r := one.redundancy) is None else told.get(r.verdict) for name, one in systems.items()
    }


def visit_of(visits: Sequence[DischargeVisit], bank: str) -> tuple[DischargeVisit, VisitDischarge] | None:
    """Return the visit on which a bank is discharged, and its part of it; None where no visit has it."""
    return by_bank(visits).get(bank)


def by_bank(visits: Sequence[DischargeVisit]) -> dict[str, tuple[DischargeVisit, VisitDischarge]]:
    """Return the visit on which each bank is discharged, and its part of it."""
    return {d.bank: (v, d) for v in visits for d in v.discharges}


def apart(estate: Estate, one: VisitDischarge, other: VisitDischarge) -> bool:
    """Return whether two discharges may not be made on one day: a system in common, or one that is the other's partner."""
    return bool(set(other.systems) & _kin(estate, one.systems))


def _kin(estate: Estate, systems: Sequence[str]) -> set[str]:
    """Return systems with their partners."""
    return set(systems).union(*map(estate.partners_of, systems))


def _gave(estate: Estate, banks: Sequence[BankState]) -> dict[str, list[date]]:
    """Return by system the last day on which each of its banks gave."""
    found: dict[str, list[date]] = {}
    for state in banks:
        bank = estate.banks.get(state.id)
        if bank is not None and state.discharges:
            last = max(d.at for d in state.discharges).date()
            for system in dict.fromkeys(estate.units[u].system for u in bank.feeds):
                found.setdefault(system, []).append(last)
    return found


def _days(estate: Estate, wanted: Sequence[VisitDischarge]) -> dict[date, list[VisitDischarge]]:
    """Return the discharges of one site by day: as few days as can be, then each as soon as all of it may be."""
    left = sorted(wanted, key=lambda d: (d.advice.latest, d.advice.order_by is not None, d.advice.on, d.bank))
    days: dict[date, list[VisitDischarge]] = {}
    while left:
        until = left[0].advice.latest
        group = [d for d in left if d.advice.on <= until]
        together: list[VisitDischarge] = []
        for one in group:
            if not any(apart(estate, one, other) for other in together):
                together.append(one)
        day = max(d.advice.on for d in together)
        while any(apart(estate, one, other) for one in together for other in days.get(day, ())):
            day += APART
        days.setdefault(day, []).extend(_moved(one, day) for one in together)
        left = [_behind(estate, d, together, day) for d in left if d not in together]
        left.sort(key=lambda d: (d.advice.latest, d.advice.order_by is not None, d.advice.on, d.bank))
    return days


def _behind(estate: Estate, one: VisitDischarge, made: Sequence[VisitDischarge], day: date) -> VisitDischarge:
    """Return a discharge as it is wanted behind those of a day: a week later, where it may not stand beside them."""
    near = abs(one.advice.on - day) < APART and any(apart(estate, one, other) for other in made)
    return _moved(one, day + APART) if near else one


def _moved(one: VisitDischarge, on: date) -> VisitDischarge:
    return replace(one, advice=replace(one.advice, on=on, latest=max(one.advice.latest, on)))


def _if_it_ends(
    estate: Estate, bank: Bank, systems: Sequence[str], spare: Mapping[str, bool | None]
) -> Reason:
    """Return what follows if the bank ends in its discharge."""
    if len(bank.feeds) > 1:
        return reason(Code.DISCHARGE_OF_COMMON_BANK, units=bank.feeds)
    if len(estate.units_of(systems[0])) == 1:
        return reason(Code.DISCHARGE_OF_ONLY_UNIT)
    carried = spare.get(systems[0])
    if carried is None:
        return reason(Code.DISCHARGE_OTHERS_NOT_KNOWN)
    return reason(Code.DISCHARGE_OTHERS_CARRY) if carried else reason(Code.DISCHARGE_OTHERS_SHORT)
