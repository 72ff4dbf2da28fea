"""The history and the ledger of a data folder know each other, so that the loss of one is not taken for a new beginning.
So do the ledger and the spool, where a server keeps the readings: what waits for the server is nowhere else.

Both of a pair hold a row with the folder's id, how many transactions they have committed themselves, and the newest of the
other's that had been committed by then. Each commit counts; what it says of the other was safe on the disk before. So
neither a kill nor a loss of power can leave a store that knows more of its partner than the partner has: where that
is found, the partner was lost, emptied, or put back from an older copy.

A folder of an earlier program has no such rows; it gets them at the first start. The history's is written first, with
nothing known of the ledger: a start that was cut off there is gone on with, and never mistaken for a loss.
"""

from __future__ import annotations

import secrets
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE, SPOOL_FILE
from collector.storage.database import PASSING, Database, StoreError, StoreFault, explained

TABLE: Final = """CREATE TABLE partner (
    one INTEGER PRIMARY KEY CHECK (one = 1), folder TEXT NOT NULL, own INTEGER NOT NULL, other INTEGER NOT NULL
) STRICT"""
LOSSES: Final = ("ledger", "history", "spool")
"""What a start can be told to go on without."""


@dataclass(frozen=True, slots=True)
class Pair:
    """The ledger and the store of readings beside it, and the table in which each says what it knows of the other."""

    store: str
    file: str
    table: str


WITH_HISTORY: Final = Pair("history", HISTORY_FILE, "partner")
WITH_SPOOL: Final = Pair("spool", SPOOL_FILE, "spool_partner")
PAIRS: Final = (WITH_HISTORY, WITH_SPOOL)


@dataclass(frozen=True, slots=True)
class Known:
    """What a store says: the folder's id, its own newest transaction, and the newest it knows of its partner."""

    folder: str
    own: int
    other: int


def known(connection: sqlite3.Connection, pair: Pair = WITH_HISTORY) -> Known | None:
    """Return what a store says; None for one that was never joined to a partner."""
    if not _has(connection, pair.table):
        return None
    row = connection.execute(f"SELECT folder, own, other FROM {pair.table}").fetchone()  # noqa: S608 - of `PAIRS`
    return None if row is None else Known(*row)


def counted(connection: sqlite3.Connection, other: int = 0, pair: Pair = WITH_HISTORY) -> int:
    """Count a transaction within itself, with what it knows of the partner; return its number, 0 where none is kept."""
    connection.execute(f"UPDATE {pair.table} SET own = own + 1, other = max(other, ?)", (other,))  # noqa: S608
    row = connection.execute(f"SELECT own FROM {pair.table}").fetchone()  # noqa: S608
    return 0 if row is None else int(row[0])


def join(history: Database, ledger: Database, *, anew: bool = False) -> None:
    """Have two open stores count, and know of each other, from now on. Blocks; nothing else may write meanwhile.

    `history` is the store of readings, be it the spool. `anew`: whatever they say, they are one folder from now on.
    Raises StoreError.
    """
    pair = next(one for one in PAIRS if one.file == history.path.name)
    said, ledger_said = (store.try_out(lambda c: known(c, pair)) for store in (history, ledger))
    begun = said is not None and not said.other  # of a start that was cut off, or just joined
    if anew or said is None or (begun and (ledger_said is None or ledger_said.folder != said.folder)):
        folder = said.folder if begun and said is not None and not anew else secrets.token_hex(16)
        own = history.write_now(lambda c: _written(c, pair, folder, 0))
        ledger.write_now(lambda c: _written(c, pair, folder, own))
    newest = {store.path.name: _newest(store, pair) for store in (history, ledger)}
    _count(history, ledger, pair, newest)
    _count(ledger, history, pair, newest)


def _newest(store: Database, pair: Pair) -> int:
    """Count a transaction, and return its number; of a store whose disk takes none now, that of its last."""
    try:
        return store.write_now(lambda c: counted(c, pair=pair))
    except StoreError as error:
        if error.fault not in PASSING:
            raise
        said = store.try_out(lambda c: known(c, pair))
        return 0 if said is None else said.own


def _written(connection: sqlite3.Connection, pair: Pair, folder: str, other: int) -> int:
    before = known(connection, pair)
    own = 1 if before is None else before.own + 1
    if not _has(connection, pair.table):
        connection.execute(TABLE.replace("partner", pair.table, 1))
    connection.execute(f"INSERT OR REPLACE INTO {pair.table} VALUES (1, ?, ?, ?)", (folder, own, other))  # noqa: S608
    return own


def _count(store: Database, other: Database, pair: Pair, newest: dict[str, int]) -> None:
    under_way = 0

    def sealing(connection: sqlite3.Connection) -> None:
        nonlocal under_way
        under_way = counted(connection, newest[other.path.name], pair)

    def sealed() -> None:
        newest[store.path.name] = under_way

    store.sealing, store.sealed = sealing, sealed


@dataclass(frozen=True, slots=True)
class PartnerLoss:
    """A store that is not what its partner says it is. `what` is a sentence; `store` is one of `LOSSES`."""

    store: str
    what: str


def losses(
    folder: Path, opened: Callable[[Path], sqlite3.Connection], kept_in: Pair | None = None
) -> tuple[PartnerLoss, ...]:
    """Return what is lost in a data folder, in use or not. `opened` gives a connection that only reads.

    `kept_in`: where readings are kept, by the estate file; without it both are looked at, and one that is not there is
    not missed where the other is. Raises StoreError for a store that cannot be read.
    """
    try:
        found = [
            loss
            for pair in (PAIRS if kept_in is None else (kept_in,))
            for loss in _losses(folder, opened, pair, elsewhere=kept_in is None)
        ]
    except sqlite3.Error as error:
        raise explained(folder, error) from error
    return tuple({loss.store: loss for loss in reversed(found)}.values())


def _losses(
    folder: Path, opened: Callable[[Path], sqlite3.Connection], pair: Pair, *, elsewhere: bool
) -> Iterable[PartnerLoss]:
    there = {path.name for path in folder.iterdir() if path.is_file() and path.stat().st_size}
    if LEDGER_FILE not in there:
        return _without_ledger(folder / pair.file, opened, pair) if pair.file in there else ()
    if pair.file not in there:
        if elsewhere and any(one.file in there for one in PAIRS):
            return ()
        with closing(opened(folder / LEDGER_FILE)) as ledger:
            if known(ledger, pair) is None:
                return ()
        return (PartnerLoss(pair.store, f"{pair.file} is not there, though {LEDGER_FILE} knows of it"),)
    with closing(opened(folder / pair.file)) as history, closing(opened(folder / LEDGER_FILE)) as ledger:
        # each is asked what it knows before its partner is asked what it has: meanwhile both may go on
        before, said, after = known(history, pair), known(ledger, pair), known(history, pair)
        return tuple(_differences(before, said, after, pair))


def _without_ledger(
    path: Path, opened: Callable[[Path], sqlite3.Connection], pair: Pair
) -> tuple[PartnerLoss, ...]:
    with closing(opened(path)) as history:
        if _has(history, pair.table):
            said = known(history, pair)
            beside = said is not None and said.other > 0
        else:  # an earlier program's, which never kept readings without a ledger
            beside = _has(history, "units") and bool(
                history.execute("SELECT 1 FROM units LIMIT 1").fetchall()
            )
    what = f"{LEDGER_FILE} is not there, though {path.name} was kept beside one"
    return (PartnerLoss("ledger", what),) if beside else ()


def _differences(
    before: Known | None, ledger: Known | None, after: Known | None, pair: Pair
) -> Iterator[PartnerLoss]:
    name = pair.file
    if before is None or after is None:
        if ledger is not None:
            yield PartnerLoss(pair.store, f"{name} is empty or another, though {LEDGER_FILE} knows of it")
        return
    if not before.other:
        return  # joined just now, or about to be
    if ledger is None:
        knows = f"{name} knows {before.other:,} of its transactions"
        yield PartnerLoss("ledger", f"{LEDGER_FILE} is empty or another, though {knows}")
    elif ledger.folder != before.folder:
        # the ledger's loss costs most; but a spool may hold what another service has still to send
        lost = "spool" if pair is WITH_SPOOL else "ledger"
        yield PartnerLoss(lost, f"{LEDGER_FILE} and {name} are not of the same data folder")
    elif before.other > ledger.own:
        what = f"{LEDGER_FILE} is older than its partner: it ends at transaction {ledger.own:,}"
        yield PartnerLoss("ledger", f"{what}, and {name} knows of {before.other:,}")
    elif ledger.other > after.own:
        what = f"{name} is older than its partner: it ends at transaction {after.own:,}"
        yield PartnerLoss(pair.store, f"{what}, and {LEDGER_FILE} knows of {ledger.other:,}")


def refuse(folder: Path, found: tuple[PartnerLoss, ...], accepted: str | None) -> bool:
    """Return whether there is a loss, all of it accepted. Raises StoreError with the remedy for one that is not."""
    for loss in found:
        if loss.store != accepted:
            what = f"{loss.what}: put back the one that is missing, or both from one backup; or go on without it by "
            raise StoreError(folder, StoreFault.PARTNER_LOST, f"{what}`--accept-loss {loss.store}`")
    return bool(found)


def settle(folder: Path) -> None:
    """Have the copies of a backup, taken one after the other, know no more of each other than the copies hold."""
    for pair in PAIRS:
        paths = (folder / pair.file, folder / LEDGER_FILE)
        if not all(path.is_file() for path in paths):
            continue
        with closing(sqlite3.connect(paths[0])) as history, closing(sqlite3.connect(paths[1])) as ledger:
            said = known(history, pair), known(ledger, pair)
            for connection, other in ((history, said[1]), (ledger, said[0])):
                if other is not None and None not in said:
                    change = f"UPDATE {pair.table} SET other = min(other, ?)"  # noqa: S608 - of `PAIRS`
                    connection.execute(change, (other.own,))
                    connection.commit()


def _has(connection: sqlite3.Connection, table: str) -> bool:
    found = connection.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", (table,))
    return found.fetchone() is not None
