"""Tables as files that other programs read: CSV, or Parquet where its package is installed.

A column holds numbers, counts, texts or times; a cell that is not given is not known: empty, or null.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol, TextIO

from collector.process.atomic_file import whole_file

Columns = Mapping[str, type[Any]]
"""Names in order, each with float, int, str or datetime (UTC)."""


class NotInstalledError(Exception):
    """A form needs a package that is not there."""

    def __init__(self) -> None:
        super().__init__('Parquet needs pyarrow; install it with `pip install "ridethrough[parquet]"`')


def plain_cell(value: object) -> str:
    """Return a cell of a CSV file. Text that a spreadsheet would take for a formula is quoted by an apostrophe."""
    if isinstance(value, datetime):
        return value.isoformat(timespec="milliseconds").replace("+00:00", "Z")
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    text = str(value)
    return f"'{text}" if text[:1] in {"=", "+", "-", "@", "\t", "\r"} else text


class ExportTable(Protocol):
    """Takes rows in order."""

    def write(self, rows: Sequence[Mapping[str, Any]]) -> None:
        """Add some rows: cells by column."""
        ...


class CsvTable:
    """RFC 4180, UTF-8, times in RFC 3339."""

    def __init__(self, out: TextIO, columns: Columns) -> None:
        self._out = csv.DictWriter(out, list(columns), restval="", lineterminator="\r\n")
        self._out.writeheader()

    def write(self, rows: Sequence[Mapping[str, Any]]) -> None:
        """Add some rows."""
        for cells in rows:
            self._out.writerow({name: plain_cell(value) for name, value in cells.items()})


class ParquetTable:
    """Columns of doubles, whole numbers, texts and UTC times; what is not known is null."""

    def __init__(self, path: Path, columns: Columns) -> None:
        try:
            import pyarrow as pa  # noqa: PLC0415 - an extra, and heavy
            import pyarrow.parquet as pq  # noqa: PLC0415
        except ImportError as error:
            raise NotInstalledError from error
        self._arrow = pa
        kinds = {
            float: pa.float64(),
            int: pa.int64(),
            str: pa.string(),
            datetime: pa.timestamp("ms", tz="UTC"),
        }
        self._schema = pa.schema([(name, kinds[kind]) for name, kind in columns.items()])
        self._out = pq.ParquetWriter(path, self._schema, compression="zstd")

    def write(self, rows: Sequence[Mapping[str, Any]]) -> None:
        """Add some rows as one group."""
        if rows:
            self._out.write_table(self._arrow.Table.from_pylist(list(rows), schema=self._schema))

    def close(self) -> None:
        """Finish the file."""
        self._out.close()


@contextmanager
def table_file(target: Path, columns: Columns, *, parquet: bool) -> Iterator[ExportTable]:
    """Give a table into a file that gets its name only when it is whole. Raises NotInstalledError, OSError."""
    with whole_file(target) as part:
        if parquet:
            with closing(ParquetTable(part, columns)) as table:
                yield table
        else:
            with part.open("w", encoding="utf-8", newline="") as text:
                yield CsvTable(text, columns)
