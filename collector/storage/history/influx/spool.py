"""What InfluxDB has still to take, in a local file; a batch is safe once it is in there.

A row of `waiting` holds up to `MOST_LINES` lines of one batch, compressed. It leaves in the transaction that
says what came of it: gone, since the server has it, or its lines (all or some) in `refused`. So a kill at any
moment leaves every line in one place at least; a line that is then sent again is kept by the server once.
`newest` says where the newest answer of each unit is: while it waits, it is found there and nowhere else.

The file grows while the server is away, bounded by the disk alone: a reading takes about 150 bytes, a day of
20 cards read every 5 s about 50 MB.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from collector.storage.database import Database
from collector.storage.history.columns import milliseconds, moment
from collector.storage.history.influx.lines import MEASUREMENT, line_of, reading_in_line
from collector.storage.history.store import IMPORTED, Meaning, WireReading
from rules.phrasing.dates import day_words

MOST_LINES: Final = 5_000
"""In a row, and in what is sent at once."""
_READING: Final = f"{MEASUREMENT},".encode()
_OFFERED_AT_ONCE: Final = 1_000

STEPS: Final = (
    (
        "CREATE TABLE spool (seq INTEGER PRIMARY KEY AUTOINCREMENT, lines BLOB NOT NULL) STRICT",
        "CREATE TABLE refused (seq INTEGER PRIMARY KEY, lines BLOB NOT NULL, why TEXT NOT NULL) STRICT",
    ),
    (
        "CREATE TABLE waiting (seq INTEGER PRIMARY KEY AUTOINCREMENT, readings INTEGER NOT NULL, "
        "first_ms INTEGER, lines BLOB NOT NULL) STRICT",
        "CREATE INDEX waiting_counted ON waiting (first_ms, readings)",
        # how many readings a row of the first form holds is not known without unpacking it: counted as one
        "INSERT INTO waiting (seq, readings, lines) SELECT seq, 1, lines FROM spool ORDER BY seq",
        "DROP TABLE spool",
        "CREATE TABLE newest (unit TEXT PRIMARY KEY, seq INTEGER NOT NULL, place INTEGER NOT NULL, "
        "at_ms INTEGER NOT NULL) STRICT, WITHOUT ROWID",
        "ALTER TABLE refused RENAME TO refused_before",
        "CREATE TABLE refused (seq INTEGER PRIMARY KEY AUTOINCREMENT, readings INTEGER NOT NULL, "
        "first_ms INTEGER, why TEXT NOT NULL, lines BLOB NOT NULL) STRICT",
        "CREATE INDEX refused_counted ON refused (first_ms, readings)",
        "INSERT INTO refused (readings, why, lines) SELECT 1, why, lines FROM refused_before ORDER BY seq",
        "DROP TABLE refused_before",
    ),
)


@dataclass(frozen=True, slots=True)
class SpoolRow:
    """Some lines of a batch as a row keeps them; `newest` is when and on which line each unit answered last."""

    lines: bytes
    readings: int
    first_ms: int | None
    newest: Mapping[str, tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Held:
    """How many rows and readings there are, and the time of the oldest, in ms; None where it is not known."""

    rows: int
    readings: int
    first_ms: int | None

    def words(self) -> str:
        """Return how many there are and since when, in two figures, so that it does not change at each reading."""
        if not self.readings:
            return f"{self.rows:,} note{'' if self.rows == 1 else 's'} of what to keep"
        rough = self.readings - self.readings % 10 ** max(len(str(self.readings)) - 2, 0)
        many = f"{'over ' if rough < self.readings else ''}{rough:,} reading{'' if rough == 1 else 's'}"
        if self.first_ms is None:
            return many
        at = moment(self.first_ms)
        return f"{many}, the oldest of {day_words(at.date())}, {at:%H:%M} UTC"


@dataclass(frozen=True, slots=True)
class RefusedLines:
    """How much the server refused, the newest reason, and the number of the newest row."""

    held: Held
    why: str
    newest: int


@dataclass(frozen=True, slots=True)
class Due:
    """The oldest rows, to be sent at once: first and last number, what they hold, and which cannot be unpacked."""

    first: int
    last: int
    lines: tuple[bytes, ...]
    unreadable: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class Refusal:
    """Lines that the server refused, and why."""

    lines: Sequence[bytes]
    why: str


def packed(batch: Sequence[WireReading], meaning: Meaning) -> list[SpoolRow]:
    """Return the rows for a batch. Costs about 0.1 ms a reading: not for the event loop."""
    return [_row(batch[n : n + MOST_LINES], meaning) for n in range(0, len(batch), MOST_LINES)]


def _row(part: Sequence[WireReading], meaning: Meaning) -> SpoolRow:
    newest: dict[str, tuple[int, int]] = {}
    for place, reading in enumerate(part):
        if reading.silence is None and reading.corrections != IMPORTED:
            at = (milliseconds(reading.at), place)
            newest[reading.unit] = max(newest.get(reading.unit, at), at)
    lines = zlib.compress("\n".join(line_of(reading, meaning) for reading in part).encode())
    return SpoolRow(lines, len(part), min(milliseconds(reading.at) for reading in part), newest)


def row_of(lines: Sequence[bytes]) -> SpoolRow:
    """Return the row for lines that hold no news of a unit: readings of before, or notes, which are not counted."""
    times = [int(line.rpartition(b" ")[2]) for line in lines if line.startswith(_READING)]
    return SpoolRow(zlib.compress(b"\n".join(lines)), len(times), min(times, default=None), {})


class Spool:
    """The file. `waiting` says what is in it that was not sent."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.database = Database(path, STEPS)
        self.waiting = self._before = self.database.write_now(_counted)
        self.database.rolled_back = self._restore

    def _restore(self) -> None:
        self.waiting = self._before

    async def _change(self, change: Callable[[sqlite3.Connection, Held], Held]) -> None:
        """Change the file, and on its writer's thread, whoever still listens, what is known of it."""

        def work(connection: sqlite3.Connection) -> None:
            self._before = self.waiting
            self.waiting = change(connection, self.waiting)

        await self.database.write(work)

    async def put(self, rows: Sequence[SpoolRow]) -> None:
        """Keep rows, all or none, and return when they are safe. Raises StoreError."""
        await self._change(lambda connection, held: _added(connection, rows, held))

    async def due(self, most: int = MOST_LINES) -> Due | None:
        """Return the oldest rows, about `most` lines of them; None where nothing waits. Raises StoreError."""
        return await self.database.read(lambda connection: _due(connection, most), lane="sending")

    async def settle(self, due: Due, refusals: Sequence[Refusal]) -> None:
        """Let rows go that the server has, but for what it refused. Raises StoreError."""
        await self._change(lambda connection, held: _settled(connection, due, refusals, held))

    async def newest(self, unit: str) -> WireReading | None:
        """Return the newest answer of a unit if it waits here. Raises StoreError."""
        return await self.database.read(lambda connection: _newest(connection, unit))

    async def refused(self) -> RefusedLines | None:
        """Return what the server refused, None for nothing. Raises StoreError."""
        return await self.database.read(_refused)

    async def offer_again(self, newest: int) -> None:
        """Have what was refused wait again, the oldest first, some of it up to row `newest`. Raises StoreError."""
        await self._change(lambda connection, held: _offered(connection, newest, held))

    async def close(self) -> None:
        """Finish the transaction under way, and close. Safe to call twice."""
        await self.database.close()


def _counted(connection: sqlite3.Connection) -> Held:
    return Held(
        *connection.execute(
            "SELECT count(*), coalesce(sum(readings), 0), min(first_ms) FROM waiting"
        ).fetchone()
    )


def _added(connection: sqlite3.Connection, rows: Sequence[SpoolRow], held: Held) -> Held:
    for row in rows:
        _add(connection, row)
    times = [at for at in (held.first_ms, *(row.first_ms for row in rows)) if at is not None]
    return Held(
        held.rows + len(rows), held.readings + sum(row.readings for row in rows), min(times, default=None)
    )


def _add(connection: sqlite3.Connection, row: SpoolRow) -> None:
    seq = connection.execute(
        "INSERT INTO waiting (readings, first_ms, lines) VALUES (?, ?, ?)",
        (row.readings, row.first_ms, row.lines),
    ).lastrowid
    connection.executemany(
        "INSERT INTO newest (unit, seq, place, at_ms) VALUES (?, ?, ?, ?) ON CONFLICT (unit) DO UPDATE "
        "SET seq = excluded.seq, place = excluded.place, at_ms = excluded.at_ms "
        "WHERE excluded.at_ms >= newest.at_ms",
        [(unit, seq, place, at_ms) for unit, (at_ms, place) in row.newest.items()],
    )


def _due(connection: sqlite3.Connection, most: int) -> Due | None:
    first = last = None
    lines: list[bytes] = []
    unreadable: list[tuple[int, str]] = []
    for seq, content in connection.execute("SELECT seq, lines FROM waiting ORDER BY seq"):
        try:
            held = zlib.decompress(content).split(b"\n")
        except zlib.error as error:
            unreadable.append((seq, f"damaged on the disk, it cannot be unpacked ({error})"))
            held = []
        if lines and len(lines) + len(held) > most:
            break
        lines += held
        first, last = seq if first is None else first, seq
    if first is None or last is None:
        return None
    return Due(first, last, tuple(lines), tuple((seq, why) for seq, why in unreadable if seq <= last))


def _settled(connection: sqlite3.Connection, due: Due, refusals: Sequence[Refusal], held: Held) -> Held:
    connection.executemany(
        "INSERT INTO refused (readings, first_ms, why, lines) "
        "SELECT readings, first_ms, ?, lines FROM waiting WHERE seq = ?",
        [(why, seq) for seq, why in due.unreadable],
    )
    connection.executemany(
        "INSERT INTO refused (readings, first_ms, why, lines) VALUES (?, ?, ?, ?)",
        [(row.readings, row.first_ms, one.why, row.lines) for one in refusals for row in [row_of(one.lines)]],
    )
    rows, readings = connection.execute(
        "SELECT count(*), coalesce(sum(readings), 0) FROM waiting WHERE seq BETWEEN ? AND ?",
        (due.first, due.last),
    ).fetchone()
    connection.execute("DELETE FROM waiting WHERE seq BETWEEN ? AND ?", (due.first, due.last))
    (first_ms,) = connection.execute("SELECT min(first_ms) FROM waiting").fetchone()
    return Held(held.rows - rows, held.readings - readings, first_ms)


def _newest(connection: sqlite3.Connection, unit: str) -> WireReading | None:
    found = connection.execute(
        "SELECT lines, place FROM newest JOIN waiting USING (seq) WHERE unit = ?", (unit,)
    ).fetchone()
    if found is None:
        return None
    try:
        line = zlib.decompress(found[0]).split(b"\n")[found[1]]
    except zlib.error:  # whoever sends puts it aside
        return None
    return reading_in_line(line.decode())


def _refused(connection: sqlite3.Connection) -> RefusedLines | None:
    newest = connection.execute("SELECT seq, why FROM refused ORDER BY seq DESC LIMIT 1").fetchone()
    if newest is None:
        return None
    held = Held(*connection.execute("SELECT count(*), sum(readings), min(first_ms) FROM refused").fetchone())
    return RefusedLines(held, newest[1], newest[0])


def _offered(connection: sqlite3.Connection, newest: int, held: Held) -> Held:
    some = "SELECT seq FROM refused WHERE seq <= ? ORDER BY seq LIMIT ?"
    seqs = connection.execute(some, (newest, _OFFERED_AT_ONCE)).fetchall()
    for one in seqs:
        connection.execute(
            "INSERT INTO waiting (readings, first_ms, lines) "
            "SELECT readings, first_ms, lines FROM refused WHERE seq = ?",
            one,
        )
        connection.execute("DELETE FROM refused WHERE seq = ?", one)
    return _counted(connection) if seqs else held
