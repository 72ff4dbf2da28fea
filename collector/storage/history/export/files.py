"""History as files that other programs read: CSV, Parquet, and JSON lines with everything as it came.

CSV and Parquet hold one row for each poll in SI units, with the column names of `COLUMNS`: a quantity is
named for its group and field, and for its line where it has one (`output_power_w_1`). Nothing known is an
empty cell. JSON lines hold the wire values and the id of the correction set, which lose nothing.
What is older than exact readings are kept is in summaries alone: `sums`. Plain functions and writers that block; run them off the loop.
"""

from __future__ import annotations

import json
import sqlite3
import types
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import fields
from datetime import date, datetime
from enum import StrEnum
from pathlib import Path
from typing import Any, Final, Protocol, TextIO, get_args, get_type_hints

from collector.process.atomic_file import whole_file
from collector.storage.database import one_view
from collector.storage.history.buckets import DAY_MS
from collector.storage.history.columns import milliseconds, moment, readings_of
from collector.storage.history.export.table_files import ExportTable, plain_cell, table_file
from collector.storage.history.store import Meaning, WireReading
from collector.storage.history.tables.lookup import blocks, pieces
from collector.storage.history.tables.schema import GONE, Texts, unit_number
from rules.plant import reading as vocabulary
from rules.plant.reading import Reading, Silence

LINES: Final = (1, 2, 3)
_GROUPS: Final[Mapping[str, tuple[type[Any], type[Any] | None]]] = {
    "battery": (vocabulary.BatteryReading, None),
    "input": (vocabulary.InputReading, vocabulary.InputLine),
    "output": (vocabulary.OutputReading, vocabulary.OutputLine),
    "bypass": (vocabulary.BypassReading, vocabulary.BypassLine),
    "test": (vocabulary.SelfTest, None),
    "nameplate": (vocabulary.Nameplate, None),
}


class Form(StrEnum):
    """The forms of an export."""

    CSV = "csv"
    PARQUET = "parquet"
    WIRE = "wire"


def _columns() -> Iterator[tuple[str, type[Any]]]:
    yield "unit", str
    yield "at", datetime
    yield "silence", str
    yield "agent_uptime_s", float
    for group, (part, line_type) in _GROUPS.items():
        for name, kind in _fields(part):
            yield f"{group}_{name}", kind
        for line in LINES if line_type is not None else ():
            yield from ((f"{group}_{name}_{line}", kind) for name, kind in _fields(line_type or part))
    yield "card_alarms", str
    yield "doubts", str


def _fields(part: type[Any]) -> Iterator[tuple[str, type[Any]]]:
    hints = get_type_hints(part)
    for item in fields(part):
        if item.name not in {"line", "lines"}:
            hint = hints[item.name]
            kinds = get_args(hint) if isinstance(hint, types.UnionType) else (hint,)
            yield item.name, float if kinds[0] in {int, float} else str


COLUMNS: Final[Mapping[str, type[Any]]] = dict(_columns())
"""Every column of an export, and the type of its values."""


def quantities(meaning: Meaning) -> dict[str, tuple[str, int | None]]:
    """Return the quantity and the line behind each object that has one."""
    found: dict[str, tuple[str, int | None]] = {}
    for group, (part, line_type) in _GROUPS.items():
        parts = [(part, None), *((line_type, line) for line in LINES if line_type is not None)]
        for kind, line in parts:
            for name, _ in _fields(kind):
                object_name = meaning.object_of(f"{group}_{name}", line)
                if object_name is not None:
                    found.setdefault(object_name, (f"{group}_{name}", line))
    return found


def flat(sample: Reading | Silence) -> dict[str, Any]:
    """Return a sample as cells by column; what is not known is not there."""
    cells: dict[str, Any] = {"unit": sample.unit, "at": sample.stamp.at}
    if isinstance(sample, Silence):
        return cells | {"silence": sample.why}
    cells["agent_uptime_s"] = sample.agent_uptime_s
    for group in _GROUPS:
        part = getattr(sample, group)
        if part is None:
            continue
        cells |= {
            f"{group}_{item.name}": getattr(part, item.name) for item in fields(part) if item.name != "lines"
        }
        for line in getattr(part, "lines", ()):
            cells |= {
                f"{group}_{item.name}_{line.line}": getattr(line, item.name)
                for item in fields(line)
                if item.name != "line"
            }
    if sample.card_alarms is not None:
        cells["card_alarms"] = " ".join(sample.card_alarms)
    cells["doubts"] = "; ".join(
        f"{d.object}{'' if d.line is None else f'.{d.line}'}: {d.reason}" for d in sample.doubts
    )
    return {
        name: _CLEAN[COLUMNS[name]](value)
        for name, value in cells.items()
        if value is not None and value != "" and name in COLUMNS
    }


_CLEAN: Final[Mapping[type[Any], Callable[[Any], Any]]] = {
    float: float,
    str: lambda text: str(text).encode("utf-8", "replace").decode(),
    datetime: lambda at: at,
}


class ExportWriter(Protocol):
    """Takes readings in order and writes them to a file."""

    def write(self, batch: Sequence[WireReading]) -> None:
        """Add some readings."""
        ...

    def close(self) -> None:
        """Finish the file."""
        ...


class TableWriter:
    """One row of SI values a reading, in whatever form the table has."""

    def __init__(self, table: ExportTable, meaning: Meaning) -> None:
        self._table = table
        self._meaning = meaning

    def write(self, batch: Sequence[WireReading]) -> None:
        """Add some readings."""
        self._table.write([flat(self._meaning.reading(record)) for record in batch])

    def close(self) -> None:
        """Leave the file to its owner."""


class WireWriter:
    """One JSON object a line: the reading as it was kept."""

    def __init__(self, out: TextIO) -> None:
        self._out = out

    def write(self, batch: Sequence[WireReading]) -> None:
        """Add some readings."""
        for record in batch:
            line = {
                "unit": record.unit,
                "at": plain_cell(record.at),
                "monotonic_s": record.stamp.monotonic_s,
                "start": record.stamp.start_id,
                "period_s": record.period_s,
                "corrections": record.corrections,
                "wire": {k: {"hex": v.hex()} if isinstance(v, bytes) else v for k, v in record.wire.items()},
            }
            if record.silence is not None:
                line["silence"] = record.silence
            self._out.write(json.dumps(line) + "\n")

    def close(self) -> None:
        """Leave the file to its owner."""


@contextmanager
def export_file(target: Path, form: Form, meaning: Meaning) -> Iterator[ExportWriter]:
    """Give a writer into a file that gets its name only when it is whole. Raises NotInstalledError, OSError."""
    if form is Form.WIRE:
        with whole_file(target) as part, part.open("w", encoding="utf-8") as text:
            yield WireWriter(text)
    else:
        with table_file(target, COLUMNS, parquet=form is Form.PARQUET) as table:
            yield TableWriter(table, meaning)


def stored_batches(
    connection: sqlite3.Connection, unit: str, start: datetime, end: datetime
) -> Iterator[list[WireReading]]:
    """Yield a unit's exact readings out of an SQLite history in use, a run or a day at a time.

    Each piece is read in a view of its own: a fold that commits between two statements would take from under
    the second what the first has seen. One view over all would keep the store's log from being taken back for
    as long as the export takes. Days keep their readings through every fold, so pieces fit together.
    """
    found = unit_number(connection, unit)
    if found is None:
        return
    number, first_ms = found
    texts = Texts(connection)
    begin_ms, end_ms = max(milliseconds(start), first_ms), milliseconds(end)
    with one_view(connection):
        days = pieces(connection, number, begin_ms, end_ms)
    for first, after in days:
        with one_view(connection):
            found_here = list(
                blocks(connection, number, max(begin_ms, first * DAY_MS), min(end_ms, after * DAY_MS))
            )
        for block in found_here:
            yield list(readings_of(unit, block, texts))


def days_let_go(
    connection: sqlite3.Connection, unit: str, start: datetime, end: datetime
) -> list[tuple[date, date]]:
    """Return the first and the last day (UTC) of each span of a unit whose exact readings were let go."""
    found = unit_number(connection, unit)
    if found is None:
        return []
    rows = connection.execute(
        "SELECT day FROM folded WHERE unit = ? AND retired = ? AND day >= ? AND day * ? < ? ORDER BY day",
        (found[0], GONE, milliseconds(start) // DAY_MS, DAY_MS, milliseconds(end)),
    )
    spans: list[list[int]] = []
    for (day,) in rows:
        if spans and spans[-1][1] + 1 == day:
            spans[-1][1] = day
        else:
            spans.append([day, day])
    return [(moment(first * DAY_MS).date(), moment(last * DAY_MS).date()) for first, last in spans]


def exported(
    connection: sqlite3.Connection,
    target: Path,
    form: Form,
    meaning: Meaning,
    *,
    units: Sequence[str],
    start: datetime,
    end: datetime,
    progress: Callable[[str, int], None] | None = None,
) -> int:
    """Write the exact readings of some units to a file; return how many. Raises NotInstalledError, OSError.

    `progress` is called after every day with the unit and the number of rows so far.
    """
    count = 0
    with export_file(target, form, meaning) as out:
        for unit in units:
            for batch in stored_batches(connection, unit, start, end):
                out.write(batch)
                count += len(batch)
                if progress is not None:
                    progress(unit, count)
    return count
