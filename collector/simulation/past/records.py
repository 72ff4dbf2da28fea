"""The discharges of the past as the ledger would have kept them, made by the collector's own keeper.

The keeper is given the readings of an episode as if they had just been polled, so that what is judged
later has gone the same way as a discharge of today. Before each the bank stood on float, watched for more than a day.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from typing import Final

from collector.cards.mib.correction_set import STANDARD
from collector.cards.mib.decode import decode
from collector.cards.mib.wire_values import from_kept
from collector.recorder.trackers.discharges import DischargeKeeper
from collector.storage.history.store import WireReading
from collector.storage.ledger.records import Evidence
from rules.plant.estate import Estate
from rules.plant.reading import Reading

_WATCHED_BEFORE: Final = timedelta(hours=26)


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
        if last is None:
            keeper.take(_decoded(_as_it_was(reading)))
        last = reading
        newest.update({line.id: line for line in keeper.take(_decoded(reading))})
    newest.update({line.id: line for line in keeper.flush()})
    if last is None:
        return ()
    kept = sorted(newest.values(), key=lambda line: line.at)
    return tuple(_finished(line, last, acceptance=acceptance) for line in kept)


def _as_it_was(first: WireReading) -> WireReading:
    """Return the first reading of an episode, of a bank at rest, as it was read a day before."""
    at, monotonic_s = first.at - _WATCHED_BEFORE, first.stamp.monotonic_s - _WATCHED_BEFORE.total_seconds()
    return replace(first, stamp=replace(first.stamp, at=at, monotonic_s=monotonic_s))


def _decoded(reading: WireReading) -> Reading:
    return decode(reading.unit, reading.stamp, from_kept(reading.wire), STANDARD)


def _finished(line: Evidence, last: WireReading, *, acceptance: bool) -> Evidence:
    until = last.at if line.until is None else line.until
    return replace(
        line,
        until=until,
        kind="acceptance" if acceptance else line.kind,
        body={**line.body, "phase": "done"},
    )
