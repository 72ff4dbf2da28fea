"""The alarms that came in a period, out of the journal, for the figures of how good the alarms are."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from collector.ledger import Ledger
from rules.alarms.catalogue import Severity
from rules.alarms.lifecycle import Event
from rules.alarms.quality import Occurrence

CAME = f"alarm_{Event.OCCUR.value}"
WENT = (f"alarm_{Event.RETURN.value}", f"alarm_{Event.RETURN_LATCHING.value}")


async def occurrences(ledger: Ledger, start: datetime, end: datetime) -> list[Occurrence]:
    """Return the alarms that came from `start` to `end`, each with when it went, oldest first."""
    found: list[Occurrence] = []
    standing: dict[str, int] = {}
    after: int | None = 0
    while after is not None:
        page = await ledger.events(kinds=(CAME, *WENT), start=start, end=end, after=after, limit=1000)
        for line in page.items:
            if line.alarm is None:
                continue
            if line.kind == CAME:
                severity = Severity(line.body.get("severity", Severity.WARNING))
                standing[line.alarm] = len(found)
                found.append(Occurrence(line.at, line.alarm, line.alarm.partition(":")[0], severity))
            elif line.alarm in standing:
                place = standing.pop(line.alarm)
                found[place] = replace(found[place], returned_at=line.at)
        after = page.next
    return found
