"""Saving what is sound of a damaged history.

Pages that cannot be read are found by halving: a span of keys that fails is read in two halves, down to
the row. Rows and chunks whose checksum does not fit are left behind, and named.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from typing import Final

from collector.history import chunk, hot, rollup
from collector.history.buckets import DAY_MS, HOUR_MS
from collector.history.fold import summed
from collector.history.store import Meaning
from collector.history.tables import Texts, day_block
from collector.history.verify import Finding, Places, Row, hot_row_is_sound, words

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


def saved(source: sqlite3.Connection, target: sqlite3.Connection, meaning: Meaning) -> list[Finding]:
    """Copy all that is sound into the tables of an empty history; return what was left behind.

    Within the caller's transaction on `target`. Summaries that were lost are made again from the exact
    readings of their day, where those are sound.
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
    retired = {(unit, day) for unit, day in target.execute("SELECT DISTINCT unit, day FROM minutely")}
    _mend(target, meaning, retired, places, left)
    return [*left, *(Finding("the file", what) for what in lost)]


def _copy(target: sqlite3.Connection, table: str, columns: str, rows: Iterator[Row] | Sequence[Row]) -> None:
    marks = ", ".join("?" for _ in columns.split(","))
    target.executemany(f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})", rows)  # noqa: S608


def _mend(
    target: sqlite3.Connection,
    meaning: Meaning,
    retired: set[tuple[int, int]],
    places: Places,
    left: list[Finding],
) -> None:
    """Rebuild what can be rebuilt: the list of folded days, and summaries."""
    texts = Texts(target)
    days = target.execute(
        "SELECT DISTINCT unit, day FROM days UNION SELECT unit, day FROM minutely"
    ).fetchall()
    for unit, day in days:
        gone = (unit, day) in retired
        target.execute("INSERT OR REPLACE INTO folded VALUES (?, ?, ?)", (unit, day, int(gone)))
        if gone:
            continue
        block = day_block(target, unit, day)
        if block is None:
            left.append(
                Finding(places.span(unit, day * DAY_MS, DAY_MS), "all readings: their times are lost")
            )
            target.execute("DELETE FROM days WHERE unit = ? AND day = ?", (unit, day))
            target.execute("DELETE FROM folded WHERE unit = ? AND day = ?", (unit, day))
            continue
        try:
            made = summed(block, meaning, texts, day * DAY_MS, HOUR_MS)
        except (chunk.ChunkError, KeyError) as error:
            left.append(Finding(places.span(unit, day * DAY_MS, DAY_MS), f"summaries: {error}"))
            continue
        for (name, corrections), stored in made.items():
            target.execute(
                """INSERT OR IGNORE INTO hourly (unit, object, day, corrections, chunk)
                SELECT ?, id, ?, ?, ? FROM objects WHERE name = ?""",
                (unit, day, corrections, stored, name),
            )
