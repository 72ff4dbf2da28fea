"""What one step of the grouping stands on."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from rules.alarms.catalogue import AlarmKind, Cause
from rules.alarms.incidents.incident import Incident
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.plant_memory import Scene

Sites = Collection[str | None] | None
"""Sites that a step may move, by id; None among them stands for what is on no site, None alone for everywhere."""


@dataclass(frozen=True, slots=True)
class Moment:
    """When a step happens: the watch's seconds and UTC."""

    now_s: float
    at: datetime


class OpenIncidents(Protocol):
    """The alarms and open incidents that a step works on: how they are looked up, and where what is new goes.

    Whoever keeps them decides how they are found: by an index (`rules.monitor.live`), or by looking through all of
    them, as the tests do to check the index.
    """

    @property
    def alarms(self) -> Mapping[str, Alarm]:
        """Return every alarm that is remembered, by id."""
        ...

    @property
    def incidents(self) -> Mapping[str, Incident]:
        """Return every open incident, by id."""
        ...

    @property
    def numbers(self) -> Mapping[str, int]:
        """Return how many incidents there have been for each key."""
        ...

    def alarms_in(self, incident: str) -> list[Alarm]:
        """Return the alarms of an incident, active or not, in the order of their ids."""
        ...

    def alarms_about(self, about: str) -> list[Alarm]:
        """Return the alarms of one thing, in the order of their ids."""
        ...

    def homeless(self, sites: Sites) -> list[Alarm]:
        """Return the active alarms of these sites that are in no open incident, in the order of their ids."""
        ...

    def incidents_at(self, site: str | None) -> list[Incident]:
        """Return the open incidents at a site, in the order of their ids."""
        ...

    def incidents_of(self, key: str) -> list[Incident]:
        """Return the open incidents of a key, the oldest first."""
        ...

    def unannounced(self, sites: Sites) -> list[Incident]:
        """Return the incidents of these sites that nobody was told of yet, in the order of their ids."""
        ...

    def moved(self, sites: Sites) -> list[str]:
        """Return the ids of the incidents that this step may have changed, in order."""
        ...

    def incident_before(self, incident: str) -> Incident | None:
        """Return an incident as it was before this step; None for one that was not open."""
        ...

    def put_alarm(self, alarm: Alarm) -> None:
        """Keep an alarm in the place of the one with its id."""
        ...

    def put_incident(self, incident: Incident) -> None:
        """Keep an open incident in the place of the one with its id."""
        ...

    def drop_incident(self, incident: str) -> None:
        """Forget an incident that is no longer open."""
        ...

    def put_number(self, key: str, number: int) -> None:
        """Keep how many incidents there have been for a key."""
        ...


@dataclass(frozen=True, slots=True)
class StepContext:
    """The alarms and incidents, the estate as last seen, the catalogue and the time of one step."""

    gathered: OpenIncidents
    scene: Scene
    catalogue: Mapping[str, AlarmKind]
    moment: Moment

    @property
    def alarms(self) -> Mapping[str, Alarm]:
        """Return the alarms as this step has left them so far."""
        return self.gathered.alarms

    def cause(self, alarm: Alarm) -> Cause:
        """Return the family of causes of an alarm."""
        return self.catalogue[alarm.kind].cause

    def active_in(self, incident_id: str) -> list[Alarm]:
        """Return the active alarms of an incident, in the order of their ids."""
        return [a for a in self.gathered.alarms_in(incident_id) if a.state.active]

    def known(self, alarm_ids: Iterable[str]) -> list[Alarm]:
        """Return those of the alarms that are still remembered."""
        return [self.alarms[a] for a in alarm_ids if a in self.alarms]
