"""What is true now: the newest readings, verdicts and alarms, and a way to wait for news.

One value per thing, replaced whole, in mappings that are changed in place; everything happens on the event
loop, so nothing changes for a reader between two awaits. It may meet a batch half taken in, and hears of the whole of it as news. `version` grows
with every batch, and is what rendered answers are cached by.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import takewhile

from collector.cards.polling.poller import PollFigures
from rules.alarms.lifecycle.alarm import Alarm
from rules.battery.state import BankState
from rules.monitor.clock_moved import moved
from rules.planning.isolation.check import Isolation
from rules.planning.ridethrough.shutdown import Shutdown
from rules.planning.sizing.replacement import Sizes
from rules.plant.estate import Estate
from rules.plant.reading import Fault, Reading, Silence
from rules.plant.topology import Topology
from rules.system.forecast_score import Score
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.state import ShedFirst, SystemState
from rules.values.severity import Severity


@dataclass(slots=True)
class Present:
    """The newest of everything, by id."""

    estate: Estate
    readings: dict[str, Reading] = field(default_factory=dict)
    silences: dict[str, Silence] = field(default_factory=dict)
    faults: dict[str, Fault] = field(default_factory=dict)
    systems: dict[str, SystemState] = field(default_factory=dict)
    banks: dict[str, BankState] = field(default_factory=dict)
    hold_ups: dict[str, HoldUpJudgement] = field(default_factory=dict)
    alarms: dict[str, Alarm] = field(default_factory=dict)
    isolations: dict[str, Isolation] = field(default_factory=dict)
    """Whether each unit may be taken out, as `collector.planning.isolation_answers` last found."""
    shutdowns: dict[str, Shutdown] = field(default_factory=dict)
    """What switching the mains off would do to each system, as `collector.planning.shutdown_answers` last found."""
    sizes: dict[str, Sizes] = field(default_factory=dict)
    """What size each system's replacement should be, as `collector.planning.size_answers` last found."""
    sheds: dict[str, ShedFirst] = field(default_factory=dict)
    """What to shed first of each system on its banks, as `collector.planning.shed_advice` last found."""
    figures: Mapping[str, PollFigures] = field(default_factory=dict)
    foretold: Score | None = None
    """How well hold-ups were foretold: only a simulated plant can say, elsewhere it stays None."""
    version: int = 0
    lit: set[str] = field(default_factory=set)
    """The systems that are on their banks, of those shown."""
    lit_at: dict[str, datetime] = field(default_factory=dict)
    """When each system was last seen on its banks."""
    _news: asyncio.Event = field(default_factory=asyncio.Event)
    _moved: dict[tuple[str, str], int] = field(default_factory=dict)
    _topology: Topology = field(init=False)

    def __post_init__(self) -> None:
        """Know which system each thing belongs to."""
        self._topology = Topology(self.estate)

    def keep(self, sample: Reading | Silence | Fault) -> None:
        """Take in one sample: a reading ends a silence and a fault, neither of which ends a reading."""
        unit = sample.unit
        if isinstance(sample, Reading):
            self._move("unit", unit)
            self.readings[unit] = sample
            self.silences.pop(unit, None)
            self.faults.pop(unit, None)
        elif isinstance(sample, Silence):
            self.silences.setdefault(unit, sample)
        else:
            self.faults[unit] = sample

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set; what is worked out anew within minutes stays."""
        self.readings, self.silences = moved(self.readings, by), moved(self.silences, by)
        self.faults, self.systems = moved(self.faults, by), moved(self.systems, by)
        self.hold_ups, self.sheds = moved(self.hold_ups, by), moved(self.sheds, by)
        self.lit_at = moved(self.lit_at, by)

    def show_system(self, state: SystemState) -> None:
        """Take in the state of a system."""
        self._move("system", state.id)
        self.systems[state.id] = state
        if state.on_battery is None:
            self.lit.discard(state.id)
        else:
            self.lit.add(state.id)
            if state.as_of is not None:
                self.lit_at[state.id] = state.as_of
            self._unanswer(
                state.id
            )  # what was played at rest says nothing of a system on its banks, nor after it

    def show_alarm(self, name: str, alarm: Alarm | None) -> None:
        """Take in an alarm as it now is, None where it is no longer remembered."""
        self._move("alarm", name)
        if _forbids(self.alarms.get(name)) is not _forbids(alarm):
            about = (alarm or self.alarms[name]).about
            system = self._topology.system(about)
            if system is not None:  # whether a unit may be taken out names the alarms that stand
                self._forget_isolations(system)
        if alarm is None:
            self.alarms.pop(name, None)
        else:
            self.alarms[name] = alarm

    def _unanswer(self, system: str) -> None:
        self._forget_isolations(system)
        played = self.shutdowns.get(system)
        if played is not None and played.plan is None:  # a signed one may be what takes it to its banks
            del self.shutdowns[system]

    def _forget_isolations(self, system: str) -> None:
        for unit in self.estate.units_of(system):
            self.isolations.pop(unit.id, None)

    def on_banks(self, system: str) -> bool:
        """Return whether a system is on its banks, as far as is known."""
        state = self.systems.get(system)
        return state is not None and state.on_battery is not None

    def asked(self, system: str) -> bool:
        """Return whether every unit of a system was asked how it is, whatever came of it."""
        known = (self.readings, self.silences, self.faults)
        return all(any(unit.id in of for of in known) for unit in self.estate.units_of(system))

    def changed(self) -> None:
        """Say that something is new: wakes everyone who waits."""
        self.version += 1
        self._news.set()
        self._news = asyncio.Event()

    def moved_since(self, version: int) -> list[tuple[str, str]]:
        """Return what moved after a version: a unit's reading, a system, an alarm, each once, by kind and id.

        It costs what moved, and not what there is.
        """
        later = takewhile(lambda thing: self._moved[thing] > version, reversed(self._moved))
        return list(later)[::-1]

    def _move(self, kind: str, name: str) -> None:
        """Take note that a thing is new with the next version; the things are in the order they last moved in."""
        self._moved.pop((kind, name), None)
        self._moved[kind, name] = self.version + 1

    async def news_after(self, version: int) -> int:
        """Return the version once it is past `version`."""
        while self.version <= version:
            await self._news.wait()
        return self.version


def _forbids(alarm: Alarm | None) -> bool:
    """Return whether an alarm is one that speaks against work on its system: a warning forbids none."""
    return (
        alarm is not None and alarm.state.active and alarm.severity is not Severity.WARNING and not alarm.over
    )
