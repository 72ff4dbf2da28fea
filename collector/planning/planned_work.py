"""Planned work from the estate file and from calendar files, as windows for the watch.

Recurring work in the estate file keeps its hour on the site's wall through the change of clocks.
Calendar files are RFC 5545; each event in them is one window. Reading them needs the optional packages of
`ridethrough[calendar]`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from collector.configuration.settings_tables import CalendarTable, PlannedWorkTable
from rules.alarms.catalogue import Explanation
from rules.alarms.windows import Window
from rules.values.reason import told

AHEAD: Final = timedelta(days=14)
LONGEST: Final = timedelta(days=7)
MOST_EVENTS: Final = 1000
LONGEST_SAID: Final = 160


class CalendarError(Exception):
    """A calendar file cannot be read: where, what was wanted, what came."""


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
    path = folder / table.file
    try:
        import icalendar  # noqa: PLC0415 - optional, and slow to import
        import recurring_ical_events  # noqa: PLC0415
    except ImportError as error:
        raise CalendarError(f"{table.file}: want the package ridethrough[calendar]; got {error}") from error
    try:
        calendar = icalendar.Calendar.from_ical(path.read_bytes())
        events = recurring_ical_events.of(calendar).between(at - LONGEST, at + ahead)
    except OSError as error:
        raise CalendarError(
            f"{table.file}: want a calendar file that can be read; got {error.strerror}"
        ) from error
    except (ValueError, KeyError, IndexError, TypeError, AttributeError) as error:
        raise CalendarError(f"{table.file}: want a calendar (RFC 5545); got {_said(error)}") from error
    zone = ZoneInfo(time_zone)
    found = [
        window for event in events[:MOST_EVENTS] if (window := _event(event, table, zone)) and window.end > at
    ]
    return tuple(sorted(found, key=lambda w: (w.start, w.id)))


def _said(error: Exception) -> str:
    """Return what the library says of the place, which quotes the file: in one printable line, cut short."""
    text = " ".join(str(error).split()) or type(error).__name__
    return "".join(c for c in text if c.isprintable())[:LONGEST_SAID].rstrip(".")


def _event(event: object, table: CalendarTable, zone: ZoneInfo) -> Window | None:
    get = event.get  # type: ignore[attr-defined]
    start, end = get("DTSTART"), get("DTEND")
    if start is None or str(get("STATUS", "")).upper() == "CANCELLED":
        return None
    begins = _moment(start.dt, zone)
    ends = _moment(end.dt, zone) if end is not None else begins + timedelta(days=1)
    if ends <= begins:
        return None
    uid = str(get("UID", begins.isoformat()))
    name = hashlib.sha256(f"{uid}/{begins.isoformat()}".encode()).hexdigest()[:12]
    what = "".join(c for c in str(get("SUMMARY", "planned work")) if c.isprintable())[:200]
    return Window(
        f"{table.id}-{name}",
        Explanation(table.explains),
        table.about,
        begins,
        min(ends, begins + LONGEST),
        told(what),
    )


def _moment(value: date | datetime, zone: ZoneInfo) -> datetime:
    if isinstance(value, datetime):
        return value if value.tzinfo is not None else value.replace(tzinfo=zone)
    return datetime.combine(value, time(), zone)
