"""The state in parts, for whoever keeps it: what has changed so that a restart must know of it.

Most of a state moves with every reading and every second, and is told again by the next: watts, the figures of what
an alarm says. A part counts as changed when anything else in it did. What a delay has counted is not lost by that: it
goes on from where `now_s` stood, and `now_s` is kept each time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from operator import attrgetter
from typing import Any, Final

from rules.alarms.incidents.incident import Incident, IncidentPart
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.plant_memory import UnitMemory
from rules.monitor.state import BY_ID, WHOLE, Touched, WatchState
from rules.system.state import SystemState
from rules.values.serial import from_plain, to_plain

CLOCK: Final = ("now_s", "last")
"""The fields that move with every input: kept each time, and never a reason to."""

_Look = Callable[[Any], object]


def _but(kind: type[Any], *passing: str) -> _Look:
    """Return a look at every field of a kind of value but the passing ones."""
    return attrgetter(*(field.name for field in fields(kind) if field.name not in passing))


_unit: Final = _but(UnitMemory, "seen_s", "at", "power_w", "load_fraction", "uptime_s")
_alarm: Final = _but(Alarm, "what", "facts", "by_when", "by_when_for")
_incident: Final = _but(Incident, "parts")
_part: Final = _but(IncidentPart, "lowest_left_s", "ends_earliest", "ends_latest", "start_set_before")


def _of_alarm(alarm: Alarm) -> object:
    return _alarm(alarm), None if alarm.what is None else alarm.what.kind


def _of_incident(incident: Incident) -> object:
    parts = {name: (_part(part), part.ends_earliest is None) for name, part in incident.parts.items()}
    return _incident(incident), parts


def _of_system(state: SystemState) -> object:
    verdicts = tuple((need.id, need.verdict) for need in state.requirements)
    spare = None if state.redundancy is None else state.redundancy.verdict
    return verdicts, spare, state.on_battery, state.findings


_LOOKS: Final[Mapping[str, _Look]] = {
    "units": _unit,
    "systems": _of_system,
    "alarms": _of_alarm,
    "incidents": _of_incident,
}


@dataclass(frozen=True, slots=True)
class Changed:
    """The parts of a state that changed and those that are gone, by name (`alarms/on_bypass:W1`, `windows`)."""

    parts: Mapping[str, object]
    gone: tuple[str, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.parts or self.gone)

    def __contains__(self, part: tuple[str, str]) -> bool:
        """Return whether a part is among them, by field and key."""
        name = name_of(*part)
        return name in self.parts or name in self.gone


def name_of(field: str, key: str) -> str:
    """Return the name of a part: its field, and its key in a field of many."""
    return f"{field}/{key}" if key else field


def changed(touched: Touched, now: WatchState) -> Changed:
    """Return what changed of the parts that were touched, but for what passes."""
    parts: dict[str, object] = {}
    gone: list[str] = []
    for (field, key), before in touched.items():
        value = part(now, field, key)
        if value is None:
            if before is not None:
                gone.append(name_of(field, key))
        elif before is None or _seen(field, before) != _seen(field, value):
            parts[name_of(field, key)] = value
    return Changed(parts, tuple(sorted(gone)))


def part(state: WatchState, field: str, key: str) -> object:
    """Return one part of a state, None where it is not there."""
    value = getattr(state, field)
    return value.get(key) if field in BY_ID else value


def every(state: WatchState) -> Touched:
    """Return all parts of a state as touched, as if none had been there before."""
    parts: Touched = {(field, key): None for field in BY_ID for key in getattr(state, field)}
    return parts | {(field, ""): None for field in WHOLE}


def _seen(field: str, value: object) -> object:
    look = _LOOKS.get(field)
    return value if look is None else look(value)


def clock(state: WatchState) -> dict[str, Any]:
    """Return what moves with every input, as JSON holds it."""
    return {name: to_plain(getattr(state, name)) for name in CLOCK}


def whole(clock: Mapping[str, Any], parts: Mapping[str, Any]) -> WatchState:
    """Return the state of its parts, each as JSON holds it. Raises TypeError or ValueError for what is none.

    Supplies and numbers may be there as one part too, as the program once kept them.
    """
    plain: dict[str, Any] = dict(clock)
    for name, value in sorted(parts.items()):  # a field comes before its parts, which are newer
        field, by_id, key = name.partition("/")
        if by_id:
            plain.setdefault(field, {})[key] = value
        else:
            plain[field] = dict(value) if field in BY_ID else value
    return from_plain(WatchState, plain)
