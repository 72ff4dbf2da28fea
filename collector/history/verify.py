"""Finding damage in a history.

SQLite's own check finds broken pages and lists; the checksums of chunks and hot rows find bits that
flipped within. What is found is told as what it affects: a unit and a span.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

from collector.database import damage
from collector.history import bundle, chunk, hot, rollup, runs
from collector.history.buckets import DAY_MS, HOUR_MS
from collector.history.columns import moment
from collector.history.tables import AT, GONE, SUMMED, unit_and_day

Row = tuple[Any, ...]
_WITH_TIMES: Final = "SELECT unit, day FROM days WHERE object = (SELECT id FROM objects WHERE name = '@at')"


@dataclass(frozen=True, slots=True)
class Finding:
    """One damage: where (in words), what is wrong with it."""

    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}"


@dataclass(slots=True)
class Looked:
    """What a check looked at."""

    chunks: int = 0
    rows: int = 0


class Places:
    """The names behind numbers, as far as they can be read."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._units = _names(connection, "units")
        self._objects = _names(connection, "objects")

    def unit(self, number: int) -> str:
        """Return a unit in words."""
        name = self._units.get(number)
        return f"unit number {number}" if name is None else f"unit {name}"

    def span(self, unit: int, start_ms: int, length_ms: int) -> str:
        """Return a unit and a span in words."""
        return f"{self.unit(unit)}, {words(start_ms)} to {words(start_ms + length_ms)} UTC"

    def object(self, number: int) -> str:
        """Return a column in words."""
        name = self._objects.get(number, f"column number {number}")
        return entry_in_words(name)


def entry_in_words(name: str) -> str:
    """Return a column or an entry of a bundle in words."""
    if name in {AT, runs.MASKS}:
        return "the times of all readings"
    return name.rpartition(" ")[2].removeprefix("t:").removeprefix("n:")


def _names(connection: sqlite3.Connection, table: str) -> dict[int, str]:
    try:
        return dict(connection.execute(f"SELECT id, name FROM {table}").fetchall())  # noqa: S608
    except sqlite3.DatabaseError:
        return {}


def words(at_ms: int) -> str:
    """Return a moment for people, whatever number a damaged row holds."""
    try:
        return moment(at_ms).strftime("%Y-%m-%d %H:%M")
    except OverflowError:
        return f"moment {at_ms}"


def findings(connection: sqlite3.Connection, looked: Looked | None = None) -> Iterator[Finding]:
    """Yield every damage in a history. Reads all of it; safe on one in use."""
    looked = Looked() if looked is None else looked
    for what in damage(connection):
        yield Finding("the file", what)
    places = Places(connection)
    for check in (
        _hot_findings(connection, places, looked),
        _chunk_findings(connection, places, looked),
        _bundle_findings(connection, places, looked),
        _day_findings(connection, places),
        _text_findings(connection, places),
    ):
        try:
            yield from check
        except sqlite3.DatabaseError as error:
            yield Finding("the file", f"part of it cannot be read ({error})")


def _hot_findings(connection: sqlite3.Connection, places: Places, looked: Looked) -> Iterator[Finding]:
    for row in connection.execute(f"SELECT {hot.COLUMNS} FROM hot"):  # noqa: S608
        looked.rows += 1
        if not hot_row_is_sound(row):
            yield Finding(
                f"{places.unit(row[1])}, the reading of {words(row[0])} UTC", "checksum does not fit"
            )


def hot_row_is_sound(row: Row) -> bool:
    """Return whether a hot row, with all its columns, fits its checksum."""
    *head, cells, check_sum = row
    return hot.check_sum(tuple(head), cells) == int(check_sum)


CHUNKS: Final[Sequence[tuple[str, str, Callable[[bytes], object]]]] = (
    ("hours", "unit, hour, 0", chunk.decoded),
    ("days", "unit, day, object", chunk.decoded_column),
    ("hourly", "unit, day, object", rollup.decoded),
    ("minutely", "unit, day, object", rollup.decoded),
)


def _chunk_findings(connection: sqlite3.Connection, places: Places, looked: Looked) -> Iterator[Finding]:
    for table, key, decode in CHUNKS:
        length_ms = HOUR_MS if table == "hours" else DAY_MS
        for unit, period, number, stored in connection.execute(f"SELECT {key}, chunk FROM {table}"):  # noqa: S608
            looked.chunks += 1
            try:
                decode(stored)
            except chunk.ChunkError as error:
                what = {
                    "hours": "all readings",
                    "days": places.object(number),
                    "hourly": f"summary by the hour of {places.object(number)}",
                    "minutely": f"summary by the minute of {places.object(number)}",
                }[table]
                yield Finding(places.span(unit, period * length_ms, length_ms), f"{what}: {error}")


BUNDLES: Final = {
    "runs": "",
    "hour_sums": "summary by the hour of ",
    "minute_sums": "summary by the minute of ",
}


def _bundle_findings(connection: sqlite3.Connection, places: Places, looked: Looked) -> Iterator[Finding]:
    texts = {number for (number,) in connection.execute("SELECT id FROM texts")}
    for table, what in BUNDLES.items():
        for key, end_day, stored in connection.execute(f"SELECT key, end_day, chunk FROM {table}"):  # noqa: S608
            looked.chunks += 1
            unit, day = unit_and_day(key)
            where = places.span(unit, day * DAY_MS, (end_day - day) * DAY_MS)
            try:
                found = bundle.opened_bytes(stored)
            except chunk.ChunkError as error:
                yield Finding(where, f"{what or 'all readings'}: {error}")
                continue
            for name, wrong in damaged_entries(found, table):
                yield Finding(where, f"{what}{entry_in_words(name)}: {wrong}")
            if table != "runs":
                numbers = {int(name.split(" ")[1]) for name in found.names}
                for number in sorted(numbers - texts):
                    yield Finding(where, f"text {number} is missing from the side table")


def damaged_entries(found: bundle.Bundle, table: str) -> list[tuple[str, str]]:
    """Return the entries of a bundle that cannot be read, with what is wrong with each."""
    lost: list[tuple[str, str]] = []
    for segment in found.segments:
        try:
            found.within(segment)
        except chunk.ChunkError as error:
            lost += [(name, str(error)) for name in segment.names]
    if not lost:
        decode = runs.block_in if table == "runs" else runs.sums_in
        try:
            decode(found)
        except chunk.ChunkError as error:
            lost.append((AT, str(error)))
    return lost


def _day_findings(connection: sqlite3.Connection, places: Places) -> Iterator[Finding]:
    """A folded day has its readings, and summaries where they are said to stand."""
    for unit, day in connection.execute(f"SELECT unit, day FROM days EXCEPT {_WITH_TIMES}"):  # noqa: S608
        yield Finding(places.span(unit, day * DAY_MS, DAY_MS), "times are missing")
    there = {table: _covered(connection, table) for table in BUNDLES}
    for table, old in (("runs", "days"), ("hour_sums", "hourly"), ("minute_sums", "minutely")):
        there[table] |= set(connection.execute(f"SELECT DISTINCT unit, day FROM {old}"))  # noqa: S608
    for unit, day, retired, summed in connection.execute("SELECT unit, day, retired, summed FROM folded"):
        where = places.span(unit, day * DAY_MS, DAY_MS)
        if retired != GONE and (unit, day) not in there["runs"]:
            yield Finding(where, "readings are missing")
        if retired != GONE and summed == SUMMED and (unit, day) not in there["hour_sums"]:
            yield Finding(where, "summaries by the hour are missing")
        if retired == GONE and (unit, day) not in there["minute_sums"]:
            yield Finding(where, "summaries by the minute are missing")


def _covered(connection: sqlite3.Connection, table: str) -> set[tuple[int, int]]:
    """Return the units and days that the rows of a table cover."""
    rows = connection.execute(f"SELECT key, end_day FROM {table}")  # noqa: S608
    return {
        (unit, day)
        for (unit, first), end_day in ((unit_and_day(key), end_day) for key, end_day in rows)
        for day in range(first, min(end_day, first + 64))
    }


def _text_findings(connection: sqlite3.Connection, places: Places) -> Iterator[Finding]:
    missing = connection.execute(
        """SELECT DISTINCT unit, corrections FROM hot WHERE corrections NOT IN (SELECT id FROM texts)
        UNION SELECT DISTINCT unit, corrections FROM hourly WHERE corrections NOT IN (SELECT id FROM texts)"""
    )
    for unit, number in missing:
        yield Finding(places.unit(unit), f"text {number} is missing from the side table")
