"""What people do to an alarm: acknowledge, reset, shelve, take out of service, and back.

Three things hold an alarm back; it stays evaluated and listed all the while. Out of service (maintenance,
authorised) ranks above suppressed by design (logic explains it), which ranks above shelved (an operator's
decision, always with an end). When the last of them ends and the condition is still present the alarm is
active and unacknowledged, and people are told: nobody can have seen it.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from rules.alarms.catalogue import AlarmKind
from rules.alarms.lifecycle.alarm import Acknowledgement, Alarm, Happened, Note, transit
from rules.alarms.lifecycle.course import progress
from rules.alarms.lifecycle.states import NEXT, NO_EFFECT, AlarmEvent, State


def acknowledge(
    alarm: Alarm, *, by: str, note: str, now_s: float, at: datetime
) -> tuple[Alarm, tuple[Happened, ...]]:
    """Return the alarm after somebody acknowledged it."""
    if NEXT[alarm.state, AlarmEvent.ACKNOWLEDGE][1] == NO_EFFECT:
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
