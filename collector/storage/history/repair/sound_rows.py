"""The rows of a table in a damaged file, as far as they can be read.

Rows are read by their key, a few at a time, so that a large store does not fill the memory. Pages that cannot
be read are found by halving: a span of keys that fails is read in two halves, down to the row.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final

Row = tuple[Any, ...]

FEW: Final = 50
"""Rows read at once; a run of readings can take a quarter of a megabyte."""
MOST_FAILURES: Final = 100_000
"""Reads of one table that may fail before spans that fail are no longer halved: no key of a table can be found
when its root page is lost, and halving all there might be would take years."""


def rows_of(
    connection: sqlite3.Connection, table: str, columns: str, key: Sequence[str], lost: list[str]
) -> Iterator[Row]:
    """Yield every row of a table that can be read, in the order of its key.

    `key`: whole-number columns that order the table ("rowid", or the primary key). What cannot be read is
    added to `lost`.
    """
    try:
        connection.execute(f"SELECT {columns} FROM {table} LIMIT 0")  # noqa: S608
    except (
        sqlite3.DatabaseError
    ) as error:  # a file of an earlier program, or what tells of its tables is damaged
        if "no such table" not in str(error):
            lost.append(f"table {table}: {error}")
        return
    yield from _Table(connection, table, columns, tuple(key), lost).within(())
    for column in () if key[0] == "rowid" else key:
        _name_what_has_no_place(connection, table, column, lost)


def _name_what_has_no_place(connection: sqlite3.Connection, table: str, column: str, lost: list[str]) -> None:
    """Note how many rows have something else than a number in a column by which they are looked for."""
    try:
        (count,) = connection.execute(
            f"SELECT count(*) FROM {table} WHERE typeof({column}) <> 'integer'"  # noqa: S608
        ).fetchone()
    except sqlite3.DatabaseError:
        return  # the pages that cannot be read are noted
    if count:
        lost.append(f"table {table}: of {count} {'row' if count == 1 else 'rows'}, {column} is no number")


@dataclass(slots=True)
class _Table:
    connection: sqlite3.Connection
    name: str
    columns: str
    key: tuple[str, ...]
    lost: list[str]
    failures: int = 0
    last: tuple[str, int, int, str] | None = None

    def within(self, fixed: tuple[int, ...]) -> Iterator[Row]:
        """Yield the rows at these values of the first columns of the key."""
        column, deepest = self.key[len(fixed)], len(fixed) + 1 == len(self.key)
        before = "".join(f"{name} = {value} AND " for name, value in zip(self.key, fixed, strict=False))
        query = f"SELECT {column}, {self.columns} FROM {self.name} WHERE {before}{column} >= ? AND {column} <= ? ORDER BY {column} LIMIT ?"  # noqa: S608
        spans = [self._edges(before, column)]
        while spans:
            low, high = spans.pop()
            try:
                rows = self.connection.execute(query, (low, high, FEW + 1)).fetchall()
            except sqlite3.DatabaseError as error:
                self.failures += 1
                if low < high and self.failures < MOST_FAILURES:
                    middle = (low + high) // 2
                    spans += [(middle + 1, high), (low, middle)]
                elif low == high and not deepest and self._has_edge(f"{before}{column} = {low}", len(fixed)):
                    yield from self.within((*fixed, low))
                else:
                    self._lose(before, column, low, high, error)
                continue
            if len(rows) > FEW and rows[0][0] < (last := int(rows[-1][0])):
                rows = [row for row in rows if row[0] < last]
                spans.append((last, high))
            elif len(rows) > FEW and not deepest:  # more of one value of this column than are read at once
                place = int(rows[0][0])
                spans += [(place + 1, high)] if place < high else []
                yield from self.within((*fixed, place))
                continue
            yield from (row[1:] for row in rows)

    def _lose(self, before: str, column: str, low: int, high: int, error: object) -> None:
        """Note a span as lost; what lies side by side becomes one."""
        where, what = f"{before}{column}", str(error)
        if (
            self.last is not None
            and self.last[0] == where
            and self.last[2] + 1 == low
            and self.last[3] == what
        ):
            low = self.last[1]
            self.lost.pop()
        self.last = (where, low, high, what)
        end = "" if low == high else f" to {high}"
        self.lost.append(f"table {self.name}, {where} = {low}{end}: {what}")

    def _has_edge(self, where: str, level: int) -> bool:
        """Return whether the next column has a least or a greatest value here: else there is nowhere to begin."""
        return any(self._edge(edge, self.key[level + 1], where) is not None for edge in ("min", "max"))

    def _edges(self, before: str, column: str) -> tuple[int, int]:
        """Return the least and the greatest value of a column, or what they might be."""
        low, high = (self._edge(edge, column, before[:-5] or "1") for edge in ("min", "max"))
        least = 0 if low is None else low
        return least, max(least, 2**42 if high is None else high)

    def _edge(self, edge: str, column: str, where: str) -> int | None:
        try:
            row = self.connection.execute(
                f"SELECT {edge}({column}) FROM {self.name} WHERE {where}"  # noqa: S608
            ).fetchone()
        except sqlite3.DatabaseError:
            return None
        return row[0] if isinstance(row[0], int) else None  # damage can make anything of a number
