"""The discharges of the past as the ledger would have kept them, made by the collector's own keeper.

The keeper is given the readings of an episode as if they had just been polled, so that what is judged
later has gone the same way as a discharge of today.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from collector.cards.mib.correction_set import STANDARD
from collector.cards.mib.decode import decode
from collector.cards.mib.wire_values import from_kept
from collector.recorder.trackers.discharges import DischargeKeeper
from collector.storage.history.store import WireReading
from collector.storage.ledger.records import Evidence
from rules.plant.estate import Estate


def evidence_of(
    estate: Estate, readings: Iterable[WireReading], *, acceptance: bool = False
) -> tuple[Evidence, ...]:
    """Return the finished discharge records in readings of one unit, oldest first.

    A record still open at the last reading ends there. `acceptance` names them as acceptance tests.
    """
    keeper = DischargeKeeper(estate)
    newest: dict[str, Evidence] = {}
    last = None
    for reading in readings:
        last = reading
        seen = decode(reading.unit, reading.stamp, from_kept(reading.wire), STANDARD)
        newest.update({line.id: line for line in keeper.take(seen)})
    newest.update({line.id: line for line in keeper.flush()})
    if last is None:
        return ()
    kept = sorted(newest.values(), key=lambda line: line.at)
    return tuple(_finished(line, last, acceptance=acceptance) for line in kept)


def _finished(line: Evidence, last: WireReading, *, acceptance: bool) -> Evidence:
    until = last.at if line.until is None else line.until
    return replace(
        line,
        until=until,
        kind="acceptance" if acceptance else line.kind,
        body={**line.body, "phase": "done"},
    )
