"""One cause, one incident, few messages: alarms are gathered along site, supply, switchboard, system, unit.

Theory of operation. An alarm that becomes active joins an incident by its *key*: units on their banks by
their supply, silent cards by their site, what follows from a cause (redundancy, requirements) by the
incident that touches their system, anything else by its unit or by itself. Two supplies never share a key.
`regroup` looks at the whole set of alarms and at nothing about the order in which they came, so readings
that are simultaneous give the same incident in any order.

Every alarm that must be told is *pending* in its incident until a notice names it; a notice is due one
window after the first sign (at once when all siblings have been read, or for what is broken out). That
is the guarantee that no active alarm stays untold. After the opening only material changes are told:
a new alarm, a worse severity, an end that moved nearer, a system lost from sight or back on supply.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from rules.alarms.catalogue import CARD_ALARMS, AlarmKind, Cause, Severity
from rules.alarms.conditions.outage import time_left_s
from rules.alarms.incidents import Incident, IncidentChange, Notice, NoticeKind, Part
from rules.alarms.lifecycle import Alarm, Effect
from rules.alarms.scene import Scene
from rules.alarms.telling import Case, notice_of

WINDOW_S: Final = 5.0
"""Messages to people are gathered for at most this long after the first sign."""

CHANGE_GAP_S: Final = 60.0
"""Changes that nobody must act on at once wait until this long after the last notice."""

MINOR_CHANGE_GAP_S: Final = 300.0
"""The same for incidents that are not even major."""

SETTLE_S: Final = 30.0
"""A power incident closes when no unit has been on its bank for this long."""

JOIN_S: Final = 300.0
"""An alarm joins its unit's incident within this time of its opening; later it is another cause."""

LIKE_JOIN_S: Final = 3600.0
"""The same alarm of another unit on the same supply joins within this time: a hot room warms them in turn."""

ENDS_SOONER_S: Final = 60.0
ENDS_SOONER_FRACTION: Final = 0.15
"""An end that moves nearer by more than both is a material change."""


@dataclass(frozen=True, slots=True)
class Groups:
    """Open incidents by id, and how many there have been for each key."""

    open: Mapping[str, Incident]
    numbers: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class Moment:
    """When a step happens: the watch's seconds and UTC."""

    now_s: float
    at: datetime


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
    work = _Work(dict(groups.open), dict(groups.numbers), dict(alarms), scene, catalogue, moment)
    work.assign()
    before = dict(groups.open)
    changes: list[IncidentChange] = []
    for incident_id in sorted(work.open):
        incident = work.refreshed(work.open[incident_id], effects)
        incident, notices = work.tell(incident)
        if incident.open:
            work.open[incident_id] = incident
        else:
            del work.open[incident_id]
            work.hand_over(incident)
        changes += [IncidentChange(incident, notice, moment.at) for notice in notices]
        if not notices and _differs(incident, before.get(incident_id)):
            changes.append(IncidentChange(incident, None, moment.at))
    return Groups(work.open, work.numbers), work.alarms, tuple(changes)


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


@dataclass
class _Work:
    """One step's scratch values; lives no longer than `regroup`."""

    open: dict[str, Incident]
    numbers: dict[str, int]
    alarms: dict[str, Alarm]
    scene: Scene
    catalogue: Mapping[str, AlarmKind]
    moment: Moment

    # ---- which incident -----------------------------------------------------------------------------

    def assign(self) -> None:
        """Put every active alarm that has no open incident into one; causes before consequences.

        What was not announced yet is placed anew each time, as a set: an alarm that was thought to stand by
        itself may find its cause or its like within the window.
        """
        for incident in sorted(self.open.values(), key=lambda i: i.id, reverse=True):
            loose = incident.announced_at is None and incident.cause in (Cause.OWN, Cause.CONSEQUENCE)
            # one that is over already stays, so that it is told of before it is closed
            if loose and all((a := self.alarms.get(m)) is not None and a.state.active for m in incident.ever):
                del self.open[incident.id]
                self.numbers[incident.key] -= 1
        homeless = [a for a in self.alarms.values() if a.state.active and a.incident not in self.open]
        homeless.sort(key=lambda a: a.id)
        for cause in (Cause.POWER, Cause.NETWORK):
            for alarm in homeless:
                if self.cause(alarm) is cause:
                    self._into(self._of_key(_key(alarm, cause, self.scene)), alarm)
        self._place([a for a in homeless if self.cause(a) is Cause.OWN])
        for alarm in homeless:
            if self.cause(alarm) is Cause.CONSEQUENCE:
                self._into(self._host(alarm) or self._opened(f"own-{alarm.id}", alarm), alarm)

    def cause(self, alarm: Alarm) -> Cause:
        """Return the family of causes of an alarm."""
        return self.catalogue[alarm.kind].cause

    def _into(self, incident_id: str | None, alarm: Alarm) -> None:
        if incident_id is None:
            incident_id = self._opened(_key(alarm, self.cause(alarm), self.scene), alarm)
        self.alarms[alarm.id] = replace(self.alarms[alarm.id], incident=incident_id)

    def _of_key(self, key: str) -> str | None:
        return next((i.id for i in self.open.values() if i.key == key), None)

    def _place(self, alarms: list[Alarm]) -> None:
        """Place alarms that are causes of their own: beside their like, else beside their unit's others."""
        loose: list[Alarm] = []
        for alarm in alarms:
            home = self._power_host(alarm) or self._like(alarm) or self._same_unit(alarm)
            if home is None:
                loose.append(alarm)
            else:
                self._into(home, alarm)
        for key, group in _alike(loose, self.scene).items():
            first = group[0]
            for alarm in group:
                alone = len(group) == 1
                at_unit = alone and alarm.about in self.scene.topology.estate.units
                name = f"unit-{alarm.about}" if at_unit else f"own-{alarm.id}" if alone else key
                known = self._of_key(name) if not alone or at_unit else None
                fresh = known is not None and self.open[known].announced_at is None
                self._into(known if fresh else self._opened(name, first), alarm)

    def _opened(self, key: str, alarm: Alarm, *, told: bool = False) -> str:
        number = self.numbers.get(key, 0) + 1
        self.numbers[key] = number
        incident = Incident(
            id=f"{key}-{number}",
            key=key,
            cause=self.cause(alarm),
            about=alarm.about,
            opened_at=alarm.first_sign or self.moment.at,
            opened_s=alarm.sign_s,
            severity=alarm.severity,
            part_of=self._part_of(alarm),
            title=alarm.what,
            do=alarm.do,
        )
        if told:
            incident = replace(
                incident,
                announced_at=self.moment.at,
                told_severity=alarm.severity,
                told_level=alarm.escalations,
                told_at=self.moment.at,
            )
        self.open[incident.id] = incident
        return incident.id

    def _announced(self) -> list[Incident]:
        return sorted((i for i in self.open.values() if i.announced_at is not None), key=lambda i: i.id)

    def _power_host(self, alarm: Alarm) -> str | None:
        """Return the power incident that a card's word about its input or bypass belongs to."""
        known = CARD_ALARMS.get(alarm.qualifier) if alarm.kind == "card_alarm" else None
        supply = self.scene.topology.supply(alarm.about)
        if known is None or known.said_by != "on_battery" or supply is None:
            return None
        return self._of_key(f"power-{supply}")

    def _like(self, alarm: Alarm) -> str | None:
        """Return the announced incident that holds the same alarm of another thing on the same supply."""
        mine = _likeness(alarm, self.scene)
        for incident in self._announced():
            young = alarm.sign_s - incident.opened_s <= LIKE_JOIN_S
            if incident.cause is Cause.OWN and young:
                others = (self.alarms[m] for m in incident.ever if m in self.alarms)
                if any(_likeness(other, self.scene) == mine for other in others):
                    return incident.id
        return None

    def _same_unit(self, alarm: Alarm) -> str | None:
        for incident in self._announced():
            young = alarm.sign_s - incident.opened_s <= JOIN_S
            if incident.key == f"unit-{alarm.about}" and young:
                return incident.id
        return None

    def _host(self, alarm: Alarm) -> str | None:
        """Return the open incident that explains a consequence: power first, then a unit or the network."""
        topology = self.scene.topology
        system = topology.system(alarm.about)
        if system is None:
            return None
        found: list[tuple[int, str]] = []
        for incident in self.open.values():
            members = [a for a in self.alarms.values() if a.incident == incident.id or a.id in incident.ever]
            if system not in {topology.system(a.about) for a in members}:
                continue
            if incident.cause is Cause.POWER:
                found.append((0, incident.id))
            elif incident.cause is not Cause.CONSEQUENCE and alarm.sign_s - incident.opened_s <= JOIN_S:
                found.append((1, incident.id))
        return min(found)[1] if found else None

    def _part_of(self, alarm: Alarm) -> str | None:
        supply = self.scene.topology.supply(alarm.about)
        if supply is None or not self.catalogue[alarm.kind].breaks_out:
            return None
        return self._of_key(f"power-{supply}")

    def hand_over(self, closed: Incident) -> None:
        """Give what outlives a closed incident incidents of its own; it has been told of already."""
        left = [a for a in self.alarms.values() if a.incident == closed.id and a.state.active]
        for key, group in _alike(sorted(left, key=lambda a: a.id), self.scene).items():
            incident_id = self._opened(key if len(group) > 1 else f"own-{group[0].id}", group[0], told=True)
            ids = tuple(a.id for a in group)
            self.open[incident_id] = replace(self.open[incident_id], members=ids, ever=ids)
            for alarm in group:
                self._into(incident_id, alarm)

    # ---- what it is now ------------------------------------------------------------------------------

    def refreshed(self, incident: Incident, effects: Mapping[str, frozenset[Effect]]) -> Incident:
        """Return the incident with its members, extent, severity and what is to be told brought up to date."""
        members = sorted(a.id for a in self.alarms.values() if a.incident == incident.id and a.state.active)
        here = [self.alarms[m] for m in members]
        ever = tuple(sorted({*incident.ever, *members}))
        news = {m for m in members if Effect.TELL in effects.get(m, frozenset()) or m not in incident.ever}
        pending = tuple(sorted({m for m in incident.pending if m in members} | news))
        worst = max((a.severity for a in here), key=lambda s: s.rank, default=incident.severity)
        incident = replace(
            incident,
            members=tuple(members),
            ever=ever,
            pending=pending,
            pending_s=None
            if not pending
            else incident.pending_s
            if incident.pending_s is not None
            else self.moment.now_s,
            level=max([incident.level, *(a.escalations for a in here)]) if here else incident.level,
            severity=worst,
            opened_at=min([incident.opened_at, *(a.first_sign for a in here if a.first_sign)]),
            opened_s=min([incident.opened_s, *(a.sign_s for a in here)]),
        )
        if incident.cause is Cause.POWER:
            incident = self._with_parts(incident)
        else:
            incident = replace(
                incident,
                about=self.scene.topology.common(a.about for a in self._ever(incident)) or incident.about,
            )
        return replace(incident, counted=self._counted(incident))

    def _ever(self, incident: Incident) -> list[Alarm]:
        return [self.alarms[m] for m in incident.ever if m in self.alarms]

    def _units_ever(self, incident: Incident) -> tuple[str, ...]:
        prefix = "on_battery:"
        return tuple(sorted(m.removeprefix(prefix) for m in incident.ever if m.startswith(prefix)))

    def _on_battery_now(self, units: Iterable[str]) -> set[str]:
        """Return those last seen on battery; a unit that is silent since still counts."""
        return {u for u in units if (memory := self.scene.units.get(u)) is not None and memory.on_battery}

    def _counted(self, incident: Incident) -> tuple[str, ...]:
        """Return every condition that the incident holds under its one sentence."""
        units = {*self._units_ever(incident), incident.about}
        said = {
            a.id
            for a in self.alarms.values()
            if a.kind == "card_alarm" and a.about in units and a.condition is True and a.explained
        }
        return tuple(sorted({*incident.counted, *incident.ever, *said}))

    def _with_parts(self, incident: Incident) -> Incident:
        topology = self.scene.topology
        ever = self._units_ever(incident)
        on_now = self._on_battery_now(ever)
        parts = dict(incident.parts)
        for system in sorted({s for u in ever if (s := topology.system(u)) is not None}):
            units = tuple(u for u in ever if topology.system(u) == system)
            signs = [
                sign
                for u in units
                if (a := self.alarms.get(f"on_battery:{u}")) is not None
                and (sign := a.first_sign) is not None
            ]
            part = parts.get(system) or Part(system, since=min(signs, default=incident.opened_at))
            parts[system] = self._part(replace(part, units=units), on_now=bool(on_now.intersection(units)))
        about = self.scene.extent(ever) if ever else incident.about
        if incident.announced_at is not None and not on_now:
            about = incident.about
        return replace(incident, parts=parts, about=about or incident.about)

    def _part(self, part: Part, *, on_now: bool) -> Part:
        at = self.moment.at
        part = replace(part, dropped=part.dropped or self.scene.dropped(part.system))
        if not on_now:
            return replace(part, until=part.until or at)
        part = replace(part, until=None)
        state = self.scene.systems.get(part.system)
        outage = None if state is None else state.on_battery
        if outage is None or state is None or state.as_of is None or state.as_of < part.since:
            return part
        left_s = time_left_s(outage, at)
        lowest = min((s for s in (part.lowest_left_s, left_s) if s is not None), default=None)
        low_s, high_s = part.predicted_low_s, part.predicted_high_s
        if low_s is None and outage.ends_earliest is not None:
            low_s = (outage.ends_earliest - part.since).total_seconds()
            high_s = None if outage.ends_latest is None else (outage.ends_latest - part.since).total_seconds()
        return replace(
            part,
            predicted_low_s=low_s,
            predicted_high_s=high_s,
            lowest_left_s=lowest,
            ends_earliest=outage.ends_earliest,
            ends_latest=outage.ends_latest,
            start_set_before=outage.start_set_before,
            reckoned_since=outage.reckoned_since,
        )

    # ---- what is told --------------------------------------------------------------------------------

    def tell(self, incident: Incident) -> tuple[Incident, list[Notice]]:
        """Return the incident with what was told recorded, and the notices that are due."""
        notices: list[Notice] = []
        over = self._over(incident)
        if (
            incident.announced_at is None
            and (incident.members or over)
            and (over or self._opening_due(incident))
        ):
            incident, notice = self._notice(incident, NoticeKind.OPENED)
            notices.append(notice)
        elif incident.announced_at is not None and incident.members:
            kind = self._change_due(incident)
            if kind is not None:
                incident, notice = self._notice(incident, kind)
                notices.append(notice)
        if incident.members and not over:
            return replace(incident, quiet_since_s=None), notices
        if not over:
            return incident, notices
        quiet_s = self.moment.now_s if incident.quiet_since_s is None else incident.quiet_since_s
        incident = replace(incident, quiet_since_s=quiet_s)
        settle_s = SETTLE_S if incident.cause is Cause.POWER else 0.0
        if self.moment.now_s - quiet_s >= settle_s:
            incident = replace(incident, closed_at=self.moment.at)
            incident, notice = self._notice(incident, NoticeKind.CLOSED)
            notices.append(notice)
        return incident, notices

    def _over(self, incident: Incident) -> bool:
        """Return whether the cause is gone; what follows from it may outlive it."""
        if incident.cause is not Cause.POWER:
            return not incident.members
        return not any(self.cause(self.alarms[m]) is Cause.POWER for m in incident.members)

    def _urgent(self, alarms: Iterable[str]) -> bool:
        return any(
            self.alarms[a].severity is Severity.CRITICAL or self.catalogue[self.alarms[a].kind].breaks_out
            for a in alarms
        )

    def _opening_due(self, incident: Incident) -> bool:
        """Return whether the window is over, or nothing more can join: all were read and all are in it.

        The window runs from the first sign of a power failure, else from when the first alarm stood: their
        on-delays differ too much from one alarm to the next.
        """
        power = incident.cause is Cause.POWER
        from_s = min((self.alarms[m].state_s for m in incident.members), default=incident.opened_s)
        if self.moment.now_s - (incident.opened_s if power else from_s) >= WINDOW_S:
            return True
        topology = self.scene.topology
        # a reading says whether its unit joins; of networks, banks and systems it says nothing
        of_units = all(self.alarms[m].about in topology.estate.units for m in incident.members)
        if incident.cause is Cause.NETWORK or not (power or of_units):
            return False
        scope = (topology.supply if power else topology.system)(incident.about)
        units = topology.units(scope) if scope else ()
        if not units or not self.scene.seen_since(units, incident.opened_s if power else from_s):
            return False
        if not power:
            return True
        # a card may show what it read seconds ago, so one that still has mains is given the whole window
        known = {m.unit for m in self.scene.known(units)}
        return known <= {
            self.alarms[m].about for m in incident.members if self.alarms[m].kind == "on_battery"
        }

    def _change_due(self, incident: Incident) -> NoticeKind | None:
        if incident.level > incident.told_level:
            return NoticeKind.ESCALATED
        told = incident.told_severity
        gap_s = CHANGE_GAP_S if incident.severity.rank >= Severity.MAJOR.rank else MINOR_CHANGE_GAP_S
        rested = self.moment.now_s - incident.last_notice_s >= gap_s
        material = (
            self._pending_due(incident, rested=rested)
            or (told is not None and incident.severity.rank > told.rank and not incident.pending)
            or any(self._ends_sooner(incident, part, rested=rested) for part in incident.parts.values())
            or bool(set(_reckoned(incident)) - set(incident.told_reckoned))
            or (rested and bool(set(_back(incident)) - set(incident.told_back)))
        )
        return NoticeKind.CHANGED if material else None

    def _pending_due(self, incident: Incident, *, rested: bool) -> bool:
        """Return whether what is not told yet has waited long enough: one window if it is urgent."""
        if incident.pending_s is None:
            return False
        waited_s = self.moment.now_s - incident.pending_s
        return waited_s >= WINDOW_S and (rested or self._urgent(incident.pending))

    def _ends_sooner(self, incident: Incident, part: Part, *, rested: bool) -> bool:
        told = incident.told_ends.get(part.system)
        if part.until is not None or part.ends_earliest is None:
            return False
        if told is None:
            return rested
        nearer_s = (told - part.ends_earliest).total_seconds()
        was_left_s = (told - (incident.told_at or incident.opened_at)).total_seconds()
        return nearer_s > max(ENDS_SOONER_S, ENDS_SOONER_FRACTION * was_left_s)

    def _notice(self, incident: Incident, kind: NoticeKind) -> tuple[Incident, Notice]:
        number = incident.notices + 1
        case = Case(incident, kind, self.alarms, self.scene, self.catalogue, self.moment.at, number)
        notice = notice_of(case)
        incident = replace(
            incident,
            announced_at=incident.announced_at or self.moment.at,
            notices=number,
            last_notice_s=self.moment.now_s,
            pending=(),
            pending_s=None,
            told_severity=incident.severity,
            told_level=incident.level,
            told_ends={s: p.ends_earliest for s, p in incident.parts.items() if p.ends_earliest is not None},
            told_at=self.moment.at,
            told_reckoned=_reckoned(incident),
            told_back=_back(incident),
            title=notice.what if kind is NoticeKind.OPENED else incident.title,
            do=notice.do or incident.do,
            summary=notice.what if kind is NoticeKind.CLOSED else incident.summary,
        )
        return incident, notice


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


def _reckoned(incident: Incident) -> tuple[str, ...]:
    return tuple(sorted(s for s, p in incident.parts.items() if p.reckoned_since and p.until is None))


def _back(incident: Incident) -> tuple[str, ...]:
    return tuple(sorted(s for s, p in incident.parts.items() if p.until is not None))
