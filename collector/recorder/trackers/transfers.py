"""Each system's calls on its banks: who went, who came back and when, gathered here and judged by `rules.system.transfers`.

What is found stands until the next call shows otherwise, and is a line of the journal. A call under way goes
on after a restart, from a snapshot in the ledger.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from collector.recorder.trackers.snapshot_keeping import SnapshotKept
from collector.storage.ledger.records import Snapshot
from rules.alarms.catalogue import Cause
from rules.alarms.events import PowerEvent
from rules.alarms.incidents.incident import Incident
from rules.monitor.clock_moved import moved
from rules.plant.estate import Estate
from rules.plant.reading import Reading
from rules.system.state import Finding, FindingKind
from rules.system.transfers import Call, followed, judged
from rules.values.serial import from_plain, to_plain

TRANSFERS: Final = "transfers"
SCHEMA: Final = "transfers/1"
EVENTS: Final[Mapping[FindingKind, str]] = {
    FindingKind.LATE_BACK: "unit_late_back",
    FindingKind.NOT_ON_BATTERY: "unit_stayed_on_mains",
}
ENOUGH_BACK: Final = 2
"""Units that were seen to come back, from which on a call replaces what an earlier one showed."""


@dataclass(frozen=True, slots=True)
class TransferMemory:
    """Everything that goes on after a restart, by system."""

    calls: Mapping[str, Call] = field(default_factory=dict)
    found: Mapping[str, tuple[Finding, ...]] = field(default_factory=dict)


class Transfers(SnapshotKept):
    """The calls under way, and what the last one of each system showed."""

    name = TRANSFERS

    def __init__(self, estate: Estate) -> None:
        super().__init__()
        self._estate = estate
        self._calls: dict[str, Call] = {}
        self._found: dict[str, tuple[Finding, ...]] = {}

    def take(self, reading: Reading, incidents: Mapping[str, Incident]) -> tuple[PowerEvent, ...]:
        """Take in a reading; return what a call that is over with it showed, for the journal."""
        card = self._estate.card_of(reading.unit)
        if card is not None and len(card.covers) > 1:
            return ()  # one card for several units: of one of them nothing can be told
        system = self._estate.units[reading.unit].system
        before = self._calls.get(system)
        call = followed(before, reading, system)
        if call is before or call is None:
            return ()
        self.pending = True
        if not call.over:
            self._calls[system] = call
            return ()
        self._calls.pop(system, None)
        return self._closed(call, reading.at, incidents)

    def found(self, system: str) -> tuple[Finding, ...]:
        """Return what the last call on a system's banks showed."""
        return self._found.get(system, ())

    def _closed(self, call: Call, at: datetime, incidents: Mapping[str, Incident]) -> tuple[PowerEvent, ...]:
        found = judged(call, self._estate.units_of(call.system))
        if found or sum(t.back is not None for t in call.transfers.values()) >= ENOUGH_BACK:
            self._found[call.system] = found
        incident = next(
            (i.id for i in incidents.values() if i.cause is Cause.POWER and call.system in i.parts), None
        )
        return tuple(PowerEvent(at, EVENTS[f.kind], f.about, f.because, incident) for f in found)

    def move_clock(self, by: timedelta) -> None:
        """Move along what was noted before the clock was set."""
        self._calls, self._found = moved(self._calls, by), moved(self._found, by)
        self.pending = True

    # --- keeping it ---------------------------------------------------------------------------------------

    def snapshot(self, now: datetime) -> Snapshot:
        """Return what the ledger keeps."""
        memory = TransferMemory(dict(self._calls), dict(self._found))
        return Snapshot(TRANSFERS, now, SCHEMA, to_plain(memory))

    def go_on_from(self, kept: Snapshot) -> None:
        """Go on from a snapshot; systems and units that are no longer in the estate file are let go."""
        memory = from_plain(TransferMemory, kept.body)
        systems, units = self._estate.systems, self._estate.units
        self._calls = {
            s: c for s, c in memory.calls.items() if s in systems and units.keys() >= c.transfers.keys()
        }
        self._found = {
            s: tuple(f for f in found if f.about in units)
            for s, found in memory.found.items()
            if s in systems
        }
