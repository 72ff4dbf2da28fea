"""What a judgement does: of a system, of a bank, of the service itself."""

from __future__ import annotations

from rules.alarms.conditions.bank import bank_conditions
from rules.alarms.conditions.found import Found
from rules.alarms.conditions.outage import time_left_s
from rules.alarms.conditions.service import SERVICE, ServiceFigures, service_conditions
from rules.alarms.conditions.system import system_conditions
from rules.alarms.lifecycle import Observation
from rules.verdicts import BankState, SystemState
from rules.watch.draft import Draft


def system(draft: Draft, state: SystemState) -> None:
    """Take in a judgement of a system."""
    if state.id not in draft.book.estate.systems:
        return
    draft.systems[state.id] = state
    draft.moves = True
    draft.found(system_conditions(state, draft.book.estate, draft.book.catalogue, was=draft.was_of(state.id)))
    left_s = time_left_s(state.on_battery, draft.at)
    if left_s is None:
        return
    for unit in draft.book.estate.units_of(state.id):
        alarm = draft.alarms.get(f"on_battery:{unit.id}")
        if alarm is not None and alarm.condition is True:
            facts = {"left_s": left_s}
            draft.found(
                (Found("on_battery", unit.id, Observation(True, facts=facts, explained=alarm.explained)),)
            )


def bank(draft: Draft, state: BankState) -> None:
    """Take in a judgement of a bank."""
    bank = draft.book.estate.banks.get(state.id)
    if bank is not None:
        kind = draft.book.catalogue["bank_past_age"]
        draft.found(bank_conditions(state, bank, draft.at.date(), kind, draft.was_of(bank.id)))


def service(draft: Draft, figures: ServiceFigures) -> None:
    """Take in how ridethrough itself does."""
    book = draft.book
    draft.found(service_conditions(figures, book.estate, book.catalogue, was=draft.was_of(SERVICE)))
