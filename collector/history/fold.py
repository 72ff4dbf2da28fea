"""Folding: hot rows into hour chunks, hours into days, and old days into summaries alone.

Every fold prepares on a thread of its own, from a consistent view: reads, encodes, decodes again and
compares. Then one short transaction on the writer puts the chunks in, checks that no row came in
between, and takes the sources out. Killed at any moment, a fold has either happened or not; the next
call goes on from there. `next_fold` says what is to be done, oldest first, None when all is.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from collector.history import chunk, hot, rollup
from collector.history.buckets import DAY_MS, HOUR_MS, MINUTE_MS
from collector.history.columns import CORRECTIONS, PERIOD, SILENCE, Block, Column, Ints, joined
from collector.history.store import Meaning, Wire
from collector.history.tables import AT, Texts, day_block, hot_block, hour_block, layouts

GRACE_MS: Final = 2 * MINUTE_MS
"""How long after its end an hour may still get readings without being folded twice."""
SPARSE_ROWS: Final = 50_000
"""A complete day with fewer hot rows than this (an imported past) is folded without going by hours."""
HELD_ROWS: Final = 20_000
"""While fewer hot rows than this wait, hours are left until their day is complete: small chunks gain little."""
_AT_ONCE: Final = 20_000

Commit = Callable[[sqlite3.Connection], None]


class ChangedMeanwhileError(Exception):
    """Rows came in between reading and committing; the fold is to be made again."""


@dataclass(frozen=True, slots=True)
class Fold:
    """One step: "hour" of all units, "day" of one unit, "past" (a sparse day of all units), "retire"."""

    kind: str
    period: int
    unit: int | None = None


@dataclass(slots=True)
class Prepared:
    """What a fold will write, verified. `damaged` names sources that cannot be read, which stay."""

    commit: Commit | None
    damaged: list[str] = field(default_factory=list)


def next_fold(
    connection: sqlite3.Connection, now_ms: int, exact_ms: int, passed_over: frozenset[Fold]
) -> Fold | None:
    """Return the oldest step that is due, None when there is none but those passed over."""
    for fold in _due(connection, now_ms, exact_ms):
        if fold not in passed_over:
            return fold
    return None


def _due(connection: sqlite3.Connection, now_ms: int, exact_ms: int) -> Sequence[Fold]:
    found: list[Fold] = []
    (oldest,) = connection.execute("SELECT min(at) FROM hot").fetchone()
    if oldest is not None and (oldest // HOUR_MS + 1) * HOUR_MS + GRACE_MS <= now_ms:
        fold = _of_hot(connection, int(oldest), now_ms)
        if fold is not None:
            found.append(fold)
    complete = (now_ms - GRACE_MS) // DAY_MS
    found += [
        Fold("day", int(hour) // 24, int(unit))
        for unit, hour in connection.execute(
            "SELECT unit, min(hour) FROM hours WHERE hour < ? GROUP BY unit", (complete * 24,)
        )
    ]
    found += [
        Fold("retire", int(day), int(unit))
        for day, unit in connection.execute(
            "SELECT day, unit FROM folded WHERE retired = 0 AND day < ? ORDER BY day LIMIT 100",
            ((now_ms - exact_ms) // DAY_MS,),
        )
    ]
    return found


def _of_hot(connection: sqlite3.Connection, oldest_ms: int, now_ms: int) -> Fold | None:
    day = oldest_ms // DAY_MS
    complete = (day + 1) * DAY_MS + GRACE_MS <= now_ms
    enough = SPARSE_ROWS if complete else HELD_ROWS
    (rows,) = connection.execute(
        "SELECT count(*) FROM (SELECT 1 FROM hot WHERE at < ? LIMIT ?)", ((day + 1) * DAY_MS, enough)
    ).fetchone()
    if rows < enough:
        return Fold("past", day) if complete else None
    return Fold("hour", oldest_ms // HOUR_MS)


def prepared(connection: sqlite3.Connection, fold: Fold, meaning: Meaning) -> Prepared:
    """Return what a step will write."""
    if fold.kind == "hour":
        return _hour(connection, fold.period)
    if fold.kind == "past":
        return _past(connection, fold.period, meaning)
    if fold.unit is None:
        raise ValueError(f"{fold} names no unit")
    if fold.kind == "day":
        return _day(connection, fold.period, fold.unit, meaning)
    return _retire(connection, fold.period, fold.unit, meaning)


def _hot_blocks(connection: sqlite3.Connection, start_ms: int, end_ms: int) -> tuple[dict[int, Block], int]:
    """Return the hot rows of a span by unit, and how many they are."""
    counts = dict(
        connection.execute(
            "SELECT unit, count(*) FROM hot WHERE at >= ? AND at < ? GROUP BY unit", (start_ms, end_ms)
        ).fetchall()
    )
    known = layouts(connection)
    found: dict[int, Block] = {}
    waiting = sorted(counts)
    while waiting:  # some units at a time, so that a busy hour does not fill the memory
        group: list[int] = []
        while waiting and (not group or sum(counts[u] for u in group) + counts[waiting[0]] <= _AT_ONCE):
            group.append(waiting.pop(0))
        rows: dict[int, list[hot.Row]] = {unit: [] for unit in group}
        columns = hot.SELECT.removeprefix("SELECT ")
        for unit, *row in connection.execute(
            f"SELECT unit, {columns} WHERE at >= ? AND at < ? AND unit >= ? AND unit <= ? ORDER BY at",
            (start_ms, end_ms, group[0], group[-1]),
        ):
            rows[unit].append(tuple(row))
        found |= {unit: hot.block_of_rows(part, known) for unit, part in rows.items()}
    return found, sum(counts.values())


def _hour(connection: sqlite3.Connection, hour: int) -> Prepared:
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
        _require_hot(writer, start_ms, end_ms, count)
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


def _require_hot(writer: sqlite3.Connection, start_ms: int, end_ms: int, count: int) -> None:
    (now,) = writer.execute(
        "SELECT count(*) FROM hot WHERE at >= ? AND at < ?", (start_ms, end_ms)
    ).fetchone()
    if now != count:
        raise ChangedMeanwhileError


def _past(connection: sqlite3.Connection, day: int, meaning: Meaning) -> Prepared:
    start_ms, end_ms = day * DAY_MS, (day + 1) * DAY_MS
    hot_rows, count = _hot_blocks(connection, start_ms, end_ms)
    days = []
    damaged = []
    for unit, block in hot_rows.items():
        try:
            days.append(_folded_day(connection, day, unit, meaning, block))
        except chunk.ChunkError as error:
            damaged.append(f"day {day} of unit number {unit}: {error}")
    if damaged:
        return Prepared(None, damaged)

    def commit(writer: sqlite3.Connection) -> None:
        _require_hot(writer, start_ms, end_ms, count)
        for part in days:
            part.write(writer)
        writer.execute("DELETE FROM hot WHERE at >= ? AND at < ?", (start_ms, end_ms))

    return Prepared(commit)


def _day(connection: sqlite3.Connection, day: int, unit: int, meaning: Meaning) -> Prepared:
    try:
        folded = _folded_day(connection, day, unit, meaning, None)
    except chunk.ChunkError as error:
        return Prepared(None, [f"day {day} of unit number {unit}: {error}"])
    return Prepared(folded.write)


@dataclass(frozen=True, slots=True)
class _FoldedDay:
    """One unit's day, ready to be written."""

    unit: int
    day: int
    hours: int
    columns: Mapping[str, bytes]
    summaries: Mapping[tuple[str, int], bytes]
    table: str = "hourly"
    retired: int = 0

    def write(self, writer: sqlite3.Connection) -> None:
        """Put the day in and take its hours out, within the caller's transaction."""
        span = (self.unit, self.day * 24, self.day * 24 + 24)
        (hours,) = writer.execute(
            "SELECT count(*) FROM hours WHERE unit = ? AND hour >= ? AND hour < ?", span
        ).fetchone()
        if hours != self.hours:
            raise ChangedMeanwhileError
        numbers = {name: _object(writer, name) for name in {*self.columns, *(n for n, _ in self.summaries)}}
        writer.execute("DELETE FROM days WHERE unit = ? AND day = ?", (self.unit, self.day))
        writer.executemany(
            "INSERT INTO days (unit, day, object, chunk) VALUES (?, ?, ?, ?)",
            [(self.unit, self.day, numbers[name], stored) for name, stored in self.columns.items()],
        )
        writer.executemany(
            f"INSERT OR REPLACE INTO {self.table} (unit, object, day, corrections, chunk) VALUES (?, ?, ?, ?, ?)",  # noqa: S608
            [
                (self.unit, numbers[name], self.day, corrections, stored)
                for (name, corrections), stored in self.summaries.items()
            ],
        )
        written = dict(
            writer.execute("SELECT object, chunk FROM days WHERE unit = ? AND day = ?", (self.unit, self.day))
        )
        if written != {numbers[name]: stored for name, stored in self.columns.items()}:
            raise chunk.ChunkError("a day's chunks did not read back as written")
        writer.execute(
            "INSERT OR REPLACE INTO folded (unit, day, retired) VALUES (?, ?, ?)",
            (self.unit, self.day, self.retired),
        )
        writer.execute("DELETE FROM hours WHERE unit = ? AND hour >= ? AND hour < ?", span)


def _object(writer: sqlite3.Connection, name: str) -> int:
    writer.execute("INSERT INTO objects (name) VALUES (?) ON CONFLICT (name) DO NOTHING", (name,))
    return int(writer.execute("SELECT id FROM objects WHERE name = ?", (name,)).fetchone()[0])


def _folded_day(
    connection: sqlite3.Connection, day: int, unit: int, meaning: Meaning, hot_rows: Block | None
) -> _FoldedDay:
    hours = connection.execute(
        "SELECT chunk FROM hours WHERE unit = ? AND hour >= ? AND hour < ? ORDER BY hour",
        (unit, day * 24, day * 24 + 24),
    ).fetchall()
    known = day_block(connection, unit, day)
    parts = [*([] if known is None else [known]), *(chunk.decoded(stored) for (stored,) in hours)]
    whole = joined([*parts, *([] if hot_rows is None else [hot_rows])])
    row = connection.execute("SELECT retired FROM folded WHERE unit = ? AND day = ?", (unit, day)).fetchone()
    retired = 0 if row is None else int(row[0])
    # of a day whose exact readings were let go only stragglers are here: its summaries stand
    summaries = {} if retired else summed(whole, meaning, Texts(connection), day * DAY_MS, HOUR_MS)
    return _FoldedDay(unit, day, len(hours), _checked_columns(whole), summaries, retired=retired)


def _checked_columns(block: Block) -> dict[str, bytes]:
    if not len(block):
        return {}
    stored = {AT: chunk.encoded_column(Column(block.at), second=True)}
    stored |= {name: chunk.encoded_column(column) for name, column in block.columns.items()}
    columns = {name: chunk.decoded_column(part) for name, part in stored.items()}
    at = columns.pop(AT).values
    if not Block(at, columns).same_as(block):
        raise chunk.ChunkError("columns do not decode to what was put in")
    return stored


def summed(
    block: Block, meaning: Meaning, texts: Mapping[int, Wire], day_ms: int, step_ms: int
) -> dict[tuple[str, int], bytes]:
    """Return the summaries of a day's block by object and correction set, each verified."""
    found = {
        (name, corrections): part
        for name in rollup.objects_in(block)
        for corrections, part in rollup.rollups(
            block, name, meaning, texts, day_ms=day_ms, step_ms=step_ms
        ).items()
    }
    found |= {(PERIOD, c): part for c, part in _polls(block, day_ms, step_ms).items()}
    stored = {}
    for key, part in found.items():
        stored[key] = rollup.encoded(part)
        if not np.array_equal(rollup.decoded(stored[key]).table, part.table):
            raise chunk.ChunkError("summary does not decode to what was put in")
    return stored


def _polls(block: Block, day_ms: int, step_ms: int) -> dict[int, rollup.Rollup]:
    """Return how many polls there were ("asked"), how many were answered ("good"), and their periods' sum."""
    if not len(block):
        return {}
    silence = block.columns.get(SILENCE)
    heard = np.ones(len(block), dtype=np.int64) if silence is None else (~silence.mask()).astype(np.int64)
    places = (block.at - day_ms) // step_ms
    periods = block.columns[PERIOD].values
    starts = np.flatnonzero(np.diff(places, prepend=places[0] - 1))
    zero: Ints = np.zeros(len(starts), dtype=np.int64)
    counts = np.diff(np.append(starts, len(block)))
    table = [places[starts], counts, np.add.reduceat(heard, starts), zero, zero, zero]
    table.append(np.add.reduceat(periods, starts))
    # one line whatever the correction sets were: polls are not corrected
    return {int(block.columns[CORRECTIONS].values[0]): rollup.Rollup(rollup.INTEGERS, np.stack(table))}


def _retire(connection: sqlite3.Connection, day: int, unit: int, meaning: Meaning) -> Prepared:
    day_ms = day * DAY_MS
    spans = connection.execute(
        "SELECT from_at, until_at FROM kept WHERE unit = ? AND from_at < ? AND until_at > ?",
        (unit, day_ms + DAY_MS, day_ms),
    ).fetchall()
    try:
        whole = joined([day_block(connection, unit, day) or hot_block(connection, unit, 0, 0)])
        summaries = summed(whole, meaning, Texts(connection), day_ms, MINUTE_MS)
        staying = joined([whole.between(start, end) for start, end in spans])
        folded = _FoldedDay(unit, day, 0, _checked_columns(staying), summaries, "minutely", 1)
    except chunk.ChunkError as error:
        return Prepared(None, [f"day {day} of unit number {unit}: {error}"])
    return Prepared(folded.write)
