"""The stores of a data folder as files, in use or not, opened to be read."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE, SPOOL_FILE
from collector.storage.database import StoreError, StoreFault, explained
from collector.storage.history.influx.spool import STEPS as SPOOL_STEPS
from collector.storage.history.tables import schema as tables
from collector.storage.ledger.schema import STEPS as LEDGER_STEPS
from collector.storage.ledger.schema import tables_at
from collector.storage.partner import Pair, losses, refuse

STEPS: Final[Mapping[str, Sequence[Sequence[str]]]] = {
    HISTORY_FILE: tables.STEPS,
    SPOOL_FILE: SPOOL_STEPS,
    LEDGER_FILE: LEDGER_STEPS,
}


def opened(path: Path) -> sqlite3.Connection:
    """Return a connection that only reads; the store may be of an earlier program. Raises StoreError."""
    if not path.is_file():
        what = "there is no such store"
        if path.name == HISTORY_FILE and path.with_name(SPOOL_FILE).is_file():
            what += ": the collector of this folder keeps its readings at an InfluxDB server, whose own tools export them"
        raise StoreError(path, StoreFault.ABSENT, what)
    try:
        connection, version = _reading(path)
    except sqlite3.Error as error:
        raise explained(path, error) from error
    if version > len(STEPS[path.name]):
        connection.close()
        what = f"its schema is version {version}, and this program knows up to {len(STEPS[path.name])}"
        raise StoreError(path, StoreFault.NEWER, what)
    return connection


def whole(folder: Path, kept_in: Pair | None = None) -> None:
    """Refuse a data folder that lost a store, before anything is opened in it: opening would put an empty one there.

    `kept_in` as in `losses`. Raises StoreError, which names the loss and the remedy.
    """
    refuse(folder, losses(folder, opened, kept_in), accepted=None)


def _reading(path: Path, *, alone: bool = False) -> tuple[sqlite3.Connection, int]:
    """Return a connection that only reads, and the version of the schema.

    Where a full disk has no room for the index that SQLite shares of what was written last, nobody has the store open,
    and it is read `alone`: then the index is kept in memory.
    """
    connection = sqlite3.connect(path, timeout=10.0, isolation_level=None)
    try:
        connection.execute("PRAGMA query_only=ON")
        if alone:
            connection.execute("PRAGMA locking_mode=EXCLUSIVE").fetchone()
        return connection, int(connection.execute("PRAGMA user_version").fetchone()[0])
    except sqlite3.Error as error:
        connection.close()
        if alone or getattr(error, "sqlite_errorcode", None) != sqlite3.SQLITE_IOERR_SHMSIZE:
            raise
    return _reading(path, alone=True)


def ledger_tables(connection: sqlite3.Connection) -> list[str]:
    """Return the tables of a ledger, which may be of an earlier program."""
    return tables_at(connection.execute("PRAGMA user_version").fetchone()[0])
