"""When people are told of an incident: its opening, what changed enough to matter, its end."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from typing import Final

from rules.alarms.catalogue import Cause
from rules.alarms.incidents.closing import SETTLE_S, is_over
from rules.alarms.incidents.context import StepContext
from rules.alarms.incidents.incident import Incident, IncidentPart, Notice, NoticeKind, waits_its_turn
from rules.alarms.lifecycle.states import State
from rules.phrasing.notices import NoticeCase, notice_of
from rules.values.altered import altered
from rules.values.reason import told
from rules.values.severity import Severity

WINDOW_S: Final = 5.0
"""Messages to people are gathered for at most this long after the first sign."""

CHANGE_GAP_S: Final = 60.0
"""Changes that nobody must act on at once wait until this long after the last notice."""

MINOR_CHANGE_GAP_S: Final = 300.0
"""The same for incidents that are not even major."""

ENDS_SOONER_S: Final = 60.0
ENDS_SOONER_FRACTION: Final = 0.15
"""An end that moves nearer by more than both is a material change."""


def tell(incident: Incident, ground: StepContext) -> tuple[Incident, list[Notice]]:
    """Return the incident with what was told recorded, and the notices that are due."""
    notices: list[Notice] = []
    over = is_over(incident, ground)
    if (
        incident.announced_at is None
        and (incident.members or over)
        and (over or _opening_due(incident, ground))
    ):
        incident, notice = _notice(incident, NoticeKind.OPENED, ground)
        notices.append(notice)
    elif incident.announced_at is not None and (incident.members or not over):
        kind = _change_due(incident, ground)
        if kind is not None:
            incident, notice = _notice(incident, kind, ground)
            notices.append(notice)
    if not over:
        return altered(incident, quiet_since_s=None), notices
    quiet_s = ground.moment.now_s if incident.quiet_since_s is None else incident.quiet_since_s
    incident = altered(incident, quiet_since_s=quiet_s)
    settle_s = SETTLE_S if incident.cause is Cause.POWER else 0.0
    if ground.moment.now_s - quiet_s >= settle_s:
        incident = replace(incident, closed_at=ground.moment.at)
        incident, notice = _notice(incident, NoticeKind.CLOSED, ground)
        notices.append(notice)
    return incident, notices


def _urgent(alarms: Iterable[str], ground: StepContext) -> bool:
    return any(
        ground.alarms[a].severity is Severity.CRITICAL or ground.catalogue[ground.alarms[a].kind].breaks_out
        for a in alarms
    )


def _opening_due(incident: Incident, ground: StepContext) -> bool:
    """Return whether the window is over, or nothing more can join: all were read and all are in it.

    The window runs from the first sign of a power failure, else from when the first alarm stood: their
    on-delays differ too much from one alarm to the next.
    """
    if incident.members and all(ground.alarms[m].open_now for m in incident.members):
        return False
    power = incident.cause is Cause.POWER
    from_s = min((ground.alarms[m].state_s for m in incident.members), default=incident.opened_s)
    if ground.moment.now_s - (incident.opened_s if power else from_s) >= WINDOW_S:
        return True
    topology = ground.scene.topology
    # a reading says whether its unit joins; of networks, banks and systems it says nothing
    of_units = all(ground.alarms[m].about in topology.estate.units for m in incident.members)
    if incident.cause is Cause.NETWORK or not (power or of_units):
        return False
    scope = (topology.supply if power else topology.system)(incident.about)
    units = topology.units(scope) if scope else ()
    if not units or not ground.scene.seen_since(units, incident.opened_s if power else from_s):
        return False
    if not power:
        return True
    # a card may show what it read seconds ago, so one that still has mains is given the whole window
    known = {m.unit for m in ground.scene.known(units)}
    return known <= {
        ground.alarms[m].about for m in incident.members if ground.alarms[m].kind == "on_battery"
    }


def _change_due(incident: Incident, ground: StepContext) -> NoticeKind | None:
    if _unanswered(incident, ground) and not _waits_for_the_outage(incident, ground):
        return NoticeKind.ESCALATED
    told = incident.told_severity
    gap_s = CHANGE_GAP_S if incident.severity.rank >= Severity.MAJOR.rank else MINOR_CHANGE_GAP_S
    rested = ground.moment.now_s - incident.last_notice_s >= gap_s
    material = (
        _pending_due(incident, ground, rested=rested)
        or (told is not None and incident.severity.rank > told.rank and not incident.pending)
        or any(
            _ends_sooner(incident, part, rested=rested and not _comes_and_goes(part, ground))
            for part in incident.parts.values()
        )
        or bool(set(_reckoned(incident)) - set(incident.told_reckoned))
        or (rested and _back_news(incident, ground))
        or (rested and incident.eased)
    )
    return NoticeKind.CHANGED if material else None


def _unanswered(incident: Incident, ground: StepContext) -> bool:
    """Return whether a reminder is due that nobody had yet, of an alarm that nobody has acknowledged meanwhile."""
    return incident.level > incident.told_level and any(
        a.state is State.ACTIVE_UNACKNOWLEDGED and a.escalations > incident.told_level
        for a in ground.known(incident.members)
    )


def _waits_for_the_outage(incident: Incident, ground: StepContext) -> bool:
    """Return whether a reminder wants nobody yet: of what is planned or foretold for another outage, in the midst of one.

    It goes out once every system that it is about is fed again: none of its units is on its bank, and one of them feeds.
    """
    members, scene = ground.known(incident.members), ground.scene
    foretold = all(ground.catalogue[a.kind].planning and a.severity is not Severity.CRITICAL for a in members)
    if incident.cause is Cause.POWER or not foretold:
        return False
    systems = {s for a in members if (s := scene.topology.system(a.about)) is not None}
    return any(
        scene.dropped(system)
        or any(m.on_battery for m in map(scene.units.get, scene.topology.units(system)) if m)
        for system in systems
    )


def _pending_due(incident: Incident, ground: StepContext, *, rested: bool) -> bool:
    """Return whether what is not told yet has waited long enough: one window if it is urgent.

    What is gone again and only waits out its off-delay is not told as if it were there; it stays pending until it
    comes back or ends. Nor is what cannot be told now (`open_now`): its words are of what was.
    """
    there = [a for a in incident.pending if not _waits(incident, a, ground)]
    if incident.pending_s is None or not there:
        return False
    waited_s = ground.moment.now_s - incident.pending_s
    return waited_s >= WINDOW_S and (rested or _urgent(there, ground))


def _ends_sooner(incident: Incident, part: IncidentPart, *, rested: bool) -> bool:
    told = incident.told_ends.get(part.system)
    if part.until is not None or part.ends_earliest is None:
        return False
    if told is None:
        return rested
    nearer_s = (told - part.ends_earliest).total_seconds()
    was_left_s = (told - (incident.told_at or incident.opened_at)).total_seconds()
    return nearer_s > max(ENDS_SOONER_S, ENDS_SOONER_FRACTION * was_left_s)


def _notice(incident: Incident, kind: NoticeKind, ground: StepContext) -> tuple[Incident, Notice]:
    number = incident.notices + 1
    moment = ground.moment
    case = NoticeCase(
        incident, kind, ground.alarms, ground.scene, ground.catalogue, moment.at, number, moment.now_s
    )
    notice = notice_of(case)
    waits = tuple(a for a in incident.pending if _waits(incident, a, ground))
    untold = waits if kind is not NoticeKind.OPENED else ()
    incident = replace(
        incident,
        announced_at=incident.announced_at or ground.moment.at,
        notices=number,
        last_notice_s=ground.moment.now_s,
        pending=untold,
        pending_s=ground.moment.now_s if untold else None,
        told_severity=incident.severity,
        told_level=incident.level,
        told_ends={s: p.ends_earliest for s, p in incident.parts.items() if p.ends_earliest is not None},
        told_at=ground.moment.at,
        told_reckoned=_reckoned(incident),
        told_back=_back(incident),
        told_dark=_dark(incident),
        title=told(notice.what) if kind is NoticeKind.OPENED else incident.title,
        do=told(notice.do) if notice.do or incident.cause is Cause.POWER else incident.do,
        summary=notice.what if kind is NoticeKind.CLOSED else incident.summary,
    )
    return incident, notice


def _back_news(incident: Incident, ground: StepContext) -> bool:
    """Return whether a system is fed again, or dark, that was not told to be; of one that comes and goes that is no news.

    Once all are fed the end of it says so, and nothing else before it; of one that is fed before the others, when it has been
    for a while: units take their supply one after another.
    """
    if all(part.until is not None and not part.dark for part in incident.parts.values()):
        return False
    settled = ground.moment.at - timedelta(seconds=SETTLE_S)
    back = {s for s in _back(incident) if (until := incident.parts[s].until) is not None and until <= settled}
    news = (back - set(incident.told_back)) | (set(_dark(incident)) - set(incident.told_dark))
    return any(not _comes_and_goes(incident.parts[system], ground) for system in news)


def _comes_and_goes(part: IncidentPart, ground: StepContext) -> bool:
    alarms = ground.known(f"on_battery:{unit}" for unit in part.units)
    return any(alarm.chattering for alarm in alarms)


def _waits(incident: Incident, name: str, ground: StepContext) -> bool:
    alarm = ground.alarms[name]
    there = not (alarm.over or alarm.open_now or alarm.being_taken)
    return not there or waits_its_turn(incident, alarm, ground.catalogue[alarm.kind])


def _reckoned(incident: Incident) -> tuple[str, ...]:
    return tuple(sorted(s for s, p in incident.parts.items() if p.reckoned_since and p.until is None))


def _back(incident: Incident) -> tuple[str, ...]:
    return tuple(sorted(s for s, p in incident.parts.items() if p.until is not None and not p.dark))


def _dark(incident: Incident) -> tuple[str, ...]:
    return tuple(sorted(s for s, p in incident.parts.items() if p.dark))
