"""A spool's file looked over, saved from damage, and what the server refused taken out of it. All of it blocks."""

from __future__ import annotations

import base64
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Final

from collector.process.atomic_file import whole_file
from collector.storage.database import StoreError, StoreFault, damage, explained
from collector.storage.history.places import DamageFound
from collector.storage.history.repair.sound_rows import rows_of
from collector.storage.history.repair.verify import Looked

_WAITING: Final = ("waiting (seq, readings, first_ms, lines)", 4)
_REFUSED: Final = ("refused (readings, first_ms, why, lines)", 4)
_TABLES: Final = {
    1: (("spool", "seq, 1, NULL, lines", _WAITING), ("refused", "1, NULL, why, lines", _REFUSED)),
    2: (
        ("waiting", "seq, readings, first_ms, lines", _WAITING),
        ("refused", "readings, first_ms, why, lines", _REFUSED),
    ),
}
"""The tables that hold readings, by version of the file: what is read of each, and where it goes today."""


def spool_findings(connection: sqlite3.Connection, looked: Looked) -> list[DamageFound]:
    """Return every damage in a spool: of its pages, and of rows that cannot be unpacked."""
    found = [DamageFound("the file", what) for what in damage(connection)]
    lost: list[str] = []
    for table, _, _ in _tables(connection):
        for seq, lines in rows_of(connection, table, "seq, lines", ("seq",), lost):
            looked.rows += 1
            if (wrong := _damage(lines)) is not None:
                found.append(DamageFound(f"row {seq} of {table}", wrong))
    return found + [DamageFound("the file", what) for what in lost]


def saved_spool(source: sqlite3.Connection, target: sqlite3.Connection) -> list[DamageFound]:
    """Copy every sound row into a new spool; return what was left behind."""
    left: list[DamageFound] = []
    lost: list[str] = []
    for table, columns, (into, count) in _tables(source):
        for row in rows_of(source, table, columns, ("seq",), lost):
            if (wrong := _damage(row[-1])) is not None:
                left.append(DamageFound(f"a row of {table}", wrong))
                continue
            marks = ", ".join("?" * count)
            try:
                target.execute(f"INSERT INTO {into} VALUES ({marks})", row)  # noqa: S608
            except sqlite3.IntegrityError as error:
                left.append(DamageFound(f"a row of {table}", f"damaged ({error})"))
    with suppress(sqlite3.DatabaseError):  # it only helps to find what is in the rows
        target.executemany("INSERT INTO newest VALUES (?, ?, ?, ?)", source.execute("SELECT * FROM newest"))
    return [*left, *(DamageFound("the spool's file", what) for what in lost)]


def _tables(connection: sqlite3.Connection) -> tuple[tuple[str, str, tuple[str, int]], ...]:
    return _TABLES.get(connection.execute("PRAGMA user_version").fetchone()[0], ())


def _damage(lines: bytes) -> str | None:
    try:
        zlib.decompress(lines)
    except (TypeError, zlib.error) as error:  # damage can make anything of bytes
        return f"cannot be unpacked ({error})"
    return None


def take_refused(spool: Path, target: Path, *, let_go: bool) -> int:
    """Write what the server refused to a file in its line protocol, reasons as comments; return how many rows.

    `let_go`: once the file is whole, forget them. Works beside a running collector. Raises StoreError, OSError.
    """
    if not spool.is_file():
        raise StoreError(spool, StoreFault.ABSENT, "nothing waits for an InfluxDB server here")
    try:
        connection = sqlite3.connect(spool, timeout=10.0, isolation_level=None)
        try:
            version = connection.execute("PRAGMA user_version").fetchone()[0]
            if version > max(_TABLES):
                what = f"its schema is version {version}, and this program knows up to {max(_TABLES)}"
                raise StoreError(spool, StoreFault.NEWER, what)
            seqs: list[int] = []
            with whole_file(target) as part, part.open("wb") as out:
                for seq, why, lines in connection.execute("SELECT seq, why, lines FROM refused ORDER BY seq"):
                    out.writelines(_plain(why, lines))
                    seqs.append(seq)
            if let_go:
                connection.execute("BEGIN IMMEDIATE")
                connection.executemany("DELETE FROM refused WHERE seq = ?", [(seq,) for seq in seqs])
                connection.execute("COMMIT")
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise explained(spool, error) from error
    return len(seqs)


def _plain(why: str, lines: bytes) -> Iterator[bytes]:
    yield f"# {' '.join(why.split())}\n".encode()
    try:
        yield zlib.decompress(lines) + b"\n"
    except zlib.error:
        yield b"# as it stood on the disk, in base64: " + base64.b64encode(lines) + b"\n"
