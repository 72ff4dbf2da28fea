"""Checksums of the names that stand behind numbers in a history: of units, lists of objects and texts.

A bit that flips in one would give readings another unit, another object or another correction without a sign of it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from typing import Final

from collector.storage.database import crc_of

WITH_SUMS: Final = 3
"""The schema from which on there are checksums."""
NAMED: Final[Mapping[str, str]] = {
    "units": "id, CAST(name AS BLOB), first_at",
    "layouts": "id, CAST(names AS BLOB)",
    "texts": "id, kind, CAST(value AS BLOB)",
}
"""The tables of names behind numbers, and what the checksum of a row is over (`collector.storage.database.crc_of`)."""


def sign_name(connection: sqlite3.Connection, table: str, number: int) -> None:
    """Give a row of a table of names its checksum, within the caller's transaction."""
    connection.execute(f"UPDATE {table} SET check_sum = crc_of({NAMED[table]}) WHERE id = ?", (number,))  # noqa: S608


def unfit_names(connection: sqlite3.Connection, table: str) -> Iterator[int]:
    """Yield the numbers of the rows of a table of names that do not fit their checksum; of a file before schema 3, none."""
    if connection.execute("PRAGMA user_version").fetchone()[0] < WITH_SUMS:
        return
    for *values, stored in connection.execute(f"SELECT {NAMED[table]}, check_sum FROM {table}"):  # noqa: S608
        if crc_of(*values) != stored:
            yield values[0]
