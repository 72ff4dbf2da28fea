"""What a disk has not taken yet: lines that wait in memory, in order, to be written as one transaction.

A full disk is no reason to stop watching or telling. What a writer hands over then counts as written for everybody
who reads the ledger (`Ledger` runs their question behind these statements, and takes both back), is sent, and is
written before anything else once there is room. `collector.storage.ledger.reserve` keeps it through a kill meanwhile.

Of a line that is kept whole each time (an alarm, a state, a discharge under way) only the newest waits: so a disk
that stays full for days costs as much memory as what has happened, and not as much as was said of it.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from collector.storage.ledger.rows import Column

_TABLE: Final = re.compile(r"(?:INTO|UPDATE|FROM) (\w+)")
Key = tuple[str, Column]
"""A table, and the primary key of one of its rows."""


@dataclass(frozen=True, slots=True)
class Statement:
    """One change of one row. `whole` names the row that it leaves the same, whatever stood there before."""

    sql: str
    values: tuple[Column, ...]
    whole: Key | None = None


class Waiting:
    """Statements in the order in which they were handed over. To be used from the ledger's writing thread."""

    def __init__(self) -> None:
        self._statements: dict[Key | int, Statement] = {}
        self.tables: frozenset[str] = frozenset()
        """The tables that something waits for; others are on the disk as they are."""
        self._count = 0

    def __len__(self) -> int:
        """Return how many statements wait."""
        return len(self._statements)

    def add(self, statements: Iterable[Statement]) -> None:
        """Put statements behind what waits; what they write anew need not be written before."""
        for statement in statements:
            self._count += 1
            place = self._count if statement.whole is None else statement.whole
            self._statements.pop(place, None)
            self._statements[place] = statement
            self.tables |= set(_TABLE.findall(statement.sql))

    @property
    def statements(self) -> tuple[Statement, ...]:
        """Return what waits, in order."""
        return tuple(self._statements.values())

    def run(self, connection: sqlite3.Connection) -> None:
        """Run what waits, in order, within the caller's transaction."""
        for statement in self._statements.values():
            connection.execute(statement.sql, statement.values)

    def clear(self) -> None:
        """Let go of what was written."""
        self._statements.clear()
        self.tables = frozenset()
