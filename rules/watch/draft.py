"""The next state in the making: what is remembered so far, what changed, how a condition moves its alarm."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace

from rules.alarms import lifecycle
from rules.alarms.catalogue import SAYS, AlarmKind, Cause, Explanation
from rules.alarms.changes import Change, PowerEvent
from rules.alarms.conditions.found import Found
from rules.alarms.inputs import Window
from rules.alarms.lifecycle import Alarm, Effect, Happened, Observation
from rules.alarms.scene import Scene
from rules.reading import Stamp
from rules.watch.state import Book, WatchState


class Draft:
    """The state that one step is working on, and what it has changed; lives no longer than the step."""

    def __init__(self, state: WatchState, book: Book, stamp: Stamp) -> None:
        self.state = state
        self.book = book
        self.at = stamp.at
        self.now_s = state.now_s
        self.alarms = dict(state.alarms)
        self.units = dict(state.units)
        self.systems = dict(state.systems)
        self.supplies = dict(state.supplies)
        self.windows_open = state.windows_open
        self.windows = state.windows
        self.changes: list[Change] = []
        self.effects: dict[str, frozenset[Effect]] = {}
        self.moves = False
        """Whether this input may move incidents that are quiet: time does, a plain reading does not."""

    @property
    def scene(self) -> Scene:
        """Return the estate as last seen, this input taken in."""
        return Scene(self.book.topology, self.units, self.systems)

    def was_of(self, about: str) -> Callable[[str, str], bool]:
        """Return a look-up of whether a condition of a thing was last known to be present."""

        def was(kind: str, qualifier: str) -> bool:
            alarm = self.alarms.get(lifecycle.alarm_id(kind, about, qualifier))
            return alarm is not None and alarm.known

        return was

    def known(self, kind: str, about: str) -> Alarm | None:
        """Return the alarm of a kind about a thing, if it is remembered."""
        return self.alarms.get(lifecycle.alarm_id(kind, about))

    def event(self, kind: str, about: str, text: str) -> None:
        """Note an event for the journal."""
        self.changes.append(PowerEvent(self.at, kind, about, text))

    def keep(self, result: tuple[Alarm, tuple[Happened, ...]]) -> None:
        """Keep an alarm as a transition left it, and what happened on the way."""
        alarm, happened = result
        before = self.alarms.get(alarm.id)
        self.alarms[alarm.id] = alarm
        for news in happened:
            self.changes.append(news)
            self.effects[alarm.id] = self.effects.get(alarm.id, frozenset()) | set(news.effects)
        if alarm.standing and (before is None or not before.standing):
            self._says_for_card(alarm)

    def _says_for_card(self, alarm: Alarm) -> None:
        """Let an alarm that stands from now on explain what its card says of the same, whatever came first."""
        for name in SAYS.get(alarm.kind, ()):
            card = self.alarms.get(lifecycle.alarm_id("card_alarm", alarm.about, name))
            if card is not None and card.condition is not False and not card.explained:
                card = replace(card, explained=(Explanation.SAID_ALREADY.value,))
                kind = self.kind(card.kind, card.about)
                self.keep(lifecycle.progress(card, kind, now_s=self.now_s, at=self.at))

    def kind(self, kind_id: str, about: str) -> AlarmKind:
        """Return an alarm's entry in the catalogue, as it holds at this moment.

        The on-delay of `on_battery` is there for sags. Once one unit has outlasted it, the supply has no sag,
        and what the other units on it show stands at once: so the first notice has them all.
        """
        kind = self.book.entry(kind_id, about)
        if kind_id != "on_battery" or not kind.on_delay_s:
            return kind
        others = (self.alarms.get(f"on_battery:{unit}") for unit in self.scene.siblings(about))
        outlasted = any(a is not None and a.standing and a.condition is not False for a in others)
        return replace(kind, on_delay_s=0.0) if outlasted else kind

    def found(self, conditions: Iterable[Found]) -> None:
        """Let conditions as just seen move their alarms; one that was never present needs no alarm."""
        for one in conditions:
            alarm = self.alarms.get(lifecycle.alarm_id(one.kind, one.about, one.qualifier))
            if alarm is None and one.seen.present is not True:
                continue
            kind = self.kind(one.kind, one.about)
            alarm = alarm or lifecycle.new_alarm(kind, one.about, one.qualifier, self.now_s)
            planned = self.planned(kind, alarm)
            if planned != alarm.planned:
                alarm = replace(alarm, planned=planned)
            self.keep(lifecycle.observe(alarm, kind, one.seen, now_s=self.now_s, at=self.at))

    def unknown(self, unit: str, *, but: str) -> None:
        """Turn every condition of a unit into "not known", except of one kind."""
        self.found(
            Found(a.kind, a.about, Observation(None, explained=a.explained), a.qualifier)
            for a in sorted(self.alarms.values(), key=lambda a: a.id)
            if a.about == unit and a.kind not in (but, "cannot_judge_unit", "card_silent")
        )

    def planned(self, kind: AlarmKind, alarm: Alarm) -> tuple[str, ...]:
        """Return the windows open now that explain an alarm of this kind about this thing."""
        if not self.windows_open:
            return ()
        return tuple(
            w.id
            for w in self.windows
            if w.id in self.windows_open and w.explains in kind.suppressed_by and self._covers(w, kind, alarm)
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
