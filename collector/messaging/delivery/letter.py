"""What lies in the outbox: a letter to a person, or a post to a topic. Both go through JSON and back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

from rules.alarms.incidents.incident import IncidentPart, Notice
from rules.phrasing.dates import day_words
from rules.values.serial import from_plain, to_plain

LETTER: Final = "letter/1"
POST: Final = "post/1"
HEARTBEAT: Final = "heartbeat/1"


@dataclass(frozen=True, slots=True)
class Reach:
    """One way to a person."""

    channel: str
    address: str | None = None


@dataclass(frozen=True, slots=True)
class Telling:
    """One telling of one person: by what channel, when, and what came of it."""

    who: str
    by: str
    at: datetime
    result: str | None = None
    handed_over: bool = False
    """Whether the way there took it; `result` is then what its server said, and no matter for a page."""


@dataclass(frozen=True, slots=True)
class Letter:
    """One notice for one person. `others`: the further ways to them if this one fails.

    `unanswered_only`: needless once somebody acknowledged. `told_only`: for whoever was told before. `call`: whom
    to call, by name and number.
    """

    notice: Notice
    person: str
    address: str | None
    time_zone: str
    collector: str
    others: tuple[Reach, ...] = ()
    unanswered_only: bool = False
    told_only: bool = False
    call: tuple[str, ...] = ()

    def body(self) -> dict[str, Any]:
        """Return the letter as the outbox keeps it."""
        plain: dict[str, Any] = to_plain(self)
        return plain

    @classmethod
    def of(cls, body: Mapping[str, Any]) -> Letter:
        """Return the letter that the outbox kept. Raises TypeError or ValueError for what is none."""
        return from_plain(cls, body)

    def local(self, moment: datetime) -> str:
        """Return a moment as the clock on the person's wall shows it, with the day when it is not this one."""
        zone = ZoneInfo(self.time_zone)
        here, now = moment.astimezone(zone), self.notice.at.astimezone(zone)
        clock = f"{here:%H:%M:%S}"
        return clock if here.date() == now.date() else f"{day_words(here.date())}, {clock}"


@dataclass(frozen=True, slots=True)
class Post:
    """One message to a topic. `payload` None clears what is retained there."""

    topic: str
    payload: dict[str, Any] | None
    retain: bool = True
    expiry_s: float | None = None

    def body(self) -> dict[str, Any]:
        """Return the post as the outbox keeps it."""
        return {
            "topic": self.topic,
            "payload": self.payload,
            "retain": self.retain,
            "expiry_s": self.expiry_s,
        }

    @classmethod
    def of(cls, body: Mapping[str, Any]) -> Post:
        """Return the post that the outbox kept."""
        return cls(body["topic"], body["payload"], body["retain"], body["expiry_s"])


def notice_data(
    letter: Letter, message_id: str, answer: str | None = None, answer_token: str | None = None
) -> dict[str, Any]:
    """Return a letter as programs read it: what stands in its notice, whom it is for, whom to call, where to answer."""
    beside = {
        "answer": answer,
        "answer_token": answer_token,
        "call": list(letter.call),
        "person": letter.person,
    }
    return {"id": message_id, **notice_fields(letter.notice), **beside}


def notice_fields(notice: Notice) -> dict[str, Any]:
    """Return a notice as programs read it: flat, units in the names, null for what is not known."""
    return {
        "incident": notice.incident,
        "kind": notice.kind.value,
        "severity": notice.severity.value,
        "at": _rfc3339(notice.at),
        "opened_at": _rfc3339(notice.opened_at),
        "site": notice.site,
        "about": notice.about,
        "what": notice.what,
        "do": notice.do or None,
        "by_when": _rfc3339(notice.by_when),
        "by_when_for": notice.by_when_for,
        "details": list(notice.lines),
        "short": notice.short,
        "urgent": notice.urgent,
        "alarms": list(notice.alarms),
        "conditions_counted": notice.counted,
        "systems": [outage_of(part) for part in notice.parts],
    }


def outage_of(part: IncidentPart) -> dict[str, Any]:
    """Return one system's part in an outage as programs read it."""
    return {
        "system": part.system,
        "on_battery_since": _rfc3339(part.since),
        "back_at": _rfc3339(part.fed_at),
        "ends_earliest": _rfc3339(part.ends_earliest),
        "ends_latest": _rfc3339(part.ends_latest),
        "start_set_before": _rfc3339(part.start_set_before),
        "reckoned_since": _rfc3339(part.reckoned_since),
        "lowest_left_s": part.lowest_left_s,
        "dropped": part.dropped,
    }


def _rfc3339(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
