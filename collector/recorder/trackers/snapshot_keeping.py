"""What trackers have in common that are kept as one snapshot, written anew where something changed."""

from __future__ import annotations

from abc import ABC, abstractmethod
from datetime import datetime, timedelta

from collector.storage.ledger import Ledger, Transaction
from collector.storage.ledger.records import Snapshot


class SnapshotKept(ABC):
    """A tracker whose whole memory is one snapshot of the ledger, under `name`."""

    name: str

    def __init__(self) -> None:
        self.pending = False
        """Whether something changed since the last snapshot."""

    @abstractmethod
    def snapshot(self, now: datetime) -> Snapshot:
        """Return what the ledger keeps."""

    @abstractmethod
    def go_on_from(self, kept: Snapshot) -> None:
        """Go on from a snapshot; what is no longer in the estate file is let go."""

    @abstractmethod
    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set."""

    async def restore(self, ledger: Ledger) -> None:
        """Go on from what the ledger holds."""
        kept = await ledger.snapshot(self.name)
        if kept is not None:
            self.go_on_from(kept)

    def save(self, tx: Transaction, now: datetime, *, stopping: bool = False) -> None:  # noqa: ARG002 - of the protocol
        """Put the snapshot into a transaction where something changed."""
        if self.pending:
            tx.save_snapshot(self.snapshot(now))

    def committed(self) -> None:
        """Take note that the ledger has the snapshot."""
        self.pending = False
