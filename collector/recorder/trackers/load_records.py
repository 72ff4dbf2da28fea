"""The record of each system's load: its peaks as a judgement asks for them, and its snapshot in the ledger."""

from __future__ import annotations

import base64
from datetime import datetime, timedelta
from typing import Final

from collector.process.clock import Clock
from collector.storage.ledger import Ledger, Transaction
from collector.storage.ledger.records import Snapshot
from rules.plant.estate import Estate
from rules.system.load.peaks import Peaks
from rules.system.load.record import PeakRecord
from rules.system.state import Load

PEAKS: Final = "peaks"
SCHEMA: Final = "peaks/1"
KEEP_EVERY_S: Final = 300.0
ANEW_S: Final = 60.0


class LoadRecords:
    """What each system's board lines carried, by system."""

    def __init__(self, estate: Estate, clock: Clock) -> None:
        self._clock = clock
        self._records = {name: PeakRecord(board_lines(estate, name)) for name in estate.systems}
        self._seen: dict[str, tuple[float, Peaks]] = {}
        self._kept_s = clock.monotonic_s()
        self._saved = False

    def of(self, system: str) -> PeakRecord:
        """Return the record of a system's load."""
        return self._records[system]

    def add(self, system: str, at: datetime, load: Load) -> None:
        """Take in what a system carries now."""
        self._records[system].add(at, load)

    def peaks(self, system: str) -> Peaks:
        """Return a system's peaks, reckoned anew at most once a minute: they are of five minutes and more."""
        now_s = self._clock.monotonic_s()
        known = self._seen.get(system)
        if known is None or now_s - known[0] >= ANEW_S:
            known = self._seen[system] = (now_s, self._records[system].peaks(self._clock.now()))
        return known[1]

    @property
    def pending(self) -> bool:
        """Whether the ledger's snapshot is old enough to be written anew."""
        return self._clock.monotonic_s() - self._kept_s >= KEEP_EVERY_S

    def save(self, tx: Transaction, now: datetime, *, stopping: bool = False) -> None:
        """Put the snapshot into a transaction where it is due, and at a clean stop."""
        self._saved = stopping or self.pending
        if not self._saved:
            return
        plain = {name: base64.b64encode(r.snapshot()).decode() for name, r in self._records.items()}
        tx.save_snapshot(Snapshot(PEAKS, now, SCHEMA, plain))

    def committed(self) -> None:
        """Take note that the ledger has the snapshot, if it was given one."""
        if self._saved:
            self._kept_s, self._saved = self._clock.monotonic_s(), False

    def move_clock(self, by: timedelta) -> None:
        """Do nothing: loads of past hours stay where they were noted."""

    async def restore(self, ledger: Ledger) -> None:
        """Go on from a snapshot; systems that are no longer in the estate file are let go."""
        kept = await ledger.snapshot(PEAKS)
        for name, plain in (kept.body if kept is not None else {}).items():
            if name in self._records:
                self._records[name] = PeakRecord.restore(base64.b64decode(plain))


def board_lines(estate: Estate, system: str) -> tuple[int, ...]:
    """Return the board lines that a system's units feed, in order."""
    units = estate.units_of(system)
    return tuple(sorted({line for unit in units for line in unit.line_order[: unit.output_lines]}))
