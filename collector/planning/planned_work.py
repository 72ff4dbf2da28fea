"""Planned work from the estate file and from calendar files, as windows for the watch.

Recurring work in the estate file keeps its hour on the site's wall through the change of clocks.
Calendar files are RFC 5545; each event in them is one window. Reading them needs the optional packages of
`ridethrough[calendar]`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from collector.configuration.people.rota_calendar import CalendarEvent, calendar_events
from collector.configuration.settings_tables import CalendarTable, PlannedWorkTable
from rules.alarms.catalogue import Explanation
from rules.alarms.windows import Window
from rules.values.reason import told

AHEAD: Final = timedelta(days=14)
LONGEST: Final = timedelta(days=7)
MOST_EVENTS: Final = 1000


def windows(
    work: Iterable[PlannedWorkTable], at: datetime, *, time_zone: str, ahead: timedelta = AHEAD
) -> tuple[Window, ...]:
    """Return the windows of planned work that end after `at` and begin within `ahead`."""
    found = [window for one in work for window in _occurrences(one, at, ZoneInfo(time_zone), ahead)]
    return tuple(sorted(found, key=lambda w: (w.start, w.id)))


def _occurrences(one: PlannedWorkTable, at: datetime, zone: ZoneInfo, ahead: timedelta) -> Iterator[Window]:
    first = one.begins if one.begins.tzinfo is not None else one.begins.replace(tzinfo=zone)
    first = first.astimezone(zone)
    lasts = timedelta(seconds=one.lasts_s)
    step = one.every_days
    number = 0
    if step is not None:
        number = max(0, ((at - lasts - first).days - 1) // step)
    while True:
        day = first.date() + timedelta(days=number * (step or 0))
        if number and one.until is not None and day > one.until:
            return
        # wall time: the hour stays when the clocks change
        start = datetime.combine(day, first.time(), zone)
        if start > at + ahead:
            return
        if start + lasts > at:
            yield Window(
                id=f"{one.id}-{day.isoformat()}",
                explains=Explanation(one.explains),
                about=one.about,
                start=start,
                end=start + lasts,
                what=told(one.what) if one.what else None,
            )
        if step is None:
            return
        number += 1


def calendar_windows(
    table: CalendarTable, folder: Path, at: datetime, *, time_zone: str, ahead: timedelta = AHEAD
) -> tuple[Window, ...]:
    """Return the windows of a calendar file. Raises CalendarError where it cannot be read.

    Events without a time of day last from midnight to midnight of the site's clock; one that is longer than
    a week is cut to a week, since forgotten work must end.
    """
    zone = ZoneInfo(time_zone)
    events = calendar_events(folder / table.file, at - LONGEST, at + ahead, zone)
    found = [window for event in events[:MOST_EVENTS] if (window := _window(event, table)).end > at]
    return tuple(sorted(found, key=lambda w: (w.start, w.id)))


def _window(event: CalendarEvent, table: CalendarTable) -> Window:
    name = hashlib.sha256(f"{event.uid}/{event.begins.isoformat()}".encode()).hexdigest()[:12]
    return Window(
        f"{table.id}-{name}",
        Explanation(table.explains),
        table.about,
        event.begins,
        min(event.ends, event.begins + LONGEST),
        told(event.summary or "planned work"),
    )
