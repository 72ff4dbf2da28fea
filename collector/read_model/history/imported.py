"""What of a unit's past was brought in files: whose, of which days."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from collector.assessment.past.taking import SNAPSHOT, known_imports
from collector.storage.ledger import Ledger


@dataclass(frozen=True, slots=True)
class ImportedReadings:
    """One file's readings of a unit: from when until when, who brought it and when."""

    file: str
    by: str
    at: datetime
    first: datetime
    last: datetime


async def imported_of(ledger: Ledger, unit: str) -> tuple[ImportedReadings, ...]:
    """Return what was imported of a unit, in the order in which it came. Raises StoreError."""
    kept = await ledger.snapshot(SNAPSHOT)
    return tuple(
        ImportedReadings(
            body["file"],
            body["by"],
            datetime.fromisoformat(body["at"]),
            datetime.fromisoformat(span["from"]),
            datetime.fromisoformat(span["until"]),
        )
        for _, body in known_imports(None if kept is None else kept.body)
        for span in body["units"]
        if span["unit"] == unit
    )
