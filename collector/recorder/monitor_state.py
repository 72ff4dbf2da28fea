"""The watch's state in the ledger, a line for each part, so that a change costs what changed and not the estate.

Written in the transaction of the changes it belongs to. A state of a thousand units is over a megabyte; one unit's
part is a few hundred octets (`tests/bench/test_watch_keeping.py` measures both).
"""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

from collector.storage.ledger import Ledger, Transaction
from collector.storage.ledger.records import Snapshot
from rules.monitor.state import Touched, WatchState, restore
from rules.monitor.state_diff import Changed, changed, clock, every, whole
from rules.values.serial import to_plain

WATCH: Final = "watch"
"""The name of the clock's line; those of the parts begin with it."""
PARTS: Final = "watch/"
WHOLE: Final = "watch/1"
"""The schema of a line that holds the whole state, as the program once kept it."""
IN_PARTS: Final = "watch/2"


class WatchKeeping:
    """Knows what the ledger has of the watch's state, and writes what it has not."""

    def __init__(self) -> None:
        self._touched: Touched = {}

    def note(self, touched: Touched) -> None:
        """Take note of parts that changed, each with its value before."""
        for part, before in touched.items():
            self._touched.setdefault(part, before)

    def unkept(self, state: WatchState) -> Changed:
        """Return what of a state the ledger has not yet."""
        found = changed(self._touched, state)
        self._touched = {part: before for part, before in self._touched.items() if part in found}
        return found

    @staticmethod
    def save(tx: Transaction, state: WatchState, unkept: Changed, now: datetime) -> None:
        """Put what the ledger has not into a transaction; `kept` once it is committed."""
        tx.save_snapshot(Snapshot(WATCH, now, IN_PARTS, clock(state)))
        for name, value in unkept.parts.items():
            tx.save_snapshot(Snapshot(PARTS + name, now, IN_PARTS, {"is": to_plain(value)}))
        for name in unkept.gone:
            tx.drop_snapshot(PARTS + name)

    def kept(self, saved: Changed) -> None:
        """Take note that the ledger has what changed: only now, since a commit may fail."""
        self._touched = {part: before for part, before in self._touched.items() if part not in saved}

    async def restore(self, ledger: Ledger) -> WatchState:
        """Return the state that the ledger holds; a new one where it holds none."""
        head = await ledger.snapshot(WATCH)
        if head is None:
            return WatchState()
        if head.schema == WHOLE:
            state = restore(head.body)
            self.note(every(state))  # its parts are written with the next change
            return state
        parts: dict[str, Any] = {
            line.name.removeprefix(PARTS): line.body["is"] for line in await ledger.snapshots(PARTS)
        }
        return whole(head.body, parts)
