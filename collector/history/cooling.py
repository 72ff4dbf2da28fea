"""Hot rows into hour chunks, or straight into runs."""

from __future__ import annotations

import sqlite3
from typing import Final

from collector.history import chunk, hot
from collector.history.buckets import DAY_MS, HOUR_MS
from collector.history.columns import Block, joined
from collector.history.due import STEP_ROWS, Fold
from collector.history.lookup import hour_block
from collector.history.rewriting import ChangedMeanwhileError, Prepared, rewrite_of
from collector.history.tables import layouts

ALL_UNITS: Final = (-(2**62), 2**62)


def _hot_blocks(
    connection: sqlite3.Connection, start_ms: int, end_ms: int, units: tuple[int, int] = ALL_UNITS
) -> tuple[dict[int, Block], int]:
    """Return the hot rows of a span by unit, and how many they are. `units`: the lowest and the highest."""
    counts = dict(
        connection.execute(
            "SELECT unit, count(*) FROM hot WHERE at >= ? AND at < ? AND unit >= ? AND unit <= ? GROUP BY unit",
            (start_ms, end_ms, *units),
        ).fetchall()
    )
    known = layouts(connection)
    found: dict[int, Block] = {}
    waiting = sorted(counts)
    while waiting:  # some units at a time, so that a busy hour does not fill the memory
        group: list[int] = []
        while waiting and (not group or sum(counts[u] for u in group) + counts[waiting[0]] <= STEP_ROWS):
            group.append(waiting.pop(0))
        found |= hot.blocks(connection, known, (start_ms, end_ms), (group[0], group[-1]))
    return found, sum(counts.values())


def of_hour(connection: sqlite3.Connection, hour: int) -> Prepared:
    """Return an hour's hot rows of all units as chunks, each with what stands of it already."""
    start_ms, end_ms = hour * HOUR_MS, (hour + 1) * HOUR_MS
    hot_rows, count = _hot_blocks(connection, start_ms, end_ms)
    chunks: dict[int, bytes] = {}
    damaged: list[str] = []
    for unit, block in hot_rows.items():
        try:
            known = hour_block(connection, unit, hour)
            whole = block if known is None else joined([known, block])
            chunks[unit] = _checked(whole)
        except chunk.ChunkError as error:
            damaged.append(f"hour {hour} of unit number {unit}: {error}")
    if damaged:
        return Prepared(None, damaged)

    def commit(writer: sqlite3.Connection) -> None:
        _require_hot(writer, (start_ms, end_ms, *ALL_UNITS), count)
        writer.executemany(
            "INSERT OR REPLACE INTO hours (unit, hour, chunk) VALUES (?, ?, ?)",
            [(unit, hour, chunks[unit]) for unit in chunks],
        )
        for unit, expected in chunks.items():
            row = writer.execute(
                "SELECT chunk FROM hours WHERE unit = ? AND hour = ?", (unit, hour)
            ).fetchone()
            if row[0] != expected:
                raise chunk.ChunkError("an hour's chunk did not read back as written")
        writer.execute("DELETE FROM hot WHERE at >= ? AND at < ?", (start_ms, end_ms))

    return Prepared(commit)


def _checked(block: Block) -> bytes:
    stored = chunk.encoded(block)
    if not chunk.decoded(stored).same_as(block):
        raise chunk.ChunkError("chunk does not decode to what was put in")
    return stored


_OF_UNITS: Final = "FROM hot WHERE at >= ? AND at < ? AND unit >= ? AND unit <= ?"


def _require_hot(writer: sqlite3.Connection, span: tuple[int, int, int, int], count: int) -> None:
    (now,) = writer.execute(f"SELECT count(*) {_OF_UNITS}", span).fetchone()
    if now != count:
        raise ChangedMeanwhileError


def of_past(connection: sqlite3.Connection, fold: Fold) -> Prepared:
    """Return the hot rows of some units' complete days as runs, each with what stands of them already."""
    units = (fold.units[0], fold.units[-1])
    span = (fold.first * DAY_MS, fold.end * DAY_MS, *units)
    hot_rows, count = _hot_blocks(connection, span[0], span[1], units)
    rewritten = []
    damaged = []
    for unit, block in hot_rows.items():
        try:
            rewritten.append(rewrite_of(connection, unit, fold.first, fold.end, block))
        except chunk.ChunkError as error:
            damaged.append(f"days {fold.first} to {fold.end} of unit number {unit}: {error}")
    if damaged:
        return Prepared(None, damaged)

    def commit(writer: sqlite3.Connection) -> None:
        _require_hot(writer, span, count)
        for part in rewritten:
            part.write(writer)
        writer.execute(f"DELETE {_OF_UNITS}", span)

    return Prepared(commit)
