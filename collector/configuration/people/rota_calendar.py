"""Who is on call by a calendar that the site keeps (iCalendar, RFC 5545): each event is the turn of whom its summary names.

Of two events at once the one that began last counts, so that a holiday laid over a week is who stands in. What no event
covers is nobody's turn: then all who are told by it are told, since a forgotten week must not leave an outage untold.
Reading needs the optional packages of `ridethrough[calendar]`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any, Final
from zoneinfo import ZoneInfo

from collector.configuration.people.tables import RotaCalendarTable
from collector.configuration.people.turn import OnCall

BACK: Final = timedelta(days=60)
AHEAD: Final = timedelta(days=430)
"""How far turns are read: a year and a turn ahead."""
MOST_EVENTS: Final = 5000
LONGEST_SAID: Final = 160


class CalendarError(Exception):
    """A calendar file cannot be read: where, what was wanted, what came."""


@dataclass(frozen=True, slots=True)
class CalendarEvent:
    """One event of a calendar, each time of a repeated one by itself. Times as they are written: a day, with a zone, without."""

    begins: datetime
    ends: datetime
    summary: str
    uid: str


def calendar_events(path: Path, start: datetime, end: datetime, zone: ZoneInfo) -> list[CalendarEvent]:
    """Return the events that touch a span, but those that were called off, in order; those without a zone by `zone`.

    An event without a time of day lasts from midnight to midnight. Raises CalendarError where the file cannot be read.
    """
    try:
        import icalendar  # noqa: PLC0415 - optional, and slow to import
        import recurring_ical_events  # noqa: PLC0415
    except ImportError as error:
        raise CalendarError(f"{path.name}: want the package ridethrough[calendar]; got {error}") from error
    try:
        found = recurring_ical_events.of(icalendar.Calendar.from_ical(path.read_bytes())).between(start, end)
    except OSError as error:
        raise CalendarError(
            f"{path.name}: want a calendar file that can be read; got {error.strerror}"
        ) from error
    except (ValueError, KeyError, IndexError, TypeError, AttributeError) as error:
        raise CalendarError(f"{path.name}: want a calendar (RFC 5545); got {_said(error)}") from error
    events = [_event(one, zone) for one in found[:MOST_EVENTS]]
    return sorted((one for one in events if one is not None), key=lambda one: (one.begins, one.ends))


def _event(event: Any, zone: ZoneInfo) -> CalendarEvent | None:  # noqa: ANN401 - of a library without types
    start, end = event.get("DTSTART"), event.get("DTEND")
    if start is None or str(event.get("STATUS", "")).upper() == "CANCELLED":
        return None
    begins = _moment(start.dt, zone)
    ends = _moment(end.dt, zone) if end is not None else begins + timedelta(days=1)
    if ends <= begins:
        return None
    summary = "".join(c for c in str(event.get("SUMMARY", "")) if c.isprintable())[:200]
    return CalendarEvent(begins, ends, summary, str(event.get("UID", begins.isoformat())))


def _moment(value: date | datetime, zone: ZoneInfo) -> datetime:
    if isinstance(value, datetime):
        return value if value.tzinfo is not None else value.replace(tzinfo=zone)
    return datetime.combine(value, time(), zone)


def _said(error: Exception) -> str:
    """Return what the library says of the place, which quotes the file: in one printable line, cut short."""
    text = " ".join(str(error).split()) or type(error).__name__
    return "".join(c for c in text if c.isprintable())[:LONGEST_SAID].rstrip(".")


class RotaCalendar:
    """Who is on call by one calendar file. What was read last stands until it is read anew."""

    def __init__(self, table: RotaCalendarTable, folder: Path, names: Sequence[str], home: str) -> None:
        self.id = table.id
        self.names = tuple(names)
        """Who may be on call by it: the people whose `tell` names it."""
        self.strangers: tuple[CalendarEvent, ...] = ()
        """Events that name nobody of these, or several."""
        self._path = folder / table.file
        self._zone = ZoneInfo(table.time_zone or home)
        self._turns: tuple[OnCall, ...] = ()

    def refresh(self, now: datetime) -> str | None:
        """Read the file; return what is wrong with it, None for nothing. Where it cannot be read the turns stay as they were."""
        try:
            events = calendar_events(self._path, now - BACK, now + AHEAD, self._zone)
        except CalendarError as error:
            return str(error)
        named = [(event, self._named(event)) for event in events]
        self.strangers = tuple(event for event, name in named if name is None)
        self._turns = tuple(self._made([(event, name) for event, name in named if name is not None]))
        return None

    def stretches(self, start: datetime, end: datetime) -> Iterator[OnCall]:
        """Yield who is on call from `start` until `end`, in order; the first and the last reach beyond them."""
        for turn in self._turns:
            if turn.ends > start and turn.begins < end:
                yield turn

    def _named(self, event: CalendarEvent) -> str | None:
        """Return whom an event names, by the whole name in its summary, in any case; of names within names the longest."""
        text = f" {' '.join(event.summary.casefold().split())} "
        found = [name for name in self.names if name.casefold() in text]
        found = [n for n in found if not any(n != m and n.casefold() in m.casefold() for m in found)]
        return found[0] if len(found) == 1 else None

    def _made(self, named: Sequence[tuple[CalendarEvent, str]]) -> Iterator[OnCall]:
        open_turn: OnCall | None = None
        edges = sorted({edge.astimezone(UTC) for e, _ in named for edge in (e.begins, e.ends)})
        for begins, ends in pairwise(edges):
            there = [(e, name) for e, name in named if e.begins <= begins < e.ends]
            if not there:
                if open_turn is not None:
                    yield open_turn
                open_turn = None
                continue
            person = max(there, key=lambda one: (one[0].begins, -one[0].ends.timestamp()))[1]
            stands_in = any(name != person for _, name in there)
            if (
                open_turn is not None
                and (open_turn.person, open_turn.stands_in) == (person, stands_in)
                and open_turn.ends == begins
            ):
                open_turn = OnCall(self.id, person, open_turn.begins, ends, stands_in)
                continue
            if open_turn is not None:
                yield open_turn
            open_turn = OnCall(self.id, person, begins, ends, stands_in)
        if open_turn is not None:
            yield open_turn


def gaps(calendar: RotaCalendar, start: datetime, end: datetime) -> list[tuple[datetime, datetime]]:
    """Return the spans of a time in which nobody is on call by a calendar."""
    found, until = [], start
    for turn in calendar.stretches(start, end):
        if turn.begins > until:
            found.append((until, turn.begins))
        until = max(until, turn.ends)
    return [*found, (until, end)] if until < end else found
