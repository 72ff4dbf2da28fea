"""A step under way: what it is about to say, and how a condition moves its alarm in the state it works on."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Final

from rules.alarms.catalogue import SAYS, AlarmKind, Cause, Explanation
from rules.alarms.conditions.condition import Condition
from rules.alarms.events import PowerEvent
from rules.alarms.lifecycle import alarm as alarms
from rules.alarms.lifecycle import course
from rules.alarms.lifecycle.alarm import Alarm, Happened
from rules.alarms.lifecycle.course import Observation
from rules.alarms.lifecycle.states import Effect
from rules.alarms.plant_memory import Scene
from rules.alarms.windows import Window
from rules.monitor.outputs import Change
from rules.monitor.state import Book
from rules.monitor.store import WatchStore
from rules.plant.reading import Stamp
from rules.values.reason import Reason

ON_BATTERY: Final = "on_battery"
CARD_SILENT: Final = "card_silent"
SILENT_ON_ITS_BANK_S: Final = 12.0
"""For how long a card may not answer whose unit was last seen on its bank: six polls at that cadence. Nobody waits a minute then."""


class Draft:
    """What one step is about to say, and the state it changes on the way; lives no longer than the step."""

    def __init__(self, store: WatchStore, book: Book, stamp: Stamp) -> None:
        self.store = store
        self.book = book
        self.at = stamp.at
        self.now_s = store.now_s
        self.changes: list[Change] = []
        self.effects: dict[str, frozenset[Effect]] = {}
        self.everywhere = False
        """Whether this input may move incidents at any site: time and planned work do, a reading does not."""

    @property
    def scene(self) -> Scene:
        """Return the estate as last seen, this input taken in."""
        return Scene(self.book.topology, self.store.units, self.store.systems)

    def alarm(self, kind: str, about: str, qualifier: str = "") -> Alarm | None:
        """Return an alarm that is remembered."""
        return self.store.alarms.get(alarms.alarm_id(kind, about, qualifier))

    def was_of(self, about: str) -> Callable[[str, str], bool]:
        """Return a look-up of whether a condition of a thing was last known to be present."""

        def was(kind: str, qualifier: str) -> bool:
            alarm = self.alarm(kind, about, qualifier)
            return alarm is not None and alarm.known

        return was

    def event(self, kind: str, about: str, what: Reason) -> None:
        """Note an event for the journal."""
        self.changes.append(PowerEvent(self.at, kind, about, what))

    def keep(self, result: tuple[Alarm, tuple[Happened, ...]]) -> None:
        """Keep an alarm as a transition left it, and what happened on the way."""
        alarm, happened = result
        before = self.store.alarms.get(alarm.id)
        self.store.put_alarm(alarm)
        for news in happened:
            self.changes.append(news)
            self.effects[alarm.id] = self.effects.get(alarm.id, frozenset()) | set(news.effects)
        if alarm.standing and (before is None or not before.standing):
            self._says_for_card(alarm)

    def _says_for_card(self, alarm: Alarm) -> None:
        """Let an alarm that stands from now on explain what its card says of the same, whatever came first."""
        for name in SAYS.get(alarm.kind, ()):
            card = self.alarm("card_alarm", alarm.about, name)
            if card is not None and card.condition is not False and not card.explained:
                card = replace(card, explained=(Explanation.SAID_ALREADY.value,))
                kind = self.kind(card.kind, card.about)
                self.keep(course.progress(card, kind, now_s=self.now_s, at=self.at))

    def kind(self, kind_id: str, about: str) -> AlarmKind:
        """Return an alarm's entry in the catalogue, as it holds at this moment."""
        return entry_now(self.book, self.store.alarms, kind_id, about)

    def found(self, conditions: Iterable[Condition]) -> None:
        """Let conditions as just seen move their alarms; one that was never present needs no alarm."""
        for one in conditions:
            alarm = self.alarm(one.kind, one.about, one.qualifier)
            if alarm is None and one.seen.present is not True:
                continue
            kind = self.kind(one.kind, one.about)
            alarm = alarm or alarms.new_alarm(kind, one.about, one.qualifier, self.now_s)
            seen = one.seen
            if kind.planning and self._in_outage(one.about):
                seen = replace(seen, present=None)
            planned = self.planned(kind, alarm)
            if planned != alarm.planned:
                alarm = replace(alarm, planned=planned)
            self.keep(course.observe(alarm, kind, seen, now_s=self.now_s, at=self.at))

    def _in_outage(self, about: str) -> bool:
        """Return whether a thing's system gives from its banks or has dropped its load: what is planned waits until it is fed.

        What is judged of banks and lines while they give is of the outage, not of the years to come.
        """
        system = self.book.topology.system(about)
        if system is None:
            return False
        units = [self.store.units.get(unit) for unit in self.book.topology.units(system)]
        lit = any(m is not None and m.on_battery and not m.testing for m in units)
        return lit or self.scene.dropped(system)

    def unknown(self, unit: str, *, but: str) -> None:
        """Turn every condition of a unit into "not known", except of one kind."""
        self.found(
            Condition(a.kind, a.about, Observation(None, explained=a.explained), a.qualifier)
            for a in self.store.alarms_about(unit)
            if a.kind not in (but, "cannot_judge_unit", "card_silent")
        )

    def planned(self, kind: AlarmKind, alarm: Alarm) -> tuple[str, ...]:
        """Return the windows open now that explain an alarm of this kind about this thing."""
        if not self.store.windows_open:
            return ()
        return tuple(
            w.id
            for w in self.store.windows
            if w.id in self.store.windows_open
            and w.explains in kind.suppressed_by
            and self._covers(w, kind, alarm)
        )

    def _covers(self, window: Window, kind: AlarmKind, alarm: Alarm) -> bool:
        topology = self.book.topology
        if topology.covers(window.about, alarm.about):
            return True
        if alarm.about in self.book.estate.banks:
            return any(
                topology.covers(window.about, unit) for unit in self.book.estate.banks[alarm.about].feeds
            )
        # taking one unit out of a system explains what follows for the system and for its other units
        system = topology.system(window.about)
        return (
            kind.cause is Cause.CONSEQUENCE and system is not None and topology.system(alarm.about) == system
        )


def entry_now(book: Book, alarms: Mapping[str, Alarm], kind_id: str, about: str) -> AlarmKind:
    """Return an alarm's entry in the catalogue, as it holds with these alarms. Raises KeyError for an unknown kind.

    The on-delay of `on_battery` is there for sags. Once one unit has outlasted it, the supply has no sag,
    and what the other units on it show stands at once: so the first notice has them all. A card that falls silent
    while its unit gives from its bank is asked every two seconds, and is missed sooner.
    """
    kind = book.entry(kind_id, about)
    if kind_id == CARD_SILENT:
        alarm = alarms.get(f"{CARD_SILENT}:{about}")
        gave = alarm is not None and alarm.condition is True and (alarm.facts or {}).get("was_on_battery")
        return replace(kind, on_delay_s=min(kind.on_delay_s, SILENT_ON_ITS_BANK_S)) if gave else kind
    if kind_id != ON_BATTERY or not kind.on_delay_s:
        return kind
    beside = (alarms.get(f"{ON_BATTERY}:{unit}") for unit in book.topology.siblings(about))
    return replace(kind, on_delay_s=0.0) if any(map(outlasted, beside)) else kind


def outlasted(alarm: Alarm | None) -> bool:
    """Return whether a unit's time on battery is no sag."""
    return alarm is not None and alarm.standing and alarm.condition is not False
