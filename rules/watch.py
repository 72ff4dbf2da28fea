"""The quick door: one sample, judgement, tick or action in; changes out. Pure, deterministic, replayable.

    state, changes = step(state, sample, book)

Theory of operation. The watch keeps its own seconds (`WatchState.now_s`). Within one run of the collector
they follow the monotonic clock of the stamps; from one run to the next they follow UTC, and the gap counts
for shelving, escalation and re-alarm but for no delay, since nobody saw the plant meanwhile. So a state
restored from its snapshot goes on exactly where it stood.

Every input first updates what is remembered of a unit or system, then the conditions it decides, then
the supply's odd ones out, then the incidents. Samples may come late or twice: seconds never run backwards.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, assert_never

from rules.alarms import lifecycle
from rules.alarms.catalogue import CATALOGUE, AlarmKind, Cause, Explanation
from rules.alarms.changes import Change, PollNow, PowerEvent, Refused
from rules.alarms.conditions.bank import bank_conditions
from rules.alarms.conditions.card import card_conditions
from rules.alarms.conditions.found import Found
from rules.alarms.conditions.outage import time_left_s
from rules.alarms.conditions.service import SERVICE, service_conditions
from rules.alarms.conditions.supply import SupplyLook, SupplyMemory, odd_ones, supply_events
from rules.alarms.conditions.system import system_conditions
from rules.alarms.conditions.unit import Peers, unit_conditions
from rules.alarms.grouping.ground import Moment
from rules.alarms.grouping.groups import Groups, regroup
from rules.alarms.incidents import Incident, IncidentChange
from rules.alarms.inputs import (
    BankJudged,
    Deed,
    EquipmentDeclared,
    Input,
    OperatorAction,
    PlannedWork,
    ServiceLooked,
    SystemJudged,
    Tick,
    Window,
)
from rules.alarms.lifecycle import Alarm, Effect, Happened, Observation
from rules.alarms.plain import from_plain, to_plain
from rules.alarms.remembering import declared, identified, remembered, unit_events
from rules.alarms.scene import Scene, UnitMemory
from rules.alarms.topology import Topology
from rules.estate import CardReports, Estate, System, Unit
from rules.reading import Fault, Reading, Silence, Stamp
from rules.verdicts import BankState, SystemState

# ---- the state ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WatchState:
    """Everything the watch remembers. A plain value: see `snapshot` and `restore`."""

    now_s: float = 0.0
    last: Stamp | None = None
    alarms: Mapping[str, Alarm] = field(default_factory=dict)
    units: Mapping[str, UnitMemory] = field(default_factory=dict)
    systems: Mapping[str, SystemState] = field(default_factory=dict)
    supplies: Mapping[str, SupplyMemory] = field(default_factory=dict)
    incidents: Mapping[str, Incident] = field(default_factory=dict)
    numbers: Mapping[str, int] = field(default_factory=dict)
    windows: tuple[Window, ...] = ()
    windows_open: tuple[str, ...] = ()


def snapshot(state: WatchState) -> dict[str, Any]:
    """Return the state as JSON holds it."""
    plain: dict[str, Any] = to_plain(state)
    return plain


def isolated_units(state: WatchState) -> frozenset[str]:
    """Return the units that planned work of kind isolation, open now, names itself.

    Work on a whole system or site does not say which unit is out, so it names none.
    """
    return frozenset(
        w.about for w in state.windows if w.id in state.windows_open and w.explains is Explanation.ISOLATION
    )


def restore(plain: Mapping[str, Any]) -> WatchState:
    """Return the state of a snapshot. Raises TypeError or ValueError for what is none."""
    return from_plain(WatchState, plain)


@dataclass(frozen=True)
class Book:
    """What the watch goes by: the estate, and the alarms as the site wants them."""

    estate: Estate
    catalogue: Mapping[str, AlarmKind] = field(default_factory=lambda: CATALOGUE)

    @cached_property
    def topology(self) -> Topology:
        """Return the tree of the estate."""
        return Topology(self.estate)


# ---- the step -------------------------------------------------------------------------------------------


def step(state: WatchState, given: Input, book: Book) -> tuple[WatchState, tuple[Change, ...]]:
    """Return the state after one input, and what changed, in order.

    Total: an input about something the estate does not have changes nothing but the time.
    """
    work = _Work(_advanced(state, given.stamp), book, given.stamp)
    if work.windows_open != work.windows_now():
        work.tick()
    match given:
        case Reading():
            work.read(given)
        case Silence():
            work.silent(given)
        case Fault():
            work.fault(given)
        case Tick():
            work.tick()
        case SystemJudged():
            work.system(given.state)
        case BankJudged():
            work.bank(given.state)
        case ServiceLooked():
            work.found(
                service_conditions(given.figures, book.estate, book.catalogue, was=work.was_of(SERVICE))
            )
        case OperatorAction():
            work.act(given)
        case PlannedWork():
            work.plan(given.windows)
        case EquipmentDeclared():
            work.declared(given.unit)
        case _:
            assert_never(given)
    return work.finished()


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
    # nobody looked meanwhile: no delay may count the gap
    alarms = {key: replace(alarm, mark_s=now_s) for key, alarm in state.alarms.items()}
    return replace(state, now_s=now_s, last=stamp, alarms=alarms)


class _Work:
    """One step's scratch values; lives no longer than `step`."""

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

    # ---- the pieces ------------------------------------------------------------------------------------

    @property
    def scene(self) -> Scene:
        return Scene(self.book.topology, self.units, self.systems)

    def was_of(self, about: str) -> Callable[[str, str], bool]:
        """Return a look-up of whether a condition of a thing was last known to be present."""

        def was(kind: str, qualifier: str) -> bool:
            alarm = self.alarms.get(lifecycle.alarm_id(kind, about, qualifier))
            return alarm is not None and alarm.known

        return was

    def event(self, kind: str, about: str, text: str) -> None:
        self.changes.append(PowerEvent(self.at, kind, about, text))

    def keep(self, result: tuple[Alarm, tuple[Happened, ...]]) -> None:
        alarm, happened = result
        self.alarms[alarm.id] = alarm
        for news in happened:
            self.changes.append(news)
            self.effects[alarm.id] = self.effects.get(alarm.id, frozenset()) | set(news.effects)

    def kind(self, kind_id: str, about: str) -> AlarmKind:
        """Return an alarm's entry in the catalogue, as it holds at this moment.

        The on-delay of `on_battery` is there for sags. Once one unit has outlasted it, the supply has no sag,
        and what the other units on it show stands at once: so the first notice has them all.
        """
        kind = self.book.catalogue[kind_id]
        if kind_id != "on_battery" or not kind.on_delay_s:
            return kind
        others = (self.alarms.get(f"on_battery:{unit}") for unit in self.scene.siblings(about))
        outlasted = any(a is not None and a.standing and a.condition is not False for a in others)
        return replace(kind, on_delay_s=0.0) if outlasted else kind

    def found(self, conditions: Iterable[Found]) -> None:
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

    # ---- samples ---------------------------------------------------------------------------------------

    def read(self, reading: Reading) -> None:
        unit = self.book.estate.units.get(reading.unit)
        if unit is None:
            return
        name = self.book.topology.name(unit.id)
        before = self.units.get(unit.id, UnitMemory(unit.id))
        now, identity = identified(remembered(before, reading, unit, self.now_s), reading.nameplate, name)
        self.units[unit.id] = now
        self.changes += unit_events(before, now, name, self.at)
        answers = Found("card_silent", unit.id, Observation(False))
        judged = Found("cannot_judge_unit", unit.id, Observation(False))
        self.found((answers, judged, identity))
        system = self.book.estate.systems[unit.system]
        self._unit(reading, unit, system)
        self._card(reading, unit, system)
        if now.on_battery and not before.on_battery and not now.testing:
            self.changes.append(PollNow(self.scene.siblings(unit.id)))
        self._supply_of(unit.id)

    def _unit(self, reading: Reading, unit: Unit, system: System) -> None:
        card = self.book.estate.card_of(unit.id)
        shared = card is not None and len(card.covers) > 1 and card.reports is not CardReports.UNIT
        beside = [self.units.get(u.id) for u in self.book.estate.units_of(system.id) if u.id != unit.id]
        carrying = [m for m in beside if m is not None and m.carrying and not m.silent]
        loads = tuple(m.load_fraction for m in carrying if m.load_fraction is not None)
        state = self.systems.get(system.id)
        self.found(
            unit_conditions(
                reading,
                unit,
                system.name,
                self.book.catalogue,
                was=self.was_of(unit.id),
                peers=Peers(loads, len(carrying)),
                left_s=time_left_s(state.on_battery if state else None, self.at),
                shares_known=not shared,
            )
        )

    def _card(self, reading: Reading, unit: Unit, system: System) -> None:
        mine = sorted((a for a in self.alarms.values() if a.about == unit.id), key=lambda a: a.id)
        here = frozenset(a.kind for a in mine if a.condition is True)
        listed = tuple(
            (a.kind, a.qualifier) for a in mine if a.kind in ("card_alarm", "unclassified_card_alarm")
        )
        self.found(card_conditions(reading, unit, system.name, listed, here))

    def silent(self, silence: Silence) -> None:
        if silence.unit not in self.book.estate.units:
            return
        before = self.units.get(silence.unit, UnitMemory(silence.unit))
        name = self.book.topology.name(silence.unit)
        if before.silent_since is None:
            self.event("card_silent", silence.unit, f"The card of {name} does not answer: {silence.why}.")
        self.units[silence.unit] = replace(before, silent_since=before.silent_since or self.at)
        on_bank = bool(before.on_battery)
        what = f"The card of {name} does not answer, so nothing is known of it."
        if on_bank:
            what += " It was last seen on battery."
        self.found(
            (
                Found(
                    "card_silent",
                    silence.unit,
                    Observation(True, what, facts={"was_on_battery": float(on_bank)}),
                ),
                Found("cannot_judge_unit", silence.unit, Observation(None)),
            )
        )
        self.unknown(silence.unit, but="card_silent")
        self._supply_of(silence.unit)

    def fault(self, fault: Fault) -> None:
        if fault.unit not in self.book.estate.units:
            return
        name = self.book.topology.name(fault.unit)
        what = f"Cannot judge {name}: fault in ridethrough ({fault.what})."
        self.found(
            (
                Found("cannot_judge_unit", fault.unit, Observation(True, what)),
                Found("card_silent", fault.unit, Observation(None)),
            )
        )
        self.unknown(fault.unit, but="cannot_judge_unit")

    def _supply_of(self, unit: str) -> None:
        supply = self.book.topology.supply(unit)
        if supply is None:
            return
        scene = self.scene
        look = SupplyLook.at(scene, supply)
        memory = self.supplies.get(supply, SupplyMemory())
        self.supplies[supply], events = supply_events(look, memory, scene, self.at)
        self.changes += events
        odd = ("not_on_battery", "still_on_battery")
        if look.going or any(f"{kind}:{u}" in self.alarms for u in look.members for kind in odd):
            lately = frozenset(u for u in look.members if self._was_on_battery_lately(u))
            self.found(list(odd_ones(look, scene, lately, self.alarms)))

    def _was_on_battery_lately(self, unit: str) -> bool:
        alarm = self.alarms.get(f"on_battery:{unit}")
        return alarm is not None and alarm.incident in self.state.incidents

    # ---- judgements ------------------------------------------------------------------------------------

    def system(self, state: SystemState) -> None:
        if state.id not in self.book.estate.systems:
            return
        self.systems[state.id] = state
        self.moves = True
        self.found(system_conditions(state, self.book.estate, self.book.catalogue, was=self.was_of(state.id)))
        left_s = time_left_s(state.on_battery, self.at)
        if left_s is None:
            return
        for unit in self.book.estate.units_of(state.id):
            alarm = self.alarms.get(f"on_battery:{unit.id}")
            if alarm is not None and alarm.condition is True:
                facts = {"left_s": left_s}
                self.found(
                    (Found("on_battery", unit.id, Observation(True, facts=facts, explained=alarm.explained)),)
                )

    def bank(self, state: BankState) -> None:
        bank = self.book.estate.banks.get(state.id)
        if bank is not None:
            kind = self.book.catalogue["bank_past_age"]
            self.found(bank_conditions(state, bank, self.at.date(), kind, self.was_of(bank.id)))

    # ---- planned work ----------------------------------------------------------------------------------

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

    def plan(self, windows: tuple[Window, ...]) -> None:
        self.windows = tuple(sorted(windows, key=lambda w: (w.start, w.id)))
        self.tick()

    def windows_now(self) -> tuple[str, ...]:
        """Return the windows that are open at this moment."""
        return tuple(w.id for w in self.windows if w.start <= self.at < w.end)

    def _windows_moved(self) -> None:
        now_open = self.windows_now()
        for window in self.windows:
            name = self.book.topology.name(window.about)
            if window.id in now_open and window.id not in self.windows_open:
                self.event(
                    "planned_work_begins",
                    window.about,
                    f"Planned work at {name} begins: {window.what or window.id}.",
                )
        before = self.windows_open
        self.windows_open = now_open
        ended = [w for w in self.windows if w.id in before and w.id not in now_open]
        gone = [w for w in before if w not in now_open and w not in {x.id for x in self.windows}]
        for window in ended:
            name = self.book.topology.name(window.about)
            left = sum(window.id in a.planned and a.standing for a in self.alarms.values())
            still = f"; {left} conditions it explained still stand and are told now" if left else ""
            self.event(
                "planned_work_ends",
                window.about,
                f"Planned work at {name} ends: {window.what or window.id}{still}.",
            )
        for window_id in gone:
            self.event("planned_work_withdrawn", window_id, f"Planned work {window_id} was withdrawn.")
        self.windows = tuple(w for w in self.windows if w.end > self.at)

    def tick(self) -> None:
        self.moves = True
        self._windows_moved()
        for key in sorted(self.alarms):
            alarm = self.alarms[key]
            if alarm.kind not in self.book.catalogue:
                continue
            kind = self.kind(alarm.kind, alarm.about)
            planned = self.planned(kind, alarm)
            if planned != alarm.planned:
                alarm = replace(alarm, planned=planned)
            self.keep(lifecycle.progress(alarm, kind, now_s=self.now_s, at=self.at))

    # ---- people ----------------------------------------------------------------------------------------

    def act(self, action: OperatorAction) -> None:
        if action.deed is Deed.ACKNOWLEDGE and action.alarm in self.state.incidents:
            for member in self.state.incidents[action.alarm].members:
                self._do(replace(action, alarm=member))
            return
        why = self._do(action)
        if why is not None:
            self.changes.append(Refused(action, why))

    def _do(self, action: OperatorAction) -> str | None:
        """Carry out an action; return why it cannot be done, or None."""
        alarm = self.alarms.get(action.alarm)
        if alarm is None:
            return "there is no such alarm standing"
        kind = self.book.catalogue[alarm.kind]
        who: dict[str, Any] = {"by": action.who, "note": action.why, "now_s": self.now_s, "at": self.at}
        now: dict[str, Any] = {"now_s": self.now_s, "at": self.at}
        before = alarm
        match action.deed:
            case Deed.ACKNOWLEDGE:
                result = lifecycle.acknowledge(alarm, **who)
            case Deed.RESET:
                result = lifecycle.reset(alarm, **who)
            case Deed.SHELVE:
                if action.until is None or action.until <= self.at:
                    return "shelving needs an end in the future"
                result = lifecycle.shelve(alarm, kind, until=action.until, **who)
            case Deed.UNSHELVE:
                result = lifecycle.unshelve(alarm, kind, **now)
            case Deed.TAKE_OUT_OF_SERVICE:
                result = lifecycle.take_out_of_service(alarm, kind, **who)
            case Deed.RETURN_TO_SERVICE:
                result = lifecycle.return_to_service(alarm, kind, **now)
            case Deed.NOTE:
                result = lifecycle.add_note(alarm, by=action.who, text=action.why, at=self.at), ()
            case _:
                assert_never(action.deed)
        self.keep(result)
        if result[0] == before:
            return f"an alarm that is {before.state.value.replace('_', ' ')} cannot be changed so"
        return None

    def declared(self, unit: str) -> None:
        memory = self.units.get(unit)
        if memory is None:
            return
        self.units[unit] = declared(memory)
        self.found((Found("different_equipment", unit, Observation(False)),))
        self.event(
            "equipment_declared",
            unit,
            f"A change of equipment of {self.book.topology.name(unit)} was declared.",
        )

    # ---- the end of the step -----------------------------------------------------------------------------

    def finished(self) -> tuple[WatchState, tuple[Change, ...]]:
        groups = Groups(self.state.incidents, self.state.numbers)
        alarms: Mapping[str, Alarm] = self.alarms
        incident_changes: tuple[IncidentChange, ...] = ()
        if self.effects or self.moves or any(_lively(i) for i in groups.open.values()):
            groups, alarms, incident_changes = regroup(
                groups,
                self.alarms,
                self.effects,
                scene=self.scene,
                catalogue=self.book.catalogue,
                moment=Moment(self.now_s, self.at),
            )
        changes = [
            replace(c, alarm=replace(c.alarm, incident=alarms[c.alarm.id].incident))
            if isinstance(c, Happened)
            else c
            for c in self.changes
        ]
        state = replace(
            self.state,
            alarms={k: a for k, a in alarms.items() if not a.resting or a.incident in groups.open},
            units=self.units,
            systems=self.systems,
            supplies=self.supplies,
            incidents=groups.open,
            numbers=groups.numbers,
            windows=self.windows,
            windows_open=self.windows_open,
        )
        return state, (*changes, *incident_changes)


def _lively(incident: Incident) -> bool:
    """Return whether a plain reading may change an incident: its extent, or whether it is due."""
    return incident.cause is Cause.POWER or incident.announced_at is None or bool(incident.pending)
