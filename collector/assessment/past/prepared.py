"""A file of past readings made ready: whole numbers by unit and moment, in a file of its own beside the stores.

It has its name only once it is whole. The service that runs on the folder takes it on and then lets go of it; cut off at any
moment it does so again, which adds nothing.
"""

from __future__ import annotations

import json
import os
import sqlite3
import struct
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final, Self

from collector.storage.database import FILE_MODE, FOLDER_MODE
from collector.storage.history.columns import milliseconds, moment
from collector.storage.history.store import IMPORTED, WireReading, origin_of
from rules.plant.reading import Stamp

FOLDER: Final = "imports"
_TABLES: Final = (
    "CREATE TABLE about (one INTEGER PRIMARY KEY CHECK (one = 1), text TEXT NOT NULL) STRICT",
    "CREATE TABLE rows (unit INTEGER NOT NULL, at INTEGER NOT NULL, cells BLOB NOT NULL, PRIMARY KEY (unit, at))"
    " STRICT, WITHOUT ROWID",
)
_NOT_KNOWN: Final = -(2**63)


@dataclass(frozen=True, slots=True)
class UnitSpan:
    """What a file has of one unit. `period_s`: the step between its rows, by their median."""

    unit: str
    rows: int
    first: datetime
    last: datetime
    period_s: float


@dataclass(frozen=True, slots=True)
class BroughtFile:
    """Whose file it was, what is in it, and who brought it. `id` is made of the file's octets and of how it was read."""

    id: str
    file: str
    author: str
    at: datetime
    keys: tuple[str, ...]
    units: tuple[UnitSpan, ...]

    def text(self) -> str:
        """Return it as it is kept."""
        return json.dumps(asdict(self), default=datetime.isoformat)

    @classmethod
    def of(cls, text: str) -> Self:
        """Return what `text` gave."""
        body: Mapping[str, Any] = json.loads(text)
        spans = tuple(
            UnitSpan(
                one["unit"],
                one["rows"],
                datetime.fromisoformat(one["first"]),
                datetime.fromisoformat(one["last"]),
                one["period_s"],
            )
            for one in body["units"]
        )
        at = datetime.fromisoformat(body["at"])
        return cls(body["id"], body["file"], body["author"], at, tuple(body["keys"]), spans)


@dataclass(slots=True)
class DoubleRows:
    """Rows of a moment that the unit has already: how many said the same, and how many something else."""

    same: int = 0
    other: int = 0


class PreparedRows:
    """Rows on their way into a file, or out of it."""

    def __init__(self, connection: sqlite3.Connection, keys: Sequence[str]) -> None:
        self._connection = connection
        self.keys = tuple(keys)
        self._cells = struct.Struct(f"<{len(self.keys)}q")
        self.doubles = DoubleRows()

    @classmethod
    def new(cls, path: Path, keys: Sequence[str]) -> Self:
        """Begin a file; it stands in the way of nothing until it is moved to its name."""
        path.parent.mkdir(mode=FOLDER_MODE, exist_ok=True)
        path.unlink(missing_ok=True)
        path.touch(FILE_MODE)
        connection = sqlite3.connect(path, isolation_level=None)
        connection.execute("PRAGMA journal_mode = OFF")  # it is whole, or it is not there
        connection.execute("PRAGMA synchronous = OFF")
        connection.execute("BEGIN")
        for statement in _TABLES:
            connection.execute(statement)
        return cls(connection, keys)

    def add(self, unit: int, at: datetime, numbers: Mapping[str, int]) -> None:
        """Add a row; of two of the same moment the first stays."""
        cells = self._cells.pack(*(numbers.get(key, _NOT_KNOWN) for key in self.keys))
        where = (unit, milliseconds(at))
        added = self._connection.execute("INSERT OR IGNORE INTO rows VALUES (?, ?, ?)", (*where, cells))
        if not added.rowcount:
            kept = self._connection.execute("SELECT cells FROM rows WHERE unit = ? AND at = ?", where)
            if kept.fetchone()[0] == cells:
                self.doubles.same += 1
            else:
                self.doubles.other += 1

    def moments(self, unit: int) -> list[int]:
        """Return the moments (ms) of a unit's rows, in order."""
        found = self._connection.execute("SELECT at FROM rows WHERE unit = ? ORDER BY at", (unit,))
        return [at for (at,) in found]

    def column(self, key: str, unit: int) -> Iterator[tuple[int, int]]:
        """Yield the moments (ms) and numbers of a unit's rows in which a column is known, in order of time."""
        place = self.keys.index(key)
        rows = self._connection.execute("SELECT at, cells FROM rows WHERE unit = ? ORDER BY at", (unit,))
        for at, cells in rows:
            number = self._cells.unpack(cells)[place]
            if number != _NOT_KNOWN:
                yield at, number

    def finish(self, about: BroughtFile) -> None:
        """Write what the file is, and close it."""
        self._connection.execute("INSERT INTO about VALUES (1, ?)", (about.text(),))
        self._connection.execute("COMMIT")
        self._connection.close()

    def close(self) -> None:
        """Let go of the file."""
        self._connection.close()

    def readings(
        self, about: BroughtFile, place: int, start: datetime | None = None, end: datetime | None = None
    ) -> Iterator[WireReading]:
        """Yield the readings of the unit at a place, in order of time, from `start` to `end` (excluded)."""
        span = about.units[place]
        start_ms = -(2**62) if start is None else milliseconds(start)
        end_ms = 2**62 if end is None else milliseconds(end)
        rows = self._connection.execute(
            "SELECT at, cells FROM rows WHERE unit = ? AND at >= ? AND at < ? ORDER BY at",
            (place, start_ms, end_ms),
        )
        run = origin_of(about.id)
        for at_ms, cells in rows:
            known = zip(self.keys, self._cells.unpack(cells), strict=True)
            yield WireReading(
                unit=span.unit,
                stamp=Stamp(moment(at_ms), at_ms / 1000, run),
                period_s=span.period_s,
                corrections=IMPORTED,
                wire={key: number for key, number in known if number != _NOT_KNOWN},
            )


def give_to_owner(path: Path, folder: Path) -> None:
    """Give a file that root made, and the folder it is in, to whom the data folder belongs: the service could not read it."""
    if os.geteuid() == 0:
        owner = folder.stat()
        for one in (path.parent, path):
            os.chown(one, owner.st_uid, owner.st_gid)


def waiting(folder: Path) -> list[Path]:
    """Return the files that wait in a data folder to be taken on, oldest first."""
    found = [path for path in (folder / FOLDER).glob("*.sqlite") if path.is_file()]
    return sorted(found, key=lambda path: (path.stat().st_mtime, path.name))


def prepared_path(folder: Path, name: str) -> Path:
    """Return where the file with an id stands once it is whole."""
    return folder / FOLDER / f"{name}.sqlite"


def opened_rows(path: Path) -> tuple[BroughtFile, PreparedRows]:
    """Return what a prepared file is, and its rows. Raises sqlite3.Error, ValueError for one that is none."""
    connection = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True, check_same_thread=False)
    try:
        with closing(connection.execute("SELECT text FROM about")) as found:
            about = BroughtFile.of(found.fetchone()[0])
    except BaseException:
        connection.close()
        raise
    return about, PreparedRows(connection, about.keys)
