"""What outlives a restart beside the alarms' lines: one protocol, and all that follow it as one.

Everything here is written in the transaction of the changes it belongs to: a kill leaves what is remembered at the
same moment as the journal.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Protocol

from collector.storage.ledger import Ledger, Transaction


class Persistent(Protocol):
    """Something that is remembered over a restart. It knows itself what the ledger has of it."""

    async def restore(self, ledger: Ledger) -> None:
        """Go on from what the ledger holds."""

    @property
    def pending(self) -> bool:
        """Whether the ledger lacks something that should not wait."""

    def save(self, tx: Transaction, now: datetime, *, stopping: bool = False) -> None:
        """Put what the ledger lacks into a transaction; at a clean stop (`stopping`) also what may wait else."""

    def committed(self) -> None:
        """Take note that what `save` gave is on the disk: only now, since a commit may fail."""

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set."""


class PersistentState:
    """All that is remembered, in the order in which it is restored and written."""

    def __init__(self, parts: Iterable[Persistent]) -> None:
        self._parts = tuple(parts)

    async def restore(self, ledger: Ledger) -> None:
        """Go on from what the ledger holds."""
        for part in self._parts:
            await part.restore(ledger)

    @property
    def pending(self) -> bool:
        """Return whether the ledger lacks anything."""
        return any(part.pending for part in self._parts)

    def save(self, tx: Transaction, now: datetime, *, stopping: bool = False) -> None:
        """Put what the ledger lacks into a transaction; `committed` once it is on the disk."""
        for part in self._parts:
            part.save(tx, now, stopping=stopping)

    def committed(self) -> None:
        """Take note that the ledger has it."""
        for part in self._parts:
            part.committed()

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set."""
        for part in self._parts:
            part.move_clock(by)
