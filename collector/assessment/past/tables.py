"""The rows of a table that somebody's program wrote: CSV with a comma, semicolon or tab, or Parquet. Read piece by piece."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, Protocol

from collector.configuration.faults import ConfigError, ConfigFault
from collector.storage.history.export.table_files import NotInstalledError

PARQUET_MAGIC: Final = b"PAR1"
_DELIMITERS: Final = ",;\t"
_BATCH: Final = 10_000


class CsvReader(Protocol):
    """Rows of cells, and the line each ended on."""

    line_num: int

    def __iter__(self) -> Iterator[list[str]]: ...

    def __next__(self) -> list[str]: ...


class ArrowColumn(Protocol):
    """A column of a Parquet file."""

    type: Any

    def to_pylist(self) -> list[Any]:
        """Return its values."""
        ...

    def cast(self, kind: object, *, safe: bool) -> ArrowColumn:
        """Return it as another kind."""
        ...


Row = tuple[int, Sequence[Any]]
"""The line in the file (of Parquet: the row, from 1), and its cells: texts, numbers, moments or None."""


@contextmanager
def table(path: Path) -> Iterator[tuple[list[str], Iterator[Row]]]:
    """Give a file's header and its rows. Raises ConfigError for what is no such table, OSError, NotInstalledError."""
    with path.open("rb") as found:
        is_parquet = found.read(4) == PARQUET_MAGIC
    if is_parquet:
        yield _parquet(path)
        return
    with path.open(encoding="utf-8-sig", newline="") as text:
        first = text.readline()
        text.seek(0)
        delimiter = max(_DELIMITERS, key=first.count)
        reader = csv.reader(text, delimiter=delimiter)
        try:
            header = next(reader, [])
        except (csv.Error, UnicodeDecodeError) as error:
            raise ConfigError([ConfigFault(str(path), "line 1", "a header, in UTF-8", str(error))]) from None
        yield [name.strip() for name in header], _csv(path, reader, len(header))


def _csv(path: Path, reader: CsvReader, width: int) -> Iterator[Row]:
    try:
        for cells in reader:
            if not cells or not any(cells):
                continue
            if len(cells) != width:
                place = f"line {reader.line_num}"
                raise ConfigError([ConfigFault(str(path), place, f"{width} cells", str(len(cells)))])
            # an export quotes what a spreadsheet would take for a formula
            yield reader.line_num, [c[1:] if c[:1] == "'" else c for c in cells]
    except (csv.Error, UnicodeDecodeError) as error:
        place = f"line {reader.line_num + 1}"
        raise ConfigError([ConfigFault(str(path), place, "a line of CSV, in UTF-8", str(error))]) from None


def _parquet(path: Path) -> tuple[list[str], Iterator[Row]]:
    try:
        import pyarrow as pa  # noqa: PLC0415 - an extra, and heavy
        import pyarrow.parquet as pq  # noqa: PLC0415
    except ImportError as error:
        raise NotInstalledError from error
    try:
        found = pq.ParquetFile(path)
    except pa.ArrowException as error:
        raise ConfigError([ConfigFault(str(path), "file", "a whole Parquet file", str(error))]) from None
    return list(found.schema_arrow.names), _parquet_rows(path, found, pa.ArrowException)


def _parquet_rows(
    path: Path,
    found: Any,  # noqa: ANN401 - pyarrow has no types
    broken: type[Exception],
) -> Iterator[Row]:
    row = 0
    try:
        for batch in found.iter_batches(batch_size=_BATCH):
            for cells in zip(*(_column(column) for column in batch.columns), strict=True):
                row += 1
                yield row, cells
    except broken as error:
        place = f"row {row + 1}"
        raise ConfigError([ConfigFault(str(path), place, "a whole Parquet file", str(error))]) from None


def _column(column: ArrowColumn) -> list[Any]:
    """Return a column's values; moments to the microsecond, whatever they are kept in."""
    kind = str(column.type)
    if not kind.startswith("timestamp"):
        return list(column.to_pylist())
    import pyarrow as pa  # noqa: PLC0415 - only where a column of it is there

    return list(column.cast(pa.timestamp("us", tz=column.type.tz), safe=False).to_pylist())
