"""One step of the grouping: alarms into incidents, incidents brought up to date, notices that are due."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from rules.alarms.catalogue import AlarmKind, Cause
from rules.alarms.incidents.context import Moment, OpenIncidents, Sites, StepContext
from rules.alarms.incidents.extent import refreshed
from rules.alarms.incidents.incident import Incident, IncidentChange
from rules.alarms.incidents.placing import Placing
from rules.alarms.incidents.telling import tell
from rules.alarms.lifecycle.states import Effect
from rules.alarms.plant_memory import Scene

Effects = Mapping[str, frozenset[Effect]]
_NO_EFFECTS: Final[Effects] = {}


def regroup(
    gathered: OpenIncidents,
    sites: Sites,
    effects: Effects,
    *,
    scene: Scene,
    catalogue: Mapping[str, AlarmKind],
    moment: Moment,
) -> tuple[IncidentChange, ...]:
    """Bring the incidents of these sites up to date; return what changed, in the order of incident ids.

    `effects` are those of this step's transitions, by alarm. What outlives an incident that closes comes last.
    """
    ground = StepContext(gathered, scene, catalogue, moment)
    work = Placing(ground)
    work.assign(sites)
    changes: list[IncidentChange] = []
    left: list[str] = []
    for incident_id in gathered.moved(sites):
        incident, found = _up_to_date(incident_id, effects, ground)
        changes += found
        if not incident.open:
            left += work.hand_over(incident)
    for incident_id in left:  # told of already, so what was to be told in this step is told
        changes += _up_to_date(incident_id, _NO_EFFECTS, ground)[1]
    return tuple(changes)


def lively(incident: Incident) -> bool:
    """Return whether time or a plain reading at its site may change an incident: its extent, or what is due.

    Any other stays as it is until one of its alarms changes.
    """
    due = incident.announced_at is None or bool(incident.pending) or incident.level > incident.told_level
    return incident.cause is Cause.POWER or due


def _up_to_date(
    incident_id: str, effects: Effects, ground: StepContext
) -> tuple[Incident, list[IncidentChange]]:
    gathered, at = ground.gathered, ground.moment.at
    incident = refreshed(gathered.incidents[incident_id], effects, ground)
    incident, notices = tell(incident, ground)
    if incident.open:
        gathered.put_incident(incident)
    else:
        gathered.drop_incident(incident_id)
    changes = [IncidentChange(incident, notice, at) for notice in notices]
    if not notices and _differs(incident, gathered.incident_before(incident_id)):
        changes.append(IncidentChange(incident, None, at))
    return incident, changes


def _differs(incident: Incident, before: Incident | None) -> bool:
    """Return whether anything changed that somebody looking at the incident would see."""
    if before is None:
        return True
    return _seen(incident) != _seen(before)


def _seen(incident: Incident) -> tuple[object, ...]:
    fed = tuple((system, part.until is None, part.dark) for system, part in incident.parts.items())
    return incident.members, incident.about, incident.severity, incident.closed_at, incident.counted, fed
