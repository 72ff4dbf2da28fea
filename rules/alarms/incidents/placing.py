"""Which incident an alarm belongs to: its cause's, its like's, its unit's, or one of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from rules.alarms.catalogue import CARD_ALARMS, Cause
from rules.alarms.incidents.context import Sites, StepContext
from rules.alarms.incidents.incident import COUNTED_FROM, Incident
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.plant_memory import Scene

JOIN_S: Final = 300.0
"""An alarm joins its unit's incident within this time of its opening; later it is another cause."""

LIKE_JOIN_S: Final = 3600.0
"""The same alarm of another unit on the same supply joins within this time: a hot room warms them in turn."""


@dataclass(frozen=True, slots=True)
class Placing:
    """Finds alarms their places among the open incidents; lives no longer than one step."""

    ground: StepContext

    def assign(self, sites: Sites) -> None:
        """Put every active alarm of these sites that has no open incident into one; causes before consequences.

        What was not announced yet is placed anew each time, as a set: an alarm that was thought to stand by
        itself may find its cause or its like within the window.
        """
        gathered = self.ground.gathered
        for incident in reversed(gathered.unannounced(sites)):
            loose = incident.cause in (Cause.OWN, Cause.CONSEQUENCE)
            # one that is over already stays, so that it is told of before it is closed
            if loose and all(
                (a := self.ground.alarms.get(m)) is not None and a.state.active for m in incident.ever
            ):
                gathered.drop_incident(incident.id)
                gathered.put_number(incident.key, gathered.numbers[incident.key] - 1)
        homeless = gathered.homeless(sites)
        for cause in (Cause.POWER, Cause.NETWORK):
            for alarm in homeless:
                if self.ground.cause(alarm) is cause:
                    self._into(self._of_key(_key(alarm, cause, self.ground.scene)), alarm)
        self._place([a for a in homeless if self.ground.cause(a) is Cause.OWN])
        for alarm in homeless:
            if self.ground.cause(alarm) is Cause.CONSEQUENCE:
                self._into(self._host(alarm) or self._opened(f"own-{alarm.id}", alarm), alarm)

    def _into(self, incident_id: str | None, alarm: Alarm) -> None:
        if incident_id is None:
            incident_id = self._opened(_key(alarm, self.ground.cause(alarm), self.ground.scene), alarm)
        self.ground.gathered.put_alarm(replace(self.ground.alarms[alarm.id], incident=incident_id))

    def _of_key(self, key: str) -> str | None:
        return next((i.id for i in self.ground.gathered.incidents_of(key)), None)

    def _place(self, alarms: list[Alarm]) -> None:
        """Place alarms that are causes of their own: beside their like, else beside their unit's others."""
        loose: list[Alarm] = []
        for alarm in alarms:
            home = self._power_host(alarm) or self._like(alarm) or self._same_unit(alarm)
            if home is None:
                loose.append(alarm)
            else:
                self._into(home, alarm)
        for key, group in _alike(loose, self.ground.scene).items():
            first = group[0]
            for alarm in group:
                alone = len(group) == 1
                at_unit = alone and alarm.about in self.ground.scene.topology.estate.units
                name = f"unit-{alarm.about}" if at_unit else f"own-{alarm.id}" if alone else key
                known = self._of_key(name) if not alone or at_unit else None
                fresh = known is not None and self.ground.gathered.incidents[known].announced_at is None
                self._into(known if fresh else self._opened(name, first), alarm)

    def _opened(self, key: str, alarm: Alarm, *, told: bool = False) -> str:
        gathered = self.ground.gathered
        number = max(gathered.numbers.get(key, 0), gathered.numbers.get(COUNTED_FROM, 0)) + 1
        gathered.put_number(key, number)
        incident = Incident(
            id=f"{key}-{number}",
            key=key,
            cause=self.ground.cause(alarm),
            about=alarm.about,
            opened_at=alarm.first_sign or self.ground.moment.at,
            opened_s=alarm.sign_s,
            severity=alarm.severity,
            part_of=self._part_of(alarm),
            title=alarm.what,
            do=alarm.do,
        )
        if told:
            incident = replace(
                incident,
                announced_at=self.ground.moment.at,
                told_severity=alarm.severity,
                told_level=alarm.escalations,
                told_at=self.ground.moment.at,
            )
        gathered.put_incident(incident)
        return incident.id

    def _power_host(self, alarm: Alarm) -> str | None:
        """Return the power incident that an alarm belongs to: a card's word about its input or bypass, or that a unit is off.

        A unit that ran on its bank in an outage and feeds nothing came to its end in it; why else it may be off is seen
        at the unit.
        """
        supply = self.ground.scene.topology.supply(alarm.about)
        if supply is None:
            return None
        host = self._of_key(f"power-{supply}")
        if alarm.kind == "output_off" and host is not None:
            parts = self.ground.gathered.incidents[host].parts.values()
            return host if any(alarm.about in part.units for part in parts) else None
        known = CARD_ALARMS.get(alarm.qualifier) if alarm.kind == "card_alarm" else None
        return host if known is not None and known.said_by == "on_battery" else None

    def _like(self, alarm: Alarm) -> str | None:
        """Return the announced incident that holds the same alarm of another thing on the same supply."""
        mine = _likeness(alarm, self.ground.scene)
        for incident in self._around(alarm):
            young = alarm.sign_s - incident.opened_s <= LIKE_JOIN_S
            if incident.cause is Cause.OWN and incident.announced_at is not None and young:
                others = self.ground.known(incident.ever)
                if any(_likeness(other, self.ground.scene) == mine for other in others):
                    return incident.id
        return None

    def _same_unit(self, alarm: Alarm) -> str | None:
        found = self.ground.gathered.incidents_of(f"unit-{alarm.about}")
        young = (i.id for i in found if i.announced_at is not None and alarm.sign_s - i.opened_s <= JOIN_S)
        return next(young, None)

    def _host(self, alarm: Alarm) -> str | None:
        """Return the open incident that explains a consequence: power first, then a unit or the network."""
        topology = self.ground.scene.topology
        system = topology.system(alarm.about)
        if system is None:
            return None
        found: list[tuple[int, str]] = []
        for incident in self._around(alarm):
            members = (*self.ground.gathered.alarms_in(incident.id), *self.ground.known(incident.ever))
            if not any(topology.system(a.about) == system for a in members):
                continue
            if incident.cause is Cause.POWER:
                found.append((0, incident.id))
            elif incident.cause is not Cause.CONSEQUENCE and alarm.sign_s - incident.opened_s <= JOIN_S:
                found.append((1, incident.id))
        return min(found)[1] if found else None

    def _around(self, alarm: Alarm) -> list[Incident]:
        """Return the open incidents at an alarm's site: no cause reaches from one site to another."""
        return self.ground.gathered.incidents_at(self.ground.scene.topology.site(alarm.about))

    def _part_of(self, alarm: Alarm) -> str | None:
        supply = self.ground.scene.topology.supply(alarm.about)
        if supply is None or not self.ground.catalogue[alarm.kind].breaks_out:
            return None
        return self._of_key(f"power-{supply}")

    def hand_over(self, closed: Incident) -> list[str]:
        """Give what outlives a closed incident incidents of its own, and return their ids; it has been told of already."""
        gathered, opened = self.ground.gathered, []
        left = self.ground.active_in(closed.id)
        for key, group in _alike(left, self.ground.scene).items():
            incident_id = self._opened(key if len(group) > 1 else f"own-{group[0].id}", group[0], told=True)
            ids = tuple(a.id for a in group)
            gathered.put_incident(
                replace(gathered.incidents[incident_id], members=ids, ever=ids, told_in=closed.id)
            )
            for alarm in group:
                self._into(incident_id, alarm)
            opened.append(incident_id)
        return opened


def _key(alarm: Alarm, cause: Cause, scene: Scene) -> str:
    """Return what alarms of one cause share: the supply for power, the site for the network."""
    if cause is Cause.POWER and (supply := scene.topology.supply(alarm.about)) is not None:
        return f"power-{supply}"
    if cause is Cause.NETWORK and (site := scene.topology.site(alarm.about)) is not None:
        return f"network-{site}"
    return f"own-{alarm.id}"


def _likeness(alarm: Alarm, scene: Scene) -> str:
    """Return what two alarms share that say the same of two things on one supply."""
    place = scene.topology.supply(alarm.about) or alarm.about
    return "-".join(part for part in (alarm.kind, alarm.qualifier, place) if part)


def _alike(alarms: list[Alarm], scene: Scene) -> Mapping[str, list[Alarm]]:
    groups: dict[str, list[Alarm]] = {}
    for alarm in alarms:
        groups.setdefault(_likeness(alarm, scene), []).append(alarm)
    return groups
