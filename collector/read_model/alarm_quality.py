"""The figures of alarm quality over a period, from the journal of one collector."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from collector.storage.ledger import Ledger
from collector.storage.ledger.records import JournalLine
from rules.alarms.lifecycle.states import AlarmEvent
from rules.alarms.quality import STALE_AFTER, Occurrence, Quality, quality
from rules.values.severity import Severity

BEGINS: Final = tuple(f"alarm_{event.value}" for event in (AlarmEvent.OCCUR, AlarmEvent.RELEASE_PRESENT))
ENDS: Final = tuple(
    f"alarm_{event.value}"
    for event in (
        AlarmEvent.RETURN,
        AlarmEvent.RETURN_LATCHING,
        AlarmEvent.SHELVE,
        AlarmEvent.SUPPRESS,
        AlarmEvent.REMOVE,
    )
)
LOOKED_BACK: Final = timedelta(days=30)
"""How far before a period its standing alarms are looked for."""

PAGE: Final = 1000


async def quality_between(ledger: Ledger, start: datetime, end: datetime) -> Quality:
    """Return the figures of EEMUA 191 for a period. Raises ValueError when it ends before it begins."""
    if end < start:
        raise ValueError(f"a period must not end ({end}) before it begins ({start})")
    lines = await _lines(ledger, start - max(LOOKED_BACK, STALE_AFTER), end)
    return quality(occurrences(lines), start, end)


def occurrences(lines: list[JournalLine]) -> list[Occurrence]:
    """Return each time an alarm became active untold of before, with when it returned or was held back."""
    begun: dict[str, JournalLine] = {}
    found: list[Occurrence] = []
    for line in lines:
        if line.alarm is None:
            continue
        if line.kind in BEGINS and str(line.body.get("state", "")).startswith("active"):
            begun[line.alarm] = line
        elif line.kind in ENDS and (first := begun.pop(line.alarm, None)) is not None:
            found.append(_occurrence(first, line.at))
    found += [_occurrence(first, None) for first in begun.values()]
    return found


def _occurrence(line: JournalLine, returned_at: datetime | None) -> Occurrence:
    alarm = line.alarm or ""
    severity = Severity(str(line.body.get("severity", Severity.WARNING.value)))
    return Occurrence(line.at, alarm, alarm.partition(":")[0], severity, returned_at)


async def _lines(ledger: Ledger, start: datetime, end: datetime) -> list[JournalLine]:
    found: list[JournalLine] = []
    after: int | None = 0
    while after is not None:
        page = await ledger.events(kinds=(*BEGINS, *ENDS), start=start, end=end, after=after, limit=PAGE)
        found += page.items
        after = page.next
    return found
