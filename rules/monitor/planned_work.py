"""Planned work and the passing of time: what opens, ends and runs out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

from rules.alarms.catalogue import AlarmKind
from rules.alarms.lifecycle import course
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.windows import Window
from rules.monitor.transition import Draft
from rules.values.code import Code
from rules.values.reason import reason

_FIRST: Final = datetime.min.replace(tzinfo=UTC)
_LAST: Final = datetime.max.replace(tzinfo=UTC)
NEVER: Final = (_LAST, _FIRST)
"""A span without a moment in it."""


def plan(draft: Draft, windows: tuple[Window, ...]) -> None:
    """Take in the planned work as it now stands."""
    before = _open(draft)
    draft.store.put_windows(tuple(sorted(windows, key=lambda w: (w.start, w.id))), draft.store.windows_open)
    _pass(draft, before)


def tick(draft: Draft) -> None:
    """Let the time pass: windows open and end, delays run out, shelving expires."""
    _pass(draft, _open(draft))


def open_at(windows: Iterable[Window], at: datetime) -> tuple[str, ...]:
    """Return the ids of the windows that are open at a moment."""
    return tuple(w.id for w in windows if w.start <= at < w.end)


def until_next(windows: Iterable[Window], at: datetime) -> tuple[datetime, datetime]:
    """Return from when on (included) and up to when (not included) the windows open at a moment are the same."""
    bounds = {moment for w in windows for moment in (w.start, w.end)}
    since = max((m for m in bounds if m <= at), default=_FIRST)
    return since, min((m for m in bounds if m > at), default=_LAST)


def _open(draft: Draft) -> Mapping[str, Window]:
    return {w.id: w for w in draft.store.windows if w.id in draft.store.windows_open}


def _pass(draft: Draft, before: Mapping[str, Window]) -> None:
    """Let the time pass; `before` are the windows that were open so far.

    Twice over the alarms: a unit that is found to have outlasted its delay lets the others on its supply stand with it.
    """
    draft.everywhere = True
    _windows_moved(draft)
    after = _open(draft)
    changed = [w for found in (before, after) for w in found.values() if before.get(w.id) != after.get(w.id)]
    sites = frozenset(draft.book.topology.site(w.about) for w in changed)
    if changed:
        sites |= {None}
    for explained_anew in (sites, frozenset[str | None]()):
        due = draft.store.due(draft.at, explained_anew)
        known = [(a, draft.kind(a.kind, a.about)) for a in due if a.kind in draft.book.catalogue]
        for alarm, kind in known:
            _progress(draft, draft.store.alarms[alarm.id], kind)  # one before it may have changed it


def _progress(draft: Draft, alarm: Alarm, kind: AlarmKind) -> None:
    planned = draft.planned(kind, alarm)
    if planned != alarm.planned:
        alarm = replace(alarm, planned=planned)
    draft.keep(course.progress(alarm, kind, now_s=draft.now_s, at=draft.at))


def _windows_moved(draft: Draft) -> None:
    store = draft.store
    before, now_open = store.windows_open, open_at(store.windows, draft.at)
    for window in store.windows:
        name = draft.book.topology.name(window.about)
        if window.id in now_open and window.id not in before:
            draft.event(
                "planned_work_begins",
                window.about,
                reason(Code.PLANNED_WORK_BEGINS, window.about, name=name, work=window.named),
            )
    ended = [w for w in store.windows if w.id in before and w.id not in now_open]
    gone = [w for w in before if w not in now_open and w not in {x.id for x in store.windows}]
    for window in ended:
        name = draft.book.topology.name(window.about)
        left = sum(window.id in a.planned and a.standing for a in store.alarms.values())
        draft.event(
            "planned_work_ends",
            window.about,
            reason(
                Code.PLANNED_WORK_ENDS,
                window.about,
                name=name,
                work=window.named,
                left=left,
            ),
        )
    for window_id in gone:
        draft.event("planned_work_withdrawn", window_id, reason(Code.PLANNED_WORK_WITHDRAWN, window_id))
    store.put_windows(tuple(w for w in store.windows if w.end > draft.at), now_open)
