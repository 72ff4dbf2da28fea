"""Backup, restore, verify, rescue and export of a data folder. Plain functions that block; run them off the loop.

`backup`, `verify` and `export` work on a folder in use: each file is read in one consistent view, for `export` the
history in a view for each run or day, and nobody waits.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Final

from collector.database import (
    FILE_MODE,
    Database,
    StoreError,
    StoreFault,
    damage,
    explained,
    make_folder,
    one_view,
)
from collector.history import tables
from collector.history.chunk import ChunkError
from collector.history.export import Form, days_let_go, exported
from collector.history.export_sums import By, exported_sums
from collector.history.influx_spool import STEPS as SPOOL_STEPS
from collector.history.influx_upkeep import saved_spool, spool_findings
from collector.history.rescue import saved
from collector.history.sound_rows import rows_of
from collector.history.sqlite import PAGE_BYTES
from collector.history.store import Meaning
from collector.history.verify import Finding, Looked, findings
from collector.ledger import rows as ledger_rows
from collector.ledger.records import Corrections
from collector.ledger.schema import STEPS as LEDGER_STEPS
from collector.ledger.schema import tables_at
from collector.whole_file import whole_file

HISTORY_FILE: Final = "history.sqlite"
LEDGER_FILE: Final = "ledger.sqlite"
SPOOL_FILE: Final = "spool.sqlite"
LIST_FILE: Final = "backup.json"
STEPS: Final[Mapping[str, Sequence[Sequence[str]]]] = {
    HISTORY_FILE: tables.STEPS,
    SPOOL_FILE: SPOOL_STEPS,
    LEDGER_FILE: LEDGER_STEPS,
}


@dataclass(frozen=True, slots=True)
class Verified:
    """What a check of a data folder looked at, and what it found."""

    files: tuple[str, ...]
    chunks: int
    rows: int
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True)
class BackedUp:
    """A backup: its folder, and size and SHA-256 of each file."""

    folder: Path
    files: Mapping[str, tuple[int, str]]


@dataclass(frozen=True, slots=True)
class _Copy:
    """A copied file: bytes, SHA-256, and the version of its schema, which may be of an earlier program."""

    size: int
    digest: str
    schema: int


class UnitUnknownError(ValueError):
    """The caller named a unit of which nothing was ever read."""

    def __init__(self, folder: Path, unit: str, known: Sequence[str]) -> None:
        self.unit = unit
        self.known = tuple(known)
        listed = ", ".join(known) or "none"
        super().__init__(f"{folder}: nothing was ever read of a unit {unit!r}. Known: {listed}")


def _opened(path: Path) -> sqlite3.Connection:
    if not path.is_file():
        what = "there is no such store"
        if path.name == HISTORY_FILE and path.with_name(SPOOL_FILE).is_file():
            what += ": the collector of this folder keeps its readings at an InfluxDB server, whose own tools export them"
        raise StoreError(path, StoreFault.ABSENT, what)
    try:
        connection = sqlite3.connect(path, timeout=10.0, isolation_level=None)
        connection.execute("PRAGMA query_only=ON")
        version = connection.execute("PRAGMA user_version").fetchone()[0]
    except sqlite3.Error as error:
        raise explained(path, error) from error
    if version > len(STEPS[path.name]):
        connection.close()
        what = f"its schema is version {version}, and this program knows up to {len(STEPS[path.name])}"
        raise StoreError(path, StoreFault.NEWER, what)
    return connection


def _stores(folder: Path) -> list[Path]:
    found = [folder / name for name in STEPS if (folder / name).is_file()]
    if not found:
        raise StoreError(folder, StoreFault.ABSENT, "there is no store in this folder")
    return found


def verify(folder: Path) -> Verified:
    """Check every page, chunk and row of the stores in a data folder. Raises StoreError."""
    looked = Looked()
    found: list[Finding] = []
    paths = _stores(folder)
    for path in paths:
        try:
            connection = _opened(path)
        except StoreError as error:
            if error.fault is not StoreFault.CORRUPT:
                raise
            found.append(Finding(path.name, error.what))
            continue
        try:
            connection.execute("BEGIN")
            found += [
                Finding(f"{path.name}, {f.where}", f.what) for f in _FINDINGS[path.name](connection, looked)
            ]
        except sqlite3.DatabaseError as error:
            found.append(Finding(path.name, f"cannot be read ({error})"))
        finally:
            connection.close()
    return Verified(tuple(path.name for path in paths), looked.chunks, looked.rows, tuple(found))


def _tables(connection: sqlite3.Connection) -> list[str]:
    """Return the tables of a ledger, which may be of an earlier program."""
    return tables_at(connection.execute("PRAGMA user_version").fetchone()[0])


def ledger_findings(connection: sqlite3.Connection, looked: Looked) -> list[Finding]:
    """Return every damage in a ledger: of its pages, and of rows whose checksum does not fit."""
    found = [Finding("the file", what) for what in damage(connection)]
    for table in _tables(connection):
        try:
            cursor = connection.execute(f"SELECT rowid AS row_number, * FROM {table}")  # noqa: S608
            names = [column[0] for column in cursor.description]
            for row in cursor:
                looked.rows += 1
                if not _is_sound(table, dict(zip(names, row, strict=True))):
                    found.append(Finding(f"line {row[0]} of {table}", "checksum does not fit"))
        except sqlite3.DatabaseError as error:
            found.append(Finding(table, f"part of it cannot be read ({error})"))
    return found


_FINDINGS: Final[Mapping[str, Callable[[sqlite3.Connection, Looked], Iterable[Finding]]]] = {
    HISTORY_FILE: findings,
    SPOOL_FILE: spool_findings,
    LEDGER_FILE: ledger_findings,
}


def _is_sound(table: str, stored: dict[str, ledger_rows.Column]) -> bool:
    stored.pop("row_number", None)
    return stored.pop(ledger_rows.CHECK) == ledger_rows.check_sum(table, stored)


def backup(folder: Path, target: Path) -> BackedUp:
    """Copy the stores of a data folder, in use or not, into a new folder. Raises StoreError.

    Each copy is one consistent view. After writing, its pages are checked, and that it is whole; chunks and
    lines are copied as they are, so one that was damaged before is damaged in the copy: `verify` on either folder
    tells. The list with sizes, SHA-256 and schemas is written last, so a folder without it is a backup that was
    cut off.
    """
    if target.exists() and any(target.iterdir()):
        raise StoreError(target, StoreFault.IN_THE_WAY, "the folder for the backup is not empty")
    paths = _stores(folder)
    make_folder(target)
    # the ledger last: what it says of readings is then in the history beside it or newer, never older
    copies = {path.name: _copied(path, target / path.name) for path in paths}
    made = {
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "schemas": {name: copy.schema for name, copy in copies.items()},
        "files": {name: {"bytes": copy.size, "sha256": copy.digest} for name, copy in copies.items()},
    }
    listed = target / LIST_FILE
    listed.write_text(json.dumps(made, indent=2) + "\n", encoding="utf-8")
    listed.chmod(FILE_MODE)
    _flush(listed)
    _flush(target)
    return BackedUp(target, {name: (copy.size, copy.digest) for name, copy in copies.items()})


def _copied(source: Path, target: Path) -> _Copy:
    connection = _opened(source)
    try:
        connection.execute("PRAGMA query_only=OFF")
        connection.execute("VACUUM INTO ?", (str(target),))
    except sqlite3.Error as error:
        target.unlink(missing_ok=True)
        raise explained(source, error) from error
    finally:
        connection.close()
    target.chmod(FILE_MODE)
    _flush(target)
    copy = _opened(target)
    try:
        if found := damage(copy):
            raise StoreError(target, StoreFault.FAILING, f"the copy does not verify ({found[0]})")
        (schema,) = copy.execute("PRAGMA user_version").fetchone()
    finally:
        copy.close()
    return _Copy(target.stat().st_size, _digest(target), int(schema))


def _digest(path: Path) -> str:
    with path.open("rb") as content:
        return hashlib.file_digest(content, "sha256").hexdigest()


def _flush(path: Path) -> None:
    """Have the system write a file or a folder's entries out."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be exported of a history: some units (none named: all), from `start` to `end` (excluded)."""

    units: Sequence[str] = ()
    start: datetime = datetime(1970, 1, 1, tzinfo=UTC)
    end: datetime = datetime(9999, 1, 1, tzinfo=UTC)


def export(folder: Path, target: Path, form: Form, meaning: Meaning, wanted: Wanted = Wanted()) -> int:
    """Write exact readings to a file, and return how many rows.

    Works on a folder in use. Raises UnitUnknownError, StoreError, OSError, and
    `collector.history.table_files.NotInstalledError`; nothing stands at `target` then that did not before.
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
    wanted: Wanted = Wanted(),
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
    connection = _opened(path)
    try:
        return {line.id: line for line in ledger_rows.selected(connection, Corrections)}
    except sqlite3.Error as error:
        raise explained(path, error) from error
    finally:
        connection.close()


def let_go(folder: Path, wanted: Wanted) -> list[tuple[str, date, date]]:
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
    connection = _opened(path)
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


def _units(folder: Path, connection: sqlite3.Connection, wanted: Wanted) -> Sequence[str]:
    known = [str(name) for (name,) in connection.execute("SELECT name FROM units ORDER BY name")]
    for unit in wanted.units:
        if unit not in known:
            raise UnitUnknownError(folder, unit, known)
    return list(wanted.units) or known


def export_ledger(folder: Path, target: Path) -> int:
    """Write every line of the ledger as one JSON object a line, and return how many. Raises StoreError, OSError.

    All tables are read in one view: an alarm, its line in the journal and its messages belong together. A
    ledger is small enough for that.
    """
    path = folder / LEDGER_FILE
    connection = _opened(path)
    count = 0
    try:
        with whole_file(target) as part, part.open("w", encoding="utf-8") as out, one_view(connection):
            for table in _tables(connection):
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


_BESIDE: Final = ("-wal", "-shm", "-journal")
"""What SQLite keeps beside a file: a log left by a kill would be played into whatever store is put in its place."""


def _require_no_stores(folder: Path) -> None:
    """Raise StoreError where a folder has stores, or what was left of one."""
    for name in STEPS:
        if (folder / name).exists():
            raise StoreError(folder, StoreFault.IN_THE_WAY, "the data folder already has stores")
        for ending in _BESIDE:
            if (folder / (name + ending)).exists():
                what = (
                    f"{name}{ending} is left of a store that is no longer here; it may hold what was committed last, "
                    f"and would spoil a store put beside it: move it away, or back beside its {name}"
                )
                raise StoreError(folder, StoreFault.IN_THE_WAY, what)


def restore(source: Path, folder: Path) -> Verified:
    """Put a backup into a data folder that has no stores yet, and verify it there. Raises StoreError."""
    try:
        listed = json.loads((source / LIST_FILE).read_text(encoding="utf-8"))["files"]
    except (OSError, ValueError, KeyError) as error:
        raise StoreError(source, StoreFault.CORRUPT, f"not a whole backup ({error})") from error
    for name, facts in listed.items():
        if name not in STEPS or not (source / name).is_file() or _digest(source / name) != facts["sha256"]:
            raise StoreError(source / name, StoreFault.CORRUPT, "differs from the backup's own list")
    _require_no_stores(folder)
    make_folder(folder)
    for name in listed:
        part = folder / f"{name}.part"
        shutil.copyfile(source / name, part)
        part.chmod(FILE_MODE)
        _flush(part)
        part.rename(folder / name)
    _flush(folder)
    return verify(folder)


def rescue(folder: Path, target: Path) -> tuple[Finding, ...]:
    """Copy everything sound of damaged stores into a new folder; return what was left behind.

    The damaged files are not changed. Raises StoreError.
    """
    _require_no_stores(target)
    left: list[Finding] = []
    for path in _stores(folder):
        page_bytes = PAGE_BYTES if path.name == HISTORY_FILE else 4096
        database = Database(target / path.name, STEPS[path.name], page_bytes=page_bytes)
        try:
            source = _opened(path)
        except StoreError as error:
            database.close_now()
            left.append(Finding(path.name, f"nothing could be read ({error.what})"))
            continue

        def work(
            connection: sqlite3.Connection, path: Path = path, source: sqlite3.Connection = source
        ) -> None:
            left.extend(_SAVED[path.name](source, connection))

        try:
            database.write_now(work)
        finally:
            source.close()
            database.close_now()
    return tuple(left)


def _saved_ledger(source: sqlite3.Connection, target: sqlite3.Connection) -> list[Finding]:
    left: list[Finding] = []
    lost: list[str] = []
    for table in _tables(source):
        names = [row[1] for row in target.execute(f"PRAGMA table_info({table})")]
        columns = ", ".join(names)
        marks = ", ".join("?" for _ in names)
        for row in rows_of(source, table, columns, ("rowid",), lost):
            if _is_sound(table, dict(zip(names, row, strict=True))):
                target.execute(f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({marks})", row)  # noqa: S608
            else:
                left.append(Finding(f"a line of {table} ({row[0]})", "damaged"))
    return [*left, *(Finding("the ledger's file", what) for what in lost)]


_SAVED: Final = {HISTORY_FILE: saved, SPOOL_FILE: saved_spool, LEDGER_FILE: _saved_ledger}
