"""The whole step: the time moved on, the input taken in, the incidents brought up to date."""

from __future__ import annotations

from dataclasses import replace
from typing import assert_never

from rules.alarms.incidents.context import Moment, Sites
from rules.alarms.incidents.regroup import regroup
from rules.alarms.lifecycle.alarm import Happened
from rules.monitor import judgements, reading_or_silence
from rules.monitor import operator_commands as people
from rules.monitor.inputs import (
    BankJudged,
    EquipmentDeclared,
    Input,
    OperatorAction,
    PlannedWork,
    ReadingsLooked,
    ServiceLooked,
    SetsLooked,
    ShutdownLooked,
    SystemJudged,
    Tick,
    WorkLooked,
)
from rules.monitor.live import Live
from rules.monitor.outputs import Change
from rules.monitor.planned_work import plan, tick
from rules.monitor.state import Book, WatchState
from rules.monitor.store import WatchStore
from rules.monitor.transition import Draft
from rules.plant.reading import Fault, Reading, Silence


def step(state: WatchState, given: Input, book: Book) -> tuple[WatchState, tuple[Change, ...]]:
    """Return the state after one input, and what changed, in order. It costs what the state is large.

    Total: an input about something the estate does not have changes nothing but the time.
    """
    live = Live.of(state, book)
    changes = advance(live, given)
    return live.value(), changes


def advance(live: Live, given: Input) -> tuple[Change, ...]:
    """Move a live state on by one input, and return what changed, in order. It costs what the input touches."""
    live.move_on(given.stamp)
    draft = Draft(live, live.book, given.stamp)
    if live.planned_work_moves(draft.at):
        tick(draft)
    take(draft, given)
    sites: Sites = None
    if not draft.everywhere and (place := where(given, live, live.book)) is not None:
        sites = place | live.sites_touched()
    changes = gathered(draft, sites)
    live.tidy()
    return changes


def take(draft: Draft, given: Input) -> None:
    """Take in what came."""
    match given:
        case Reading():
            reading_or_silence.read(draft, given)
        case Silence():
            reading_or_silence.silent(draft, given)
        case Fault():
            reading_or_silence.fault(draft, given)
        case Tick():
            tick(draft)
        case (
            SystemJudged()
            | BankJudged()
            | ServiceLooked()
            | ShutdownLooked()
            | SetsLooked()
            | ReadingsLooked()
        ):
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


def where(given: Input, store: WatchStore, book: Book) -> frozenset[str | None] | None:
    """Return the site that an input is about; None where it may be about any."""
    match given:
        case Reading() | Silence() | Fault() | EquipmentDeclared():
            about = given.unit
        case SystemJudged() | BankJudged():
            about = given.state.id
        case ShutdownLooked():
            about = given.figures.system
        case OperatorAction():
            known = store.alarms.get(given.alarm) or store.incidents.get(given.alarm)
            if known is None:
                return frozenset()
            about = known.about
        case _:
            return None
    return frozenset({book.topology.site(about)})


def gathered(draft: Draft, sites: Sites) -> tuple[Change, ...]:
    """Bring the incidents of these sites up to date, and return all that changed in the step, in order."""
    store = draft.store
    incidents = regroup(
        store,
        sites,
        draft.effects,
        scene=draft.scene,
        catalogue=draft.book.catalogue,
        moment=Moment(draft.now_s, draft.at),
    )
    changes = [
        replace(c, alarm=replace(c.alarm, incident=store.alarms[c.alarm.id].incident))
        if isinstance(c, Happened)
        else c
        for c in draft.changes
    ]
    return (*changes, *incidents)
