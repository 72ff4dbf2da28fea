"""How one alarm lives: the transition table of IEC 62682 / ISA-18.2, with delays, shelving and escalation.

Theory of operation. An alarm has two sides. The *plant's* side is a condition: present, absent or not
known. The *people's* side is a state: has it been acknowledged, is it held back, must it be reset. `NEXT`
joins the two: every state meets every event, and a test demands every pair.

Delays run on the watch's own seconds (see `rules.monitor`), never on wall time, and only while the
condition is known: a value that becomes unknown stops the run, so it neither raises nor clears, and the
run goes on where it stopped when the value is known again. An alarm keeps since when its run goes on, not how long
it is: time that passes changes no alarm until something comes of it, and `next_s` says when that is.

Three things hold an alarm back; it stays evaluated and listed all the while. Out of service (maintenance,
authorised) ranks above suppressed by design (logic explains it), which ranks above shelved (an operator's
decision, always with an end). When the last of them ends and the condition is still present the alarm is
active and unacknowledged, and people are told: nobody can have seen it.

Chattering (three occurrences within a minute, EEMUA 191) is damped, not hidden: the alarm stands, marked,
until its condition has been absent for ten minutes; people are told once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from rules.alarms.catalogue import AlarmKind
from rules.values.severity import Severity

CHATTER_COUNT: Final = 3
CHATTER_WITHIN_S: Final = 60.0
"""An alarm that comes so often within so many seconds chatters (EEMUA 191: three in a minute)."""
CHATTER_QUIET_S: Final = 600.0
MAX_ESCALATIONS: Final = 3
ROUNDING_S: Final = 1e-3
"""More than sums of a watch's seconds are rounded by over decades."""


class State(StrEnum):
    """The states of IEC 62682; the values are those of the HTTP interface."""

    NORMAL = "normal"
    ACTIVE_UNACKNOWLEDGED = "active_unacknowledged"
    ACTIVE_ACKNOWLEDGED = "active_acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned_unacknowledged"
    LATCHED = "latched"
    SHELVED = "shelved"
    SUPPRESSED_BY_DESIGN = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"

    @property
    def active(self) -> bool:
        """Return whether the condition stands and nothing holds the alarm back."""
        return self in ACTIVE

    @property
    def held(self) -> bool:
        """Return whether the alarm is shelved, suppressed by design or out of service."""
        return self in HELD


ACTIVE: Final = frozenset({State.ACTIVE_UNACKNOWLEDGED, State.ACTIVE_ACKNOWLEDGED})
HELD: Final = frozenset({State.SHELVED, State.SUPPRESSED_BY_DESIGN, State.OUT_OF_SERVICE})


class AlarmEvent(StrEnum):
    """What can happen to an alarm."""

    OCCUR = "occur"
    RETURN = "return"
    RETURN_LATCHING = "return_latching"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    WORSEN = "worsen"
    REALARM = "realarm"
    ESCALATE = "escalate"
    SHELVE = "shelve"
    SUPPRESS = "suppress"
    REMOVE = "remove"
    RELEASE_PRESENT = "release_present"
    RELEASE_ABSENT = "release_absent"


class Effect(StrEnum):
    """What the caller must carry out."""

    RECORD = "record"
    TELL = "tell"
    TELL_RETURNED = "tell_returned"
    TELL_MORE = "tell_more"


_N, _U, _A = State.NORMAL, State.ACTIVE_UNACKNOWLEDGED, State.ACTIVE_ACKNOWLEDGED
_R, _L = State.RETURNED_UNACKNOWLEDGED, State.LATCHED
_S, _D, _O = State.SHELVED, State.SUPPRESSED_BY_DESIGN, State.OUT_OF_SERVICE

_NOTHING: Final[tuple[Effect, ...]] = ()
_RECORD: Final = (Effect.RECORD,)
_TELL: Final = (Effect.RECORD, Effect.TELL)
_BACK: Final = (Effect.RECORD, Effect.TELL_RETURNED)
_MORE: Final = (Effect.RECORD, Effect.TELL_MORE)


_Cell = tuple[State, tuple[Effect, ...]]


def _row(event: AlarmEvent, **cells: _Cell) -> dict[tuple[State, AlarmEvent], _Cell]:
    """Return one event's row; states not named stay as they are, without effect."""
    return {
        (state, event): cells.get(name, (state, _NOTHING))
        for name, state in {"N": _N, "U": _U, "A": _A, "R": _R, "L": _L, "S": _S, "D": _D, "O": _O}.items()
    }


# Rows by event; columns N normal, U active unacknowledged, A active acknowledged, R returned
# unacknowledged, L latched, S shelved, D suppressed by design, O out of service.
NEXT: Final[Mapping[tuple[State, AlarmEvent], _Cell]] = {
    # the plant
    **_row(AlarmEvent.OCCUR, N=(_U, _TELL), R=(_U, _TELL), L=(_U, _TELL)),
    **_row(AlarmEvent.RETURN, U=(_R, _BACK), A=(_N, _BACK)),
    **_row(AlarmEvent.RETURN_LATCHING, U=(_L, _BACK), A=(_L, _BACK)),
    **_row(AlarmEvent.WORSEN, U=(_U, _TELL), A=(_U, _TELL)),
    # people; an acknowledged latched alarm stays latched until it is reset
    **_row(AlarmEvent.ACKNOWLEDGE, U=(_A, _RECORD), R=(_N, _RECORD), L=(_L, _RECORD)),
    **_row(AlarmEvent.RESET, L=(_N, _RECORD)),
    # time
    **_row(AlarmEvent.REALARM, A=(_U, _TELL)),
    **_row(AlarmEvent.ESCALATE, U=(_U, _MORE)),
    # holding back: which one ranks highest is settled before the event is made
    **_row(
        AlarmEvent.SHELVE,
        **dict.fromkeys("NUARLDO", (_S, _RECORD)),
    ),
    **_row(
        AlarmEvent.SUPPRESS,
        **dict.fromkeys("NUARLSO", (_D, _RECORD)),
    ),
    **_row(
        AlarmEvent.REMOVE,
        **dict.fromkeys("NUARLSD", (_O, _RECORD)),
    ),
    **_row(AlarmEvent.RELEASE_PRESENT, **dict.fromkeys("SDO", (_U, _TELL))),
    **_row(AlarmEvent.RELEASE_ABSENT, **dict.fromkeys("SDO", (_N, _RECORD))),
}


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


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm of one thing. Keyed by kind, thing and qualifier, as RFC 8632 keys them.

    `condition` is what is known now, `known` what was last known; `run_s` is how long `known` had held, while it
    could be seen, at `mark_s` (seconds of the watch): `ran_s` adds what has passed since.
    """

    id: str
    kind: str
    about: str
    qualifier: str = ""
    state: State = State.NORMAL
    severity: Severity = Severity.WARNING
    what: str = ""
    do: str = ""
    since: datetime | None = None
    by_when: datetime | None = None
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
    first_sign: datetime | None = None
    sign_s: float = 0.0

    @property
    def suppressed_because(self) -> tuple[str, ...]:
        """Return what explains the alarm: the plant's own state, then planned work."""
        return (*self.explained, *self.planned)

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
        do=kind.do,
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


@dataclass(frozen=True, slots=True)
class Observation:
    """What the plant says of one alarm: its condition, sentences and numbers, and what explains it."""

    present: bool | None
    what: str = ""
    do: str = ""
    facts: Mapping[str, float | None] | None = None
    by_when: datetime | None = None
    explained: tuple[str, ...] = ()


def observe(
    alarm: Alarm, kind: AlarmKind, seen: Observation, *, now_s: float, at: datetime
) -> tuple[Alarm, tuple[Happened, ...]]:
    """Return the alarm after a new observation of its condition, and what happened to it.

    Sentences, numbers and explanations come with a present condition only, so that an alarm that stands, or
    waits out its off-delay, keeps the last words that were true of it.
    """
    present = seen.present
    if present is None:
        if alarm.condition is not None:
            alarm = replace(alarm, condition=None, run_s=ran_s(alarm, now_s), mark_s=now_s)
        return progress(alarm, kind, now_s=now_s, at=at)
    turned = present != alarm.known
    run_s = 0.0 if turned else alarm.run_s
    mark_s = now_s if turned or alarm.condition is None else alarm.mark_s
    if present:
        recurs = turned and alarm.chattering
        alarm = replace(
            alarm,
            condition=True,
            known=True,
            run_s=run_s,
            mark_s=mark_s,
            what=seen.what or alarm.what,
            do=seen.do or kind.do,
            facts=seen.facts or alarm.facts,
            by_when=seen.by_when or alarm.by_when,
            explained=tuple(sorted(seen.explained)),
            first_sign=alarm.first_sign or at,
            sign_s=alarm.sign_s if alarm.first_sign else now_s,
            occurrences_s=_recent(alarm, now_s) if recurs else alarm.occurrences_s,
        )
    elif alarm.standing:
        alarm = replace(alarm, condition=False, known=False, run_s=run_s, mark_s=mark_s)
    else:
        alarm = replace(
            alarm,
            condition=False,
            known=False,
            run_s=run_s,
            mark_s=mark_s,
            first_sign=None,
            by_when=None,
            explained=(),
        )
    return progress(alarm, kind, now_s=now_s, at=at)


def reworded(alarm: Alarm, what: str, facts: Mapping[str, float | None]) -> Alarm:
    """Return a standing alarm whose condition is not known now with words that are true of it by reckoning.

    What counts down goes on counting though nobody sees the plant; whether it still is so stays as it was.
    """
    if not alarm.standing or alarm.condition is not None:
        return alarm
    return replace(alarm, what=what, facts=facts)


def progress(
    alarm: Alarm, kind: AlarmKind, *, now_s: float, at: datetime
) -> tuple[Alarm, tuple[Happened, ...]]:
    """Return the alarm after time has passed: delays, end of shelving, re-alarm, escalation."""
    alarm = _forgetful(alarm, kind, now_s, at)
    stood = alarm.standing
    alarm, worse = _graded(_judged(alarm, kind, now_s, at), kind)
    happened: list[Happened] = []
    for event in (*_hold_events(alarm), *_plant_events(alarm, kind, stood=stood, worse=worse)):
        alarm, news = transit(alarm, event, now_s=now_s, at=at)
        happened.extend(news)
    for event in _time_events(alarm, kind, now_s):
        alarm, news = transit(alarm, event, now_s=now_s, at=at)
        happened.extend(news)
    return alarm, tuple(happened)


def _forgetful(alarm: Alarm, kind: AlarmKind, now_s: float, at: datetime) -> Alarm:
    """Return the alarm without a shelving whose time is over and without occurrences long past."""
    if alarm.shelved_until is not None and at >= alarm.shelved_until:
        alarm = replace(alarm, shelved_until=None, shelved_by=None)
    if alarm.occurrences_s and not alarm.chattering:
        horizon_s = CHATTER_WITHIN_S + kind.on_delay_s
        kept = tuple(s for s in alarm.occurrences_s if now_s - s < horizon_s)
        if len(kept) < len(alarm.occurrences_s):
            alarm = replace(alarm, occurrences_s=kept)
    return alarm


def _judged(alarm: Alarm, kind: AlarmKind, now_s: float, at: datetime) -> Alarm:
    """Return the alarm with its delays applied: whether it stands."""
    if alarm.condition is True and not alarm.standing and ran_s(alarm, now_s) >= kind.on_delay_s:
        occurrences = _recent(alarm, now_s)
        return replace(
            alarm,
            standing=True,
            since=alarm.first_sign or at,
            severity=kind.severity_for(alarm.facts),
            by_when=alarm.by_when or at + timedelta(seconds=kind.respond_s),
            occurrences_s=occurrences,
            chattering=alarm.chattering or len(occurrences) >= CHATTER_COUNT,
        )
    if alarm.condition is False and alarm.standing and ran_s(alarm, now_s) >= _quiet_s(alarm, kind):
        return replace(
            alarm,
            standing=False,
            first_sign=None,
            by_when=None,
            explained=(),
            chattering=False,
            occurrences_s=() if alarm.chattering else alarm.occurrences_s,
        )
    return alarm


def _quiet_s(alarm: Alarm, kind: AlarmKind) -> float:
    """Return for how long the condition must be absent for the alarm to go."""
    return max(kind.off_delay_s, CHATTER_QUIET_S) if alarm.chattering else kind.off_delay_s


def _graded(alarm: Alarm, kind: AlarmKind) -> tuple[Alarm, bool]:
    """Return the alarm with its severity brought up to date, and whether it became worse."""
    if not alarm.standing or alarm.condition is not True:
        return alarm, False
    severity = kind.severity_for(alarm.facts, standing=alarm.severity)
    if severity is alarm.severity:
        return alarm, False
    return replace(alarm, severity=severity), severity.rank > alarm.severity.rank


def _hold_events(alarm: Alarm) -> tuple[AlarmEvent, ...]:
    """Return what holding back or its end brings; before the plant's events, so nothing explained is told."""
    hold = _hold(alarm)
    if hold is not None:
        return () if hold[0] is alarm.state else (hold[1],)
    if not alarm.state.held:
        return ()
    return (AlarmEvent.RELEASE_PRESENT if alarm.standing else AlarmEvent.RELEASE_ABSENT,)


def _plant_events(alarm: Alarm, kind: AlarmKind, *, stood: bool, worse: bool) -> tuple[AlarmEvent, ...]:
    if alarm.standing and not stood:
        return (AlarmEvent.OCCUR,)
    if stood and not alarm.standing:
        return (AlarmEvent.RETURN_LATCHING if kind.latching else AlarmEvent.RETURN,)
    return (AlarmEvent.WORSEN,) if worse else ()


def _time_events(alarm: Alarm, kind: AlarmKind, now_s: float) -> tuple[AlarmEvent, ...]:
    in_state_s = now_s - alarm.state_s
    if alarm.state is State.ACTIVE_ACKNOWLEDGED:
        due = kind.realarm_s is not None and in_state_s >= kind.realarm_s
        return (AlarmEvent.REALARM,) if due else ()
    if alarm.state is State.ACTIVE_UNACKNOWLEDGED and alarm.escalations < MAX_ESCALATIONS:
        after_s = kind.escalate_after_s(alarm.severity)
        due = after_s is not None and in_state_s >= after_s
        return (AlarmEvent.ESCALATE,) if due else ()
    return ()


def ran_s(alarm: Alarm, now_s: float) -> float:
    """Return how long what was last known has held, as far as it could be seen (s)."""
    return alarm.run_s if alarm.condition is None else alarm.run_s + max(now_s - alarm.mark_s, 0.0)


def unwatched(alarm: Alarm, from_s: float, to_s: float) -> Alarm:
    """Return the alarm after seconds in which nobody looked: no run counts them, nor loses what came before."""
    return replace(alarm, run_s=ran_s(alarm, from_s), mark_s=to_s)


def next_s(alarm: Alarm, kind: AlarmKind) -> float | None:
    """Return when, at the earliest, time alone changes the alarm (seconds of the watch): never later than it does.

    The end of shelving (`shelved_until`) and planned work go by UTC and are not in it.
    """
    dues: list[float] = []
    if alarm.condition is True and not alarm.standing:
        dues.append(alarm.mark_s + kind.on_delay_s - alarm.run_s)
    elif alarm.condition is False and alarm.standing:
        dues.append(alarm.mark_s + _quiet_s(alarm, kind) - alarm.run_s)
    if alarm.occurrences_s and not alarm.chattering:
        dues.append(alarm.occurrences_s[0] + CHATTER_WITHIN_S + kind.on_delay_s)
    if alarm.state is State.ACTIVE_ACKNOWLEDGED and kind.realarm_s is not None:
        dues.append(alarm.state_s + kind.realarm_s)
    if alarm.state is State.ACTIVE_UNACKNOWLEDGED and alarm.escalations < MAX_ESCALATIONS:
        after_s = kind.escalate_after_s(alarm.severity)
        if after_s is not None:
            dues.append(alarm.state_s + after_s)
    return min(dues) - ROUNDING_S if dues else None


def _recent(alarm: Alarm, now_s: float) -> tuple[float, ...]:
    kept = tuple(s for s in alarm.occurrences_s if now_s - s < CHATTER_WITHIN_S)
    return (*kept, now_s)[-10:]


def _hold(alarm: Alarm) -> tuple[State, AlarmEvent] | None:
    """Return the state that holds the alarm back, the highest in rank, and the event that leads there."""
    if alarm.out_of_service_by is not None:
        return State.OUT_OF_SERVICE, AlarmEvent.REMOVE
    if alarm.suppressed_because and (alarm.standing or alarm.condition is not False):
        return State.SUPPRESSED_BY_DESIGN, AlarmEvent.SUPPRESS
    if alarm.shelved_until is not None:
        return State.SHELVED, AlarmEvent.SHELVE
    return None


def acknowledge(
    alarm: Alarm, *, by: str, note: str, now_s: float, at: datetime
) -> tuple[Alarm, tuple[Happened, ...]]:
    """Return the alarm after somebody acknowledged it."""
    if NEXT[alarm.state, AlarmEvent.ACKNOWLEDGE][1] == _NOTHING:
        return alarm, ()
    alarm = replace(alarm, acknowledged=Acknowledgement(by=by, at=at, note=note))
    return transit(alarm, AlarmEvent.ACKNOWLEDGE, now_s=now_s, at=at)


def reset(
    alarm: Alarm, *, by: str, note: str, now_s: float, at: datetime
) -> tuple[Alarm, tuple[Happened, ...]]:
    """Return the alarm after a latched one was reset by hand."""
    if alarm.state is not State.LATCHED:
        return alarm, ()
    alarm = replace(alarm, acknowledged=alarm.acknowledged or Acknowledgement(by=by, at=at, note=note))
    return transit(alarm, AlarmEvent.RESET, now_s=now_s, at=at)


def shelve(
    alarm: Alarm, kind: AlarmKind, *, by: str, note: str, until: datetime, now_s: float, at: datetime
) -> tuple[Alarm, tuple[Happened, ...]]:
    """Return the alarm put aside until a moment; it comes back by itself."""
    alarm = replace(alarm, shelved_until=until, shelved_by=by, notes=(*alarm.notes, Note(by, at, note)))
    return progress(alarm, kind, now_s=now_s, at=at)


def unshelve(
    alarm: Alarm, kind: AlarmKind, *, now_s: float, at: datetime
) -> tuple[Alarm, tuple[Happened, ...]]:
    """Return the alarm taken back before its time; as it is where nobody put it aside."""
    if alarm.shelved_until is None:
        return alarm, ()
    return progress(replace(alarm, shelved_until=None, shelved_by=None), kind, now_s=now_s, at=at)


def take_out_of_service(
    alarm: Alarm, kind: AlarmKind, *, by: str, note: str, now_s: float, at: datetime
) -> tuple[Alarm, tuple[Happened, ...]]:
    """Return the alarm taken out of service for maintenance, by a named person with a reason."""
    alarm = replace(alarm, out_of_service_by=by, notes=(*alarm.notes, Note(by, at, note)))
    return progress(alarm, kind, now_s=now_s, at=at)


def return_to_service(
    alarm: Alarm, kind: AlarmKind, *, now_s: float, at: datetime
) -> tuple[Alarm, tuple[Happened, ...]]:
    """Return the alarm put back in service; as it is where nobody took it out."""
    if alarm.out_of_service_by is None:
        return alarm, ()
    return progress(replace(alarm, out_of_service_by=None), kind, now_s=now_s, at=at)


def add_note(alarm: Alarm, *, by: str, text: str, at: datetime) -> Alarm:
    """Return the alarm with one more remark."""
    return replace(alarm, notes=(*alarm.notes, Note(by, at, text)))
