"""Ledger values to rows and back, by the types of their fields."""

from __future__ import annotations

import dataclasses
import json
import sqlite3
import zlib
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Any, Final, TypeVar, get_type_hints

from collector.storage.ledger import records

R = TypeVar("R")

Column = int | float | str | bytes | None
_Way = Callable[[Any], Any]

CHECK: Final = "check_sum"
_FATE: Final = frozenset(("sending", "attempts", "result", "due"))
EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND: Final = timedelta(microseconds=1)

TABLES: Final[dict[type[Any], str]] = {
    records.AlarmLine: "alarms",
    records.IncidentLine: "incidents",
    records.JournalLine: "journal",
    records.Outgoing: "outbox",
    records.Action: "actions",
    records.EquipmentEvent: "equipment",
    records.Evidence: "evidence",
    records.LearntFact: "facts",
    records.Corrections: "corrections",
    records.Snapshot: "snapshots",
    records.JudgementLine: "judgements",
    records.EngineBoots: "engines",
    records.SignedLine: "signed_plans",
    records.CourseLine: "plan_courses",
    records.UserLine: "users",
    records.SessionLine: "sessions",
    records.AccessToken: "tokens",
}

OF_ACCESS: Final = frozenset(("users", "sessions", "tokens"))
"""Tables that hold what somebody gets in by, if only as hashes: none of them is exported, nor copied unasked."""


def microseconds(at: datetime) -> int:
    """Return a moment as it is stored. Raises ValueError for one without a time zone."""
    if at.tzinfo is None:
        raise ValueError(f"{at!r} names no time zone")
    return (at - EPOCH) // _MICROSECOND


def moment(stored: int) -> datetime:
    """Return a stored moment (UTC)."""
    return EPOCH + timedelta(microseconds=stored)


def _dumped(body: records.Body) -> str:
    return json.dumps(dict(body), ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def _optional(convert: _Way) -> _Way:
    return lambda value: None if value is None else convert(value)


def _ways(hint: object) -> tuple[_Way, _Way]:
    """Return how a field of this type goes into a row, and how it comes out."""
    if hint in (datetime, datetime | None):
        return _optional(microseconds), _optional(moment)
    if hint == records.Body:
        return _dumped, json.loads
    if hint is bool:
        return int, bool
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return str, hint
    return (lambda value: value), (lambda value: value)


@dataclasses.dataclass(frozen=True, slots=True)
class Shape:
    """How one kind of line is stored."""

    table: str
    columns: tuple[str, ...]
    into: tuple[_Way, ...]
    out_of: tuple[_Way, ...]


def shape_of(kind: type[object]) -> Shape:
    """Return how a kind of line is stored."""
    if (known := _SHAPES.get(kind)) is not None:
        return known
    hints = get_type_hints(kind)
    names = tuple(field.name for field in dataclasses.fields(kind))  # type: ignore[arg-type]
    ways = [_ways(hints[name]) for name in names]
    shape = Shape(TABLES[kind], names, tuple(w[0] for w in ways), tuple(w[1] for w in ways))
    return _SHAPES.setdefault(kind, shape)


_SHAPES: Final[dict[type[object], Shape]] = {}


def insertion(line: object, *, replace: bool = False) -> tuple[str, tuple[Column, ...]]:
    """Return the statement that adds a line, and its values; `seq` is left to the table."""
    shape = shape_of(type(line))
    pairs = [
        (name, into(getattr(line, name)))
        for name, into in zip(shape.columns, shape.into, strict=True)
        if name != "seq"
    ]
    pairs.append((CHECK, check_sum(shape.table, dict(pairs))))
    verb = "INSERT OR REPLACE" if replace else "INSERT"
    names = ", ".join(name for name, _ in pairs)
    marks = ", ".join("?" for _ in pairs)
    return f"{verb} INTO {shape.table} ({names}) VALUES ({marks})", tuple(value for _, value in pairs)


def change(line: object) -> tuple[str, tuple[Column, ...]]:
    """Return the statement that changes the line of the same key, its first column, and its values; no line is added."""
    statement, values = insertion(line, replace=True)
    names = statement.partition("(")[2].partition(")")[0].split(", ")
    settings = ", ".join(f"{name} = ?" for name in names[1:])
    table = shape_of(type(line)).table
    return f"UPDATE {table} SET {settings} WHERE {names[0]} = ?", (*values[1:], values[0])  # noqa: S608


def check_sum(table: str, stored: Mapping[str, Column]) -> int:
    """Return the CRC-32 over what never changes in a stored row: all but `seq`, and a message's fate."""
    fixed = {
        name: value if not isinstance(value, bytes) else zlib.crc32(value)
        for name, value in stored.items()
        if name not in {"seq", CHECK} and not (table == "outbox" and name in _FATE)
    }
    return zlib.crc32(json.dumps(fixed, sort_keys=True, ensure_ascii=True).encode())


def selected(
    connection: sqlite3.Connection, kind: type[R], rest: str = "", values: tuple[Column, ...] = ()
) -> tuple[R, ...]:
    """Return the lines of one kind that a clause after FROM selects."""
    shape = shape_of(kind)
    query = f"SELECT {', '.join(shape.columns)} FROM {shape.table} {rest}"  # noqa: S608
    return tuple(
        kind(**{n: out(v) for n, out, v in zip(shape.columns, shape.out_of, row, strict=True)})
        for row in connection.execute(query, values)
    )
