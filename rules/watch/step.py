"""The whole step: the time moved on, the input taken in, the incidents brought up to date."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import assert_never

from rules.alarms.catalogue import Cause
from rules.alarms.changes import Change
from rules.alarms.grouping.ground import Moment
from rules.alarms.grouping.groups import Groups, regroup
from rules.alarms.incidents import Incident, IncidentChange
from rules.alarms.inputs import (
    BankJudged,
    EquipmentDeclared,
    Input,
    OperatorAction,
    PlannedWork,
    ServiceLooked,
    SetsLooked,
    ShutdownLooked,
    SystemJudged,
    Tick,
    WorkLooked,
)
from rules.alarms.lifecycle import Alarm, Happened, counted
from rules.reading import Fault, Reading, Silence, Stamp
from rules.watch import judgements, people, samples
from rules.watch.draft import Draft
from rules.watch.state import Book, WatchState
from rules.watch.windows import open_now, plan, tick


def step(state: WatchState, given: Input, book: Book) -> tuple[WatchState, tuple[Change, ...]]:
    """Return the state after one input, and what changed, in order.

    Total: an input about something the estate does not have changes nothing but the time.
    """
    draft = Draft(_advanced(state, given.stamp), book, given.stamp)
    if draft.windows_open != open_now(draft):
        tick(draft)
    match given:
        case Reading():
            samples.read(draft, given)
        case Silence():
            samples.silent(draft, given)
        case Fault():
            samples.fault(draft, given)
        case Tick():
            tick(draft)
        case SystemJudged() | BankJudged() | ServiceLooked() | ShutdownLooked() | SetsLooked():
            judgements.take(draft, given)
        case OperatorAction():
            people.act(draft, given)
        case PlannedWork():
            plan(draft, given.windows)
        case WorkLooked():
            judgements.work(draft, given)
        case EquipmentDeclared():
            people.declare(draft, given.unit)
        case _:
            assert_never(given)
    return _finished(draft)


def _advanced(state: WatchState, stamp: Stamp) -> WatchState:
    """Return the state with its seconds moved on to `stamp`."""
    last = state.last
    if last is None:
        return replace(state, last=stamp)
    if last.start_id == stamp.start_id:
        passed_s = stamp.monotonic_s - last.monotonic_s
        if passed_s <= 0:
            return state
        return replace(state, now_s=state.now_s + passed_s, last=stamp)
    now_s = state.now_s + max((stamp.at - last.at).total_seconds(), 0.0)
    # nobody looked meanwhile: no delay may count the gap, nor lose what came before it
    alarms = {key: replace(counted(alarm, state.now_s), mark_s=now_s) for key, alarm in state.alarms.items()}
    return replace(state, now_s=now_s, last=stamp, alarms=alarms)


def _finished(draft: Draft) -> tuple[WatchState, tuple[Change, ...]]:
    groups = Groups(draft.state.incidents, draft.state.numbers)
    alarms: Mapping[str, Alarm] = draft.alarms
    incident_changes: tuple[IncidentChange, ...] = ()
    if draft.effects or draft.moves or any(_lively(i) for i in groups.open.values()):
        groups, alarms, incident_changes = regroup(
            groups,
            draft.alarms,
            draft.effects,
            scene=draft.scene,
            catalogue=draft.book.catalogue,
            moment=Moment(draft.now_s, draft.at),
        )
    changes = [
        replace(c, alarm=replace(c.alarm, incident=alarms[c.alarm.id].incident))
        if isinstance(c, Happened)
        else c
        for c in draft.changes
    ]
    state = replace(
        draft.state,
        alarms={k: a for k, a in alarms.items() if not a.resting or a.incident in groups.open},
        units=draft.units,
        systems=draft.systems,
        supplies=draft.supplies,
        incidents=groups.open,
        numbers=groups.numbers,
        windows=draft.windows,
        windows_open=draft.windows_open,
    )
    return state, (*changes, *incident_changes)


def _lively(incident: Incident) -> bool:
    """Return whether a plain reading may change an incident: its extent, or whether it is due."""
    return incident.cause is Cause.POWER or incident.announced_at is None or bool(incident.pending)
