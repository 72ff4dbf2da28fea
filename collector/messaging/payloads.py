"""What other programs get of us, by MQTT, webhook and command, as a form that can be checked: every payload, every key.

The payloads are made where they are sent; that each fits its form here is held by a test. `deploy/MESSAGES.md` and the
JSON Schemas beside it are written from here.
"""

from __future__ import annotations

from typing import Any, Final, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field


class _Payload(BaseModel):
    model_config = ConfigDict(extra="forbid")


SeverityWord = Literal["critical", "major", "minor", "warning"]


class AlivePayload(_Payload):
    """A collector's sign of life. The broker itself says `lost` for one that went away without a word."""

    state: Literal["running", "stopped", "lost"] = Field(
        description="stopped: on purpose; lost: by the last will"
    )
    at: AwareDatetime | None = Field(default=None, description="when it said so; not with `lost`")
    next_within_s: float | None = Field(
        default=None, description="seconds within which the next one comes; null where none does"
    )


BY_WHEN_FOR: Final = (
    "what of the plant sets that moment, the earliest that is known: `shed` in time, start the generator (`start_set`), "
    "the earliest end of the banks (`banks_end`); null: the alarm's time to respond, or a date"
)


class AlarmAcknowledged(_Payload):
    """Who took an alarm on."""

    by: str = Field(description="who")
    at: AwareDatetime = Field(description="when")
    note: str | None = Field(default=None, description="what they wrote")


class AlarmPayload(_Payload):
    """One alarm as it stands. An empty payload takes it back: it is normal."""

    message_id: str = Field(description="the same however often it is sent")
    id: str = Field(description="names the alarm, as in `GET /v1/alarms/{alarm}`")
    about: str = Field(description="id of a site, supply, system, unit, bank, card or generator")
    what: str = Field(description="what is so, in words")
    do: str = Field(description="what to do, in words")
    severity: SeverityWord = Field(description="how severe")
    state: str = Field(description="state of IEC 62682, as over HTTP")
    since: AwareDatetime | None = Field(description="when it began")
    by_when: AwareDatetime | None = Field(description="the last moment to do it")
    by_when_for: Literal["shed", "start_set", "set_out", "banks_end"] | None = Field(description=BY_WHEN_FOR)
    incident: str | None = Field(description="the incident it belongs to")
    acknowledged: AlarmAcknowledged | None = Field(description="who took it on; null: nobody")
    shelved_until: AwareDatetime | None = Field(description="until when somebody shelved it")


class SystemInOutage(_Payload):
    """One system's part in a power incident."""

    system: str = Field(description="id of the system")
    on_battery_since: AwareDatetime = Field(description="when it went on its banks")
    back_at: AwareDatetime | None = Field(
        description="when it was fed again; null: it is not, or its banks ended"
    )
    ends_earliest: AwareDatetime | None = Field(
        description="the earliest end of its banks; null: cannot be told"
    )
    ends_latest: AwareDatetime | None = Field(description="the latest end of its banks")
    start_set_before: AwareDatetime | None = Field(description="the last moment to start the generator")
    reckoned_since: AwareDatetime | None = Field(
        description="since when nothing was read and the end is reckoned"
    )
    lowest_left_s: float | None = Field(description="the least time left that was reckoned, seconds")
    dropped: bool = Field(description="whether its load was lost")


class _NoticeFields(_Payload):
    incident: str = Field(description="names the incident: one cause")
    kind: Literal["opened", "changed", "escalated", "closed"] = Field(
        description="escalated: nobody acknowledged it yet"
    )
    severity: SeverityWord = Field(description="the worst of its alarms")
    at: AwareDatetime = Field(description="when it was so")
    opened_at: AwareDatetime | None = Field(description="when it began")
    site: str | None = Field(description="id of the site; null: of the service itself, or of several")
    about: str = Field(description="id of what it is about")
    what: str = Field(description="what is so, in words")
    do: str | None = Field(description="what to do, in words")
    by_when: AwareDatetime | None = Field(description="the last moment to do it")
    by_when_for: Literal["shed", "start_set", "set_out", "banks_end"] | None = Field(description=BY_WHEN_FOR)
    details: list[str] = Field(description="more, a sentence or two each")
    short: str = Field(description="at most 160 plain characters: place, what, how long, what to do")
    urgent: bool = Field(description="whether somebody must act now")
    alarms: list[str] = Field(description="ids of its alarms")
    conditions_counted: int = Field(description="conditions it explains that are not told singly")
    systems: list[SystemInOutage] = Field(description="the systems on their banks, or that were")


class IncidentPayload(_NoticeFields):
    """What is told of an incident, once each time there is something to tell."""

    message_id: str = Field(description="the same however often it is sent")


class NoticePayload(_NoticeFields):
    """What one person is told of an incident."""

    id: str = Field(description="the same however often it is sent")
    person: str = Field(description="who is told")
    call: list[str] = Field(description="whom to call, each as NAME, NUMBER")
    answer: str | None = Field(
        description="the person's own link to say that they have it; for a day, once; null: no `answers_at` is named, there "
        "is nothing to answer, or it goes by a broker, which others read"
    )
    answer_token: str | None = Field(
        description="what to publish at a broker to say the same, where one `takes_answers`; good once, by either way; null: none "
        "does, there is nothing to answer, or it goes by a broker"
    )


class UnitPayload(_Payload):
    """What the card of a unit says, as read last: the `reading` of `GET /v1/units/{unit}`, with what is doubted of it."""

    id: str = Field(description="id of the unit")
    reading: dict[str, Any] = Field(description="values in SI units, null where not known")
    doubts: list[dict[str, Any]] = Field(description="what is doubted or corrected, and why")
    missing: list[str] = Field(description="objects the card does not have")


class HeartbeatData(_Payload):
    """A sign of life by webhook or command."""

    collector: str = Field(description="the collector's name")
    state: Literal["running"] = Field(description="running")
    next_within_s: float = Field(description="seconds within which the next one comes")


class _Event(_Payload):
    specversion: Literal["1.0"] = Field(description="of CloudEvents")
    id: str = Field(description="the same however often it is sent")
    source: str = Field(description="/ridethrough/COLLECTOR")
    time: AwareDatetime = Field(description="when it was made")
    datacontenttype: Literal["application/json"] = Field(description="of `data`")


class IncidentEvent(_Event):
    """A CloudEvents 1.0 event: what one person is told of an incident."""

    type: Literal[
        "ridethrough.incident.opened",
        "ridethrough.incident.changed",
        "ridethrough.incident.escalated",
        "ridethrough.incident.closed",
    ] = Field(description="the kind of notice")
    subject: str = Field(description="the incident")
    data: NoticePayload = Field(description="the notice")


class HeartbeatEvent(_Event):
    """A CloudEvents 1.0 event: a sign of life, so that others notice when it stops."""

    type: Literal["ridethrough.heartbeat"] = Field(description="a sign of life")
    data: HeartbeatData = Field(description="who lives")


FORMS: Final[dict[str, type[BaseModel]]] = {
    "alive": AlivePayload,
    "alarm": AlarmPayload,
    "incident": IncidentPayload,
    "person": NoticePayload,
    "unit": UnitPayload,
    "incident-event": IncidentEvent,
    "heartbeat-event": HeartbeatEvent,
}
"""The form of each sort of payload, by the name of its schema."""
