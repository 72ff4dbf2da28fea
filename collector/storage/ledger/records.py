"""What the ledger keeps: one frozen value for each kind of line.

Columns that are asked for by value are fields; everything else is `body`, a JSON object that belongs to
whoever wrote the line. `schema` names the body's shape, so that a later program can still read it.
Times are UTC and exact to the microsecond.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any, Generic, TypeVar

T = TypeVar("T")

Body = Mapping[str, Any]
"""A JSON object. NaN and infinities are refused."""


class Sending(StrEnum):
    """Where a message stands on its way out. `UNNEEDED`: when its turn came there was nothing left to tell."""

    WAITING = "waiting"
    SENT = "sent"
    DEAD = "dead"
    UNNEEDED = "unneeded"


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """An alarm as it stands now. `id` stays the same through raise, return and re-alarm.

    `kind` is its entry in the catalogue, `about` the system, unit, bank or part it concerns,
    `standing` whether it is anything but normal (those are what a start reads back).
    """

    id: str
    kind: str
    about: str
    severity: str
    state: str
    since: datetime
    standing: bool = True
    incident: str | None = None
    schema: str = "alarm/1"
    body: Body = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class IncidentLine:
    """One cause and what hangs on it. `closed` None: still open."""

    id: str
    about: str
    severity: str
    opened: datetime
    closed: datetime | None = None
    schema: str = "incident/1"
    body: Body = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class JournalLine:
    """Something that happened, never changed afterwards. `seq` is given by the ledger, in order of commit."""

    at: datetime
    kind: str
    about: str | None
    text: str
    incident: str | None = None
    alarm: str | None = None
    schema: str = "event/1"
    body: Body = field(default_factory=dict)
    seq: int = 0


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message to one destination. `id` repeats on every attempt.

    Of one `channel` and `order_key` (an incident, say) only the oldest waiting message is due: so they
    arrive in order. `due` is the earliest moment of the next attempt.
    """

    id: str
    channel: str
    destination: str
    order_key: str
    created: datetime
    due: datetime
    urgent: bool = False
    incident: str | None = None
    schema: str = "message/1"
    body: Body = field(default_factory=dict)
    sending: Sending = Sending.WAITING
    attempts: int = 0
    result: str | None = None
    seq: int = 0


@dataclass(frozen=True, slots=True)
class Action:
    """What an operator did, and why."""

    at: datetime
    who: str
    what: str
    about: str
    why: str
    alarm: str | None = None
    schema: str = "action/1"
    body: Body = field(default_factory=dict)
    seq: int = 0


@dataclass(frozen=True, slots=True)
class EquipmentEvent:
    """A dated change or visit: `kind` "replaced" or "visited", `about` a unit, bank or generator."""

    at: datetime
    kind: str
    about: str
    author: str
    recorded: datetime
    schema: str = "equipment/1"
    body: Body = field(default_factory=dict)
    seq: int = 0


@dataclass(frozen=True, slots=True)
class Evidence:
    """Something that shows what a bank can do.

    `kind` "outage", "test", "acceptance", "transfer", "import" or "hand", or "taken_back"; `until` None while a discharge
    is still being recorded. `content` is the record itself in whatever form `schema` names.
    """

    id: str
    bank: str
    kind: str
    at: datetime
    until: datetime | None
    author: str | None = None
    schema: str = "discharge/1"
    body: Body = field(default_factory=dict)
    content: bytes = b""


@dataclass(frozen=True, slots=True)
class EndedDischarge:
    """Of a recorded discharge that is over: which, of what bank, of what kind, from when until when."""

    id: str
    bank: str
    kind: str
    at: datetime
    until: datetime


@dataclass(frozen=True, slots=True)
class LearntFact:
    """What was learnt about one card. A later fact of the same name replaces it; the old line stays."""

    card: str
    name: str
    learnt: datetime
    schema: str = "fact/1"
    body: Body = field(default_factory=dict)
    seq: int = 0


@dataclass(frozen=True, slots=True)
class Corrections:
    """A set of corrections that readings refer to by `id`; saved again when something is unlearnt."""

    id: str
    card: str
    since: datetime
    schema: str = "corrections/1"
    body: Body = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The state of something that must go on after a restart ("watch", "peaks"): the newest only."""

    name: str
    at: datetime
    schema: str
    body: Body


@dataclass(frozen=True, slots=True)
class SignedLine:
    """A planned shutdown exactly as it was signed; `id` is the digest of `body`. Never changed once it is there."""

    id: str
    system: str
    starts_at: datetime
    signed_at: datetime
    signed_by: str
    schema: str = "signed-plan/1"
    body: Body = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CourseLine:
    """How far a signed plan has come; `open` while it is still to come or runs."""

    plan: str
    at: datetime
    open: bool
    schema: str = "plan-course/1"
    body: Body = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class JudgementLine:
    """One judgement of one subject (a bank), with all that is needed to reckon it again."""

    about: str
    as_of: datetime
    digest: str
    seed: int
    schema: str = "judgement/1"
    body: Body = field(default_factory=dict)
    seq: int = 0


@dataclass(frozen=True, slots=True)
class EngineBoots:
    """An SNMPv3 engine's boots and time as last seen (RFC 3414 clause 2.2); our own engine too."""

    engine: str
    boots: int
    time_s: int
    at: datetime


@dataclass(frozen=True, slots=True)
class UserLine:
    """A person who may look or act. `password` is its argon2id hash, None for one whom only a proxy vouches for."""

    name: str
    role: str
    password: str | None
    made: datetime
    changed: datetime


@dataclass(frozen=True, slots=True)
class SessionLine:
    """A browser that signed in. `id` is the SHA-256 of what the browser shows; it is over at `ends` at the latest."""

    id: str
    user: str
    address: str
    made: datetime
    used: datetime
    ends: datetime


@dataclass(frozen=True, slots=True)
class AccessToken:
    """A program that may look or act. `secret` is the SHA-256 of what it shows beside its `id`; `used` by the hour."""

    id: str
    label: str
    role: str
    secret: str
    made: datetime
    ends: datetime
    used: datetime | None = None


Place = tuple[datetime, str]
"""Where a line stands in a list that is newest first: its time and its id. It stays where it is when newer ones come."""


@dataclass(frozen=True, slots=True)
class Placed(Generic[T]):
    """Part of a list that is newest first. `next` is the place of its last line, where more follow."""

    items: tuple[T, ...]
    next: Place | None


@dataclass(frozen=True, slots=True)
class Page(Generic[T]):
    """Part of a list. `next` is what to ask the next part with, None at the end."""

    items: tuple[T, ...]
    next: int | None
