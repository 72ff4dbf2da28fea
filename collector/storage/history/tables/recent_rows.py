"""The hot table: readings as they arrive, one row each, until an hour of them is folded into a chunk.

A row's integers stand one behind the other in `cells`, in the order of a layout (a list of column names,
stored once). Everything that is not a 64-bit integer is a number into the side table `texts`.
"""

from __future__ import annotations

import json
import sqlite3
import struct
import zlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from collector.storage.history.codec.hour_chunk import ChunkError
from collector.storage.history.columns import (
    CORRECTIONS,
    NOTHING,
    OFFSET,
    PERIOD,
    SILENCE,
    START,
    TEXT,
    Block,
    Column,
    Ints,
    joined,
    milliseconds,
)
from collector.storage.history.store import Wire, WireReading
from collector.storage.history.tables.names import sign_name

_STR, _BYTES, _BIG = 0, 1, 2
_LARGEST: Final = 2**63
_HEAD: Final = struct.Struct("<8q")

COLUMNS: Final = "at, unit, layout, clock_offset, start, corrections, period, wide, cells, check_sum"
INSERT: Final = f"INSERT OR IGNORE INTO hot ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"  # noqa: S608
SELECT: Final = f"SELECT {COLUMNS} FROM hot"  # noqa: S608
_GATHER: Final = (
    "SELECT unit, layout, wide, group_concat(at), group_concat(clock_offset), group_concat(start),"
    " group_concat(corrections), group_concat(period), group_concat(check_sum), group_concat(hex(cells), '')"
    " FROM hot WHERE at >= ? AND at < ? AND unit >= ? AND unit <= ? GROUP BY unit, layout, wide"
)
"""Gathers the rows of a unit within SQLite. Read row by row, each would have the reading thread let go of the
interpreter's lock and take it again, and the event loop that waits for it is woken each time and comes too late."""

Row = tuple[int, int, int, int, int, int, int, int, bytes, int]
"""All columns of a hot row."""


def stored_text(value: str | bytes | int) -> tuple[int, bytes]:
    """Return a value of the side table as it is stored: what it was, and its bytes."""
    if isinstance(value, int):
        return _BIG, str(value).encode()
    return (_STR, value.encode("utf-8", "surrogatepass")) if isinstance(value, str) else (_BYTES, value)


def read_text(kind: int, stored: bytes) -> Wire:
    """Return a value of the side table."""
    if kind == _BYTES:
        return bytes(stored)
    text = bytes(stored).decode("utf-8", "surrogatepass")
    return int(text) if kind == _BIG else text


class Names:
    """The side tables as the writer sees them: units, layouts and texts by number, made when first met.

    Numbers given in a transaction that fails must be forgotten: `forget`.
    """

    def __init__(self) -> None:
        self._units: dict[str, tuple[int, int]] = {}
        self._layouts: dict[tuple[str, ...], int] = {}
        self._texts: dict[tuple[int, bytes], int] = {}

    def forget(self) -> None:
        """Forget everything; the tables are asked again."""
        self._units.clear()
        self._layouts.clear()
        self._texts.clear()

    def unit_read(self, connection: sqlite3.Connection, unit: str, at_ms: int) -> int:
        """Return the number of a unit that was read at `at_ms`: at the earliest so far, it was first read then."""
        number, first_ms = self._units.get(unit) or self._unit(connection, unit, at_ms)
        if at_ms < first_ms:
            connection.execute("UPDATE units SET first_at = ? WHERE id = ?", (at_ms, number))
            sign_name(connection, "units", number)
            self._units[unit] = (number, at_ms)
        return number

    def _unit(self, connection: sqlite3.Connection, unit: str, at_ms: int) -> tuple[int, int]:
        known = self._units.get(unit)
        if known is None:
            new = connection.execute(
                "INSERT INTO units (name, first_at) VALUES (?, ?) ON CONFLICT (name) DO NOTHING",
                (unit, at_ms),
            ).rowcount
            number, first_ms = connection.execute(
                "SELECT id, first_at FROM units WHERE name = ?", (unit,)
            ).fetchone()
            if new:
                sign_name(connection, "units", number)
            known = self._units[unit] = (int(number), int(first_ms))
        return known

    def layout(self, connection: sqlite3.Connection, names: tuple[str, ...]) -> int:
        """Return a layout's number."""
        number = self._layouts.get(names)
        if number is None:
            text = json.dumps(names, ensure_ascii=False)
            new = connection.execute(
                "INSERT INTO layouts (names) VALUES (?) ON CONFLICT (names) DO NOTHING", (text,)
            ).rowcount
            number = int(connection.execute("SELECT id FROM layouts WHERE names = ?", (text,)).fetchone()[0])
            if new:
                sign_name(connection, "layouts", number)
            if len(self._layouts) > 10_000:
                self._layouts.clear()
            self._layouts[names] = number
        return number

    def text(self, connection: sqlite3.Connection, value: str | bytes | int) -> int:
        """Return the number of a text, of a byte string, or of an integer beyond 64 bits."""
        key = stored_text(value)
        number = self._texts.get(key)
        if number is None:
            new = connection.execute(
                "INSERT INTO texts (kind, value) VALUES (?, ?) ON CONFLICT DO NOTHING", key
            ).rowcount
            number = int(
                connection.execute("SELECT id FROM texts WHERE kind = ? AND value = ?", key).fetchone()[0]
            )
            if new:
                sign_name(connection, "texts", number)
            if len(self._texts) > 10_000:
                self._texts.clear()
            self._texts[key] = number
        return number


def insert(connection: sqlite3.Connection, names: Names, batch: Iterable[WireReading]) -> None:
    """Add readings to the hot table."""
    connection.executemany(INSERT, [_row(connection, names, reading) for reading in batch])


def _row(connection: sqlite3.Connection, names: Names, reading: WireReading) -> tuple[int | bytes, ...]:
    at_ms = milliseconds(reading.stamp.at)
    keys: tuple[str, ...] = tuple(reading.wire)
    values: Sequence[object] = tuple(reading.wire.values())
    wide = 0
    try:  # nearly every reading is all integers of 32 bits
        cells = struct.pack(f"<{len(values)}i", *values)
    except struct.error:
        keys, integers = _as_integers(connection, names, reading)
        wide, cells = 1, struct.pack(f"<{len(integers)}q", *integers)
    if reading.silence is not None:
        keys, wide = (SILENCE,), 1
        cells = struct.pack("<q", names.text(connection, reading.silence))
    head = (
        at_ms,
        names.unit_read(connection, reading.unit, at_ms),
        names.layout(connection, keys),
        at_ms - round(reading.stamp.monotonic_s * 1000),
        names.text(connection, reading.stamp.start_id),
        names.text(connection, reading.corrections),
        round(reading.period_s * 1000),
        wide,
    )
    return (*head, cells, check_sum(head, cells))


def check_sum(head: tuple[int, ...], cells: bytes) -> int:
    """Return the CRC-32 kept beside a hot row: `head` is its columns up to `wide`."""
    return zlib.crc32(_HEAD.pack(*head) + cells)


def is_sound(row: Row) -> bool:
    """Return whether a hot row fits its checksum. One that does not is neither folded nor answered from."""
    try:
        return check_sum(row[:8], row[8]) == row[9]
    except (struct.error, TypeError):  # damage of a page can turn a number into something else
        return False


def _as_integers(
    connection: sqlite3.Connection, names: Names, reading: WireReading
) -> tuple[tuple[str, ...], list[int]]:
    keys: list[str] = []
    integers: list[int] = []
    for name, value in reading.wire.items():
        if value is None:
            keys.append(NOTHING + name)
            integers.append(0)
        elif isinstance(value, int) and -_LARGEST <= value < _LARGEST:
            keys.append(name)
            integers.append(value)
        else:
            keys.append(TEXT + name)
            integers.append(names.text(connection, value))
    return tuple(keys), integers


@dataclass(slots=True)
class RecentRows:
    """Hot rows by unit: the sound ones as a block, and the times (ms) of those that are damaged."""

    blocks: dict[int, Block] = field(default_factory=dict)
    damaged: dict[int, list[int]] = field(default_factory=dict)
    unreadable: dict[int, str] = field(default_factory=dict)
    """Units of which no row can be told, though they are sound, and why."""


def found(
    connection: sqlite3.Connection,
    layout_of: Callable[[int], tuple[str, ...] | None],
    span_ms: tuple[int, int],
    units: tuple[int, int],
) -> RecentRows:
    """Return the hot rows of a span (its end excluded) of the units from the lowest to the highest.

    `layout_of` gives the names of a layout, asked for only where rows of it are found.
    """
    parts: dict[int, list[Block]] = {}
    rows = RecentRows()
    for unit, layout, wide, *gathered in connection.execute(_GATHER, (*span_ms, *units)):
        if not isinstance(unit, int):
            continue  # a damaged page can hold anything
        group = _gathered((unit, layout, wide), gathered)
        if group is None:
            group, damaged = _one_by_one(connection, span_ms, (unit, layout, wide))
            rows.damaged.setdefault(unit, []).extend(damaged)
        if len(group.at):
            try:
                parts.setdefault(unit, []).append(_block(group, layout_of(layout), wide))
            except ChunkError as error:
                rows.unreadable[unit] = f"{error} (layout {layout})"
    rows.blocks = {unit: joined(part) for unit, part in parts.items() if unit not in rows.unreadable}
    return rows


@dataclass(frozen=True, slots=True)
class _Group:
    """Sound rows of one unit and layout: times, the columns of the poll, and the cells of all, end to end."""

    at: Ints
    poll: Sequence[Ints]
    cells: bytes


def _gathered(key: tuple[int, int, int], gathered: Sequence[str]) -> _Group | None:
    """Return the rows that were gathered; None where not every one of them is sound."""
    try:
        at, *poll, sums = columns = [np.fromstring(text, dtype=np.int64, sep=",") for text in gathered[:-1]]
        cells = bytes.fromhex(gathered[-1])
        count, (unit, layout, wide) = len(at), key
        if any(len(values) != count for values in columns):
            return None
        octets = np.empty((count, _HEAD.size + len(cells) // count), dtype=np.uint8)
        head = np.empty((count, 8), dtype="<i8")
        for place, values in enumerate((at, unit, layout, *poll, wide)):
            head[:, place] = values
        octets[:, : _HEAD.size] = head.view(np.uint8)
        octets[:, _HEAD.size :] = np.frombuffer(cells, dtype=np.uint8).reshape(count, -1)
    except (DeprecationWarning, TypeError, ValueError, OverflowError):  # something that is no number
        return None
    size, content = octets.shape[1], octets.tobytes()
    sound = [zlib.crc32(content[n : n + size]) for n in range(0, len(content), size)] == sums.tolist()
    return _Group(at, poll, cells) if sound else None


def _one_by_one(
    connection: sqlite3.Connection, span_ms: tuple[int, int], key: tuple[int, int, int]
) -> tuple[_Group, list[int]]:
    """Return the sound rows of some of which one or more is not, and the times of the others."""
    rows = connection.execute(
        f"{SELECT} WHERE at >= ? AND at < ? AND unit = ? AND layout IS ? AND wide IS ?", (*span_ms, *key)
    ).fetchall()
    sound = [row for row in rows if is_sound(row)]
    columns = [np.array([row[place] for row in sound], dtype=np.int64) for place in (0, 3, 4, 5, 6)]
    group = _Group(columns[0], columns[1:], b"".join(row[8] for row in sound))
    return group, [row[0] for row in rows if isinstance(row[0], int) and not is_sound(row)]


def _block(group: _Group, names: tuple[str, ...] | None, wide: int) -> Block:
    if names is None:
        raise ChunkError("the list of their objects is missing from the side table")
    order = np.argsort(group.at)
    cells = np.frombuffer(group.cells, dtype="<i8" if wide else "<i4")
    if len(cells) != len(order) * len(names):
        raise ChunkError("the list of their objects in the side table does not fit them")
    table = cells.reshape(len(order), len(names))[order].astype(np.int64)
    columns = {name: Column(table[:, place].copy()) for place, name in enumerate(names)}
    for name, values in zip((OFFSET, START, CORRECTIONS, PERIOD), group.poll, strict=True):
        columns[name] = Column(values[order])
    return Block(group.at[order], columns)
