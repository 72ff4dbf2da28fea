"""Saving what is sound of a damaged history.

Pages that cannot be read are found by halving: a span of keys that fails is read in two halves, down to
the row. Rows and chunks whose checksum does not fit are left behind, and named.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from collector.history import bundle, chunk, hot, rollup, runs
from collector.history.buckets import DAY_MS, HOUR_MS, MINUTE_MS
from collector.history.columns import POLL
from collector.history.lookup import day_block
from collector.history.tables import EXACT, GONE, LOOSE, SUMMED, key_of, stretch_of, unit_and_day
from collector.history.verify import (
    BUNDLES,
    Finding,
    Places,
    Row,
    entry_in_words,
    hot_row_is_sound,
    words,
)

_POLL_COLUMNS: Final = frozenset(POLL)

_SIDE: Final = {
    "units": "id, name, first_at",
    "layouts": "id, names",
    "objects": "id, name",
    "texts": "id, kind, value",
    "kept": "unit, from_at, until_at, why",
}


def rows_of(
    connection: sqlite3.Connection, table: str, columns: str, key: Sequence[str], lost: list[str]
) -> Iterator[Row]:
    """Yield every row of a table that can be read, halving the span of the key around what cannot.

    `key`: whole-number columns that order the table ("rowid", or the primary key). What cannot be read is
    added to `lost`.
    """
    yield from _rows_within(connection, (table, columns), tuple(key), (), lost)


def _rows_within(
    connection: sqlite3.Connection,
    what: tuple[str, str],
    key: tuple[str, ...],
    fixed: tuple[int, ...],
    lost: list[str],
) -> Iterator[Row]:
    table, columns = what
    column, level = key[len(fixed)], len(fixed)
    before = "".join(f"{name} = {value} AND " for name, value in zip(key, fixed, strict=False))
    spans = [_span(connection, table, before, column)]
    while spans:
        low, high = spans.pop()
        try:
            rows = connection.execute(
                f"SELECT {columns} FROM {table} WHERE {before}{column} >= ? AND {column} <= ?",  # noqa: S608
                (low, high),
            ).fetchall()
        except sqlite3.DatabaseError as error:
            if low < high:
                middle = (low + high) // 2
                spans += [(middle + 1, high), (low, middle)]
            elif level + 1 < len(key):
                yield from _rows_within(connection, what, key, (*fixed, low), lost)
            else:
                lost.append(f"table {table}, {before}{column} = {low}: {error}")
            continue
        yield from rows


def _span(connection: sqlite3.Connection, table: str, before: str, column: str) -> tuple[int, int]:
    where = f"WHERE {before[:-5]}" if before else ""
    found = []
    for edge in ("min", "max"):
        try:
            row = connection.execute(f"SELECT {edge}({column}) FROM {table} {where}").fetchone()  # noqa: S608
            found.append(row[0])
        except sqlite3.DatabaseError:
            found.append(None)
    low = 0 if found[0] is None else int(found[0])
    return low, max(low, 2**42 if found[1] is None else int(found[1]))


def saved(source: sqlite3.Connection, target: sqlite3.Connection) -> list[Finding]:
    """Copy all that is sound into the tables of an empty history; return what was left behind.

    Within the caller's transaction on `target`. Summaries that were lost are made again from the exact
    readings of their days by the store's next housekeeping, where those are sound.
    """
    places = Places(source)
    left: list[Finding] = []
    lost: list[str] = []
    for table, columns in _SIDE.items():
        _copy(target, table, columns, rows_of(source, table, columns, ("rowid",), lost))
    sound = []
    for row in rows_of(source, "hot", hot.COLUMNS, ("at", "unit"), lost):
        if hot_row_is_sound(row):
            sound.append(row)
        else:
            left.append(Finding(f"{places.unit(row[1])}, the reading of {words(row[0])} UTC", "damaged"))
    _copy(target, "hot", hot.COLUMNS, sound)
    left += _save_chunks(source, target, places, lost)
    for key, end_day, _, stored in rows_of(source, "runs", "key, end_day, readings, chunk", ("key",), lost):
        left += _save_run(target, key, end_day, stored, places)
    whole: set[int] = set()
    for table, what in BUNDLES.items():
        if table != "runs":
            for key, end_day, stored in rows_of(source, table, "key, end_day, chunk", ("key",), lost):
                found = _save_sums(target, (table, what), (key, end_day, stored), places)
                left += found
                if table == "hour_sums" and not found:
                    whole.add(key)
    _list_days(target, whole, places, left)
    return [*left, *(Finding("the file", what) for what in lost)]


def _save_chunks(
    source: sqlite3.Connection, target: sqlite3.Connection, places: Places, lost: list[str]
) -> list[Finding]:
    """Keep the hour chunks that can be read, and what stands as schema 1 kept it."""
    left: list[Finding] = []
    for table, columns, key, decode in (
        ("hours", "unit, hour, chunk", ("rowid",), chunk.decoded),
        ("days", "unit, day, object, chunk", ("rowid",), chunk.decoded_column),
        ("hourly", "unit, day, object, corrections, chunk", ("unit", "object", "day"), rollup.decoded),
        ("minutely", "unit, day, object, corrections, chunk", ("rowid",), rollup.decoded),
    ):
        length_ms = HOUR_MS if table == "hours" else DAY_MS
        for row in rows_of(source, table, columns, key, lost):
            try:
                decode(row[-1])
            except chunk.ChunkError as error:
                what = "readings" if table == "hours" else places.object(row[2])
                left.append(Finding(places.span(row[0], row[1] * length_ms, length_ms), f"{what}: {error}"))
            else:
                _copy(target, table, columns, [row])
    return left


def _copy(target: sqlite3.Connection, table: str, columns: str, rows: Iterator[Row] | Sequence[Row]) -> None:
    marks = ", ".join("?" for _ in columns.split(","))
    target.executemany(f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})", rows)  # noqa: S608


def _span_of(places: Places, key: int, end_day: int) -> str:
    unit, day = unit_and_day(key)
    return places.span(unit, day * DAY_MS, (end_day - day) * DAY_MS)


def _save_run(
    target: sqlite3.Connection, key: int, end_day: int, stored: bytes, places: Places
) -> list[Finding]:
    """Keep a run, or those of its columns that can be read."""
    where = _span_of(places, key, end_day)
    try:
        found = bundle.opened_bytes(stored)
        block, lost = runs.what_is_sound(found)
    except chunk.ChunkError as error:
        return [Finding(where, f"all readings: {error}")]
    left = [Finding(where, f"{entry_in_words(name)}: {wrong}") for name, wrong in lost]
    if block is None or not len(block):
        return [*left, Finding(where, "all readings: their times are lost")]
    if not set(block.columns) >= _POLL_COLUMNS:
        return [*left, Finding(where, "all readings: what belongs to each poll is lost")]
    kept = runs.run_of(block) if lost else stored
    target.execute(
        "INSERT OR IGNORE INTO runs (key, end_day, readings, chunk) VALUES (?, ?, ?, ?)",
        (key, end_day, len(block), kept),
    )
    return left


def _save_sums(
    target: sqlite3.Connection, kind: tuple[str, str], row: tuple[int, int, bytes], places: Places
) -> list[Finding]:
    """Keep a row of summaries, or those of its entries that can be read."""
    (table, what), (key, end_day, stored) = kind, row
    where = _span_of(places, key, end_day)
    sound: dict[str, bytes] = {}
    left: list[Finding] = []
    try:
        found = bundle.opened_bytes(stored)
        for segment in found.segments:
            try:
                sound |= found.within(segment)
            except chunk.ChunkError as error:
                left += [Finding(where, f"{what}{entry_in_words(name)}: {error}") for name in segment.names]
        kept = stored if not left else bundle.bundled(found.head, sound.items())
        runs.sums_in(bundle.opened_bytes(kept))
    except chunk.ChunkError as error:
        return [*left, Finding(where, f"{what}all objects: {error}")]
    target.execute(
        f"INSERT OR IGNORE INTO {table} (key, end_day, chunk) VALUES (?, ?, ?)",  # noqa: S608
        (key, end_day, kept),
    )
    return left


def _list_days(target: sqlite3.Connection, whole: set[int], places: Places, left: list[Finding]) -> None:
    """Make the list of folded days from what was saved."""
    gone = set(target.execute("SELECT DISTINCT unit, day FROM minutely").fetchall())
    for key, stored in target.execute("SELECT key, chunk FROM minute_sums").fetchall():
        unit, first = unit_and_day(key)
        for part in runs.sums_in(bundle.opened_bytes(stored)).values():
            gone |= {(unit, first + int(n)) for n in np.unique(part.table[0] // (DAY_MS // MINUTE_MS))}
    there = gone | {(unit, day) for unit, day in target.execute("SELECT DISTINCT unit, day FROM days")}
    for unit, day in sorted(there - gone):
        if day_block(target, unit, day) is None:
            left.append(
                Finding(places.span(unit, day * DAY_MS, DAY_MS), "all readings: their times are lost")
            )
            target.execute("DELETE FROM days WHERE unit = ? AND day = ?", (unit, day))
            there.discard((unit, day))
    for key, stored in target.execute("SELECT key, chunk FROM runs").fetchall():
        at = runs.block_in(bundle.opened_bytes(stored), frozenset()).at
        there |= {(unit_and_day(key)[0], int(day)) for day in np.unique(at // DAY_MS)}
    target.executemany(
        "INSERT OR REPLACE INTO folded (unit, day, retired, summed) VALUES (?, ?, ?, ?)",
        [
            (
                unit,
                day,
                GONE if (unit, day) in gone else EXACT,
                SUMMED if key_of(unit, stretch_of(day)) in whole else LOOSE,
            )
            for unit, day in there
        ],
    )
