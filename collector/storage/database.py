"""One SQLite file: opened, brought up to its schema, written by one thread, read by others.

Write-ahead log with `synchronous=FULL`: when a write returns, it survives a loss of power. Each schema
step commits together with the record that it ran. Every failure is a `StoreError`, which says which
file, what is wrong and what to do.
"""

from __future__ import annotations

import asyncio
import os
import sqlite3
import zlib
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import Final, TypeVar

from collector.process.task_cancellation import step_of_stop

T = TypeVar("T")

FOLDER_MODE: Final = 0o700
FILE_MODE: Final = 0o600
SMALL_BYTES: Final = 64 * 1024 * 1024
ANSWERS: Final = "answers"
_BUSY_S: Final = 10.0
_ANY_PAGES: Final = 2**31 - 1


class StoreFault(StrEnum):
    """What is wrong with a store."""

    UNWRITABLE = "unwritable"
    CORRUPT = "corrupt"
    NEWER = "newer"
    OLDER = "older"
    FULL = "full"
    LOCKED = "locked"
    IN_USE = "in use"
    PARTNER_LOST = "partner lost"
    FAILING = "failing"
    ABSENT = "absent"
    IN_THE_WAY = "in the way"
    AWAY = "away"
    REFUSED = "refused"
    MISSING = "missing"
    CLOSED = "closed"
    UNFIT = "unfit"


PASSING: Final = frozenset({StoreFault.FULL, StoreFault.FAILING, StoreFault.LOCKED, StoreFault.UNWRITABLE})
"""What may be over when a store that was open is tried again later: a disk with errors turns read-only, too."""


REMEDY: Final = {
    StoreFault.UNWRITABLE: "make the data folder writable for this user, or name another with --data",
    StoreFault.CORRUPT: "run `ridethrough verify`, which says what is affected and rescues the rest, "
    "or restore a backup; the damaged file has been left as it is",
    StoreFault.NEWER: "start the program version that wrote it, or a newer one; nothing has been changed",
    StoreFault.OLDER: "start the service on it once, which brings it up to date; nothing has been changed",
    StoreFault.FULL: "free space on the disk; what was committed is safe, and writing goes on by itself",
    StoreFault.LOCKED: "stop the other program that writes to this data folder",
    StoreFault.IN_USE: "stop it, or name another folder with --data; nothing has been changed",
    StoreFault.PARTNER_LOST: "what the other holds stays, and is joined to a new beginning; nothing has been changed",
    StoreFault.FAILING: "look at the system log for disk errors, and take a backup now",
    StoreFault.ABSENT: "name the folder that holds it",
    StoreFault.IN_THE_WAY: "name a new or an empty folder; nothing has been overwritten",
    StoreFault.AWAY: "see that the database server runs and can be reached; what was read waits in the local spool",
    StoreFault.REFUSED: "give the identity that `secret` in [history] names the right to write to this database and to "
    "read it, or name another; what was read waits in the local spool",
    StoreFault.MISSING: "make the database on the server, or correct `database` in [history]; what was read waits in "
    "the local spool",
    StoreFault.CLOSED: "the service is stopping; try again when it runs",
    StoreFault.UNFIT: "report this with the service's log; nothing of it was written",
}


class StoreError(Exception):
    """A store cannot do what was asked. Carries the file, the kind of fault, what came, and a remedy."""

    def __init__(self, path: Path | str, fault: StoreFault, what: str) -> None:
        self.path = str(path)
        self.fault = fault
        self.what = what
        self.remedy = REMEDY[fault]
        super().__init__(f"{path}: {what}; {self.remedy}")


def explained(path: Path | str, error: sqlite3.Error) -> StoreError:
    """Return the StoreError behind an error of sqlite3."""
    code = getattr(error, "sqlite_errorcode", None)
    if code is None and str(error).startswith("Could not decode to UTF-8"):
        code = sqlite3.SQLITE_CORRUPT  # the module's own error over a text in which a bit has flipped
    primary = (code or 0) & 0xFF
    if code == sqlite3.SQLITE_IOERR_SHMSIZE:
        primary = sqlite3.SQLITE_FULL  # no room for the index that is shared of what was written last
    fault = {
        sqlite3.SQLITE_CORRUPT: StoreFault.CORRUPT,
        sqlite3.SQLITE_NOTADB: StoreFault.CORRUPT,
        sqlite3.SQLITE_FULL: StoreFault.FULL,
        sqlite3.SQLITE_BUSY: StoreFault.LOCKED,
        sqlite3.SQLITE_LOCKED: StoreFault.LOCKED,
        sqlite3.SQLITE_READONLY: StoreFault.UNWRITABLE,
        sqlite3.SQLITE_CANTOPEN: StoreFault.UNWRITABLE,
        sqlite3.SQLITE_PERM: StoreFault.UNWRITABLE,
        sqlite3.SQLITE_AUTH: StoreFault.UNWRITABLE,
        sqlite3.SQLITE_ERROR: StoreFault.UNFIT,
        sqlite3.SQLITE_CONSTRAINT: StoreFault.UNFIT,
        sqlite3.SQLITE_MISMATCH: StoreFault.UNFIT,
    }.get(primary, StoreFault.FAILING)
    return StoreError(path, fault, f"{fault.value} store ({error})")


def make_folder(folder: Path) -> None:
    """Make a data folder that only its owner may enter. Raises StoreError."""
    try:
        folder.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(
            folder, StoreFault.UNWRITABLE, f"cannot make the folder ({error.strerror})"
        ) from error
    if not os.access(folder, os.W_OK | os.X_OK):
        raise StoreError(folder, StoreFault.UNWRITABLE, "cannot write into the folder")


@contextmanager
def one_view(connection: sqlite3.Connection) -> Iterator[None]:
    """Have all reads within see the store as it was at the first of them, whatever others commit meanwhile.

    To be short on a store in use: its log cannot be taken back while a view is open.
    """
    connection.execute("BEGIN")
    try:
        yield
    finally:
        if connection.in_transaction:
            connection.execute("COMMIT")


def _nothing() -> None:
    pass


class Database:
    """One SQLite file with one writer thread, and one reader thread for each `lane` of reading.

    `steps` are lists of SQL statements; step n brings the schema from version n to n + 1. Versions are recorded in
    the file's `user_version`, in the same transaction as the step. Without `spills` a transaction stays in memory
    until it is committed, however large, so that it can be tried out (`try_out`) on a full disk.
    """

    def __init__(
        self, path: Path, steps: Sequence[Sequence[str]], *, page_bytes: int = 4096, spills: bool = True
    ) -> None:
        self.path = path
        self._spills = spills
        self._steps = steps
        self._page_bytes = page_bytes
        self._writing = ThreadPoolExecutor(1, f"write {path.name}")
        self._lanes: dict[str, tuple[ThreadPoolExecutor, sqlite3.Connection]] = {}
        self._closed = False
        self.rolled_back: Callable[[], None] = _nothing
        """Called on the writer thread after a transaction that failed once its work had begun."""
        self.sealing: Callable[[sqlite3.Connection], object] = lambda _connection: None
        """Called within each transaction that writes, as the last before its commit."""
        self.sealed: Callable[[], None] = _nothing
        """Called after each commit, on the thread that wrote."""
        try:
            make_folder(path.parent)
            self._writer = self._open_writer()
            self._lane(ANSWERS)
        except BaseException:
            self._closed = True
            self._writing.shutdown()
            raise

    def _lane(self, name: str) -> tuple[ThreadPoolExecutor, sqlite3.Connection]:
        if name not in self._lanes:
            connection = self.open_reader()
            self._lanes[name] = (ThreadPoolExecutor(1, f"{name} {self.path.name}"), connection)
        return self._lanes[name]

    def _open_writer(self) -> sqlite3.Connection:
        connection: sqlite3.Connection | None = None
        try:
            self.path.touch(mode=FILE_MODE, exist_ok=True)
            self.path.chmod(FILE_MODE)
            connection = sqlite3.connect(
                self.path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
            )
            connection.create_function("crc_of", -1, crc_of, deterministic=True)
            connection.execute(f"PRAGMA page_size={self._page_bytes}")
            self._refuse_damage(connection)
            self._refuse_newer(connection)
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")
            connection.execute(f"PRAGMA journal_size_limit={SMALL_BYTES}")
            connection.execute("PRAGMA foreign_keys=ON")
            if not self._spills:
                connection.execute("PRAGMA cache_spill=OFF")
                connection.execute("PRAGMA temp_store=MEMORY")
            self._bring_up(connection)
        except BaseException as error:
            if connection is not None:
                connection.close()
            if isinstance(error, sqlite3.Error):
                raise explained(self.path, error) from error
            if isinstance(error, OSError):
                raise StoreError(
                    self.path, StoreFault.UNWRITABLE, f"cannot open it ({error.strerror})"
                ) from error
            raise
        return connection

    def _refuse_damage(self, connection: sqlite3.Connection) -> None:
        """Look the whole of a small file over; of a large one only what opening touches."""
        if self.path.stat().st_size <= SMALL_BYTES:
            found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            if found != "ok":
                raise StoreError(self.path, StoreFault.CORRUPT, f"damaged store ({found})")

    def _refuse_newer(self, connection: sqlite3.Connection) -> None:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        if version > len(self._steps):
            what = f"its schema is version {version}, and this program knows up to {len(self._steps)}"
            raise StoreError(self.path, StoreFault.NEWER, what)

    def _bring_up(self, connection: sqlite3.Connection) -> None:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        for number in range(version, len(self._steps)):
            connection.execute("BEGIN IMMEDIATE")
            try:
                for statement in self._steps[number]:
                    connection.execute(statement)
                connection.execute(f"PRAGMA user_version={number + 1}")
            except BaseException:
                connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")

    def open_reader(self) -> sqlite3.Connection:
        """Return a new connection that cannot write. Raises StoreError; the caller closes it."""
        try:
            connection = sqlite3.connect(
                self.path, timeout=_BUSY_S, isolation_level=None, check_same_thread=False
            )
            connection.execute("PRAGMA query_only=ON")
        except sqlite3.Error as error:
            raise explained(self.path, error) from error
        return connection

    async def write(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Run `work` in one transaction on the writer thread, and return its result once committed.

        Cancelling the caller does not stop a transaction under way. Raises StoreError, with nothing
        written; whatever `work` raises passes through, with nothing written either.
        """
        return await self._run(self._writing, self.write_now, work)

    async def read(self, work: Callable[[sqlite3.Connection], T], *, lane: str = ANSWERS) -> T:
        """Run `work` over one consistent view on a reader thread. Raises StoreError.

        Long reads name a lane of their own, so that short ones need not wait for them.
        """
        if self._closed:
            raise StoreError(self.path, StoreFault.CLOSED, "the store is closed")
        thread, connection = self._lane(lane)
        return await self._run(
            thread, lambda work: self._within(connection, ("BEGIN", "ROLLBACK"), work), work
        )

    async def _run(
        self,
        thread: ThreadPoolExecutor,
        run: Callable[[Callable[[sqlite3.Connection], T]], T],
        work: Callable[[sqlite3.Connection], T],
    ) -> T:
        if self._closed:
            raise StoreError(self.path, StoreFault.CLOSED, "the store is closed")
        return await asyncio.get_running_loop().run_in_executor(thread, run, work)

    async def on_writer(self, work: Callable[[], T]) -> T:
        """Run `work`, which may use `write_now` and `try_out`, on the writer thread; cancelling does not stop it."""
        if self._closed:
            raise StoreError(self.path, StoreFault.CLOSED, "the store is closed")
        return await asyncio.get_running_loop().run_in_executor(self._writing, work)

    def try_out(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Return what `work`, which may write, finds on the writer's connection; nothing it wrote stays.

        Needs no room on the disk, nor what `max_page_count` allows, if the database was made with `spills=False`.
        """
        most = self._writer.execute("PRAGMA max_page_count").fetchone()[0]
        self._writer.execute(f"PRAGMA max_page_count={_ANY_PAGES}").fetchone()
        try:
            return self._within(self._writer, ("BEGIN IMMEDIATE", "ROLLBACK"), work)
        finally:
            self._writer.execute(f"PRAGMA max_page_count={most}").fetchone()

    def write_now(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """Run `work` in one transaction on the calling thread: for commands, which have no loop.

        Not while `write` is in use on the same object.
        """
        begun = False

        def noted(connection: sqlite3.Connection) -> T:
            nonlocal begun
            begun = True
            result = work(connection)
            self.sealing(connection)
            return result

        try:
            result = self._within(self._writer, ("BEGIN IMMEDIATE", "COMMIT"), noted)
        except BaseException:
            if begun:  # else the last transaction is one that was committed, and what is known of it holds
                self.rolled_back()
            raise
        self.sealed()
        return result

    def _within(
        self, connection: sqlite3.Connection, around: tuple[str, str], work: Callable[[sqlite3.Connection], T]
    ) -> T:
        # a read ends with ROLLBACK: COMMIT would raise again what `work` has met of damage and gone on from
        begin, end = around
        try:
            connection.execute(begin)
            try:
                result = work(connection)
                connection.execute(end)
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise
        except sqlite3.Error as error:
            raise explained(self.path, error) from error
        return result

    @property
    def closed(self) -> bool:
        """Return whether `close` was called."""
        return self._closed

    async def close(self) -> None:
        """Finish the transaction under way, and close. Safe to call twice."""
        if not self._closed:
            self._closed = True
            with step_of_stop(f"closing {self.path.name}"):
                await asyncio.get_running_loop().run_in_executor(None, self._let_go)

    def close_now(self) -> None:
        """Close from a command that has no loop. Safe to call twice."""
        if not self._closed:
            self._closed = True
            self._let_go()

    def _let_go(self) -> None:
        for thread, connection in self._lanes.values():
            connection.interrupt()  # nobody waits any more for what is still being read
            thread.shutdown()
            connection.close()
        self._writing.shutdown()
        self._writer.close()


def crc_of(*values: int | bytes | None) -> int:
    """Return the CRC-32 of a row's values; within SQL, of a connection that writes, `crc_of`. Texts come as bytes."""
    parts = (value if isinstance(value, bytes) else str(value).encode() for value in values)
    return zlib.crc32(b"".join(b"%d:%b" % (len(part), part) for part in parts))


def damage(connection: sqlite3.Connection) -> list[str]:
    """Return what SQLite's own check finds wrong with a file: nothing, for a sound one."""
    try:
        return [row[0] for row in connection.execute("PRAGMA integrity_check(100)") if row[0] != "ok"]
    except sqlite3.DatabaseError as error:
        return [str(error)]
