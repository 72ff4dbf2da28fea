"""An incident is one cause and everything that hangs on it; a notice is what people are told of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Final

from rules.alarms.catalogue import AlarmKind, Cause
from rules.alarms.lifecycle.alarm import Alarm, Deadline
from rules.values.reason import Reason
from rules.values.severity import Severity

COUNTED_FROM: Final = "*"
"""Under this key stands the number that incidents of any key are counted on from: after a loss of what was counted."""


class NoticeKind(StrEnum):
    """One opening, material changes, one closing; and reminders while nobody acknowledges."""

    OPENED = "opened"
    CHANGED = "changed"
    ESCALATED = "escalated"
    CLOSED = "closed"


class NoticeNews(StrEnum):
    """What a notice is to whoever is told, for who paces messages.

    OUTAGE opens a power incident; GRAVER says that something became critical; PLANNING is about what is bought, tested
    or rebuilt, and wants nobody today.
    """

    OUTAGE = "outage"
    GRAVER = "graver"
    PLANNING = "planning"
    OTHER = "other"

    @property
    def waits_for_nothing(self) -> bool:
        """Return whether no number of other messages may hold it or bury it."""
        return self in (NoticeNews.OUTAGE, NoticeNews.GRAVER)


@dataclass(frozen=True, slots=True)
class IncidentPart:
    """One system's part in a power incident: when on battery, what was predicted, what came.

    `predicted_low_s` and `predicted_high_s`: how long it was first said to hold, counted from `since`.
    `times`: how often it went to its banks, `off_s`: for how many seconds it was off them in between. `fed_at`: since when it
    is off them and fed, not with its load dropped.
    `lowest_left_s`: the least time left that was ever reckoned. `until` None: still on battery. `units` were on
    battery in this incident, `on` are now as last seen. `unseen`: its cards were silent for a part of it.
    """

    system: str
    since: datetime
    until: datetime | None = None
    units: tuple[str, ...] = ()
    predicted_low_s: float | None = None
    predicted_high_s: float | None = None
    lowest_left_s: float | None = None
    ends_earliest: datetime | None = None
    ends_latest: datetime | None = None
    start_set_before: datetime | None = None
    reckoned_since: datetime | None = None
    dropped: bool = False
    on: tuple[str, ...] = ()
    unseen: bool = False
    name: str = ""
    times: int = 1
    off_s: float = 0.0
    fed_at: datetime | None = None

    @property
    def dark(self) -> bool:
        """Return whether it is off its banks and feeds nothing: its load is off."""
        return self.dropped and self.until is not None and self.fed_at is None

    def on_battery_s(self, at: datetime) -> float:
        """Return for how many seconds it was on its banks until then, all times together."""
        return max(((self.until or at) - self.since).total_seconds() - self.off_s, 0.0)


@dataclass(frozen=True, slots=True)
class Incident:
    """One cause. `members` are active now, `ever` were at some time; `counted` adds what they explain.

    `told_in`: the incident whose closing notice said that this one's alarms still stand; they were with it before.
    `pending`: alarms that people must still be told of, since `pending_s`; nothing leaves it but a notice.
    """

    id: str
    key: str
    cause: Cause
    about: str
    opened_at: datetime
    opened_s: float
    severity: Severity
    members: tuple[str, ...] = ()
    ever: tuple[str, ...] = ()
    counted: tuple[str, ...] = ()
    pending: tuple[str, ...] = ()
    pending_s: float | None = None
    level: int = 0
    announced_at: datetime | None = None
    notices: int = 0
    last_notice_s: float = 0.0
    told_severity: Severity | None = None
    told_level: int = 0
    told_ends: Mapping[str, datetime] = field(default_factory=dict)
    told_at: datetime | None = None
    told_reckoned: tuple[str, ...] = ()
    told_back: tuple[str, ...] = ()
    told_dark: tuple[str, ...] = ()
    quiet_since_s: float | None = None
    closed_at: datetime | None = None
    part_of: str | None = None
    told_in: str | None = None
    parts: Mapping[str, IncidentPart] = field(default_factory=dict)
    title: Reason | None = None
    do: Reason | None = None
    summary: str | None = None

    @property
    def open(self) -> bool:
        """Return whether it is still going on."""
        return self.closed_at is None

    @property
    def eased(self) -> bool:
        """Return whether a system holds on that was told to be about to end, and is not any more."""
        critical = self.told_severity is Severity.CRITICAL and self.severity is not Severity.CRITICAL
        return critical and any(part.until is None for part in self.parts.values())


def waits_its_turn(incident: Incident, alarm: Alarm, kind: AlarmKind) -> bool:
    """Return whether an alarm that came to an outage is told when that is over: what is planned, and what is lesser than it.

    A letter that such a matter headed would bear the outage's severity. What comes of the lost supply, and what somebody is
    called to at once, waits for nothing.
    """
    lesser = alarm.severity.rank < Severity.MAJOR.rank
    of_it = kind.cause is Cause.POWER or kind.breaks_out
    return incident.cause is Cause.POWER and not of_it and (lesser or kind.planning)


@dataclass(frozen=True, slots=True)
class Notice:
    """What people are told once. `id` is the same on every attempt and every replay.

    `lines` are details, one thing each; `short` is cause, place, time left and first action in at most 160
    plain characters. `urgent`: somebody must act now. `by_when`: the last moment for it, the same as of the alarm it
    is said of; `by_when_for`: what of the plant sets it. `place`: what people call
    `about`, with its site. `news_of`: what is news in it, as ids: the cause that opened, or the alarms that became
    critical. `mains_lost`: no unit of the supply is seen fed.
    """

    id: str
    incident: str
    kind: NoticeKind
    severity: Severity
    at: datetime
    site: str | None
    about: str
    what: str
    do: str
    by_when: datetime | None
    lines: tuple[str, ...]
    short: str
    urgent: bool
    level: int = 0
    alarms: tuple[str, ...] = ()
    counted: int = 0
    opened_at: datetime | None = None
    parts: tuple[IncidentPart, ...] = ()
    news: NoticeNews = NoticeNews.OTHER
    news_of: tuple[str, ...] = ()
    place: str = ""
    mains_lost: bool = False
    by_when_for: Deadline | None = None


@dataclass(frozen=True, slots=True)
class IncidentChange:
    """An incident as it now is, and the notice to send if there is one."""

    incident: Incident
    notice: Notice | None
    at: datetime
