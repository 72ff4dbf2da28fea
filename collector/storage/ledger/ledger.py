"""The ledger: one transaction for what belongs together; its reads are in `queries`.

    async with ledger.transaction() as tx:
        tx.save_alarm(alarm)
        tx.add_event(line)
        tx.enqueue(message)

Nothing is written until the block ends; then all of it is, or, on any error, none. When the block is
left, the lines are safe on the disk, and only then may a message go out.

A disk that is full or fails refuses nobody: the lines wait in memory (`waiting`), are read as if they were written,
and are written in order as soon as the disk takes them; `trouble` says so meanwhile. Whoever cannot go on without
the disk asks for `at_once`, and gets the error.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Self, TypeVar

from collector.storage.database import ANSWERS, PASSING, Database, StoreError
from collector.storage.ledger.full_disk import Waiting
from collector.storage.ledger.queries import LedgerQueries
from collector.storage.ledger.records import (
    JournalLine,
    Snapshot,
)
from collector.storage.ledger.reserve import Reserve
from collector.storage.ledger.rows import TABLES, Column, selected
from collector.storage.ledger.schema import STEPS
from collector.storage.ledger.transaction import Transaction
from collector.storage.partner import counted

R = TypeVar("R")


TRY_EVERY_S: Final = 1.0
"""How often a disk that refused is asked again, at most."""


WRITTEN: Final = "waiting"
"""The name under which stands which of the reserve's numbers has been written."""


log = logging.getLogger(__name__)


class Ledger(LedgerQueries):
    """The ledger of one collector. Every method may raise `collector.storage.database.StoreError`."""

    def __init__(self, path: Path, *, reserve: Path | None = None) -> None:
        self.database = Database(path, STEPS, spills=False)
        self.database.sealing = counted
        self.trouble: str | None = None
        """What keeps the disk from taking what waits for it, None while nothing waits."""
        self._waiting = Waiting()
        self._settled = frozenset()
        self._tried_s = 0.0
        self._reserve = None if reserve is None else Reserve(reserve)
        if self._reserve is not None:
            self._go_on(self._reserve)

    def _go_on(self, reserve: Reserve) -> None:
        """Go on with what waited for the disk when the service ended, unless it was written after all."""
        found = reserve.found()
        kept = self.database.try_out(lambda c: selected(c, Snapshot, "WHERE name = ?", (WRITTEN,)))
        if found and reserve.number > (kept[0].body["number"] if kept else 0):
            log.warning(
                "%s: %d changes waited for the disk at the last end; they are gone on with",
                self.path,
                len(found),
            )
            self._waiting.add(found)

    @property
    def path(self) -> Path:
        """Return the file."""
        return self.database.path

    @asynccontextmanager
    async def transaction(self, *, at_once: bool = False) -> AsyncIterator[Transaction]:
        """Collect lines and commit them together when the block ends without an error.

        Where the disk does not take them now, they wait; with `at_once` that is an error, and nothing waits.
        """
        transaction = Transaction()
        yield transaction
        if transaction:
            await self.database.on_writer(lambda: self._take(transaction, at_once=at_once))

    @property
    def waiting_count(self) -> int:
        """Return how many changes of lines wait in memory for the disk."""
        return len(self._waiting)

    async def write_waiting(self) -> bool:
        """Ask the disk again to take what waits; return whether nothing waits any more."""
        if self._waiting:
            await self.database.on_writer(self._write_waiting)
        return not self._waiting

    # on the writing thread, where one comes after another and nobody's cancellation cuts one short

    def _take(self, transaction: Transaction, *, at_once: bool) -> None:
        resting = self._waiting and time.monotonic() - self._tried_s < TRY_EVERY_S
        try:
            if not resting or at_once:
                transaction.journal = self._commit(transaction)
                return
        except StoreError as error:
            if at_once or error.fault not in PASSING:
                raise
            self._refused(error)
        try:
            transaction.journal = self._as_if(transaction.commit_to)
        except StoreError as error:  # another program holds the file: numbers come with the commit
            if error.fault not in PASSING:
                raise
        self._waiting.add(transaction.statements)
        self._settled |= transaction.settled
        if self._reserve is not None:
            self._reserve.write(self._waiting.statements)

    def _write_waiting(self) -> None:
        try:
            self._commit(Transaction())
        except StoreError as error:
            if error.fault not in PASSING:
                raise
            self._refused(error)

    def _commit(self, transaction: Transaction) -> tuple[JournalLine, ...]:
        """Write what waits and a transaction behind it, all or nothing."""

        def work(connection: sqlite3.Connection) -> tuple[JournalLine, ...]:
            self._waiting.run(connection)
            if self._waiting and self._reserve is not None:
                written = Transaction()
                body = {"number": self._reserve.number}
                written.save_snapshot(Snapshot(WRITTEN, datetime.now(UTC), "waiting/1", body))
                written.commit_to(connection)
            return transaction.commit_to(connection)

        journal = self.database.write_now(work)
        if self._waiting:
            log.info("%s: the disk takes what is to be kept again; nothing of the ledger waits", self.path)
        self._waiting.clear()
        self._settled = frozenset()
        self.trouble = None
        return journal

    def _refused(self, error: StoreError) -> None:
        self._tried_s = time.monotonic()
        if self.trouble is None:
            log.error("%s; what is to be kept waits in memory, and is told and shown meanwhile", error)
        self.trouble = str(error)

    def _as_if(self, work: Callable[[sqlite3.Connection], R]) -> R:
        """Return what `work` finds behind what waits. Nothing of it is written."""

        def behind(connection: sqlite3.Connection) -> R:
            self._waiting.run(connection)
            return work(connection)

        return self.database.try_out(behind)

    async def _read(self, work: Callable[[sqlite3.Connection], R], lane: str = ANSWERS) -> R:
        """Run `work` over the ledger as it is, with what waits for the disk."""
        if not self._waiting:
            return await self.database.read(work, lane=lane)
        try:
            return await self.database.on_writer(lambda: self._as_if(work))
        except StoreError as error:
            if error.fault not in PASSING:
                raise
            # another program holds the file: as it is on the disk
            return await self.database.read(work, lane=lane)

    async def close(self) -> None:
        """Finish the commit under way, and close. Safe to call twice."""
        if self._waiting and not self.database.closed and not await self.write_waiting():
            kept = self._reserve is not None and self._reserve.holds
            what = "wait in the reserve for the next start" if kept else "are lost with this stop"
            log.error(
                "%s: %d changes could not be written and %s: %s",
                self.path,
                len(self._waiting),
                what,
                self.trouble,
            )
        await self.database.close()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    async def lines(self, kind: type[R], rest: str, *values: Column, lane: str) -> tuple[R, ...]:
        """Return the lines of one kind that a clause after FROM selects, without waiting for the answers of others.

        Nor for the disk, unless what waits for it is of that kind.
        """
        if TABLES[kind] not in self._waiting.tables:
            return await self.database.read(lambda c: selected(c, kind, rest, values), lane=lane)
        return await self._read(lambda connection: selected(connection, kind, rest, values), lane)
