"""What a step of folding writes: runs in the place of others, of hour chunks and of hot rows."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from collector.storage.history.buckets import DAY_MS
from collector.storage.history.codec import hour_chunk
from collector.storage.history.columns import Block, joined
from collector.storage.history.compaction.steps import ChangedMeanwhileError
from collector.storage.history.tables import runs
from collector.storage.history.tables.lookup import folded_blocks, spans_in
from collector.storage.history.tables.schema import LOOSE, key_of, stretch_of

RUN_ROWS: Final = 16_384
"""Days are put together into runs of at most so many readings."""


@dataclass(frozen=True, slots=True)
class Run:
    """One row of `runs`, ready to be written."""

    first_day: int
    end_day: int
    readings: int
    chunk: bytes


@dataclass(slots=True)
class Rewritten:
    """What takes the place of all that is folded of some days of one unit."""

    unit: int
    first: int
    end: int
    hours: int
    gone: tuple[int, ...]
    runs: tuple[Run, ...]
    days: tuple[int, ...]
    summed: int = LOOSE
    sums: list[tuple[str, int, int, bytes]] = field(default_factory=list)
    retired: tuple[tuple[int, int], ...] = ()

    def write(self, writer: sqlite3.Connection) -> None:
        """Put the runs in and take out what they are made of, within the caller's transaction."""
        hours = (self.unit, self.first * 24, self.end * 24)
        (count,) = writer.execute(
            "SELECT count(*) FROM hours WHERE unit = ? AND hour >= ? AND hour < ?", hours
        ).fetchone()
        if count != self.hours:
            raise ChangedMeanwhileError
        writer.executemany("DELETE FROM runs WHERE key = ?", [(key,) for key in self.gone])
        for run in self.runs:
            key = key_of(self.unit, run.first_day)
            writer.execute(
                "INSERT INTO runs (key, end_day, readings, chunk) VALUES (?, ?, ?, ?)",
                (key, run.end_day, run.readings, run.chunk),
            )
            require_same(writer, "runs", key, run.chunk)
        for table, first, end, stored in self.sums:
            key = key_of(self.unit, first)
            writer.execute(
                f"INSERT OR REPLACE INTO {table} (key, end_day, chunk) VALUES (?, ?, ?)",  # noqa: S608
                (key, end, stored),
            )
            require_same(writer, table, key, stored)
        writer.executemany(
            "INSERT INTO folded (unit, day, retired, summed) VALUES (?, ?, 0, 0)"
            " ON CONFLICT (unit, day) DO UPDATE SET summed = ?",
            [(self.unit, day, self.summed) for day in self.days],
        )
        writer.executemany(
            "UPDATE folded SET retired = ? WHERE unit = ? AND day = ?",
            [(how, self.unit, day) for day, how in self.retired],
        )
        span = (self.unit, self.first, self.end)
        writer.execute("DELETE FROM days WHERE unit = ? AND day >= ? AND day < ?", span)
        writer.execute("DELETE FROM hours WHERE unit = ? AND hour >= ? AND hour < ?", hours)


def require_same(writer: sqlite3.Connection, table: str, key: int, stored: bytes) -> None:
    """Raise ChunkError where a row does not hold what was written to it."""
    row = writer.execute(f"SELECT chunk FROM {table} WHERE key = ?", (key,)).fetchone()  # noqa: S608
    if row[0] != stored:
        raise hour_chunk.ChunkError("a bundle did not read back as written")


def rewrite_of(
    connection: sqlite3.Connection, unit: int, first: int, end: int, hot_rows: Block | None
) -> Rewritten:
    """Return what is folded of some days of a unit together with its hour chunks and some hot rows."""
    hours = connection.execute(
        "SELECT chunk FROM hours WHERE unit = ? AND hour >= ? AND hour < ? ORDER BY hour",
        (unit, first * 24, end * 24),
    ).fetchall()
    parts = [
        *folded_blocks(connection, unit, first, end),
        *(hour_chunk.decoded(stored) for (stored,) in hours),
        *([] if hot_rows is None else [hot_rows]),
    ]
    whole = joined(parts)
    return Rewritten(
        unit,
        first,
        end,
        len(hours),
        tuple(span.key for span in spans_in(connection, "runs", unit, first, end)),
        tuple(cut(whole)),
        tuple(np.unique(whole.between(first * DAY_MS, end * DAY_MS).at // DAY_MS).tolist()),
    )


def cut(block: Block) -> Iterable[Run]:
    """Yield a block as runs of whole days, each of as many readings as a run holds and of one stretch."""
    if not len(block):
        return
    days, firsts = np.unique(block.at // DAY_MS, return_index=True)
    ends = [*firsts[1:].tolist(), len(block)]
    begin = 0
    for n, (day, end) in enumerate(zip(days.tolist(), ends, strict=True)):
        last = n + 1 == len(ends)
        if (
            last
            or ends[n + 1] - int(firsts[begin]) > RUN_ROWS
            or stretch_of(int(days[n + 1])) != stretch_of(day)
        ):
            yield _run(int(days[begin]), day + 1, block.taken(np.arange(int(firsts[begin]), end)))
            begin = n + 1


def _run(first_day: int, end_day: int, block: Block) -> Run:
    return Run(first_day, end_day, len(block), runs.run_of(block))
