"""How an alarm's condition moves it: delays, chattering, escalation, and when time alone will change it next.

Delays run on the watch's own seconds (see `rules.monitor`), never on wall time, and only while the
condition is known: a value that becomes unknown stops the run, so it neither raises nor clears, and the
run goes on where it stopped when the value is known again. An alarm keeps since when its run goes on, not how long
it is: time that passes changes no alarm until something comes of it, and `next_s` says when that is.

Chattering is damped, not hidden: an alarm that came for the third time within a quarter of an hour stands, marked, until
its condition has been absent for ten minutes, or twice as long as it took from one time to the next; people are told once.
IEC 62682 leaves the figures to the site; by three in a minute, which EEMUA 191 counts, a contact that opens each minute
and a half would be told forty times in an hour. An alarm that then stays is told at once, as one that stands: where somebody must act
at once, after a minute, else once it would have gone and come again.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

from rules.alarms.catalogue import AlarmKind, Cause
from rules.alarms.lifecycle.alarm import Alarm, Deadline, Happened, transit
from rules.alarms.lifecycle.states import AlarmEvent, State
from rules.values.code import Code
from rules.values.reason import Reason, advised, reason

CHATTER_COUNT: Final = 3


CHATTER_WITHIN_S: Final = 60.0
"""An alarm that comes so often within so many seconds is counted as chattering in the figures (EEMUA 191: three in a minute)."""


COMES_BACK_WITHIN_S: Final = 900.0
"""An alarm that comes `CHATTER_COUNT` times within so many seconds is told as coming and going, once."""


STAYS_S: Final = 60.0
"""An alarm that came and went and is there for so long stays."""


CHATTER_QUIET_S: Final = 600.0


MAX_ESCALATIONS: Final = 3


OCCURRENCES_KEPT: Final = 10


ROUNDING_S: Final = 1e-3
"""More than sums of a watch's seconds are rounded by over decades."""


@dataclass(frozen=True, slots=True)
class Observation:
    """What the plant says of one alarm: its condition, reasons and numbers, and what explains it."""

    present: bool | None
    what: Reason | None = None
    do: Reason | None = None
    facts: Mapping[str, float | None] | None = None
    by_when: datetime | None = None
    by_when_for: Deadline | None = None
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
        if recurs:
            alarm = _came_again(alarm, now_s)
        alarm = replace(
            alarm,
            condition=True,
            known=True,
            run_s=run_s,
            mark_s=mark_s,
            what=seen.what or alarm.what,
            do=seen.do or advised(kind.do),
            facts=seen.facts or alarm.facts,
            by_when=seen.by_when or alarm.by_when,
            by_when_for=seen.by_when_for if seen.by_when else alarm.by_when_for,
            explained=tuple(sorted(seen.explained)),
            first_sign=alarm.first_sign or at,
            sign_s=alarm.sign_s if alarm.first_sign else now_s,
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
            by_when_for=None,
            explained=(),
        )
    return progress(alarm, kind, now_s=now_s, at=at)


def progress(
    alarm: Alarm, kind: AlarmKind, *, now_s: float, at: datetime
) -> tuple[Alarm, tuple[Happened, ...]]:
    """Return the alarm after time has passed: delays, end of shelving, re-alarm, escalation."""
    alarm = _forgetful(alarm, kind, now_s, at)
    stood = alarm.standing
    alarm, worse = _graded(_judged(alarm, kind, now_s, at), kind)
    alarm, stays = _settled(alarm, kind, now_s, at)
    happened: list[Happened] = []
    for event in (*_hold_events(alarm), *_plant_events(alarm, kind, stood=stood, worse=worse), *stays):
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
        horizon_s = COMES_BACK_WITHIN_S + kind.on_delay_s
        kept = tuple(s for s in alarm.occurrences_s if now_s - s < horizon_s)
        if len(kept) < len(alarm.occurrences_s):
            alarm = replace(alarm, occurrences_s=kept)
    return alarm


def _judged(alarm: Alarm, kind: AlarmKind, now_s: float, at: datetime) -> Alarm:
    """Return the alarm with its delays applied: whether it stands."""
    if alarm.condition is True and not alarm.standing and ran_s(alarm, now_s) >= kind.on_delay_s:
        # what is held back is told nobody, and counts as none of the times that people were told of
        occurrences = alarm.occurrences_s if _hold(replace(alarm, standing=True)) else _recent(alarm, now_s)
        chatters = alarm.chattering or len(occurrences) >= CHATTER_COUNT
        return replace(
            alarm,
            standing=True,
            since=alarm.first_sign or at,
            severity=kind.severity_for(alarm.facts),
            by_when=alarm.by_when or at + timedelta(seconds=kind.respond_s),
            occurrences_s=occurrences,
            chattering=chatters,
            came=len(occurrences) if chatters else 0,
            came_within_s=occurrences[-1] - occurrences[0] if chatters else 0.0,
        )
    if alarm.condition is False and alarm.standing and ran_s(alarm, now_s) >= _quiet_s(alarm, kind):
        return replace(
            alarm,
            standing=False,
            first_sign=None,
            by_when=None,
            by_when_for=None,
            explained=(),
            chattering=False,
            occurrences_s=() if alarm.chattering else alarm.occurrences_s,
        )
    return alarm


def _quiet_s(alarm: Alarm, kind: AlarmKind) -> float:
    """Return for how long the condition must be absent for the alarm to go."""
    if not alarm.chattering:
        return kind.off_delay_s
    return max(kind.off_delay_s, CHATTER_QUIET_S, 2.0 * _longest_between_s(alarm))


def _stays_s(alarm: Alarm, kind: AlarmKind) -> float:
    """Return for how long the condition of an alarm that came and went must be present for it to stay."""
    if kind.breaks_out or kind.cause is Cause.POWER:
        return STAYS_S
    return max(STAYS_S, kind.on_delay_s, 2.0 * _longest_between_s(alarm))


def _longest_between_s(alarm: Alarm) -> float:
    """Return how long it took at most from one time to the next, of the last few."""
    times = alarm.occurrences_s
    return max((b - a for a, b in itertools.pairwise(times)), default=0.0)


def _came_again(alarm: Alarm, now_s: float) -> Alarm:
    """Return an alarm that comes and goes with one time more."""
    last_s = alarm.occurrences_s[-1] if alarm.occurrences_s else now_s
    return replace(
        alarm,
        occurrences_s=(*alarm.occurrences_s, now_s)[-OCCURRENCES_KEPT:],
        came=alarm.came + 1,
        came_within_s=alarm.came_within_s + now_s - last_s,
    )


def as_it_comes(alarm: Alarm, what: Reason | None) -> Reason | None:
    """Return the words of an alarm, with how often it came where it comes and goes."""
    if what is None or not alarm.chattering:
        return what
    return reason(
        Code.COMES_AND_GOES, alarm.about, said=what, times=alarm.came, within_s=round(alarm.came_within_s)
    )


def _graded(alarm: Alarm, kind: AlarmKind) -> tuple[Alarm, bool]:
    """Return the alarm with its severity brought up to date, and whether it became worse."""
    if not alarm.standing or alarm.condition is not True:
        return alarm, False
    severity = kind.severity_for(alarm.facts, standing=alarm.severity)
    if severity is alarm.severity:
        return alarm, False
    return replace(alarm, severity=severity), severity.rank > alarm.severity.rank


def _settled(
    alarm: Alarm, kind: AlarmKind, now_s: float, at: datetime
) -> tuple[Alarm, tuple[AlarmEvent, ...]]:
    """Return an alarm that came and went, and stays now, as one that stands; told unless people know of this time."""
    if not alarm.chattering or alarm.condition is not True or ran_s(alarm, now_s) < _stays_s(alarm, kind):
        return alarm, ()
    known = alarm.came <= CHATTER_COUNT
    since = alarm.since if known else at - timedelta(seconds=ran_s(alarm, now_s))
    alarm = replace(alarm, chattering=False, occurrences_s=(), since=since)
    return alarm, () if known else (AlarmEvent.STAY,)


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
        dues.append(alarm.occurrences_s[0] + COMES_BACK_WITHIN_S + kind.on_delay_s)
    if alarm.chattering and alarm.condition is True:
        dues.append(alarm.mark_s + _stays_s(alarm, kind) - alarm.run_s)
    if alarm.state is State.ACTIVE_ACKNOWLEDGED and kind.realarm_s is not None:
        dues.append(alarm.state_s + kind.realarm_s)
    if alarm.state is State.ACTIVE_UNACKNOWLEDGED and alarm.escalations < MAX_ESCALATIONS:
        after_s = kind.escalate_after_s(alarm.severity)
        if after_s is not None:
            dues.append(alarm.state_s + after_s)
    return min(dues) - ROUNDING_S if dues else None


def _recent(alarm: Alarm, now_s: float) -> tuple[float, ...]:
    kept = tuple(s for s in alarm.occurrences_s if now_s - s < COMES_BACK_WITHIN_S)
    return (*kept, now_s)[-OCCURRENCES_KEPT:]


def _hold(alarm: Alarm) -> tuple[State, AlarmEvent] | None:
    """Return the state that holds the alarm back, the highest in rank, and the event that leads there."""
    if alarm.out_of_service_by is not None:
        return State.OUT_OF_SERVICE, AlarmEvent.REMOVE
    if alarm.suppressed_because and (alarm.standing or alarm.condition is not False):
        return State.SUPPRESSED_BY_DESIGN, AlarmEvent.SUPPRESS
    if alarm.shelved_until is not None:
        return State.SHELVED, AlarmEvent.SHELVE
    return None
