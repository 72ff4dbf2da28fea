"""The history's tables, and the names behind the numbers in them.

    hot      the last hours, of sparse polls the last days, one row a reading
    hours    one chunk for each unit and whole hour, all columns together
    runs     one bundle for each unit and day or more, so that one quantity is read without the others
    hour_sums, minute_sums   bundles of summaries of one unit over some days, kept for ever
    folded   which days of which unit are in `runs`, how it stands with their summaries by the hour (`summed`),
             and with their exact readings (`retired`)
    kept     spans whose exact readings are kept for ever

Days come in stretches of 32, counted since 1970. Summaries by the hour are made when a unit's stretch is
complete, summaries by the minute when the exact readings they sum up are let go: until then both are
reckoned from the exact readings, with the same result. Each reading is in exactly one of hot, hours and
runs. Runs and sums are found by `key`: the unit's number and the first day in one whole number.

A store of schema 1 has days and summaries of another form (`days`, `hourly`, `minutely`, `objects`). They
are read like the others, and brought over stretch by stretch.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import suppress
from typing import Final

from collector.storage.history.codec import hour_chunk
from collector.storage.history.store import Wire
from collector.storage.history.tables import recent_rows as hot
from collector.storage.history.tables.names import NAMED
from collector.storage.partner import TABLE as PARTNER

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

_SECOND: Final = (
    """CREATE TABLE runs (
        key INTEGER PRIMARY KEY, end_day INTEGER NOT NULL, readings INTEGER NOT NULL, chunk BLOB NOT NULL
    ) STRICT""",
    "CREATE TABLE hour_sums (key INTEGER PRIMARY KEY, end_day INTEGER NOT NULL, chunk BLOB NOT NULL) STRICT",
    "CREATE TABLE minute_sums (key INTEGER PRIMARY KEY, end_day INTEGER NOT NULL, chunk BLOB NOT NULL) STRICT",
    "ALTER TABLE folded ADD COLUMN summed INTEGER NOT NULL DEFAULT 0",
    "CREATE INDEX folded_loose ON folded (day, unit) WHERE summed = 0",
)

_THIRD: Final = (
    PARTNER,
    *(f"ALTER TABLE {table} ADD COLUMN check_sum INTEGER NOT NULL DEFAULT 0" for table in NAMED),
    *(f"UPDATE {table} SET check_sum = crc_of({columns})" for table, columns in NAMED.items()),  # noqa: S608
)

STEPS: Final = (_FIRST, _SECOND, _THIRD)
AT: Final = hour_chunk.AT
STRETCH_DAYS: Final = 32
_DAY_BITS: Final = 20
END_OF_DAYS: Final = 1 << _DAY_BITS
"""The first day (since 1970) that a key has no room for, in the year 4840."""
END_OF_UNITS: Final = 1 << (62 - _DAY_BITS)
"""The first number of a unit that a key has no room for."""
LOOSE, SUMMED, SPARSE = 0, 1, 2
"""`folded.summed`: not yet; summaries by the hour stand; not made, since the exact readings take less room."""
EXACT, GONE, WHOLE = 0, 1, 2
"""`folded.retired`: exact readings there; let go but for what is kept; kept, since no summary is smaller."""


def key_of(unit: int, day: int) -> int:
    """Return the key of a run or of sums: ordered by unit, then by first day, which is from 0 to `END_OF_DAYS`."""
    return (unit << _DAY_BITS) + day


def unit_and_day(key: int) -> tuple[int, int]:
    """Return the unit's number and the first day in a key."""
    return key >> _DAY_BITS, key & ((1 << _DAY_BITS) - 1)


def stretch_of(day: int) -> int:
    """Return the first day of a day's stretch."""
    return day // STRETCH_DAYS * STRETCH_DAYS


def end_or_stretch(first_day: int, end_day: object) -> int:
    """Return the end of a row's days as stored or, where damage has left no number there, that of their stretch."""
    return end_day if isinstance(end_day, int) else stretch_of(first_day) + STRETCH_DAYS


def unit_number(connection: sqlite3.Connection, unit: str) -> tuple[int, int] | None:
    """Return a unit's number and when it was first read (ms), None for a unit never read."""
    row = connection.execute("SELECT id, first_at FROM units WHERE name = ?", (unit,)).fetchone()
    return None if row is None else (int(row[0]), int(row[1]))


def object_names(connection: sqlite3.Connection) -> dict[int, str]:
    """Return all columns by number."""
    return {int(number): str(name) for number, name in connection.execute("SELECT id, name FROM objects")}


def layouts(connection: sqlite3.Connection) -> dict[int, tuple[str, ...]]:
    """Return all layouts by number, but for those that cannot be read."""
    found = {}
    for (number,) in connection.execute("SELECT id FROM layouts").fetchall():
        names = layout(connection, number)
        if names is not None:
            found[int(number)] = names
    return found


def layout(connection: sqlite3.Connection, number: int) -> tuple[str, ...] | None:
    """Return the names of one layout, None where it is gone or cannot be read."""
    # as bytes: a text in which a bit has flipped need not be one, and sqlite3 gives up on the whole question
    row = connection.execute("SELECT CAST(names AS BLOB) FROM layouts WHERE id = ?", (number,)).fetchone()
    with suppress(TypeError, ValueError):
        return None if row is None else tuple(str(name) for name in json.loads(row[0]))
    return None


class Texts(dict[int, Wire]):
    """The side table by number, each entry read when first asked for."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        super().__init__()
        self._connection = connection

    def __missing__(self, number: int) -> Wire:
        """Read one entry. Raises ChunkError where it is gone or damaged."""
        row = self._connection.execute("SELECT kind, value FROM texts WHERE id = ?", (number,)).fetchone()
        if row is None:
            raise hour_chunk.ChunkError(f"text {number} is missing from the side table")
        try:
            self[number] = hot.read_text(*row)
        except (TypeError, ValueError) as error:
            raise hour_chunk.ChunkError(f"text {number} in the side table is damaged ({error})") from error
        return self[number]
