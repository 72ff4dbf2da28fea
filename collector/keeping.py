"""What came of a batch, put where it is kept: the readings in the history, all else in one ledger transaction."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from collector.batch import Taken
from collector.database import PASSING, StoreError
from collector.history.store import HistoryStore
from collector.ledger import Ledger, Transaction
from collector.lines import action_line, judgement_line, save_change
from collector.memories import Memories, Unkept
from rules.alarms.changes import Change
from rules.verdicts import SystemState
from rules.watch.state import WatchState

MOST_WAITING: Final = 100_000
"""Readings that wait for an ailing disk; the oldest are given up beyond that, alarms never."""

Enqueue = Callable[[Transaction, Sequence[Change]], None]


class Keeping:
    """Writes what the recorder took in, and what an ailing disk made wait before it."""

    def __init__(self, history: HistoryStore, ledger: Ledger, memories: Memories, enqueue: Enqueue) -> None:
        self.on_kept: Callable[[], None] = lambda: None
        """Called at once after a commit that holds changes: whoever sends messages need not wait for news."""
        self.trouble: str | None = None
        """What keeps the stores from taking what is to be kept, None while they do."""
        self._history = history
        self._ledger = ledger
        self._memories = memories
        self._enqueue = enqueue
        self._waiting = Taken()

    async def keep(self, taken: Taken, state: WatchState, systems: Mapping[str, SystemState]) -> None:
        """Write a batch and what an ailing disk has made wait before it; what cannot be written waits on.

        A full or failing disk is no reason to stop watching: alarms go on being judged and shown, and
        are written and told as soon as the disk takes them. Any other fault of a store ends the daemon.
        """
        waiting = self._waiting
        waiting.join(taken)
        try:
            if waiting.records:
                await self._history.append(waiting.records)
                waiting.records.clear()
            await self._commit(waiting, self._memories.unkept(state, systems))
        except StoreError as error:
            if error.fault not in PASSING:
                raise
            self.trouble = str(error)
            del waiting.records[:-MOST_WAITING]
            return
        self._waiting = Taken()
        self.trouble = None
        if waiting.changes:
            self.on_kept()

    async def keep_open(self) -> None:
        """Keep what is still under way, for a clean stop; a full disk hinders no stop."""
        try:
            async with self._ledger.transaction() as tx:
                self._memories.save_open(tx)
        except StoreError as error:
            if error.fault not in PASSING:
                raise

    async def _commit(self, taken: Taken, unkept: Unkept) -> None:
        done = [one for one, refusal in taken.asked if refusal is None]
        if not (taken.changes or done or taken.evidence or taken.judgements or unkept):
            return
        async with self._ledger.transaction() as tx:
            for change in taken.changes:
                save_change(tx, change)
            for line in taken.evidence:
                tx.save_evidence(line)
            for judged in taken.judgements:
                tx.add_judgement(judgement_line(judged))
            for one in done:
                tx.add_action(action_line(one.action))
            self._enqueue(tx, taken.changes)
            self._memories.save(tx, unkept)
        self._memories.kept(unkept)
