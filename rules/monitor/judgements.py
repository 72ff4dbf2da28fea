"""What a judgement does: of a system, of its planned shutdown, of a bank, of the sets, of the service itself."""

from __future__ import annotations

from dataclasses import replace
from typing import assert_never

from rules.alarms.conditions.bank import bank_conditions
from rules.alarms.conditions.condition import Condition
from rules.alarms.conditions.deadline import deadline
from rules.alarms.conditions.generators import SetFigures, set_conditions
from rules.alarms.conditions.old_reading import OLD, SAYS_IT, WAITING, old_reading
from rules.alarms.conditions.outage import TAKING, on_battery_do, on_battery_reason, taking_words, time_left_s
from rules.alarms.conditions.service import SERVICE, ServiceFigures, service_conditions
from rules.alarms.conditions.service_due import work_conditions
from rules.alarms.conditions.shutdown import BREAK_OFF, ShutdownFigures, shutdown_conditions
from rules.alarms.conditions.system import system_conditions
from rules.alarms.lifecycle.alarm import reworded
from rules.alarms.lifecycle.course import Observation
from rules.battery.state import BankState
from rules.monitor.inputs import (
    BankJudged,
    Judged,
    ReadingsLooked,
    ServiceLooked,
    SetsLooked,
    ShutdownLooked,
    SystemJudged,
    WorkLooked,
)
from rules.monitor.transition import Draft
from rules.system.state import SystemState


def take(draft: Draft, given: Judged) -> None:
    """Take in a judgement of any kind."""
    match given:
        case SystemJudged():
            system(draft, given.state)
        case BankJudged():
            bank(draft, given.state)
        case ServiceLooked():
            service(draft, given.figures)
        case ShutdownLooked():
            shutdown(draft, given.figures)
        case SetsLooked():
            sets(draft, given.figures)
        case ReadingsLooked():
            readings(draft, given)
        case _:
            assert_never(given)


def system(draft: Draft, state: SystemState) -> None:
    """Take in a judgement of a system."""
    if state.id not in draft.book.estate.systems:
        return
    draft.store.put_system(state)
    book = draft.book
    was = draft.was_of(state.id)
    draft.found(
        system_conditions(state, book.estate, book.catalogue, was=was, known=draft.alarm, at=draft.at)
    )
    if state.on_battery is None:
        return
    facts = {"left_s": time_left_s(state.on_battery, draft.at)}
    by = deadline(state.on_battery, draft.at)
    moment, why = by or (None, None)
    words = taking_words(state, draft.at)
    for kind in TAKING if words is not None else ():
        standing = draft.alarm(kind, state.id)
        if words is not None and standing is not None:
            draft.store.put_alarm(reworded(standing, words[0], facts, by, words[1]))
    for unit in book.estate.units_of(state.id):
        alarm = draft.alarm("on_battery", unit.id)
        if alarm is None or alarm.over:
            continue
        what = on_battery_reason(
            f"unit {unit.id} ({state.name})", state.on_battery, draft.at, silent=alarm.condition is None
        )
        if alarm.condition is None:
            draft.store.put_alarm(reworded(alarm, what, facts, by))
        else:
            do = on_battery_do(state.id, state.on_battery, draft.at)
            seen = Observation(True, what, do, facts, moment, why, alarm.explained)
            draft.found((Condition("on_battery", unit.id, seen),))


def shutdown(draft: Draft, figures: ShutdownFigures) -> None:
    """Take in how the planned shutdown of a system stands."""
    if figures.system not in draft.book.estate.systems:
        return
    about = draft.store.alarms_about(figures.system)
    standing = sorted(a.qualifier for a in about if a.kind == BREAK_OFF)
    draft.found(shutdown_conditions(figures, draft.book.topology.name(figures.system), standing))


def bank(draft: Draft, state: BankState) -> None:
    """Take in a judgement of a bank."""
    bank = draft.book.estate.banks.get(state.id)
    if bank is not None:
        kind = draft.book.catalogue["bank_past_age"]
        draft.found(bank_conditions(state, bank, draft.at.date(), kind, draft.was_of(bank.id)))


def work(draft: Draft, given: WorkLooked) -> None:
    """Take in what work is due; what the estate does not have is passed over."""
    known = [item for item in given.work if draft.book.topology.kind(item.about) is not None]
    draft.found(work_conditions(known))


def sets(draft: Draft, figures: SetFigures) -> None:
    """Take in how the standby sets do; one that the estate does not have is passed over."""
    known = {name: test for name, test in figures.tests.items() if name in draft.book.estate.generators}
    draft.found(set_conditions(replace(figures, tests=known)))


def service(draft: Draft, figures: ServiceFigures) -> None:
    """Take in how ridethrough itself does."""
    book = draft.book
    alarms = {channel: draft.alarm("channel_failing", channel) for channel in figures.channels}
    failing = [channel for channel, alarm in alarms.items() if alarm is not None and alarm.standing]
    was = draft.was_of(SERVICE)
    draft.found(service_conditions(figures, book.estate, book.catalogue, was=was, failing=failing))


def readings(draft: Draft, given: ReadingsLooked) -> None:
    """Take in whose last readings are too old; what the estate does not have is passed over."""

    def says(kind: str, about: str) -> bool:
        """Return whether an alarm tells of it, or will once its delay is over: one matter is not told twice."""
        known = draft.alarm(kind, about)
        return known is not None and known.condition is True

    behind = any(says(kind, SERVICE) for kind in WAITING)
    units = draft.book.estate.units
    for one in given.old:
        if one.unit in units:
            memory = draft.store.units.get(one.unit)
            on_bank = memory is not None and bool(memory.on_battery)
            said = any(says(kind, one.unit) for kind in SAYS_IT) or (one.why.ours and behind)
            draft.found((old_reading(one, draft.book.topology.name(one.unit), said=said, on_bank=on_bank),))
    draft.found(Condition(OLD, unit, Observation(False)) for unit in given.fresh if unit in units)
