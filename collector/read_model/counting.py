"""How many alarms an incident explains, said once under the first of its alarms that stands."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from collector.read_model.sheet import ShownAlarm
from collector.storage.ledger.records import IncidentLine
from rules.alarms.incidents.incident import Incident
from rules.values.serial import from_plain


def counted_by(incidents: Iterable[IncidentLine]) -> Mapping[str, frozenset[str]]:
    """Return the alarms that hang on each incident; one that cannot be read (by a later program) is left out."""
    found = {}
    for line in incidents:
        try:
            found[line.id] = frozenset(from_plain(Incident, line.body).counted)
        except (TypeError, ValueError, KeyError):
            continue
    return found


def with_counts(
    alarms: Iterable[ShownAlarm], counted: Mapping[str, frozenset[str]]
) -> tuple[ShownAlarm, ...]:
    """Return alarms, the first that stands of each incident with how many it explains beside those that stand."""
    alarms = tuple(alarms)
    standing = frozenset(a.id for a in alarms if a.state.startswith("active"))
    seen: set[str] = set()
    made = []
    for alarm in alarms:
        incident = alarm.incident
        if incident is None or incident in seen or alarm.id not in standing:
            made.append(alarm)
            continue
        seen.add(incident)
        made.append(replace(alarm, counted=len(counted.get(incident, frozenset()) - standing)))
    return tuple(made)
