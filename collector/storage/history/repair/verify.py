"""Finding damage in a history.

SQLite's own check finds broken pages and lists; the checksums of chunks and hot rows find bits that
flipped within. What is found is told as what it affects: a unit and a span.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from collector.storage.database import damage
from collector.storage.history import rollup
from collector.storage.history.buckets import DAY_MS, HOUR_MS
from collector.storage.history.codec import hour_chunk, run_bundle
from collector.storage.history.columns import CORRECTIONS, START, TEXT, Block
from collector.storage.history.places import (
    NO_LAST_DAY,
    DamageFound,
    Places,
    are_numbers,
    days_in_words,
    entry_in_words,
    in_row,
    words,
)
from collector.storage.history.repair.sound_rows import Row
from collector.storage.history.tables import recent_rows as hot
from collector.storage.history.tables import runs
from collector.storage.history.tables.names import NAMED, unfit_names
from collector.storage.history.tables.schema import AT, GONE, SUMMED, end_or_stretch, layouts, unit_and_day

_WITH_TIMES: Final = "SELECT unit, day FROM days WHERE object = (SELECT id FROM objects WHERE name = '@at')"


@dataclass(slots=True)
class Looked:
    """What a check looked at."""

    chunks: int = 0
    rows: int = 0


def findings(connection: sqlite3.Connection, looked: Looked | None = None) -> Iterator[DamageFound]:
    """Yield every damage in a history. Reads all of it; safe on one in use.

    From then on, the connection gives a text that is none with signs in the place of what cannot be read, instead of
    raising in the middle of a table.
    """
    looked = Looked() if looked is None else looked
    connection.text_factory = lambda stored: stored.decode(errors="replace")
    for what in damage(connection):
        yield DamageFound("the file", what)
    places = Places(connection)
    checks = [
        _hot_findings(connection, places, looked),
        _chunk_findings(connection, places, looked),
        _old_text_findings(connection, places),
        _name_findings(connection),
    ]
    if connection.execute("PRAGMA user_version").fetchone()[0] > 1:  # a file of schema 1 has no bundles
        checks += [
            _bundle_findings(connection, places, looked),
            _day_findings(connection, places),
            _unit_findings(connection),
        ]
    for check in checks:
        try:
            yield from check
        except sqlite3.DatabaseError as error:
            yield DamageFound("the file", f"part of it cannot be read ({error})")


def _hot_findings(connection: sqlite3.Connection, places: Places, looked: Looked) -> Iterator[DamageFound]:
    known, texts = layouts(connection), text_numbers(connection)
    missing: dict[int, set[int]] = {}
    for row in connection.execute(hot.SELECT):
        looked.rows += 1
        where = f"{places.unit(row[1])}, the reading of {words(row[0])} UTC"
        if not hot.is_sound(row):
            yield DamageFound(where, "checksum does not fit")
        elif (needed := texts_of_hot_row(row, known)) is None:
            yield DamageFound(where, f"the list of its objects (layout {row[2]}) is missing")
        elif needed - texts:
            missing.setdefault(row[1], set()).update(needed - texts)
    for unit, numbers in missing.items():
        yield DamageFound(f"{places.unit(unit)}, the readings of late", texts_missing(numbers))


def text_numbers(connection: sqlite3.Connection) -> set[int]:
    """Return the numbers of all entries of the side table."""
    return {int(number) for (number,) in connection.execute("SELECT id FROM texts")}


def texts_of_hot_row(row: Row, known: Mapping[int, Sequence[str]]) -> set[int] | None:
    """Return the entries of the side table that a sound hot row needs; None where its layout is not known or another."""
    _, _, layout, _, start, corrections, _, wide, cells, _ = row
    names = known.get(layout)
    if names is None:
        return None
    needed = {start, corrections}
    if wide:  # a row of 32-bit integers names no text
        try:
            values = struct.unpack(f"<{len(names)}q", cells)
        except struct.error:
            return None
        needed |= {value for name, value in zip(names, values, strict=True) if name.startswith(TEXT)}
    return needed


def texts_of_block(block: Block) -> set[int]:
    """Return the entries of the side table that a block's readings need."""
    needed: set[int] = set()
    for name, column in block.columns.items():
        if name in {START, CORRECTIONS} or name.startswith(TEXT):
            needed.update(np.unique(column.values[column.mask()]).tolist())
    return needed


def texts_missing(numbers: Iterable[int]) -> str:
    """Return in words that entries of the side table are missing."""
    some = sorted(numbers)
    if len(some) == 1:
        return f"text {some[0]} is missing from the side table"
    more = "" if len(some) <= 5 else f" and {len(some) - 5} more"
    return f"texts {', '.join(map(str, some[:5]))}{more} are missing from the side table"


CHUNKS: Final[Sequence[tuple[str, str, Callable[[bytes], object]]]] = (
    ("hours", "unit, hour, 0", hour_chunk.decoded),
    ("days", "unit, day, object", hour_chunk.decoded_column),
    ("hourly", "unit, day, object", rollup.decoded),
    ("minutely", "unit, day, object", rollup.decoded),
)


def _chunk_findings(connection: sqlite3.Connection, places: Places, looked: Looked) -> Iterator[DamageFound]:
    texts = text_numbers(connection)
    for table, key, decode in CHUNKS:
        length_ms = HOUR_MS if table == "hours" else DAY_MS
        for unit, period, number, stored in connection.execute(f"SELECT {key}, chunk FROM {table}"):  # noqa: S608
            looked.chunks += 1
            if not are_numbers((unit, period, number)):
                yield DamageFound(f"table {table}", in_row(places, unit))
                continue
            where = places.span(unit, period * length_ms, length_ms)
            try:
                found = decode(stored)
            except hour_chunk.ChunkError as error:
                what = {
                    "hours": "all readings",
                    "days": places.object(number),
                    "hourly": f"summary by the hour of {places.object(number)}",
                    "minutely": f"summary by the minute of {places.object(number)}",
                }[table]
                yield DamageFound(where, f"{what}: {error}")
                continue
            if isinstance(found, Block) and (missing := texts_of_block(found) - texts):
                yield DamageFound(where, texts_missing(missing))


BUNDLES: Final = {
    "runs": "",
    "hour_sums": "summary by the hour of ",
    "minute_sums": "summary by the minute of ",
}


def _bundle_findings(connection: sqlite3.Connection, places: Places, looked: Looked) -> Iterator[DamageFound]:
    texts = text_numbers(connection)
    for table, what in BUNDLES.items():
        for key, end_day, stored in connection.execute(f"SELECT key, end_day, chunk FROM {table}"):  # noqa: S608
            looked.chunks += 1
            where = days_in_words(places, key, end_day)
            if not are_numbers((end_day,)):
                yield DamageFound(where, NO_LAST_DAY)
            try:
                found = run_bundle.opened_bytes(stored)
            except hour_chunk.ChunkError as error:
                yield DamageFound(where, f"{what}all objects: {error}" if what else f"all readings: {error}")
                continue
            lost, needed = _entries(found, table)
            for name, wrong in lost:
                yield DamageFound(where, f"{what}{entry_in_words(name)}: {wrong}")
            if needed - texts:
                yield DamageFound(where, texts_missing(needed - texts))


def _entries(found: run_bundle.Bundle, table: str) -> tuple[list[tuple[str, str]], set[int]]:
    """Return the entries of a bundle that cannot be read, with what is wrong with each; and the texts it needs."""
    lost: list[tuple[str, str]] = []
    for segment in found.segments:
        try:
            found.within(segment)
        except hour_chunk.ChunkError as error:
            lost += [(name, str(error)) for name in segment.names]
    needed = set() if table == "runs" else {int(name.split(" ")[1]) for name in found.names}
    if not lost:
        try:
            if table == "runs":
                needed = texts_of_block(runs.block_in(found))
            else:
                runs.sums_in(found)
        except hour_chunk.ChunkError as error:
            lost.append((AT, str(error)))
    return lost, needed


def _day_findings(connection: sqlite3.Connection, places: Places) -> Iterator[DamageFound]:
    """A folded day has its readings, and summaries where they are said to stand."""
    for unit, day in connection.execute(f"SELECT unit, day FROM days EXCEPT {_WITH_TIMES}"):  # noqa: S608
        if are_numbers((unit, day)):
            yield DamageFound(places.span(unit, day * DAY_MS, DAY_MS), "times are missing")
    there = {table: _covered(connection, table) for table in BUNDLES}
    for table, old in (("runs", "days"), ("hour_sums", "hourly"), ("minute_sums", "minutely")):
        there[table] |= set(connection.execute(f"SELECT DISTINCT unit, day FROM {old}"))  # noqa: S608
    for unit, day, retired, summed in connection.execute("SELECT unit, day, retired, summed FROM folded"):
        if not are_numbers((unit, day, retired, summed)):
            yield DamageFound("table folded", in_row(places, unit))
            continue
        where = places.span(unit, day * DAY_MS, DAY_MS)
        if retired != GONE and (unit, day) not in there["runs"]:
            yield DamageFound(where, "readings are missing")
        if retired != GONE and summed == SUMMED and (unit, day) not in there["hour_sums"]:
            yield DamageFound(where, "summaries by the hour are missing")
        if retired == GONE and (unit, day) not in there["minute_sums"]:
            yield DamageFound(where, "summaries by the minute are missing")


def _covered(connection: sqlite3.Connection, table: str) -> set[tuple[int, int]]:
    """Return the units and days that the rows of a table cover."""
    rows = connection.execute(f"SELECT key, end_day FROM {table}")  # noqa: S608
    return {
        (unit, day)
        for (unit, first), end_day in ((unit_and_day(key), end_day) for key, end_day in rows)
        for day in range(first, min(end_or_stretch(first, end_day), first + 64))
    }


def _old_text_findings(connection: sqlite3.Connection, places: Places) -> Iterator[DamageFound]:
    """Return what summaries of schema 1 need and is not there."""
    missing = connection.execute(
        """SELECT unit, corrections FROM hourly WHERE corrections NOT IN (SELECT id FROM texts)
        UNION SELECT unit, corrections FROM minutely WHERE corrections NOT IN (SELECT id FROM texts)"""
    )
    for unit, number in missing:
        yield DamageFound(places.unit(unit), texts_missing([number]))


def _name_findings(connection: sqlite3.Connection) -> Iterator[DamageFound]:
    """Return the names that are no text or another: SQLite's own check does not look at what stands in one."""
    unreadable: set[tuple[str, int]] = set()
    for table, column in (("units", "name"), ("objects", "name"), ("layouts", "names")):
        query = f"SELECT id, CAST({column} AS BLOB) FROM {table} WHERE {column} IS NOT NULL"  # noqa: S608
        for number, stored in connection.execute(query):
            try:
                stored.decode()
            except UnicodeDecodeError as error:
                yield DamageFound(f"table {table}, row {number}", f"its text is damaged ({error.reason})")
                unreadable.add((table, number))
    for table in NAMED:
        for number in unfit_names(connection, table):
            if (table, number) not in unreadable:
                yield DamageFound(f"table {table}, row {number}", "checksum does not fit")


NAMELESS_UNITS: Final = """SELECT unit FROM (
    SELECT unit FROM hot UNION SELECT unit FROM hours UNION SELECT unit FROM folded UNION SELECT key >> 20 FROM runs
    UNION SELECT key >> 20 FROM hour_sums UNION SELECT key >> 20 FROM minute_sums
) WHERE unit NOT IN (SELECT id FROM units) ORDER BY unit"""
"""The numbers of units of which something stands, and whose name does not."""


def _unit_findings(connection: sqlite3.Connection) -> Iterator[DamageFound]:
    for (unit,) in connection.execute(NAMELESS_UNITS):
        yield DamageFound(f"unit number {unit}", "its name is missing")
