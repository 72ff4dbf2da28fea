"""The watch's state in the ledger, a line for each part, so that a change costs what changed and not the estate.

Written in the transaction of the changes it belongs to. A state of a thousand units is over a megabyte; one unit's
part is a few hundred octets (`tests/bench/test_watch_keeping.py` measures both).
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, Final

from collector.storage.ledger import Ledger, Transaction
from collector.storage.ledger.records import Snapshot
from rules.alarms.incidents.incident import COUNTED_FROM
from rules.monitor.state import Touched, WatchState, restore
from rules.monitor.state_diff import Changed, changed, clock, every, name_of, whole
from rules.values.serial import to_plain

WATCH: Final = "watch"
"""The name of the clock's line; those of the parts begin with it."""
PARTS: Final = "watch/"
WHOLE: Final = "watch/1"
"""The schema of a line that holds the whole state, as the program once kept it."""
IN_PARTS: Final = "watch/2"
NOTHING: Final = Changed({})


class WatchKeeping:
    """Knows what the ledger has of the watch's state, and writes what it has not."""

    def __init__(self) -> None:
        self.state = WatchState()
        """The state as it was noted last."""
        self._touched: Touched = {}
        self._unkept = NOTHING

    def note(self, touched: Touched, state: WatchState) -> None:
        """Take note of a state and of its parts that changed, each with its value before."""
        for part, before in touched.items():
            self._touched.setdefault(part, before)
        self.state = state
        self._unkept = changed(self._touched, state)
        self._touched = {part: before for part, before in self._touched.items() if part in self._unkept}

    @property
    def pending(self) -> bool:
        """Return whether the ledger lacks any part of the state."""
        return bool(self._unkept)

    def save(self, tx: Transaction, now: datetime, *, stopping: bool = False) -> None:
        """Put what the ledger lacks into a transaction, and the clock's line with whatever is committed."""
        if stopping and not self.pending:
            return
        tx.save_snapshot(Snapshot(WATCH, now, IN_PARTS, clock(self.state)))
        for name, value in self._unkept.parts.items():
            tx.save_snapshot(Snapshot(PARTS + name, now, IN_PARTS, {"is": to_plain(value)}))
        for name in self._unkept.gone:
            tx.drop_snapshot(PARTS + name)

    def committed(self) -> None:
        """Take note that the ledger has what changed: only now, since a commit may fail."""
        self._touched, self._unkept = {}, NOTHING

    def move_clock(self, by: timedelta) -> None:
        """Do nothing: the watch moves what it noted itself, and says which parts that touched."""

    async def restore(self, ledger: Ledger) -> None:
        """Go on from the state that the ledger holds; a new one where it holds none."""
        self.state, in_parts = await _kept(ledger)
        if not in_parts:
            self.note(every(self.state), self.state)  # its parts are written with the next change


def count_on(tx: Transaction, now: datetime) -> None:
    """Have incidents counted on from a number that no earlier one can have had, since what was counted is lost.

    Their ids, and those of the messages about them, are then new to whoever had messages before.
    """
    number = int(now.timestamp()) // 60
    tx.save_snapshot(Snapshot(WATCH, now, IN_PARTS, clock(WatchState())))
    tx.save_snapshot(Snapshot(PARTS + name_of("numbers", COUNTED_FROM), now, IN_PARTS, {"is": number}))


async def kept_state(ledger: Ledger) -> WatchState:
    """Return the watch's state that a ledger holds; a new one where it holds none."""
    return (await _kept(ledger))[0]


async def _kept(ledger: Ledger) -> tuple[WatchState, bool]:
    """Return the state that a ledger holds, and whether it is kept in parts."""
    head = await ledger.snapshot(WATCH)
    if head is None:
        return WatchState(), True
    if head.schema == WHOLE:
        return restore(head.body), False
    parts: dict[str, Any] = {
        line.name.removeprefix(PARTS): line.body["is"] for line in await ledger.snapshots(PARTS)
    }
    return whole(head.body, parts), True
