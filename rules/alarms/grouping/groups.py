"""One step of the grouping: alarms into incidents, incidents brought up to date, notices that are due."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rules.alarms.catalogue import AlarmKind
from rules.alarms.grouping.due import tell
from rules.alarms.grouping.extent import refreshed
from rules.alarms.grouping.ground import Ground, Moment
from rules.alarms.grouping.placing import Placing
from rules.alarms.incidents import Incident, IncidentChange
from rules.alarms.lifecycle import Alarm, Effect
from rules.alarms.scene import Scene


@dataclass(frozen=True, slots=True)
class Groups:
    """Open incidents by id, and how many there have been for each key."""

    open: Mapping[str, Incident]
    numbers: Mapping[str, int]


def regroup(
    groups: Groups,
    alarms: Mapping[str, Alarm],
    effects: Mapping[str, frozenset[Effect]],
    *,
    scene: Scene,
    catalogue: Mapping[str, AlarmKind],
    moment: Moment,
) -> tuple[Groups, Mapping[str, Alarm], tuple[IncidentChange, ...]]:
    """Return the incidents and alarms after a step, and what changed, in the order of incident ids.

    `effects` are those of this step's transitions, by alarm. `alarms` come back with their incident set.
    """
    ground = Ground(dict(alarms), scene, catalogue, moment)
    work = Placing(dict(groups.open), dict(groups.numbers), ground)
    work.assign()
    changes: list[IncidentChange] = []
    for incident_id in sorted(work.open):
        incident = refreshed(work.open[incident_id], effects, ground)
        incident, notices = tell(incident, ground)
        if incident.open:
            work.open[incident_id] = incident
        else:
            del work.open[incident_id]
            work.hand_over(incident)
        changes += [IncidentChange(incident, notice, moment.at) for notice in notices]
        if not notices and _differs(incident, groups.open.get(incident_id)):
            changes.append(IncidentChange(incident, None, moment.at))
    return Groups(work.open, work.numbers), ground.alarms, tuple(changes)


def _differs(incident: Incident, before: Incident | None) -> bool:
    """Return whether anything changed that somebody looking at the incident would see."""
    if before is None:
        return True
    return (incident.members, incident.about, incident.severity, incident.closed_at, incident.counted) != (
        before.members,
        before.about,
        before.severity,
        before.closed_at,
        before.counted,
    )
