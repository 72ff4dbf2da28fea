"""The whole step by looking at everything: no index, no heap, nothing that is left out because it cannot have changed.

The measure of the live step. What the rules say of one alarm or one incident is the same code; which of them are
looked at is not: here all alarms whenever time passes, and all incidents of a site at whatever happens there.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import replace
from datetime import datetime

from rules.alarms.conditions.supply import SupplyMemory
from rules.alarms.incidents.context import Sites
from rules.alarms.incidents.incident import Incident
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.lifecycle.course import unwatched
from rules.alarms.plant_memory import UnitMemory
from rules.alarms.windows import Window
from rules.monitor.inputs import Input
from rules.monitor.outputs import Change
from rules.monitor.planned_work import open_at, tick
from rules.monitor.state import Book, WatchState
from rules.monitor.step import gathered, take, where
from rules.monitor.transition import Draft
from rules.plant.reading import Stamp
from rules.system.state import SystemState


class Whole:
    """A copy of a state in which everything is found by looking through all of it."""

    def __init__(self, state: WatchState, book: Book) -> None:
        self.book = book
        self.before = state
        self.now_s = state.now_s
        self.alarms = dict(state.alarms)
        self.units = dict(state.units)
        self.systems = dict(state.systems)
        self.supplies = dict(state.supplies)
        self.incidents = dict(state.incidents)
        self.numbers = dict(state.numbers)
        self.windows = state.windows
        self.windows_open = state.windows_open
        self.touched: set[str | None] = set()

    def alarms_in(self, incident: str) -> list[Alarm]:
        return self._ordered(a for a in self.alarms.values() if a.incident == incident)

    def alarms_about(self, about: str) -> list[Alarm]:
        return self._ordered(a for a in self.alarms.values() if a.about == about)

    def homeless(self, sites: Sites) -> list[Alarm]:
        return self._ordered(
            a
            for a in self.alarms.values()
            if a.state.active and a.incident not in self.incidents and self._at(a.about, sites)
        )

    def due(self, at: datetime, sites: Collection[str | None]) -> list[Alarm]:
        return self._ordered(self.alarms.values())

    def incidents_at(self, site: str | None) -> list[Incident]:
        return [self.incidents[i] for i in self.moved((site,))]

    def incidents_of(self, key: str) -> list[Incident]:
        found = [i for i in self.incidents.values() if i.key == key]
        return sorted(found, key=lambda i: (len(i.id), i.id))

    def unannounced(self, sites: Sites) -> list[Incident]:
        return [i for name in self.moved(sites) if (i := self.incidents[name]).announced_at is None]

    def moved(self, sites: Sites) -> list[str]:
        return sorted(i.id for i in self.incidents.values() if self._at(i.about, sites))

    def incident_before(self, incident: str) -> Incident | None:
        return self.before.incidents.get(incident)

    def put_alarm(self, alarm: Alarm) -> None:
        if self.alarms.get(alarm.id) != alarm:
            self.touched.add(self.book.topology.site(alarm.about))
        self.alarms[alarm.id] = alarm

    def put_incident(self, incident: Incident) -> None:
        self.incidents[incident.id] = incident

    def drop_incident(self, incident: str) -> None:
        del self.incidents[incident]

    def put_number(self, key: str, number: int) -> None:
        self.numbers[key] = number

    def put_unit(self, memory: UnitMemory) -> None:
        self.units[memory.unit] = memory

    def put_system(self, state: SystemState) -> None:
        self.systems[state.id] = state

    def put_supply(self, supply: str, memory: SupplyMemory) -> None:
        self.supplies[supply] = memory

    def put_windows(self, windows: tuple[Window, ...], windows_open: tuple[str, ...]) -> None:
        self.windows, self.windows_open = windows, windows_open

    def _at(self, about: str, sites: Sites) -> bool:
        return sites is None or self.book.topology.site(about) in sites

    @staticmethod
    def _ordered(alarms: Iterable[Alarm]) -> list[Alarm]:
        return sorted(alarms, key=lambda a: a.id)


def full_step(state: WatchState, given: Input, book: Book) -> tuple[WatchState, tuple[Change, ...]]:
    """Return the state after one input, and what changed, in order."""
    state = _moved_on(state, given.stamp)
    whole = Whole(state, book)
    draft = Draft(whole, book, given.stamp)
    if open_at(whole.windows, draft.at) != whole.windows_open:
        tick(draft)
    take(draft, given)
    place = where(given, whole, book)
    sites = None if draft.everywhere or place is None else place | whole.touched
    changes = gathered(draft, sites)
    after = WatchState(
        now_s=state.now_s,
        last=state.last,
        alarms={k: a for k, a in whole.alarms.items() if not a.resting or a.incident in whole.incidents},
        units=whole.units,
        systems=whole.systems,
        supplies=whole.supplies,
        incidents=whole.incidents,
        numbers=whole.numbers,
        windows=whole.windows,
        windows_open=whole.windows_open,
    )
    return after, changes


def _moved_on(state: WatchState, stamp: Stamp) -> WatchState:
    """Return the state with its seconds moved on to `stamp`."""
    last = state.last
    if last is None:
        return replace(state, last=stamp)
    if last.start_id == stamp.start_id:
        passed_s = stamp.monotonic_s - last.monotonic_s
        return replace(state, now_s=state.now_s + passed_s, last=stamp) if passed_s > 0 else state
    now_s = state.now_s + max((stamp.at - last.at).total_seconds(), 0.0)
    alarms = {key: unwatched(alarm, state.now_s, now_s) for key, alarm in state.alarms.items()}
    return replace(state, now_s=now_s, last=stamp, alarms=alarms)
