"""The state of a running watch, changed in place by each step and found by its indexes.

Theory of operation. A step touches what its input is about, and what time has made due; so what a reading costs does
not depend on the estate. No rule of the grouping reaches from one site to another, and an incident that is not
`lively` stays as it is until one of its alarms changes: so a step brings up to date the incidents of the alarms that
it changed, and the lively ones of its site (of all sites when time passes). The indexes hold nothing that the parts of
the state do not say, so a restart makes them anew (`Live.of`). When time passes first after that, everything is looked
at once: the estate, its delays and its planned work may be others than those that the state was left with.

What has changed since somebody took note is kept with its value of then (`take_touched`): whoever keeps or shows the
state looks at that and not at all of it.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import fields, replace
from datetime import datetime, timedelta
from operator import attrgetter
from typing import Final

from rules.alarms.conditions.supply import SupplyMemory
from rules.alarms.incidents.context import Sites
from rules.alarms.incidents.incident import Incident
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.lifecycle.course import next_s, unwatched
from rules.alarms.plant_memory import UnitMemory
from rules.alarms.windows import Window
from rules.monitor.clock_moved import moved
from rules.monitor.index import Index
from rules.monitor.planned_work import NEVER, open_at, until_next
from rules.monitor.state import Book, Touched, WatchState
from rules.monitor.transition import ON_BATTERY, entry_now, outlasted
from rules.plant.reading import Stamp
from rules.system.state import SystemState

_WORDS: Final = frozenset({"what", "do", "facts", "by_when", "by_when_for", "run_s", "mark_s"})
_face: Final = attrgetter(*(field.name for field in fields(Alarm) if field.name not in _WORDS))
"""What of an alarm its incident goes by before it is told of: all but words, numbers and the clock of its delay."""


class Live:
    """A state of the watch that is changed in place; `value` is what it is at a moment."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.now_s = 0.0
        self.last: Stamp | None = None
        self.alarms: dict[str, Alarm] = {}
        self.units: dict[str, UnitMemory] = {}
        self.systems: dict[str, SystemState] = {}
        self.supplies: dict[str, SupplyMemory] = {}
        self.incidents: dict[str, Incident] = {}
        self.numbers: dict[str, int] = {}
        self.windows: tuple[Window, ...] = ()
        self.windows_open: tuple[str, ...] = ()
        self.index = Index()
        self._touched: Touched = {}
        self._same = NEVER
        self._strange = False
        self._begin()

    @classmethod
    def of(cls, state: WatchState, book: Book) -> Live:
        """Return a live state that is as `state`, its indexes made anew; nothing of it counts as touched."""
        live = cls(book)
        live.now_s, live.last = state.now_s, state.last
        live.units |= state.units
        live.systems |= state.systems
        live.supplies |= state.supplies
        live.numbers |= state.numbers
        live.windows, live.windows_open = state.windows, state.windows_open
        for incident in state.incidents.values():
            live.put_incident(incident)
        for alarm in state.alarms.values():
            live.put_alarm(alarm)
        live._touched.clear()
        live._strange = True
        live._begin()
        return live

    @property
    def now(self) -> WatchState:
        """Return the state as it is until the next step, which changes what is looked at. It costs nothing."""
        return WatchState(
            self.now_s,
            self.last,
            self.alarms,
            self.units,
            self.systems,
            self.supplies,
            self.incidents,
            self.numbers,
            self.windows,
            self.windows_open,
        )

    def value(self) -> WatchState:
        """Return the state as it is now, as a value that later steps do not change."""
        return replace(
            self.now,
            alarms=dict(self.alarms),
            units=dict(self.units),
            systems=dict(self.systems),
            supplies=dict(self.supplies),
            incidents=dict(self.incidents),
            numbers=dict(self.numbers),
        )

    def take_touched(self) -> Touched:
        """Return the parts that were changed since this was asked last, each with its value of then."""
        touched, self._touched = self._touched, {}
        return touched

    def move_clock(self, by: timedelta) -> None:
        """Move along every moment noted before the clock was set; planned work was planned by the clock on the wall."""
        before = self.value()
        after = Live.of(moved(before, by, but=(Window,)), self.book)
        for name in ("alarms", "units", "systems", "supplies", "incidents"):
            new = getattr(after, name)
            for key, old in getattr(before, name).items():
                if new[key] is not old:
                    self._note(name, key, old)
            setattr(self, name, new)
        self.last, self.index, self._same = after.last, after.index, NEVER
        self._begin()

    # --- one step ------------------------------------------------------------------------------------------

    def move_on(self, stamp: Stamp) -> None:
        """Begin a step: move the seconds on to its moment. They never run backwards."""
        self._begin()
        last = self.last
        if last is None:
            self.last = stamp
        elif last.start_id == stamp.start_id:
            passed_s = stamp.monotonic_s - last.monotonic_s
            if passed_s > 0:
                self.now_s, self.last = self.now_s + passed_s, stamp
        else:
            before_s = self.now_s
            self.now_s += max((stamp.at - last.at).total_seconds(), 0.0)
            self.last = stamp
            for alarm in list(self.alarms.values()):
                # nobody looked meanwhile: no delay may count the gap, nor lose what came before it
                self.put_alarm(unwatched(alarm, before_s, self.now_s))
            self._begin()  # that is nothing that happened to them

    def planned_work_moves(self, at: datetime) -> bool:
        """Return whether other planned work is open at a moment than was so far."""
        since, until = self._same
        if since <= at < until:
            return False
        moves = open_at(self.windows, at) != self.windows_open
        if not moves:
            self._same = until_next(self.windows, at)
        return moves

    def sites_touched(self) -> frozenset[str | None]:
        """Return the sites of the alarms that this step has changed so far."""
        return frozenset(self._site(about) for about in self._about)

    def tidy(self) -> None:
        """End a step: forget the alarms that are of no more use."""
        for name in self._changed:
            alarm = self.alarms.get(name)
            if alarm is not None and alarm.resting and alarm.incident not in self.incidents:
                self._place(alarm, alarm, None)

    def _begin(self) -> None:
        self._passing = False
        self._moved: set[str] = set()
        self._changed: dict[str, None] = {}
        self._about: set[str] = set()
        self._before: dict[str, Incident | None] = {}

    # --- what is found -------------------------------------------------------------------------------------

    def alarms_in(self, incident: str) -> list[Alarm]:
        """Return the alarms of an incident, active or not, in the order of their ids."""
        return self._alarms(self.index.within.get(incident, ()))

    def alarms_about(self, about: str) -> list[Alarm]:
        """Return the alarms of one thing, in the order of their ids."""
        return self._alarms(self.index.about.get(about, ()))

    def homeless(self, sites: Sites) -> list[Alarm]:
        """Return the active alarms of these sites that are in no open incident, in the order of their ids."""
        return self._alarms(self.index.homeless.under(sites))

    def due(self, at: datetime, sites: Collection[str | None]) -> list[Alarm]:
        """Return, in the order of their ids, the alarms that are due now, and all at these sites."""
        self._passing = True
        if self._strange:
            return self._alarms(self.alarms)
        index = self.index
        return self._alarms(index.due.by(self.now_s) | index.shelved.by(at) | index.at_site.under(sites))

    def incidents_at(self, site: str | None) -> list[Incident]:
        """Return the open incidents at a site, in the order of their ids."""
        return [self.incidents[i] for i in sorted(self.index.incidents.get(site, ()))]

    def incidents_of(self, key: str) -> list[Incident]:
        """Return the open incidents of a key, the oldest first."""
        found = self.index.keys.get(key, ())
        return [self.incidents[i] for i in sorted(found, key=lambda i: (len(i), i))]

    def unannounced(self, sites: Sites) -> list[Incident]:
        """Return the incidents of these sites that nobody was told of yet, in the order of their ids."""
        found = (self.incidents[i] for i in sorted(self.index.lively.under(sites)))
        return [i for i in found if i.announced_at is None]

    def moved(self, sites: Sites) -> list[str]:
        """Return the ids of the incidents whose alarms this step changed, and of the lively ones of these sites."""
        if sites is None and self._strange:
            self._strange = not self._passing
            return sorted(self.incidents)
        return sorted(self._moved.intersection(self.incidents) | self.index.lively.under(sites))

    def incident_before(self, incident: str) -> Incident | None:
        """Return an incident as it was before this step; None for one that was not open."""
        return self._before[incident] if incident in self._before else self.incidents.get(incident)

    def _alarms(self, ids: Collection[str]) -> list[Alarm]:
        return [self.alarms[i] for i in sorted(ids)]

    def _site(self, about: str) -> str | None:
        return self.book.topology.site(about)

    # --- what is kept --------------------------------------------------------------------------------------

    def put_alarm(self, alarm: Alarm) -> None:
        """Keep an alarm in the place of the one with its id."""
        old = self.alarms.get(alarm.id)
        if old is not alarm and old != alarm:
            self._place(alarm, old, alarm)

    def put_incident(self, incident: Incident) -> None:
        """Keep an open incident in the place of the one with its id."""
        old = self.incidents.get(incident.id)
        if old is incident or old == incident:
            return
        self._note("incidents", incident.id, old)
        self._before.setdefault(incident.id, old)
        if old is not None:
            self.index.close_incident(self._site(old.about), old)
        self.incidents[incident.id] = incident
        self._moved.add(incident.id)
        site = self._site(incident.about)
        self.index.open_incident(site, incident)
        if old is None:
            for alarm in self.index.within.get(incident.id, ()):
                self.index.house(site, alarm, homeless=False)

    def drop_incident(self, incident: str) -> None:
        """Forget an incident that is no longer open."""
        old = self.incidents.pop(incident)
        self._note("incidents", incident, old)
        self._before.setdefault(incident, old)
        self.index.close_incident(self._site(old.about), old)
        for alarm in self.alarms_in(incident):
            self._changed[alarm.id] = None
            self.index.house(self._site(alarm.about), alarm.id, homeless=alarm.state.active)

    def put_number(self, key: str, number: int) -> None:
        """Keep how many incidents there have been for a key."""
        self._note("numbers", key, self.numbers.get(key))
        self.numbers[key] = number

    def put_unit(self, memory: UnitMemory) -> None:
        """Keep what is remembered of a unit."""
        self._note("units", memory.unit, self.units.get(memory.unit))
        self.units[memory.unit] = memory

    def put_system(self, state: SystemState) -> None:
        """Keep the judgement of a system."""
        self._note("systems", state.id, self.systems.get(state.id))
        self.systems[state.id] = state

    def put_supply(self, supply: str, memory: SupplyMemory) -> None:
        """Keep what is remembered of a supply."""
        old = self.supplies.get(supply)
        if old != memory:
            self._note("supplies", supply, old)
            self.supplies[supply] = memory

    def put_windows(self, windows: tuple[Window, ...], windows_open: tuple[str, ...]) -> None:
        """Keep planned work as it now stands."""
        if windows != self.windows:
            self._note("windows", "", self.windows)
            self.windows = windows
        if windows_open != self.windows_open:
            self._note("windows_open", "", self.windows_open)
            self.windows_open = windows_open
        self._same = NEVER

    def _note(self, field: str, key: str, old: object) -> None:
        self._touched.setdefault((field, key), old)

    def _place(self, one: Alarm, old: Alarm | None, new: Alarm | None) -> None:
        """Put an alarm in the place of an old one, or of none; or none in its place. `one` is either of them."""
        self._note("alarms", one.id, old)
        if new is None:
            del self.alarms[one.id]
        else:
            self.alarms[one.id] = new
        housed = new is not None and new.incident in self.incidents
        self.index.place_alarm(one, self._site(one.about), old, new, housed=housed)
        self._schedule(one.id)
        if one.kind == ON_BATTERY and outlasted(old) != outlasted(new):
            for unit in self.book.topology.siblings(one.about):  # their on-delay goes by it
                self._schedule(f"{ON_BATTERY}:{unit}")
        self._changed[one.id] = None
        self._about.add(one.about)
        if old is None or new is None or _face(old) != _face(new):
            self._moved.update(a.incident for a in (old, new) if a is not None and a.incident is not None)
            if one.kind == "card_alarm":
                self._moved |= self.index.concerning.get(one.about, set())

    def _schedule(self, name: str) -> None:
        alarm = self.alarms.get(name)
        if alarm is None or alarm.kind not in self.book.catalogue:
            self.index.due.put(name, None)
        else:
            kind = entry_now(self.book, self.alarms, alarm.kind, alarm.about)
            self.index.due.put(name, next_s(alarm, kind))
