"""The replacement programme as text: CSV for spreadsheets, iCalendar for diaries, visits for the terminal. Pure functions."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from typing import Final

from rules.battery.assessment.next_discharge.advised import discharge_buys, discharge_risks, do_discharge
from rules.battery.state import BankState
from rules.phrasing.dates import day_words
from rules.phrasing.reasons import say
from rules.phrasing.safety import SAFETY
from rules.planning.programme.discharge_visits import VisitDischarge
from rules.planning.programme.programme import Programme, ProgrammeRow
from rules.values.reason import Reason

COLUMNS: Final = (
    "due",
    "order_by",
    "likely",
    "site",
    "about",
    "job",
    "what",
    "because",
    "basis",
    "budget_year",
    "cost",
    "overdue",
    "visit",
    "uid",
)
_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r")


class _Lines:
    """What `csv` writes to, in memory."""

    def __init__(self) -> None:
        self.written: list[str] = []

    def write(self, text: str) -> int:
        self.written.append(text)
        return len(text)


def as_csv(rows: Iterable[ProgrammeRow]) -> str:
    """Return the rows as CSV (RFC 4180): a heading, then one job a line, empty where not known.

    Text that a spreadsheet would take for a formula is set off by an apostrophe.
    """
    lines = _Lines()
    writer = csv.writer(lines, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([_cell(getattr(row, name)) for name in COLUMNS])
    return "".join(lines.written)


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return f"{value:.2f}"
    text = say(value) if isinstance(value, Reason) else str(value)
    return "'" + text if text.startswith(_FORMULA) else text


def visits_text(programme: Programme, banks: Iterable[BankState], sites: Mapping[str, str]) -> str:
    """Return the discharges that pay, visit by visit, and of the other banks why none does. `sites`: their names."""
    lines: list[str] = []
    for visit in programme.visits:
        lines.append(f"{day_words(visit.on)}, {sites.get(visit.site, visit.site)}")
        lines += [f"  {words}" for one in visit.discharges for words in discharge_words(one)]
    for state in banks:
        if state.tests is not None and state.tests.without_advice is not None:
            lines.append(f"Bank {state.id}: {say(state.tests.without_advice)}")
    if not lines:
        lines.append("No bank has been judged yet.")
    return "\n".join([*lines, SAFETY])


def discharge_words(one: VisitDischarge) -> tuple[str, str]:
    """Return what is said of one discharge of a visit: what to do; what it buys, risks, and what follows if the bank ends."""
    buys, risks = discharge_buys(one.advice), discharge_risks(one.advice)
    return (
        f"{say(do_discharge(one.bank, one.advice))}",
        f"{say(buys)} {say(risks)} {say(one.if_it_ends)}",
    )


@dataclass(frozen=True, slots=True)
class CalendarEntry:
    """How a job stood in the calendar last: digest of its content, sequence, and when it changed."""

    digest: str
    sequence: int
    changed_at: datetime


def revised(
    rows: Iterable[ProgrammeRow], before: Mapping[str, CalendarEntry], now: datetime
) -> dict[str, CalendarEntry]:
    """Return what to keep for the calendar: the sequence rises by one whenever a job's content changes."""
    found = {}
    for row in rows:
        digest = sha256(repr((say(row.what), row.due, row.order_by, say(row.because))).encode()).hexdigest()
        old = before.get(row.uid)
        if old is not None and old.digest == digest:
            found[row.uid] = old
        else:
            found[row.uid] = CalendarEntry(digest, 0 if old is None else old.sequence + 1, now)
    return found


def as_calendar(
    rows: Iterable[ProgrammeRow],
    kept: Mapping[str, CalendarEntry],
    now: datetime,
    *,
    domain: str = "ridethrough",
    remind_days: int = 28,
) -> str:
    """Return the rows as an iCalendar object (RFC 5545): one all-day event a job, ids that stay.

    `kept` from `revised`. A reminder stands `remind_days` before the day to order, or the day itself.
    """
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//ridethrough//replacement programme//EN",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
        "NAME:Standby power: replacements and service",
    ]
    for row in rows:
        state = kept.get(row.uid, CalendarEntry("", 0, now))
        what, description = say(row.what), say(row.because)
        if row.order_by is not None:
            description += f" Order by {day_words(row.order_by)}."
        if row.visit is not None:
            description += f" Best done in one visit: {row.visit}."
        lead_days = 0 if row.order_by is None else (row.due - row.order_by).days
        lines += [
            "BEGIN:VEVENT",
            f"UID:{row.uid}@{domain}",
            f"DTSTAMP:{_utc(now)}",
            f"LAST-MODIFIED:{_utc(state.changed_at)}",
            f"SEQUENCE:{state.sequence}",
            f"DTSTART;VALUE=DATE:{row.due:%Y%m%d}",
            f"DTEND;VALUE=DATE:{row.due + timedelta(days=1):%Y%m%d}",
            f"SUMMARY:{_escaped(what)}",
            f"DESCRIPTION:{_escaped(description + ' ' + SAFETY)}",
            f"LOCATION:{_escaped(row.site)}",
            f"CATEGORIES:{row.job.value.replace('_', ' ').upper()}",
            "TRANSP:TRANSPARENT",
            "BEGIN:VALARM",
            "ACTION:DISPLAY",
            f"DESCRIPTION:{_escaped(what)}",
            f"TRIGGER:-P{lead_days + remind_days}D",
            "END:VALARM",
            "END:VEVENT",
        ]
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) for line in lines)


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def _escaped(text: str) -> str:
    """Return text as RFC 5545 section 3.3.11 wants it; control characters become spaces."""
    clean = "".join(c if c.isprintable() or c == "\n" else " " for c in text)
    return clean.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def _folded(line: str) -> str:
    """Return a content line folded to 75 octets (RFC 5545 section 3.1), never inside a character."""
    parts: list[str] = []
    piece = ""
    for character in line:
        if len((piece + character).encode()) > (75 if not parts else 74):
            parts.append(piece)
            piece = ""
        piece += character
    return "\r\n ".join([*parts, piece]) + "\r\n"
