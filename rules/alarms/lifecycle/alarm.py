"""One alarm as it stands, and one step of it by the transition table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Final

from rules.alarms.catalogue import AlarmKind
from rules.alarms.lifecycle.states import NEXT, AlarmEvent, Effect, State
from rules.values.code import Code
from rules.values.reason import Reason, advised
from rules.values.severity import Severity


@dataclass(frozen=True, slots=True)
class Acknowledgement:
    """Who saw it, when, and what they wrote."""

    by: str
    at: datetime
    note: str = ""


@dataclass(frozen=True, slots=True)
class Note:
    """An operator's remark, kept with the alarm."""

    by: str
    at: datetime
    text: str


class Deadline(StrEnum):
    """What of the plant sets the last moment to do what an alarm asks."""

    SHED = "shed"
    START_SET = "start_set"
    SET_OUT = "set_out"
    BANKS_END = "banks_end"


OF_READINESS: Final = frozenset({"requirement_not_met", "redundancy_lost", "cannot_take_partner"})
"""Alarms of what a system could do were its mains lost."""


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm of one thing. Keyed by kind, thing and qualifier, as RFC 8632 keys them.

    `condition` is what is known now, `known` what was last known; `run_s` is how long `known` had held, while it
    could be seen, at `mark_s` (seconds of the watch): `ran_s` adds what has passed since. `by_when_for`: what of the
    plant sets `by_when`; None: it is the alarm's time to respond, or a date. `came`: how often it came since it comes and
    goes (`chattering`), and within how many seconds from the first time to the last.
    """

    id: str
    kind: str
    about: str
    qualifier: str = ""
    state: State = State.NORMAL
    severity: Severity = Severity.WARNING
    what: Reason | None = None
    do: Reason | None = None
    since: datetime | None = None
    by_when: datetime | None = None
    by_when_for: Deadline | None = None
    incident: str | None = None
    acknowledged: Acknowledgement | None = None
    notes: tuple[Note, ...] = ()
    shelved_until: datetime | None = None
    shelved_by: str | None = None
    explained: tuple[str, ...] = ()
    planned: tuple[str, ...] = ()
    out_of_service_by: str | None = None
    facts: Mapping[str, float | None] | None = None
    condition: bool | None = None
    known: bool = False
    run_s: float = 0.0
    mark_s: float = 0.0
    standing: bool = False
    state_s: float = 0.0
    escalations: int = 0
    occurrences_s: tuple[float, ...] = ()
    chattering: bool = False
    came: int = 0
    came_within_s: float = 0.0
    first_sign: datetime | None = None
    sign_s: float = 0.0

    @property
    def suppressed_because(self) -> tuple[str, ...]:
        """Return what explains the alarm: the plant's own state, then planned work."""
        return (*self.explained, *self.planned)

    @property
    def open_now(self) -> bool:
        """Return whether what an alarm of readiness says stands from before and cannot be told now.

        It is judged anew after a start, with a changed estate file, once a system is fed again: its words are of what was.
        """
        return self.condition is None and self.kind in OF_READINESS

    @property
    def being_taken(self) -> bool:
        """Return whether it waits for units that are about to take a supply: whether what it says will be so is not known."""
        said = self.what is not None and self.what.code is Code.SUPPLY_BEING_TAKEN
        return self.condition is None and said

    @property
    def over(self) -> bool:
        """Return whether it was last seen not to be so: while it cannot be told it stays what it was."""
        return self.condition is not True and not self.known

    @property
    def resting(self) -> bool:
        """Return whether nothing about this alarm is worth keeping in the watch's memory."""
        return (
            self.state is State.NORMAL
            and self.condition is False
            and not (self.standing or self.occurrences_s or self.chattering or self.notes)
            and self.first_sign is None
        )


@dataclass(frozen=True, slots=True)
class Happened:
    """One transition: the alarm after it, what happened and what must be done about it."""

    alarm: Alarm
    before: State
    event: AlarmEvent
    effects: tuple[Effect, ...]
    at: datetime


def alarm_id(kind: str, about: str, qualifier: str = "") -> str:
    """Return the lasting id of an alarm; safe in a path segment of a URL once quoted."""
    return f"{kind}:{about}:{qualifier}" if qualifier else f"{kind}:{about}"


def new_alarm(kind: AlarmKind, about: str, qualifier: str, now_s: float) -> Alarm:
    """Return an alarm that has never occurred."""
    return Alarm(
        id=alarm_id(kind.id, about, qualifier),
        kind=kind.id,
        about=about,
        qualifier=qualifier,
        severity=kind.severity,
        do=advised(kind.do),
        mark_s=now_s,
    )


def transit(
    alarm: Alarm, event: AlarmEvent, *, now_s: float, at: datetime
) -> tuple[Alarm, tuple[Happened, ...]]:
    """Return the alarm after `event` by the table, and the transition unless nothing came of it."""
    state, effects = NEXT[alarm.state, event]
    if not effects:
        return alarm, ()
    after = replace(alarm, state=state, state_s=now_s)
    if Effect.TELL in effects:
        after = replace(after, acknowledged=None, escalations=0)
    if event is AlarmEvent.ESCALATE:
        after = replace(after, escalations=alarm.escalations + 1)
    return after, (Happened(after, alarm.state, event, effects, at),)


def reworded(
    alarm: Alarm,
    what: Reason,
    facts: Mapping[str, float | None],
    by: tuple[datetime, Deadline] | None = None,
    do: Reason | None = None,
) -> Alarm:
    """Return a standing alarm whose condition is not known now with words that are true of it by reckoning.

    What counts down goes on counting though nobody sees the plant; whether it still is so stays as it was.
    """
    if not alarm.standing or alarm.condition is not None:
        return alarm
    moment, why = by or (alarm.by_when, alarm.by_when_for)
    return replace(alarm, what=what, do=do or alarm.do, facts=facts, by_when=moment, by_when_for=why)


def add_note(alarm: Alarm, *, by: str, text: str, at: datetime) -> Alarm:
    """Return the alarm with one more remark."""
    return replace(alarm, notes=(*alarm.notes, Note(by, at, text)))
