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
from collector.history import chunk, hot, rollup
from collector.history.buckets import DAY_MS, HOUR_MS
from collector.history.columns import moment
from collector.history.tables import AT

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
        return {AT: "the times of all readings"}.get(name, name.removeprefix("t:").removeprefix("n:"))


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


def _day_findings(connection: sqlite3.Connection, places: Places) -> Iterator[Finding]:
    """A folded day has the times of its readings and its summaries, and columns of one length."""
    for query, what in (
        (
            f"SELECT unit, day FROM days EXCEPT {_WITH_TIMES}",  # noqa: S608
            "times are missing",
        ),
        (
            f"SELECT unit, day FROM folded WHERE retired = 0 EXCEPT {_WITH_TIMES}",  # noqa: S608
            "readings are missing",
        ),
        (
            "SELECT unit, day FROM folded WHERE retired = 0 EXCEPT SELECT unit, day FROM hourly",
            "summaries by the hour are missing",
        ),
        (
            "SELECT unit, day FROM folded WHERE retired = 1 EXCEPT SELECT unit, day FROM minutely",
            "summaries by the minute are missing",
        ),
    ):
        for unit, day in connection.execute(query):
            yield Finding(places.span(unit, day * DAY_MS, DAY_MS), what)


def _text_findings(connection: sqlite3.Connection, places: Places) -> Iterator[Finding]:
    missing = connection.execute(
        """SELECT DISTINCT unit, corrections FROM hot WHERE corrections NOT IN (SELECT id FROM texts)
        UNION SELECT DISTINCT unit, corrections FROM hourly WHERE corrections NOT IN (SELECT id FROM texts)"""
    )
    for unit, number in missing:
        yield Finding(places.unit(unit), f"text {number} is missing from the side table")
