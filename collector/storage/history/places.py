"""Places in a history in words: a unit and a span behind the numbers of a row, whatever damage has made of them."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from collector.storage.history.buckets import DAY_MS
from collector.storage.history.columns import moment
from collector.storage.history.tables import runs
from collector.storage.history.tables.schema import AT, end_or_stretch, unit_and_day


@dataclass(frozen=True, slots=True)
class DamageFound:
    """One damage: where (in words), what is wrong with it."""

    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}"


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
        rows = connection.execute(f"SELECT id, CAST(name AS BLOB) FROM {table}").fetchall()  # noqa: S608
    except sqlite3.DatabaseError:
        return {}
    return {number: name.decode(errors="replace") for number, name in rows if isinstance(name, bytes)}


NO_LAST_DAY: Final = "its last day is no number; taken as the last of its 32 days"


def are_numbers(values: Iterable[object]) -> bool:
    """Return whether all are whole numbers. Damage can make anything of a number."""
    return all(isinstance(value, int) for value in values)


def in_row(places: Places, unit: object) -> str:
    """Return in words that a row has something else where it should have a number."""
    of = f" of {places.unit(unit)}" if isinstance(unit, int) else ""
    return f"a row{of} has something else in the place of a number"


def days_in_words(places: Places, key: int, end_day: object) -> str:
    """Return the unit and the days of a run or of sums in words."""
    unit, day = unit_and_day(key)
    return places.span(unit, day * DAY_MS, (end_or_stretch(day, end_day) - day) * DAY_MS)


def words(at_ms: int) -> str:
    """Return a moment for people, whatever number a damaged row holds."""
    try:
        return moment(at_ms).strftime("%Y-%m-%d %H:%M")
    except (OverflowError, TypeError, ValueError):
        return f"moment {at_ms!r}"
