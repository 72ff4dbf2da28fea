"""What came of a batch, put where it is kept: the readings in the history, all else in one ledger transaction.

A full or failing disk is no reason to stop watching. The ledger keeps in memory what the disk refuses, so that all of
it is told and shown; readings wait here. Any other fault of a store ends the daemon.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Final

from collector.process.clock import Clock
from collector.recorder.batch import BatchResult
from collector.recorder.journal_lines import act_line, action_line, judgement_line, save_change
from collector.recorder.persistent import PersistentState
from collector.storage.database import PASSING, StoreError
from collector.storage.history.store import HistoryStore, WireReading
from collector.storage.ledger import Ledger, Transaction
from rules.monitor.outputs import Change

MOST_WAITING: Final = 100_000
"""Readings that wait for an ailing disk; the oldest are given up beyond that, alarms never."""
AT_ONCE: Final = 2000
"""Of readings that wait, how many are written at a time."""
TRY_EVERY_S: Final = 1.0
"""How often a disk that refused readings is asked again, at most."""

Enqueue = Callable[[Transaction, Sequence[Change]], None]


class Keeping:
    """Writes what the recorder took in, and what an ailing disk made wait before it."""

    def __init__(  # noqa: PLR0917 - two stores, what goes into them, and who hears of it
        self,
        history: HistoryStore,
        ledger: Ledger,
        clock: Clock,
        persistent: PersistentState,
        enqueue: Enqueue,
        on_kept: Callable[[], None],
    ) -> None:
        """`on_kept` is called at once after a commit that holds changes: whoever sends messages need not wait for news."""
        self.trouble: str | None = None
        """What keeps the history from taking readings, None while it does."""
        self._history = history
        self._ledger = ledger
        self._clock = clock
        self._persistent = persistent
        self._enqueue = enqueue
        self._on_kept = on_kept
        self._records: list[WireReading] = []
        self._tried_s = 0.0

    async def keep(self, taken: BatchResult) -> None:
        """Write a batch, its readings behind those that an ailing disk has made wait."""
        self._records += taken.records
        await self._append()
        await self._commit(taken)
        if taken.changes:
            self._on_kept()

    async def keep_open(self) -> None:
        """Keep what is still under way and what waits, for a clean stop; a full disk hinders no stop."""
        if self.trouble is not None:
            self._tried_s = -TRY_EVERY_S
            await self._append()
        async with self._ledger.transaction() as tx:
            self._persistent.save(tx, self._clock.now(), stopping=True)
        self._persistent.committed()

    async def _append(self) -> None:
        if self.trouble is not None and time.monotonic() - self._tried_s < TRY_EVERY_S:
            del self._records[:-MOST_WAITING]
            return
        try:
            while self._records:
                first = self._records[:AT_ONCE]
                await self._history.append(first)
                del self._records[: len(first)]
        except StoreError as error:
            if error.fault not in PASSING:
                raise
            self.trouble, self._tried_s = str(error), time.monotonic()
            del self._records[:-MOST_WAITING]
        else:
            self.trouble = None

    async def _commit(self, taken: BatchResult) -> None:
        done = [one for one, refusal in taken.asked if refusal is None]
        if not (taken.changes or done or taken.evidence or taken.judgements or self._persistent.pending):
            return
        async with self._ledger.transaction() as tx:
            if taken.clock_moved:
                tx.move_due(taken.clock_moved)
            for change in taken.changes:
                save_change(tx, change)
            for line in taken.evidence:
                tx.save_evidence(line)
            for judged in taken.judgements:
                tx.add_judgement(judgement_line(judged))
            for one in done:
                tx.add_action(action := action_line(one.action), one.whence)
                if one.whence is not None:
                    tx.add_event(act_line(action, one.whence))
            self._enqueue(tx, taken.changes)
            self._persistent.save(tx, self._clock.now())
        self._persistent.committed()
