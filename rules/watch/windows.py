"""Planned work and the passing of time: what opens, ends and runs out."""

from __future__ import annotations

from dataclasses import replace

from rules.alarms import lifecycle
from rules.alarms.inputs import Window
from rules.watch.draft import Draft


def plan(draft: Draft, windows: tuple[Window, ...]) -> None:
    """Take in the planned work as it now stands."""
    draft.windows = tuple(sorted(windows, key=lambda w: (w.start, w.id)))
    tick(draft)


def tick(draft: Draft) -> None:
    """Let the time pass: windows open and end, delays run out, shelving expires."""
    draft.moves = True
    _windows_moved(draft)
    for key in sorted(draft.alarms):
        alarm = draft.alarms[key]
        if alarm.kind not in draft.book.catalogue:
            continue
        kind = draft.kind(alarm.kind, alarm.about)
        planned = draft.planned(kind, alarm)
        if planned != alarm.planned:
            alarm = replace(alarm, planned=planned)
        draft.keep(lifecycle.progress(alarm, kind, now_s=draft.now_s, at=draft.at))


def open_now(draft: Draft) -> tuple[str, ...]:
    """Return the windows that are open at this moment."""
    return tuple(w.id for w in draft.windows if w.start <= draft.at < w.end)


def _windows_moved(draft: Draft) -> None:
    now_open = open_now(draft)
    for window in draft.windows:
        name = draft.book.topology.name(window.about)
        if window.id in now_open and window.id not in draft.windows_open:
            draft.event(
                "planned_work_begins",
                window.about,
                f"Planned work at {name} begins: {window.what or window.id}.",
            )
    before = draft.windows_open
    draft.windows_open = now_open
    ended = [w for w in draft.windows if w.id in before and w.id not in now_open]
    gone = [w for w in before if w not in now_open and w not in {x.id for x in draft.windows}]
    for window in ended:
        name = draft.book.topology.name(window.about)
        left = sum(window.id in a.planned and a.standing for a in draft.alarms.values())
        still = f"; {left} conditions it explained still stand and are told now" if left else ""
        draft.event(
            "planned_work_ends",
            window.about,
            f"Planned work at {name} ends: {window.what or window.id}{still}.",
        )
    for window_id in gone:
        draft.event("planned_work_withdrawn", window_id, f"Planned work {window_id} was withdrawn.")
    draft.windows = tuple(w for w in draft.windows if w.end > draft.at)
