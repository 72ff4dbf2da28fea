"""The history's tables and what is read from them.

    hot      the last hours, one row a reading
    hours    one chunk for each unit and whole hour, all columns together
    days     one chunk for each unit, day and column, so that one quantity is read without the others
    hourly, minutely   summaries for each unit, object, day and correction set, kept for ever
    folded   which days of which unit are in `days`, and whether their exact readings were let go
    kept     spans whose exact readings are kept for ever

Minute summaries are made when the exact readings they sum up are let go; until then they are reckoned.
Each reading is in exactly one of hot, hours and days.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from typing import Final

from collector.history import chunk, hot
from collector.history.buckets import DAY_MS, HOUR_MS
from collector.history.columns import (
    CORRECTIONS,
    NOTHING,
    OFFSET,
    PERIOD,
    SILENCE,
    START,
    TEXT,
    Block,
    joined,
)
from collector.history.rollup import Rollup
from collector.history.rollup import decoded as decoded_rollup
from collector.history.store import Wire

_FIRST: Final = (
    "CREATE TABLE units (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, first_at INTEGER NOT NULL) STRICT",
    "CREATE TABLE layouts (id INTEGER PRIMARY KEY, names TEXT NOT NULL UNIQUE) STRICT",
    "CREATE TABLE objects (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    "CREATE TABLE texts (id INTEGER PRIMARY KEY, kind INTEGER NOT NULL, value BLOB NOT NULL, UNIQUE (kind, value)) STRICT",
    """CREATE TABLE hot (
        at INTEGER NOT NULL, unit INTEGER NOT NULL, layout INTEGER NOT NULL, clock_offset INTEGER NOT NULL,
        start INTEGER NOT NULL, corrections INTEGER NOT NULL, period INTEGER NOT NULL, wide INTEGER NOT NULL,
        cells BLOB NOT NULL, check_sum INTEGER NOT NULL, PRIMARY KEY (at, unit)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE hours (
        unit INTEGER NOT NULL, hour INTEGER NOT NULL, chunk BLOB NOT NULL, PRIMARY KEY (unit, hour)
    ) STRICT""",
    """CREATE TABLE days (
        unit INTEGER NOT NULL, day INTEGER NOT NULL, object INTEGER NOT NULL, chunk BLOB NOT NULL,
        PRIMARY KEY (unit, day, object)
    ) STRICT""",
    """CREATE TABLE folded (
        unit INTEGER NOT NULL, day INTEGER NOT NULL, retired INTEGER NOT NULL, PRIMARY KEY (unit, day)
    ) STRICT, WITHOUT ROWID""",
    "CREATE INDEX folded_exact ON folded (day, unit) WHERE retired = 0",
    """CREATE TABLE hourly (
        unit INTEGER NOT NULL, object INTEGER NOT NULL, day INTEGER NOT NULL, corrections INTEGER NOT NULL,
        chunk BLOB NOT NULL, PRIMARY KEY (unit, object, day, corrections)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE minutely (
        unit INTEGER NOT NULL, object INTEGER NOT NULL, day INTEGER NOT NULL, corrections INTEGER NOT NULL,
        chunk BLOB NOT NULL, PRIMARY KEY (unit, object, day, corrections)
    ) STRICT""",
    """CREATE TABLE kept (
        unit INTEGER NOT NULL, from_at INTEGER NOT NULL, until_at INTEGER NOT NULL, why TEXT NOT NULL,
        PRIMARY KEY (unit, from_at, until_at)
    ) STRICT""",
)

STEPS: Final = (_FIRST,)
AT: Final = chunk.AT


def unit_number(connection: sqlite3.Connection, unit: str) -> tuple[int, int] | None:
    """Return a unit's number and when it was first read (ms), None for a unit never read."""
    row = connection.execute("SELECT id, first_at FROM units WHERE name = ?", (unit,)).fetchone()
    return None if row is None else (int(row[0]), int(row[1]))


def object_number(connection: sqlite3.Connection, name: str) -> int | None:
    """Return a column's number, None where no reading was ever folded with it."""
    row = connection.execute("SELECT id FROM objects WHERE name = ?", (name,)).fetchone()
    return None if row is None else int(row[0])


def object_names(connection: sqlite3.Connection) -> dict[int, str]:
    """Return all columns by number."""
    return {int(number): str(name) for number, name in connection.execute("SELECT id, name FROM objects")}


def layouts(connection: sqlite3.Connection) -> dict[int, tuple[str, ...]]:
    """Return all layouts by number."""
    rows = connection.execute("SELECT id, names FROM layouts")
    return {int(number): tuple(json.loads(names)) for number, names in rows}


class Texts(dict[int, Wire]):
    """The side table by number, each entry read when first asked for."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        super().__init__()
        self._connection = connection

    def __missing__(self, number: int) -> Wire:
        """Read one entry. Raises ChunkError where it is gone."""
        row = self._connection.execute("SELECT kind, value FROM texts WHERE id = ?", (number,)).fetchone()
        if row is None:
            raise chunk.ChunkError(f"text {number} is missing from the side table")
        self[number] = hot.read_text(*row)
        return self[number]


def hot_block(connection: sqlite3.Connection, unit: int, start_ms: int, end_ms: int) -> Block:
    """Return a unit's hot readings from `start_ms` to `end_ms` (excluded)."""
    rows = connection.execute(
        f"{hot.SELECT} WHERE at >= ? AND at < ? AND unit = ? ORDER BY at", (start_ms, end_ms, unit)
    ).fetchall()
    return hot.block_of_rows(rows, layouts(connection)) if rows else hot.block_of_rows((), {})


def hour_block(connection: sqlite3.Connection, unit: int, hour: int) -> Block | None:
    """Return the chunk of a unit's hour (counted since 1970), None if there is none. Raises ChunkError."""
    row = connection.execute("SELECT chunk FROM hours WHERE unit = ? AND hour = ?", (unit, hour)).fetchone()
    return None if row is None else chunk.decoded(row[0])


def day_block(
    connection: sqlite3.Connection, unit: int, day: int, wanted: frozenset[str] | None = None
) -> Block | None:
    """Return a unit's day out of its column chunks, all columns or the wanted ones. Raises ChunkError."""
    names = object_names(connection)
    columns = {}
    at = None
    for number, stored in connection.execute(
        "SELECT object, chunk FROM days WHERE unit = ? AND day = ? ORDER BY object", (unit, day)
    ):
        name = names[number]
        if name == AT:
            at = chunk.decoded_column(stored).values
        elif wanted is None or name in wanted:
            columns[name] = chunk.decoded_column(stored)
    if at is None:
        return None
    if any(len(column.values) != len(at) for column in columns.values()):
        raise chunk.ChunkError(f"columns of day {day} differ in length")
    return Block(at, columns)


def poll_columns(object_name: str) -> frozenset[str]:
    """Return the columns that are needed to tell an object's values."""
    forms = (object_name, TEXT + object_name, NOTHING + object_name)
    return frozenset((OFFSET, START, CORRECTIONS, PERIOD, SILENCE, *forms))


def blocks(
    connection: sqlite3.Connection,
    unit: int,
    start_ms: int,
    end_ms: int,
    wanted: frozenset[str] | None = None,
) -> Iterator[Block]:
    """Yield a unit's exact readings from `start_ms` to `end_ms` (excluded), a day at most at a time, in order."""
    for day in _days_with_readings(connection, unit, start_ms, end_ms):
        first, last = max(start_ms, day * DAY_MS), min(end_ms, (day + 1) * DAY_MS)
        parts = [day_block(connection, unit, day, wanted)]
        parts += [
            chunk.decoded(stored)
            for (stored,) in connection.execute(
                "SELECT chunk FROM hours WHERE unit = ? AND hour >= ? AND hour < ? ORDER BY hour",
                (unit, first // HOUR_MS, -(-last // HOUR_MS)),
            )
        ]
        parts.append(hot_block(connection, unit, first, last))
        block = joined([part for part in parts if part is not None]).between(first, last)
        if len(block):
            yield block


def _days_with_readings(connection: sqlite3.Connection, unit: int, start_ms: int, end_ms: int) -> list[int]:
    first, last = start_ms // DAY_MS, -(-end_ms // DAY_MS)
    found = {
        int(day)
        for (day,) in connection.execute(
            "SELECT day FROM folded WHERE unit = ? AND day >= ? AND day < ?", (unit, first, last)
        )
    }
    found |= {
        int(hour) // 24
        for (hour,) in connection.execute(
            "SELECT hour FROM hours WHERE unit = ? AND hour >= ? AND hour < ?", (unit, first * 24, last * 24)
        )
    }
    hot_span = connection.execute("SELECT min(at), max(at) FROM hot").fetchone()
    if hot_span[0] is not None:
        lowest, highest = max(start_ms, hot_span[0]), min(end_ms - 1, hot_span[1])
        if lowest <= highest:
            found |= set(range(lowest // DAY_MS, highest // DAY_MS + 1))
    return sorted(found)


def newest_at(connection: sqlite3.Connection, unit: int) -> int | None:
    """Return a moment (ms) at or after a unit's newest reading, None where nothing was kept."""
    row = connection.execute("SELECT at FROM hot WHERE unit = ? ORDER BY at DESC LIMIT 1", (unit,)).fetchone()
    if row is not None:
        return int(row[0])
    (hour,) = connection.execute("SELECT max(hour) FROM hours WHERE unit = ?", (unit,)).fetchone()
    if hour is not None:
        return (int(hour) + 1) * HOUR_MS - 1
    (day,) = connection.execute("SELECT max(day) FROM folded WHERE unit = ?", (unit,)).fetchone()
    return None if day is None else (int(day) + 1) * DAY_MS - 1


def stored_rollups(
    connection: sqlite3.Connection, table: str, unit: int, object_name: str, *, start_ms: int, end_ms: int
) -> list[tuple[int, str, Rollup]]:
    """Return summaries ("hourly" or "minutely") of a span: start of the day (ms), correction set, rollup."""
    number = object_number(connection, object_name)
    texts = Texts(connection)
    rows = connection.execute(
        f"SELECT day, corrections, chunk FROM {table} WHERE unit = ? AND object = ? AND day >= ? AND day < ?",  # noqa: S608
        (unit, number, start_ms // DAY_MS, -(-end_ms // DAY_MS)),
    )
    return [(day * DAY_MS, str(texts[number]), decoded_rollup(stored)) for day, number, stored in rows]
