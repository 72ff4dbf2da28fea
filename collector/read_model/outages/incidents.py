"""Incidents as programs read them: what was told of each, its alarms, and each system's part in an outage."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from collector.messaging.delivery.letter import outage_of
from collector.storage.ledger.records import IncidentLine
from rules.alarms.incidents.incident import Incident
from rules.phrasing.reasons import say
from rules.values.serial import from_plain


def incident_as_read(line: IncidentLine) -> dict[str, Any]:
    """Return an incident; of one that a later version wrote, what every version knows."""
    known: dict[str, Any] = {
        "id": line.id,
        "about": line.about,
        "severity": line.severity,
        "opened": line.opened,
        "closed": line.closed,
    }
    try:
        incident = from_plain(Incident, line.body)
    except (TypeError, ValueError, KeyError):
        return known | _told_of(None)
    return known | _told_of(incident)


def _told_of(incident: Incident | None) -> dict[str, Any]:
    told_at: datetime | None = None if incident is None else incident.told_at
    return {
        "cause": None if incident is None else incident.cause.value,
        "what": None if incident is None else say(incident.title) or None,
        "do": None if incident is None else say(incident.do) or None,
        "summary": None if incident is None else incident.summary,
        "announced_at": None if incident is None else incident.announced_at,
        "told_at": told_at,
        "notices": 0 if incident is None else incident.notices,
        "level": 0 if incident is None else incident.level,
        "alarms": [] if incident is None else list(incident.members),
        "alarms_ever": [] if incident is None else list(incident.ever),
        "conditions_counted": 0 if incident is None else len(incident.counted),
        "part_of": None if incident is None else incident.part_of,
        "goes_on_from": None if incident is None else incident.told_in,
        "systems": [] if incident is None else [outage_of(incident.parts[s]) for s in sorted(incident.parts)],
    }
