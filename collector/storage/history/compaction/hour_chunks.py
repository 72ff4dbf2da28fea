"""Hot rows into hour chunks, or straight into runs.

A row whose checksum does not fit stays where it is, and so do the rows of a unit whose chunk or run of that
time cannot be read. All others are taken.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import Final

import numpy as np

from collector.storage.history.buckets import DAY_MS
from collector.storage.history.codec import hour_chunk
from collector.storage.history.columns import Block, Ints, joined
from collector.storage.history.compaction.due import STEP_ROWS
from collector.storage.history.compaction.run_files import rewrite_of
from collector.storage.history.compaction.steps import ChangedMeanwhileError, Damage, Fold, Noted, Prepared
from collector.storage.history.store import Meaning
from collector.storage.history.tables import recent_rows as hot
from collector.storage.history.tables.lookup import first_form_days, hour_block, spans_in
from collector.storage.history.tables.schema import layouts

ALL_UNITS: Final = (-(2**62), 2**62)
_ROWS: Final = "FROM hot WHERE at >= ? AND at < ? AND unit >= ? AND unit <= ?"


class _Taken:
    """The hot rows of a span of the units from the lowest to the highest, and which of them a step takes out."""

    def __init__(
        self, connection: sqlite3.Connection, span_ms: tuple[int, int], units: tuple[int, int]
    ) -> None:
        self.span = (*span_ms, *units)
        self._rows: list[tuple[int, Ints]] = []
        found, self._count = _found(connection, span_ms, units)
        self.blocks = found.blocks
        self.damaged = [
            Damage(unit, min(at), max(at) + 1, _not_sound(len(at)))
            for unit, at in found.damaged.items()
            if at
        ]
        self.damaged += [Damage(unit, *span_ms, why) for unit, why in found.unreadable.items()]

    def take(self, unit: int, at: Ints) -> None:
        """Note rows that will stand elsewhere."""
        self._rows.append((unit, at))

    def require(self, writer: sqlite3.Connection) -> None:
        """Raise ChangedMeanwhileError where a row has come since."""
        (now,) = writer.execute(f"SELECT count(*) {_ROWS}", self.span).fetchone()
        if now != self._count:
            raise ChangedMeanwhileError

    def take_out(self, writer: sqlite3.Connection) -> None:
        """Delete the rows that were noted, all at once where that is all of them."""
        if sum(len(at) for _, at in self._rows) == self._count:
            writer.execute(f"DELETE {_ROWS}", self.span)
            return
        for unit, at in self._rows:
            writer.executemany(
                "DELETE FROM hot WHERE at = ? AND unit = ?", [(at_ms, unit) for at_ms in at.tolist()]
            )


def _not_sound(count: int) -> str:
    if count == 1:
        return "checksum does not fit"
    return f"{count} readings that wait to be folded, whose checksums do not fit"


def _found(
    connection: sqlite3.Connection, span_ms: tuple[int, int], units: tuple[int, int]
) -> tuple[hot.RecentRows, int]:
    """Return hot rows and how many they are, read some units at a time, so that a busy hour does not fill the memory."""
    counts = dict(
        connection.execute(f"SELECT unit, count(*) {_ROWS} GROUP BY unit", (*span_ms, *units)).fetchall()
    )
    known = layouts(connection).get
    found = hot.RecentRows()
    waiting = sorted(unit for unit in counts if isinstance(unit, int))  # a damaged page can hold anything
    while waiting:
        group: list[int] = []
        while waiting and (not group or sum(counts[u] for u in group) + counts[waiting[0]] <= STEP_ROWS):
            group.append(waiting.pop(0))
        part = hot.found(connection, known, span_ms, (group[0], group[-1]))
        found.blocks |= part.blocks
        found.damaged |= part.damaged
        found.unreadable |= part.unreadable
    return found, sum(counts.values())


def of_hour(connection: sqlite3.Connection, fold: Fold, _: Meaning) -> Prepared:
    """Return an hour's hot rows of all units as chunks, each with what stands of it already."""
    hour = fold.first
    taken = _Taken(connection, fold.span_ms, ALL_UNITS)
    damaged = taken.damaged
    chunks: dict[int, bytes] = {}
    for unit, block in taken.blocks.items():
        with Noted(damaged, (unit,), fold.span_ms):
            known = hour_block(connection, unit, hour)
            chunks[unit] = _checked(block if known is None else joined([known, block]))
            taken.take(unit, block.at)
    taken.blocks.clear()  # what is to be written needs them no more
    if not chunks:
        return Prepared(None, damaged)

    def commit(writer: sqlite3.Connection) -> None:
        taken.require(writer)
        writer.executemany(
            "INSERT OR REPLACE INTO hours (unit, hour, chunk) VALUES (?, ?, ?)",
            [(unit, hour, chunks[unit]) for unit in chunks],
        )
        for unit, expected in chunks.items():
            row = writer.execute(
                "SELECT chunk FROM hours WHERE unit = ? AND hour = ?", (unit, hour)
            ).fetchone()
            if row[0] != expected:
                raise hour_chunk.ChunkError("an hour's chunk did not read back as written")
        taken.take_out(writer)

    return Prepared(commit, damaged)


def _checked(block: Block) -> bytes:
    stored = hour_chunk.encoded(block)
    if not hour_chunk.decoded(stored).same_as(block):
        raise hour_chunk.ChunkError("chunk does not decode to what was put in")
    return stored


def of_past(connection: sqlite3.Connection, fold: Fold, _: Meaning) -> Prepared:
    """Return the hot rows of some units' complete days as runs, each with what stands of those days already."""
    taken = _Taken(connection, fold.span_ms, (fold.units[0], fold.units[-1]))
    damaged = taken.damaged
    rewritten = []
    for unit in sorted(taken.blocks.keys() & set(fold.units)):
        with Noted(damaged, (unit,), fold.span_ms):
            for first, end in _touched(connection, unit, taken.blocks[unit]):
                part = taken.blocks[unit].between(first * DAY_MS, end * DAY_MS)
                with Noted(damaged, (unit,), (first * DAY_MS, end * DAY_MS)):
                    rewritten.append(rewrite_of(connection, unit, first, end, part))
                    taken.take(unit, part.at)
    taken.blocks.clear()
    if not rewritten:
        return Prepared(None, damaged)

    def commit(writer: sqlite3.Connection) -> None:
        taken.require(writer)
        for part in rewritten:
            part.write(writer)
        taken.take_out(writer)

    return Prepared(commit, damaged)


def _touched(connection: sqlite3.Connection, unit: int, block: Block) -> Sequence[tuple[int, int]]:
    """Return first days and ends of what a unit's new rows are put together with, and nothing else.

    Each run they touch by itself, so that one that is damaged holds up no other; new days that follow on one
    another together.
    """
    found: list[tuple[int, int]] = []
    for day in np.unique(block.at // DAY_MS).tolist():
        if found and day < found[-1][1]:
            continue
        standing = [(s.first_day, s.end_day) for s in spans_in(connection, "runs", unit, day, day + 1)]
        standing += [(day, day + 1) for day in first_form_days(connection, unit, day, day + 1)]
        if not standing and found and day == found[-1][1]:
            found[-1] = (found[-1][0], day + 1)
        else:
            firsts, ends = zip((day, day + 1), *standing, strict=True)
            found.append((min(firsts), max(ends)))
    return found
