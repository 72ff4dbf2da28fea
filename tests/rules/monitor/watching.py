"""A watch under test, and what tests give it."""

from __future__ import annotations

from datetime import timedelta
from typing import TypeVar

from rules.alarms.catalogue import Explanation
from rules.alarms.events import PowerEvent
from rules.alarms.incidents.incident import IncidentChange, Notice
from rules.alarms.lifecycle.states import State
from rules.alarms.windows import Window
from rules.monitor.inputs import Input, OperatorAction, OperatorCommand, Tick
from rules.monitor.live import Live
from rules.monitor.outputs import Change
from rules.monitor.state import Book, Touched, WatchState
from rules.monitor.state_diff import Changed, changed, every, part
from rules.monitor.step import advance
from rules.values.reason import told
from tests.rules.sample_plant import (
    START,
    UNITS,
    estate,
    on_bank,
    reading,
    stamp,
)

NORTH = UNITS["works"] + UNITS["control"]
EVERY = NORTH + UNITS["depot"]
C = TypeVar("C")


class Watch:
    """A watch under test, and all it said."""

    def __init__(self, book: Book | None = None) -> None:
        self.book = book or Book(estate())
        self.live = Live(self.book)
        self.changes: list[Change] = []
        self.run = "run-1"

    @property
    def state(self) -> WatchState:
        return self.live.value()

    @state.setter
    def state(self, state: WatchState) -> None:
        self.live = Live.of(state, self.book)

    def give(self, *inputs: Input) -> None:
        for one in inputs:
            self.changes += advance(self.live, one)

    def calm(self, seconds: float = 0.0, units: tuple[str, ...] = EVERY) -> None:
        self.give(*(reading(u, seconds, start=self.run) for u in units))

    def pass_time(self, start: float, end: float, every: float = 1.0) -> None:
        seconds = start
        while seconds <= end:
            self.give(Tick(stamp(seconds, self.run)))
            seconds += every

    def notices(self, incident: str = "") -> list[Notice]:
        found = [c.notice for c in self.changes if isinstance(c, IncidentChange) and c.notice is not None]
        return [n for n in found if n.incident.startswith(incident)]

    def kinds(self) -> list[str]:
        return [c.kind for c in self.changes if isinstance(c, PowerEvent)]

    def of(self, kind: type[C]) -> list[C]:
        return [c for c in self.changes if isinstance(c, kind)]

    def alarm_state(self, alarm: str) -> State:
        found = self.state.alarms.get(alarm)
        return State.NORMAL if found is None else found.state


def difference(before: WatchState, now: WatchState) -> Changed:
    """Return what of a state has changed from one moment to a later one, were all of it touched."""
    touched: Touched = dict(every(now))
    for field, key in {**every(before), **touched}:
        touched[field, key] = part(before, field, key)
    return changed(touched, now)


def outage(watch: Watch, at: float = 10.0, units: tuple[str, ...] = NORTH) -> None:
    watch.calm(at - 5)
    watch.give(*(on_bank(u, at + 0.1 * n, start=watch.run) for n, u in enumerate(units)))
    watch.pass_time(at + 1, at + 6)


def act(watch: Watch, deed: OperatorCommand, alarm: str, seconds: float, hours: float | None = None) -> None:
    until = None if hours is None else START + timedelta(seconds=seconds, hours=hours)
    watch.give(OperatorAction(stamp(seconds), deed, alarm, "R. Haugen", "on the way", until))


def window(explains: Explanation, about: str, start: float, end: float) -> Window:
    return Window(
        "w1",
        explains,
        about,
        START + timedelta(seconds=start),
        START + timedelta(seconds=end),
        told("annual test"),
    )
