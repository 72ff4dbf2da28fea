"""What one step of the grouping stands on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from rules.alarms.catalogue import AlarmKind, Cause
from rules.alarms.lifecycle import Alarm
from rules.alarms.scene import Scene


@dataclass(frozen=True, slots=True)
class Moment:
    """When a step happens: the watch's seconds and UTC."""

    now_s: float
    at: datetime


@dataclass(frozen=True, slots=True)
class Ground:
    """The alarms, the estate as last seen, the catalogue and the time of one step.

    `alarms` is the step's own working set: `placing` writes into it to which incident each one belongs.
    """

    alarms: dict[str, Alarm]
    scene: Scene
    catalogue: Mapping[str, AlarmKind]
    moment: Moment

    def cause(self, alarm: Alarm) -> Cause:
        """Return the family of causes of an alarm."""
        return self.catalogue[alarm.kind].cause

    def active_in(self, incident_id: str) -> list[Alarm]:
        """Return the active alarms of an incident, in the order of their ids."""
        found = (a for a in self.alarms.values() if a.incident == incident_id and a.state.active)
        return sorted(found, key=lambda a: a.id)

    def known(self, alarm_ids: Iterable[str]) -> list[Alarm]:
        """Return those of the alarms that are still remembered."""
        return [self.alarms[a] for a in alarm_ids if a in self.alarms]
