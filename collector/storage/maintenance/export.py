"""What is written out of a data folder: exact readings, summaries, the ledger. Plain functions that block.

All of it works on a folder in use: the ledger is read in one consistent view, the history in a view for each run or
day, and nobody waits.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from collector.process.atomic_file import whole_file
from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE
from collector.storage.database import StoreError, StoreFault, explained, one_view
from collector.storage.history.codec.hour_chunk import ChunkError
from collector.storage.history.export.files import Form, days_let_go, exported
from collector.storage.history.export.sums import By, exported_sums
from collector.storage.history.store import Meaning
from collector.storage.history.tables import schema as tables
from collector.storage.ledger import rows as ledger_rows
from collector.storage.ledger.records import Corrections
from collector.storage.store_files import ledger_tables, opened


class UnitUnknownError(ValueError):
    """The caller named a unit of which nothing was ever read."""

    def __init__(self, folder: Path, unit: str, known: Sequence[str]) -> None:
        self.unit = unit
        self.known = tuple(known)
        listed = ", ".join(known) or "none"
        super().__init__(f"{folder}: nothing was ever read of a unit {unit!r}. Known: {listed}")


@dataclass(frozen=True, slots=True)
class ExportWanted:
    """What is to be exported of a history: some units (none named: all), from `start` to `end` (excluded)."""

    units: Sequence[str] = ()
    start: datetime = datetime(1970, 1, 1, tzinfo=UTC)
    end: datetime = datetime(9999, 1, 1, tzinfo=UTC)


def export(
    folder: Path, target: Path, form: Form, meaning: Meaning, wanted: ExportWanted = ExportWanted()
) -> int:
    """Write exact readings to a file, and return how many rows.

    Works on a folder in use. Raises UnitUnknownError, StoreError, OSError, and
    `collector.storage.history.export.table_files.NotInstalledError`; nothing stands at `target` then that did not before.
    """
    with _history(folder) as connection:
        return exported(
            connection,
            target,
            form,
            meaning,
            units=_units(folder, connection, wanted),
            start=wanted.start,
            end=wanted.end,
        )


def export_sums(
    folder: Path,
    target: Path,
    by: By,
    meaning: Meaning,
    wanted: ExportWanted = ExportWanted(),
    *,
    parquet: bool = False,
) -> int:
    """Write summaries to a file, and return how many rows. Raises what `export` raises."""
    with _history(folder) as connection:
        return exported_sums(
            connection,
            target,
            meaning,
            by,
            parquet=parquet,
            units=_units(folder, connection, wanted),
            start=wanted.start,
            end=wanted.end,
        )


def corrections(folder: Path) -> dict[str, Corrections]:
    """Return every correction set in a folder's ledger by id: none where it has no ledger. Raises StoreError."""
    path = folder / LEDGER_FILE
    if not path.is_file():
        return {}
    connection = opened(path)
    try:
        return {line.id: line for line in ledger_rows.selected(connection, Corrections)}
    except sqlite3.Error as error:
        raise explained(path, error) from error
    finally:
        connection.close()


def let_go(folder: Path, wanted: ExportWanted) -> list[tuple[str, date, date]]:
    """Return the units with the first and the last day of each span whose exact readings were let go.

    Raises UnitUnknownError, StoreError.
    """
    with _history(folder) as connection:
        return [
            (unit, first, last)
            for unit in _units(folder, connection, wanted)
            for first, last in days_let_go(connection, unit, wanted.start, wanted.end)
        ]


@contextmanager
def _history(folder: Path) -> Iterator[sqlite3.Connection]:
    path = folder / HISTORY_FILE
    connection = opened(path)
    try:
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version < len(tables.STEPS):
            what = f"its schema is version {version}, and this program reads version {len(tables.STEPS)}"
            raise StoreError(path, StoreFault.OLDER, what)
        yield connection
    except sqlite3.Error as error:
        raise explained(path, error) from error
    except ChunkError as error:
        raise StoreError(path, StoreFault.CORRUPT, f"a chunk is {error}") from error
    finally:
        connection.close()


def _units(folder: Path, connection: sqlite3.Connection, wanted: ExportWanted) -> Sequence[str]:
    known = [str(name) for (name,) in connection.execute("SELECT name FROM units ORDER BY name")]
    for unit in wanted.units:
        if unit not in known:
            raise UnitUnknownError(folder, unit, known)
    return list(wanted.units) or known


def export_ledger(folder: Path, target: Path) -> int:
    """Write every line of the ledger as one JSON object a line, and return how many. Raises StoreError, OSError.

    All tables are read in one view: an alarm, its line in the journal and its messages belong together. A
    ledger is small enough for that. Users, their sessions and tokens are left out.
    """
    path = folder / LEDGER_FILE
    connection = opened(path)
    count = 0
    try:
        with whole_file(target) as part, part.open("w", encoding="utf-8") as out, one_view(connection):
            for table in ledger_tables(connection):
                if table in ledger_rows.OF_ACCESS:
                    continue
                cursor = connection.execute(f"SELECT * FROM {table}")  # noqa: S608
                names = [column[0] for column in cursor.description]
                for row in cursor:
                    line = {"table": table} | dict(zip(names, map(_plain, row), strict=True))
                    out.write(json.dumps(line) + "\n")
                    count += 1
    except sqlite3.Error as error:
        raise explained(path, error) from error
    finally:
        connection.close()
    return count


def _plain(value: ledger_rows.Column) -> ledger_rows.Column:
    return value.hex() if isinstance(value, bytes) else value
