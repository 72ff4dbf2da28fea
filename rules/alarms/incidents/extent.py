"""What an incident is now: its members, the systems it reaches, how grave it is, what is to be told."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Final

from rules.alarms.catalogue import Cause
from rules.alarms.conditions.outage import time_left_s
from rules.alarms.incidents.context import StepContext
from rules.alarms.incidents.incident import Incident, IncidentPart
from rules.alarms.lifecycle.states import Effect
from rules.values.altered import altered

UNHEARD_AFTER: Final = timedelta(seconds=10)
"""A card on battery is read every 2 s; from so long a silence on nothing says that what it feeds was carried through it."""


def refreshed(incident: Incident, effects: Mapping[str, frozenset[Effect]], ground: StepContext) -> Incident:
    """Return the incident with its members, extent, severity and what is to be told brought up to date."""
    here = ground.active_in(incident.id)
    members = tuple(a.id for a in here)
    ever = tuple(sorted({*incident.ever, *members}))
    news = {m for m in members if Effect.TELL in effects.get(m, frozenset()) or m not in incident.ever}
    pending = tuple(sorted({m for m in incident.pending if m in members} | news))
    causes = [a for a in here if incident.cause is not Cause.OWN or ground.cause(a) is not Cause.CONSEQUENCE]
    worst = max((a.severity for a in here), key=lambda s: s.rank, default=incident.severity)
    incident = altered(
        incident,
        members=members,
        ever=ever,
        pending=pending,
        pending_s=None
        if not pending
        else incident.pending_s
        if incident.pending_s is not None
        else ground.moment.now_s,
        level=max([incident.level, *(a.escalations for a in here)]) if here else incident.level,
        severity=worst,
        opened_at=min([incident.opened_at, *(a.first_sign for a in causes if a.first_sign)]),
        opened_s=min([incident.opened_s, *(a.sign_s for a in causes)]),
    )
    if incident.cause is Cause.POWER:
        incident = _with_parts(incident, ground)
    else:
        incident = altered(
            incident,
            about=ground.scene.topology.common(a.about for a in ground.known(incident.ever))
            or incident.about,
        )
    return altered(incident, counted=_counted(incident, ground))


def _units_ever(incident: Incident) -> tuple[str, ...]:
    prefix = "on_battery:"
    return tuple(sorted(m.removeprefix(prefix) for m in incident.ever if m.startswith(prefix)))


def _on_battery_now(units: Iterable[str], ground: StepContext) -> set[str]:
    """Return those last seen on battery; a unit that is silent since still counts."""
    return {u for u in units if (memory := ground.scene.units.get(u)) is not None and memory.on_battery}


def _counted(incident: Incident, ground: StepContext) -> tuple[str, ...]:
    """Return every condition that the incident holds under its one sentence."""
    units = {*_units_ever(incident), incident.about}
    said = {
        a.id
        for unit in units
        for a in ground.gathered.alarms_about(unit)
        if a.kind == "card_alarm" and a.condition is True and a.explained
    }
    return tuple(sorted({*incident.counted, *incident.ever, *said}))


def _with_parts(incident: Incident, ground: StepContext) -> Incident:
    topology = ground.scene.topology
    ever = _units_ever(incident)
    on_now = _on_battery_now(ever, ground)
    parts = dict(incident.parts)
    of_system: dict[str, list[str]] = {}
    for unit in ever:
        name = topology.system(unit)
        if name is not None:
            of_system.setdefault(name, []).append(unit)
    for system, units in sorted((name, tuple(units)) for name, units in of_system.items()):
        signs = [
            sign
            for u in units
            if (a := ground.alarms.get(f"on_battery:{u}")) is not None and (sign := a.first_sign) is not None
        ]
        memories = (ground.scene.units.get(u) for u in units)
        signs += [m.on_battery_since for m in memories if m is not None and m.on_battery_since is not None]
        part = parts.get(system) or IncidentPart(
            system, since=min(signs, default=incident.opened_at), name=topology.name(system)
        )
        on = tuple(u for u in units if u in on_now)
        parts[system] = _part(altered(part, units=units, on=on), ground)
    about = ground.scene.extent(ever) if ever else incident.about
    if incident.announced_at is not None and not on_now:
        about = incident.about
    back = bool(parts) and all(part.until is not None and not part.dark for part in parts.values())
    # nothing is asked of anybody once all are fed, though the end of it is told a moment later
    return altered(incident, parts=parts, about=about or incident.about, do=None if back else incident.do)


def _unheard(part: IncidentPart, ground: StepContext) -> bool:
    """Return whether a unit that was last seen on its bank has not been heard for so long that its bank may have ended."""
    memories = (ground.scene.units.get(unit) for unit in part.on)
    silences = (m.silent_since for m in memories if m is not None and m.silent_since is not None)
    return any(ground.moment.at - since >= UNHEARD_AFTER for since in silences)


def _part(part: IncidentPart, ground: StepContext) -> IncidentPart:
    at = ground.moment.at
    feeds_nothing = ground.scene.dropped(part.system)
    part = altered(part, dropped=part.dropped or feeds_nothing)
    if not part.on:
        # off its banks because they ended is not back: that it is once a unit feeds its load again
        fed_at = None if feeds_nothing else part.fed_at or at
        return altered(part, until=part.until or at, fed_at=fed_at)
    if part.until is not None:
        off_s = part.off_s + max((at - part.until).total_seconds(), 0.0)
        part = replace(part, until=None, fed_at=None, times=part.times + 1, off_s=off_s)
    part = altered(part, unseen=part.unseen or _unheard(part, ground))
    state = ground.scene.systems.get(part.system)
    outage = None if state is None else state.on_battery
    if outage is None or state is None or state.as_of is None or state.as_of < part.since:
        return part
    left_s = time_left_s(outage, at)
    lowest = min((s for s in (part.lowest_left_s, left_s) if s is not None), default=None)
    low_s, high_s = part.predicted_low_s, part.predicted_high_s
    if low_s is None and outage.ends_earliest is not None:
        low_s = (outage.ends_earliest - part.since).total_seconds()
        high_s = None if outage.ends_latest is None else (outage.ends_latest - part.since).total_seconds()
    return altered(
        part,
        predicted_low_s=low_s,
        predicted_high_s=high_s,
        lowest_left_s=lowest,
        ends_earliest=outage.ends_earliest,
        ends_latest=outage.ends_latest,
        start_set_before=outage.start_set_before,
        reckoned_since=outage.reckoned_since,
        unseen=part.unseen or outage.reckoned_since is not None,
    )
