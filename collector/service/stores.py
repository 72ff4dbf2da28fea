"""The stores of a data folder, opened for the service that alone may write to it, and who keeps them small."""

from __future__ import annotations

from contextlib import AsyncExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cards.mib.interpretation import CardMeaning
from collector.configuration import Configuration
from collector.configuration.history_server import history_server
from collector.process.clock import Clock
from collector.recorder.monitor_state import count_on
from collector.storage.data_folder import LEDGER_FILE, RESERVE_FILE
from collector.storage.database import make_folder
from collector.storage.folder_lock import held
from collector.storage.history.open_store import open_store
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import HistoryStore
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import JournalLine
from collector.storage.ledger.retention import let_go
from collector.storage.maintenance.clock_trust import LettingGo
from collector.storage.maintenance.exact_retention import ExactSpans
from collector.storage.maintenance.housekeeping import Tidying
from collector.storage.opening_room import give_room, take_room
from collector.storage.partner import WITH_HISTORY, WITH_SPOOL, PartnerLoss, join, losses, refuse
from collector.storage.store_files import opened
from rules.alarms.conditions.service import SERVICE

if TYPE_CHECKING:
    from collector.storage.history.influx.store import InfluxHistory


@dataclass(frozen=True, slots=True)
class Stores:
    """The history, the ledger, and who keeps both small."""

    history: HistoryStore
    ledger: Ledger
    tidying: Tidying


async def open_stores(  # noqa: PLR0917 - of what, where, and until when
    configuration: Configuration,
    folder: Path,
    clock: Clock,
    meaning: CardMeaning,
    accepted: str | None,
    stack: AsyncExitStack,
) -> Stores:
    """Open the stores; what has to be closed goes on the stack. Raises `collector.storage.database.StoreError`.

    `accepted`: the store that may be lost, of `collector.storage.partner.LOSSES`.
    """
    make_folder(folder)
    stack.enter_context(held(folder))
    stack.callback(take_room, folder)  # once the stores are closed
    give_room(folder)
    kept = configuration.history
    lost = losses(folder, opened, WITH_HISTORY if kept.store == "sqlite" else WITH_SPOOL)
    anew = refuse(folder, lost, accepted)
    ledger = await stack.enter_async_context(Ledger(folder / LEDGER_FILE, reserve=folder / RESERVE_FILE))
    stack.callback(
        take_room, folder
    )  # what closing the history sets free, before the ledger's last lines take it
    history: SqliteHistory | InfluxHistory = await stack.enter_async_context(
        open_store(folder, meaning, exact_days=kept.keep_days, server=history_server(configuration))
    )
    join(history.database, ledger.database, anew=anew)
    await _note_accepted(ledger, lost, clock)
    take_room(folder)  # before what is read and judged takes it
    tidying = Tidying(
        history,
        clock,
        ExactSpans(configuration.estate, history, ledger, clock),
        LettingGo(ledger, clock),
        lambda now: let_go(ledger, now, message_days=kept.keep_messages_days),
    )
    return Stores(history, ledger, tidying)


async def _note_accepted(ledger: Ledger, lost: tuple[PartnerLoss, ...], clock: Clock) -> None:
    """Write into the journal what was lost, and that it was gone on without."""
    if not lost:
        return
    async with ledger.transaction() as tx:
        for loss in lost:
            text = f"Went on with a loss that was accepted (--accept-loss {loss.store}): {loss.what}."
            tx.add_event(
                JournalLine(clock.now(), "store_loss_accepted", SERVICE, text, body={"store": loss.store})
            )
            if loss.store == "ledger":
                count_on(tx, clock.now())
