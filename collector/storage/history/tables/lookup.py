"""Readings and summaries out of the history's tables, wherever they stand and in whatever form.

Works on one consistent view of a connection; what is damaged raises ChunkError.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Final

from collector.storage.history.buckets import DAY_MS, HOUR_MS
from collector.storage.history.codec import hour_chunk, run_bundle
from collector.storage.history.columns import (
    CORRECTIONS,
    EMPTY,
    NOTHING,
    OFFSET,
    PERIOD,
    SILENCE,
    START,
    TEXT,
    Block,
    joined,
)
from collector.storage.history.rollup import Rollup
from collector.storage.history.rollup import decoded as decoded_rollup
from collector.storage.history.tables import recent_rows as hot
from collector.storage.history.tables import runs
from collector.storage.history.tables.schema import (
    AT,
    END_OF_DAYS,
    END_OF_UNITS,
    Texts,
    end_or_stretch,
    key_of,
    layout,
    object_names,
    stretch_of,
    unit_and_day,
)


def hot_block(connection: sqlite3.Connection, unit: int, start_ms: int, end_ms: int) -> Block:
    """Return a unit's hot readings from `start_ms` to `end_ms` (excluded), but for those that are damaged.

    One row that is left out shows as one reading missing, and housekeeping says which. Raises ChunkError.
    """
    found = hot.found(connection, partial(layout, connection), (start_ms, end_ms), (unit, unit))
    if unit in found.unreadable:
        raise hour_chunk.ChunkError(f"of no use: {found.unreadable[unit]}")
    return found.blocks.get(unit, EMPTY)


def hour_block(connection: sqlite3.Connection, unit: int, hour: int) -> Block | None:
    """Return the chunk of a unit's hour (counted since 1970), None if there is none. Raises ChunkError."""
    row = connection.execute("SELECT chunk FROM hours WHERE unit = ? AND hour = ?", (unit, hour)).fetchone()
    return None if row is None else hour_chunk.decoded(row[0])


@dataclass(frozen=True, slots=True)
class RunRow:
    """A row of `runs` or of sums: its key and the days it covers."""

    key: int
    first_day: int
    end_day: int


def spans_in(
    connection: sqlite3.Connection, table: str, unit: int, first_day: int, end_day: int
) -> list[RunRow]:
    """Return the rows of a unit in a table that touch some days, in order. None reaches beyond its stretch.

    Any days and units may be asked for: beyond the days that a key can name lie the keys of other units, not
    this one's, and a damaged row may name any number as its unit.
    """
    if not 0 <= unit < END_OF_UNITS:
        return []
    first_day, end_day = (min(max(day, 0), END_OF_DAYS) for day in (first_day, end_day))
    rows = connection.execute(
        f"SELECT key, end_day FROM {table} WHERE key >= ? AND key < ? AND end_day > ? ORDER BY key",  # noqa: S608
        (key_of(unit, stretch_of(first_day)), key_of(unit, end_day), first_day),
    )
    firsts = ((key, unit_and_day(key)[1], end) for key, end in rows)
    return [RunRow(key, first, end_or_stretch(first, end)) for key, first, end in firsts]


def readings_in(connection: sqlite3.Connection, unit: int, day: int) -> dict[int, int]:
    """Return how many readings the runs hold that a unit's day is in, by key."""
    keys = [span.key for span in spans_in(connection, "runs", unit, day, day + 1)]
    found = (connection.execute("SELECT readings FROM runs WHERE key = ?", (key,)).fetchone() for key in keys)
    return {key: int(readings) for key, (readings,) in zip(keys, found, strict=True)}


def hours_stand(connection: sqlite3.Connection, unit: int, first_day: int, end_day: int) -> bool:
    """Return whether hour chunks of some days are not in a run yet."""
    row = connection.execute(
        "SELECT 1 FROM hours WHERE unit = ? AND hour >= ? AND hour < ? LIMIT 1",
        (unit, first_day * 24, end_day * 24),
    ).fetchone()
    return row is not None


@contextmanager
def bundle_at(connection: sqlite3.Connection, table: str, key: int) -> Iterator[run_bundle.Bundle]:
    """Give the bundle of a row, read piece by piece as far as it is needed. Raises ChunkError."""
    try:
        blob = connection.blobopen(table, "chunk", key, readonly=True)
    except sqlite3.OperationalError as error:
        if "cannot open value" in str(error):
            raise hour_chunk.ChunkError("damaged: not stored as bytes") from error
        raise
    with blob:
        yield run_bundle.opened(lambda place, size: bytes(blob[place : place + size]), len(blob))


def run_block(connection: sqlite3.Connection, key: int, wanted: frozenset[str] | None = None) -> Block:
    """Return the readings of a run, all columns or the wanted ones. Raises ChunkError."""
    with bundle_at(connection, "runs", key) as run:
        return runs.block_in(run, wanted)


def first_form_days(connection: sqlite3.Connection, unit: int, first_day: int, end_day: int) -> list[int]:
    """Return the days of a unit that are still as schema 1 kept them."""
    rows = connection.execute(
        "SELECT DISTINCT day FROM days WHERE unit = ? AND day >= ? AND day < ? ORDER BY day",
        (unit, first_day, end_day),
    )
    return [int(day) for (day,) in rows]


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
            at = hour_chunk.decoded_column(stored).values
        elif wanted is None or name in wanted:
            columns[name] = hour_chunk.decoded_column(stored)
    if at is None:
        return None
    if any(len(column.values) != len(at) for column in columns.values()):
        raise hour_chunk.ChunkError(f"columns of day {day} differ in length")
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
    """Yield a unit's exact readings from `start_ms` to `end_ms` (excluded), a run or a day at a time, in order."""
    for first_day, end_day in pieces(connection, unit, start_ms, end_ms):
        first, last = max(start_ms, first_day * DAY_MS), min(end_ms, end_day * DAY_MS)
        parts = folded_blocks(connection, unit, first // DAY_MS, -(-last // DAY_MS), wanted)
        parts += [
            hour_chunk.decoded(stored)
            for (stored,) in connection.execute(
                "SELECT chunk FROM hours WHERE unit = ? AND hour >= ? AND hour < ? ORDER BY hour",
                (unit, first // HOUR_MS, -(-last // HOUR_MS)),
            )
        ]
        parts.append(hot_block(connection, unit, first, last))
        block = joined(parts).between(first, last)
        if len(block):
            yield block


def folded_blocks(
    connection: sqlite3.Connection,
    unit: int,
    first_day: int,
    end_day: int,
    wanted: frozenset[str] | None = None,
) -> list[Block]:
    """Return what runs and days of schema 1 hold of some days, whole runs though they reach beyond."""
    old = [
        day_block(connection, unit, day, wanted)
        for day in first_form_days(connection, unit, first_day, end_day)
    ]
    spans = spans_in(connection, "runs", unit, first_day, end_day)
    return [
        *(block for block in old if block is not None),
        *(run_block(connection, span.key, wanted) for span in spans),
    ]


def pieces(connection: sqlite3.Connection, unit: int, start_ms: int, end_ms: int) -> list[tuple[int, int]]:
    """Return first days and ends of what can be read together: runs, and days with other readings."""
    first, last = start_ms // DAY_MS, -(-end_ms // DAY_MS)
    found = [(s.first_day, s.end_day) for s in spans_in(connection, "runs", unit, first, last)]
    found += [(day, day + 1) for day in _loose_days(connection, unit, start_ms, end_ms)]
    parts: list[tuple[int, int]] = []
    for begin, end in sorted(found):
        if parts and begin < parts[-1][1]:
            parts[-1] = (parts[-1][0], max(end, parts[-1][1]))
        else:
            parts.append((begin, end))
    return parts


def _loose_days(connection: sqlite3.Connection, unit: int, start_ms: int, end_ms: int) -> set[int]:
    first, last = start_ms // DAY_MS, -(-end_ms // DAY_MS)
    found = set(first_form_days(connection, unit, first, last))
    found |= {
        int(hour) // 24
        for (hour,) in connection.execute(
            "SELECT hour FROM hours WHERE unit = ? AND hour >= ? AND hour < ?", (unit, first * 24, last * 24)
        )
    }
    return found | _hot_days(connection, start_ms, end_ms)


def _hot_days(connection: sqlite3.Connection, start_ms: int, end_ms: int) -> set[int]:
    """Return the days with hot rows of any unit: from one to the next, whatever lies between."""
    found: set[int] = set()
    while True:
        (at_ms,) = connection.execute(
            "SELECT min(at) FROM hot WHERE at >= ? AND at < ?", (start_ms, end_ms)
        ).fetchone()
        if at_ms is None:
            return found
        found.add(int(at_ms) // DAY_MS)
        start_ms = (int(at_ms) // DAY_MS + 1) * DAY_MS


def newest_at(connection: sqlite3.Connection, unit: int) -> int | None:
    """Return a moment (ms) at or after a unit's newest reading, None where nothing was kept."""
    for row in connection.execute(f"{hot.SELECT} WHERE unit = ? ORDER BY at DESC", (unit,)):
        if hot.is_sound(row):  # a damaged one may name any time
            return int(row[0])
    (hour,) = connection.execute("SELECT max(hour) FROM hours WHERE unit = ?", (unit,)).fetchone()
    if hour is not None:
        return (int(hour) + 1) * HOUR_MS - 1
    (day,) = connection.execute("SELECT max(day) FROM folded WHERE unit = ?", (unit,)).fetchone()
    return None if day is None else (int(day) + 1) * DAY_MS - 1


@dataclass(frozen=True, slots=True)
class StoredSums:
    """Summaries of one object under one correction set: lines count from `start_ms`."""

    start_ms: int
    object_name: str
    corrections: str
    rollup: Rollup


FIRST_FORM: Final = {"hour_sums": "hourly", "minute_sums": "minutely"}


Numbered = tuple[int, str, int, Rollup]
"""First day that lines count from, object, number of the correction set, rollup."""


def numbered_sums(
    connection: sqlite3.Connection,
    table: str,
    unit: int,
    first_day: int,
    end_day: int,
    *,
    objects: frozenset[str] | None = None,
) -> Iterator[Numbered]:
    """Yield summaries of some days ("hour_sums" or "minute_sums"), whole rows though they reach beyond."""
    for span in spans_in(connection, table, unit, first_day, end_day):
        with bundle_at(connection, table, span.key) as run:
            for (name, number, _), part in runs.sums_in(run, objects).items():
                yield span.first_day, name, number, part
    yield from first_form_sums(connection, table, unit, first_day, end_day, objects=objects)


def first_form_sums(
    connection: sqlite3.Connection,
    table: str,
    unit: int,
    first_day: int,
    end_day: int,
    *,
    objects: frozenset[str] | None = None,
) -> Iterator[Numbered]:
    """Yield the summaries of some days that are still as schema 1 kept them."""
    numbers = {n: name for n, name in object_names(connection).items() if objects is None or name in objects}
    for number, name in numbers.items():
        rows = connection.execute(
            f"SELECT day, corrections, chunk FROM {FIRST_FORM[table]} WHERE unit = ? AND object = ? AND day >= ? AND day < ?",  # noqa: S608
            (unit, number, first_day, end_day),
        )
        for day, corrections, stored in rows:
            yield day, name, corrections, decoded_rollup(stored)


def stored_sums(
    connection: sqlite3.Connection,
    table: str,
    unit: int,
    objects: frozenset[str],
    *,
    start_ms: int,
    end_ms: int,
) -> list[StoredSums]:
    """Return summaries of a span ("hour_sums" or "minute_sums"), whole rows though they reach beyond it."""
    texts = Texts(connection)
    return [
        StoredSums(day * DAY_MS, name, str(texts[number]), part)
        for day, name, number, part in numbered_sums(
            connection, table, unit, start_ms // DAY_MS, -(-end_ms // DAY_MS), objects=objects
        )
    ]
