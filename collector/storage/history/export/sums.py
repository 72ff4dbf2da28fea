"""Summaries by the hour or by the minute as files: what is kept for ever, long after exact readings were let go.

One row for each unit, object, correction set and hour (or minute) in which the object was asked for; the
values are those of the correction set as it is understood today. A row with the quantity "polls" tells how
often the card was asked and how often it answered, and how much of the time the polls stand for: what is missing
to the full hour is a gap. Summaries that stand are taken as they stand; of days that have none yet they are
made from the exact readings, with the same result. Plain functions that block; run them off the loop.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from math import isnan
from pathlib import Path
from typing import Any, Final

import numpy as np

from collector.storage.database import one_view
from collector.storage.history import rollup
from collector.storage.history.buckets import DAY_MS, HOUR_MS, MINUTE_MS
from collector.storage.history.columns import PERIOD, milliseconds, moment
from collector.storage.history.export.files import quantities
from collector.storage.history.export.table_files import table_file
from collector.storage.history.store import Meaning
from collector.storage.history.sums import DaySums, lines_of_days
from collector.storage.history.tables.lookup import blocks, numbered_sums
from collector.storage.history.tables.runs import Key
from collector.storage.history.tables.schema import Texts, unit_number

SUM_COLUMNS: Final[Mapping[str, type[Any]]] = {
    "unit": str,
    "from": datetime,
    "quantity": str,
    "line": int,
    "object": str,
    "corrections": str,
    "min": float,
    "mean": float,
    "max": float,
    "last": float,
    "good_count": int,
    "asked_count": int,
    "covered_s": float,
}
"""Every column of an export of summaries, and the type of its values."""

POLLS: Final = "polls"


class By(StrEnum):
    """What one row sums up."""

    HOUR = "hour"
    MINUTE = "minute"


_STEPS_MS: Final = {By.HOUR: HOUR_MS, By.MINUTE: MINUTE_MS}
_VIEW_DAYS: Final = {By.HOUR: 32, By.MINUTE: 4}
"""Days that are read in one view: what bounds its memory, and how long it keeps the store's log."""


_NEWEST: Final = """SELECT max(at) FROM (SELECT max(at) AS at FROM hot WHERE unit = ?
    UNION ALL SELECT max(hour) * 3600000 FROM hours WHERE unit = ? UNION ALL SELECT max(day) * 86400000 FROM folded WHERE unit = ?)"""


def exported_sums(
    connection: sqlite3.Connection,
    target: Path,
    meaning: Meaning,
    by: By,
    *,
    parquet: bool,
    units: Sequence[str],
    start: datetime,
    end: datetime,
) -> int:
    """Write the summaries of some units that begin in a span to a file; return how many rows.

    Works on a store in use. Raises `table_files.NotInstalledError`, OSError, ChunkError.
    """
    count = 0
    span_ms = (milliseconds(start), milliseconds(end))
    named = quantities(meaning)
    with table_file(target, SUM_COLUMNS, parquet=parquet) as table:
        for name in units:
            found = unit_number(connection, name)
            if found is None:
                continue
            unit = _Unit(connection, name, found[0], by, meaning, Texts(connection), named)
            for rows in unit.batches(max(span_ms[0], found[1] // HOUR_MS * HOUR_MS), span_ms[1]):
                table.write(rows)
                count += len(rows)
    return count


@dataclass(frozen=True, slots=True)
class _Unit:
    """One unit of which summaries are written, and what its numbers mean."""

    connection: sqlite3.Connection
    name: str
    number: int
    by: By
    meaning: Meaning
    texts: Texts
    named: Mapping[str, tuple[str, int | None]]

    def batches(self, start_ms: int, end_ms: int) -> Iterator[list[dict[str, Any]]]:
        """Yield the rows that begin in a span, in order of time."""
        days = _VIEW_DAYS[self.by]
        (newest_ms,) = self.connection.execute(_NEWEST, (self.number,) * 3).fetchone()
        last_day = -(-min(end_ms, (newest_ms or 0) + 1) // DAY_MS)
        for day in range(start_ms // DAY_MS // days * days, last_day, days):
            with one_view(self.connection):
                parts = self._parts(day, day + days)
            rows = [
                row
                for key, part in parts.items()
                for row in self._rows(key, part, day * DAY_MS)
                if start_ms <= milliseconds(row["from"]) < end_ms
            ]
            rows.sort(key=lambda row: row["from"])
            yield rows

    def _parts(self, first_day: int, end_day: int) -> dict[Key, rollup.Rollup]:
        """Return the summaries of some days, lines counted from the first: as they stand, else from what is finer."""
        step_ms = _STEPS_MS[self.by]
        gathered = DaySums(first_day, step_ms)
        left = frozenset(range(first_day, end_day))
        for table, found_ms in (("hour_sums", HOUR_MS), ("minute_sums", MINUTE_MS)):
            if found_ms > step_ms:
                continue
            stand = list(numbered_sums(self.connection, table, self.number, first_day, end_day))
            told = {
                first + int(day)
                for first, name, _, part in stand
                if name == PERIOD
                for day in np.unique(part.table[0] // (DAY_MS // found_ms))
            }
            for first, name, corrections, part in stand:
                for day, lines in lines_of_days(part, found_ms, first, left & told):
                    gathered.add(day, [((name, corrections), rollup.coarser(lines, step_ms // found_ms))])
            left -= told
        for begin, end in _spans(left):
            for block in blocks(self.connection, self.number, begin * DAY_MS, end * DAY_MS):
                gathered.add_block(block, self.meaning, self.texts)
        return gathered.put_together()

    def _rows(self, key: Key, part: rollup.Rollup, start_ms: int) -> Iterator[dict[str, Any]]:
        object_name, number, form = key
        starts = [moment(ms) for ms in (start_ms + part.table[0] * _STEPS_MS[self.by]).tolist()]
        asked, good = part.table[1].tolist(), part.table[2].tolist()
        if object_name == PERIOD:
            for n, covered_ms in enumerate(part.table[6].tolist()):
                yield {
                    "unit": self.name, "from": starts[n], "quantity": POLLS,
                    "good_count": good[n], "asked_count": asked[n], "covered_s": covered_ms / 1000,
                }  # fmt: skip
            return
        quantity, line = self.named.get(object_name, (None, None))
        what = {
            "unit": self.name, "quantity": quantity, "line": line,
            "object": object_name, "corrections": str(self.texts[number]),
        }  # fmt: skip
        what = {name: value for name, value in what.items() if value is not None}
        values = rollup.in_units(form, part.table, object_name, self.meaning, str(self.texts[number]))
        low, high, last, total = (value.tolist() for value in values)
        for n, start in enumerate(starts):
            if good[n] and not isnan(low[n]):
                mean = min(max(total[n] / good[n], low[n]), high[n])
                known = {"min": low[n], "mean": mean, "max": high[n], "last": last[n], "good_count": good[n]}
                yield what | {"from": start, "asked_count": asked[n]} | known
            elif quantity is not None:  # but no row for a text, which has neither a smallest nor a mean
                yield what | {"from": start, "asked_count": asked[n], "good_count": 0}


def _spans(days: frozenset[int]) -> Iterator[tuple[int, int]]:
    """Yield the first day and the end of each row of days without a gap."""
    begins = sorted(day for day in days if day - 1 not in days)
    ends = sorted(day + 1 for day in days if day + 1 not in days)
    yield from zip(begins, ends, strict=True)
