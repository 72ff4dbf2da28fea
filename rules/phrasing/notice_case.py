"""What a notice is made of: an incident with its alarms, and what is said of any of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from rules.alarms.catalogue import AlarmKind, Cause
from rules.alarms.conditions.shedding import end_overloads, shed_reason
from rules.alarms.incidents.incident import Incident, IncidentPart, NoticeKind, waits_its_turn
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.plant_memory import Scene, UnitMemory
from rules.alarms.take_up import takes_by
from rules.phrasing.reasons import cause, say
from rules.phrasing.text import at_least, at_most, counted, fed_words, lasted, listed
from rules.plant.topology import Topology

_NEVER: Final = datetime.max.replace(tzinfo=UTC)
AS_LAST_TOLD: Final = "As last told, which cannot be told now: "
"""Before the sentence of an alarm of readiness that stands while the verdict beside it says that it cannot be told."""


@dataclass(frozen=True, slots=True)
class NoticeCase:
    """Everything a notice is written from. `now_s`: `at` in the watch's seconds, None where nobody counts them."""

    incident: Incident
    kind: NoticeKind
    alarms: Mapping[str, Alarm]
    scene: Scene
    catalogue: Mapping[str, AlarmKind]
    at: datetime
    number: int
    now_s: float | None = None

    def members(self) -> list[Alarm]:
        """Return the active alarms, worst first."""
        return worst_first(self.alarms[m] for m in self.incident.members)

    def _waits(self, alarm: Alarm) -> bool:
        return waits_its_turn(self.incident, alarm, self.catalogue[alarm.kind])

    def pending(self) -> list[Alarm]:
        """Return the alarms that were not told yet and are not gone again, worst first."""
        pending = [self.alarms[m] for m in self.incident.pending]
        there = worst_first(
            a for a in pending if not (a.over or a.open_now or a.being_taken or self._waits(a))
        )
        if self.incident.cause is not Cause.POWER:
            return there
        return sorted(there, key=lambda a: self.catalogue[a.kind].cause is not Cause.POWER)


@dataclass(frozen=True, slots=True)
class NoticeWords:
    """The words of a notice. `briefly`: what happened, for the short form; `about`: the thing it says that of.

    `about` None: what the incident is about, or a sentence that names its places itself. `left`: whether the short form may
    say the time left, which is another system's where some are named that have none.
    """

    what: str
    do: str
    lines: tuple[str, ...]
    briefly: str
    about: str | None = None
    left: bool = True


def worst_first(alarms: Iterable[Alarm]) -> list[Alarm]:
    """Return alarms by severity, those alike by how soon somebody has to act; by their ids only where that is the same."""
    return sorted(alarms, key=lambda a: (-a.severity.rank, a.by_when is None, a.by_when or _NEVER, a.id))


def words_now(case: NoticeCase, alarm: Alarm) -> str:
    """Return the words of an alarm beside the time left: what is foretold for another outage says so."""
    text = say(alarm.what)
    if text and alarm.open_now:
        return f"{AS_LAST_TOLD}{text}"
    ahead = case.incident.cause is Cause.POWER and alarm.kind == "requirement_not_met"
    return f"For the next outage: {text}" if ahead and text else text


def parts_of(case: NoticeCase, about: str | None) -> tuple[IncidentPart, ...]:
    """Return the part of the system that a thing belongs to; of a thing of several, or of nothing named, all parts."""
    parts = tuple(case.incident.parts[s] for s in sorted(case.incident.parts))
    system = None if about is None else case.scene.topology.system(about)
    return parts if system is None else tuple(p for p in parts if p.system == system)


def left_words(parts: tuple[IncidentPart, ...], at: datetime) -> str | None:
    """Return how long the first of the systems on their banks holds at the least; None where that is not known.

    Where several are on their banks it is said of which: what is told beside it may be about another.
    """
    on = [p for p in parts if p.until is None]
    first = min(
        (p for p in on if p.ends_earliest is not None), key=lambda p: p.ends_earliest or at, default=None
    )
    if first is None or first.ends_earliest is None:
        return None
    where = f" at {first.name or first.system}" if len(on) > 1 else ""
    return f"{at_least(max((first.ends_earliest - at).total_seconds(), 0.0))} left at least{where}"


def part_line(case: NoticeCase, part: IncidentPart) -> str:
    """Return how a system of an outage stands, in a line."""
    name = case.scene.topology.name(part.system)
    if part.dark and part.until is not None:
        return f"{name}: dropped its load, {lasted((part.until - part.since).total_seconds())} after it lost its mains."
    if part.until is not None:
        return f"{name}: back on supply after {lasted(part.on_battery_s(case.at))}{on_times(part)}."
    units = counted(len(part.on), "unit")
    state = case.scene.systems.get(part.system)
    outage = state.on_battery if state is not None else None
    sheds = outage is not None and outage.shed is not None and taken_within_s(case) is None
    fed = fed_words(outage.fed, case.scene.topology.units(part.system)) if outage is not None else ""
    fed = f", {fed}" if fed else ""
    load = state.load.power_w if state is not None else None
    carrying = f", {load / 1000:.1f} kW" if load is not None else ""
    if outage is not None and outage.carried:
        return f"{name}: {units} on battery{fed}; those that are fed can carry the load{carrying}."
    if outage is not None and outage.outlasted is not None:
        shed = f" {say(shed_reason(outage.shed, case.at, None))}" if sheds and outage.shed is not None else ""
        longer = "held longer than was foretold; how long it still holds cannot be told"
        return f"{name}: {units} on battery{carrying}{fed}; {longer}.{shed}"
    if part.ends_earliest is None:
        return f"{name}: {units} on battery{carrying}{fed}; how long it holds cannot be told."
    low = at_least(max((part.ends_earliest - case.at).total_seconds(), 0.0))
    high = (
        f", {at_most(max((part.ends_latest - case.at).total_seconds(), 0.0))} at the most"
        if part.ends_latest
        else ""
    )
    reckoned = ""
    if part.reckoned_since is not None:
        ago = lasted((case.at - part.reckoned_since).total_seconds())
        reckoned = f"; not seen for {ago}, reckoned since"
    shed = (
        f" {say(shed_reason(outage.shed, case.at, outage.ends_earliest))}"
        if outage is not None and outage.shed is not None and sheds
        else ""
    )
    over = None if outage is None else end_overloads(part.system, outage, len(part.on))
    after = f" {say(over)}" if over is not None else ""
    return f"{name}: {units} on battery{carrying}{fed}; {low} left at the least{high}{reckoned}.{after}{shed}"


def on_times(part: IncidentPart) -> str:
    """Return " in 3 times" of a system that went to its banks more than once in an outage, "" of any other."""
    return f" in {part.times} times" if part.times > 1 else ""


def rhythm(case: NoticeCase) -> tuple[tuple[Alarm, ...], bool]:
    """Return the alarms of units on their banks that come and go, the most often first; and whether all that are told of do.

    Only then it is their supply that comes and goes: the least often of them is how often it did at the most.
    """
    own = [a for a in case.members() if a.kind == "on_battery"]
    on = {unit for part in case.incident.parts.values() for unit in part.on}
    named = [a for a in own if a.about in on] or own
    restless = tuple(sorted((a for a in named if a.chattering), key=lambda a: (-a.came, a.id)))
    return restless, len(restless) == len(named)


def cause_of(case: NoticeCase, alarm: Alarm) -> str:
    """Return the alarm's sentence without what the short form says beside it."""
    name = case.scene.topology.name(alarm.about)
    told = cause(alarm.what, name, left_beside=tells_left(case, alarm.about))
    return told or case.catalogue[alarm.kind].meaning


def tells_left(case: NoticeCase, about: str) -> bool:
    """Return whether the short form says the time left beside what it says of a thing."""
    return left_words(parts_of(case, about), case.at) is not None


def place(topology: Topology, about: str) -> str:
    """Return what people call a thing, with its site where there are several and the name does not tell which."""
    site = topology.site(about)
    name = topology.name(about)
    if site is None or len(topology.estate.sites) < 2 or topology.name(site) in name:
        return name
    return f"{topology.name(site)}, {name}"


def of_before(case: NoticeCase, unit: UnitMemory) -> bool:
    """Return whether what was last read of a unit is of before the incident began."""
    return unit.seen_s is None or unit.seen_s < case.incident.opened_s


def not_read_since(case: NoticeCase) -> list[str]:
    """Return the units of the supply that answer and were not read since the incident began."""
    topology, about = case.scene.topology, case.incident.about
    ever = {u for p in case.incident.parts.values() for u in p.units}
    known = case.scene.known(topology.units(topology.supply(about) or about))
    return [m.unit for m in known if m.unit not in ever and of_before(case, m)]


def fed_again(case: NoticeCase) -> list[str]:
    """Return the units that were on battery in this incident and are seen fed; a unit whose bank ended is not."""
    parts = case.incident.parts.values()
    off = sorted(unit for part in parts for unit in set(part.units) - set(part.on))
    return [m.unit for m in case.scene.known(off) if not m.on_battery and m.mains is not False and m.carrying]


def taken_within_s(case: NoticeCase) -> float | None:
    """Return how long the units still on battery may yet take to accept a supply that is at all their inputs.

    None where one has none at its input, or has had it for longer than it takes. One that was not read since the supply
    was first seen is taken to have it.
    """
    units = case.scene.units
    on = [unit for part in case.incident.parts.values() if part.until is None for unit in part.on]
    came = [at for unit in fed_again(case) if (at := units[unit].at) is not None]
    by = takes_by(on, case.scene, came=came) or _as_judged(case)
    left_s = None if by is None else (by - case.at).total_seconds()
    return left_s if left_s is not None and left_s > 0.0 else None


def _as_judged(case: NoticeCase) -> datetime | None:
    """Return the same by the last judgement of every system that is on its banks; None where it is not so of one."""
    systems = [case.scene.systems.get(p.system) for p in case.incident.parts.values() if p.until is None]
    ends = [None if s is None or s.on_battery is None else s.on_battery.takes_by for s in systems]
    known = [end for end in ends if end is not None]
    return max(known, default=None) if len(known) == len(ends) else None


def names_of(case: NoticeCase, parts: Iterable[IncidentPart]) -> str:
    """Return the names of the systems of an outage, as a list in words."""
    return listed([case.scene.topology.name(part.system) for part in parts])
