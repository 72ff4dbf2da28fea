"""Backup, restore, verify and rescue of a data folder. Plain functions that block; run them off the loop.

`backup` and `verify` work on a folder in use: each file is read in one consistent view, and nobody waits.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE, SPOOL_FILE
from collector.storage.database import (
    FILE_MODE,
    Database,
    StoreError,
    StoreFault,
    damage,
    explained,
    make_folder,
)
from collector.storage.history.influx.upkeep import saved_spool, spool_findings
from collector.storage.history.places import DamageFound
from collector.storage.history.repair.rescue import saved
from collector.storage.history.repair.sound_rows import rows_of
from collector.storage.history.repair.verify import Looked, findings
from collector.storage.history.sqlite import PAGE_BYTES
from collector.storage.ledger import rows as ledger_rows
from collector.storage.partner import losses, settle
from collector.storage.store_files import STEPS, ledger_tables, opened

LIST_FILE: Final = "backup.json"


@dataclass(frozen=True, slots=True)
class Verified:
    """What a check of a data folder looked at, and what it found."""

    files: tuple[str, ...]
    chunks: int
    rows: int
    findings: tuple[DamageFound, ...]


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


def _stores(folder: Path) -> list[Path]:
    found = [folder / name for name in STEPS if (folder / name).is_file()]
    if not found:
        raise StoreError(folder, StoreFault.ABSENT, "there is no store in this folder")
    return found


def verify(folder: Path) -> Verified:
    """Check every page, chunk and row of the stores in a data folder. Raises StoreError."""
    looked = Looked()
    found: list[DamageFound] = []
    paths = _stores(folder)
    for path in paths:
        try:
            connection = opened(path)
        except StoreError as error:
            if error.fault is not StoreFault.CORRUPT:
                raise
            found.append(DamageFound(path.name, error.what))
            continue
        try:
            connection.execute("BEGIN")
            found += [
                DamageFound(f"{path.name}, {f.where}", f.what)
                for f in _FINDINGS[path.name](connection, looked)
            ]
        except sqlite3.DatabaseError as error:
            found.append(DamageFound(path.name, f"cannot be read ({error})"))
        finally:
            connection.close()
    return Verified(tuple(path.name for path in paths), looked.chunks, looked.rows, (*found, *_lost(folder)))


def _lost(folder: Path) -> list[DamageFound]:
    """Return what of a folder is lost, by what its stores know of each other; a damaged one has its own findings."""
    try:
        return [DamageFound(f"the {loss.store}", loss.what) for loss in losses(folder, opened)]
    except StoreError:
        return []


def ledger_findings(connection: sqlite3.Connection, looked: Looked) -> list[DamageFound]:
    """Return every damage in a ledger: of its pages, and of rows whose checksum does not fit."""
    found = [DamageFound("the file", what) for what in damage(connection)]
    for table in ledger_tables(connection):
        try:
            cursor = connection.execute(f"SELECT rowid AS row_number, * FROM {table}")  # noqa: S608
            names = [column[0] for column in cursor.description]
            for row in cursor:
                looked.rows += 1
                if not _is_sound(table, dict(zip(names, row, strict=True))):
                    found.append(DamageFound(f"line {row[0]} of {table}", "checksum does not fit"))
        except sqlite3.DatabaseError as error:
            found.append(DamageFound(table, f"part of it cannot be read ({error})"))
    return found


_FINDINGS: Final[Mapping[str, Callable[[sqlite3.Connection, Looked], Iterable[DamageFound]]]] = {
    HISTORY_FILE: findings,
    SPOOL_FILE: spool_findings,
    LEDGER_FILE: ledger_findings,
}


def _is_sound(table: str, stored: dict[str, ledger_rows.Column]) -> bool:
    stored.pop("row_number", None)
    return stored.pop(ledger_rows.CHECK) == ledger_rows.check_sum(table, stored)


def backup(folder: Path, target: Path, *, with_access: bool = False) -> BackedUp:
    """Copy the stores of a data folder, in use or not, into a new folder. Raises StoreError.

    Users, their sessions and tokens are copied only `with_access`: a backup goes to places that let nobody in.

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
    lost = _lost(folder)
    for path in paths:
        _copied(path, target / path.name)
        if path.name == LEDGER_FILE and not with_access:
            _without_access(target / path.name)
    if not lost:  # what is lost stays to be seen in the copy
        settle(target)
    copies = {path.name: _described(target / path.name) for path in paths}
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


def _copied(source: Path, target: Path) -> None:
    connection = opened(source)
    try:
        connection.execute("PRAGMA query_only=OFF")
        connection.execute("VACUUM INTO ?", (str(target),))
    except sqlite3.Error as error:
        target.unlink(missing_ok=True)
        raise explained(source, error) from error
    finally:
        connection.close()
    target.chmod(FILE_MODE)


def _without_access(ledger: Path) -> None:
    """Take users, sessions and tokens out of a copied ledger, and what is left of them in its pages."""
    try:
        connection = sqlite3.connect(ledger, isolation_level=None)
        try:
            known = {
                name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
            }
            connection.execute("PRAGMA secure_delete=ON")
            for table in sorted(ledger_rows.OF_ACCESS & known):
                connection.execute(f"DELETE FROM {table}")  # noqa: S608
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise explained(ledger, error) from error


def _described(target: Path) -> _Copy:
    """Check a copy, and return what the list says of it; it is written out by then."""
    _flush(target)
    copy = opened(target)
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


def rescue(folder: Path, target: Path) -> tuple[DamageFound, ...]:
    """Copy everything sound of damaged stores into a new folder; return what was left behind.

    The damaged files are not changed. Raises StoreError.
    """
    _require_no_stores(target)
    left: list[DamageFound] = []
    for path in _stores(folder):
        page_bytes = PAGE_BYTES if path.name == HISTORY_FILE else 4096
        database = Database(target / path.name, STEPS[path.name], page_bytes=page_bytes)
        try:
            source = opened(path)
        except StoreError as error:
            database.close_now()
            left.append(DamageFound(path.name, f"nothing could be read ({error.what})"))
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


def _saved_ledger(source: sqlite3.Connection, target: sqlite3.Connection) -> list[DamageFound]:
    left: list[DamageFound] = []
    lost: list[str] = []
    for table in ledger_tables(source):
        names = [row[1] for row in target.execute(f"PRAGMA table_info({table})")]
        columns = ", ".join(names)
        marks = ", ".join("?" for _ in names)
        for row in rows_of(source, table, columns, ("rowid",), lost):
            where = f"a line of {table} ({row[0]})"
            if not _is_sound(table, dict(zip(names, row, strict=True))):
                left.append(DamageFound(where, "damaged"))
                continue
            try:
                target.execute(f"INSERT INTO {table} ({columns}) VALUES ({marks})", row)  # noqa: S608
            except sqlite3.IntegrityError as error:  # of a message's fate, over which there is no checksum
                left.append(DamageFound(where, f"damaged ({error})"))
    return [*left, *(DamageFound("the ledger's file", what) for what in lost)]


_SAVED: Final = {HISTORY_FILE: saved, SPOOL_FILE: saved_spool, LEDGER_FILE: _saved_ledger}
