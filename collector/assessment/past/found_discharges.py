"""The times on the bank in readings that were brought, as the ledger would have kept them: by the collector's own keeper.

Only what lies around a time on the bank is looked at: from long enough before it that the bank may be known to have been
watched, to three days after, by when it is full or as good as.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from collector.assessment.past.prepared import BroughtFile, PreparedRows
from collector.assessment.past.quantities import BATTERY_NUMBER
from collector.cards.mib.correction_set import GIVEN
from collector.cards.mib.decode import decode
from collector.cards.mib.wire_values import from_kept
from collector.recorder.trackers.discharges import DischargeKeeper
from collector.storage.history.columns import moment
from collector.storage.history.store import WireReading
from collector.storage.ledger.records import Evidence
from rules.plant.estate import Estate

BEFORE: Final = timedelta(hours=26)
AFTER: Final = timedelta(hours=72)
SOURCE_KEY: Final = "upsOutputSource"


def discharges_in(about: BroughtFile, rows: PreparedRows, estate: Estate) -> tuple[Evidence, ...]:
    """Return the records of all times on the bank in a file, oldest first, by the one who brought it.

    One that is still open at the last row ends there. Without a column that says what feeds the output there are none.
    """
    if SOURCE_KEY not in rows.keys:
        return ()
    newest: dict[str, Evidence] = {}
    places = {span.unit: place for place, span in enumerate(about.units)}
    for units in _of_one_bank(estate, places):
        here = [places[unit] for unit in units]
        for start, end in _spans([m for place in here for m in _on_battery(rows, place)]):
            newest |= {line.id: line for line in _kept(about, rows, estate, here, (start, end))}
    found = [replace(line, author=about.author) for line in newest.values()]
    return tuple(sorted(found, key=lambda line: line.at))


def _kept(
    about: BroughtFile,
    rows: PreparedRows,
    estate: Estate,
    places: Sequence[int],
    span: tuple[datetime, datetime],
) -> Iterator[Evidence]:
    """Yield the lines of the keeper over a span, the later ones of a record after the earlier."""
    keeper = DischargeKeeper(estate)
    parts = [rows.readings(about, place, *span) for place in places]
    last: WireReading | None = None
    for reading in heapq.merge(*parts, key=lambda one: (one.at, one.unit)):
        last = reading
        yield from keeper.take(decode(reading.unit, reading.stamp, from_kept(reading.wire), GIVEN))
    if last is not None:
        for line in keeper.flush():
            yield replace(line, until=last.at, body={**line.body, "phase": "done"})


def _of_one_bank(estate: Estate, units: Iterable[str]) -> list[list[str]]:
    """Return the units in groups: together are those that share a bank."""
    groups: list[set[str]] = []
    for unit in units:
        mine = {unit, *(other for bank in estate.banks_of(unit) for other in bank.feeds)}
        touching = [group for group in groups if group & mine]
        groups = [group for group in groups if not group & mine]
        groups.append(mine.union(*touching))
    return [sorted(group & set(units)) for group in groups]


def _on_battery(rows: PreparedRows, place: int) -> list[datetime]:
    """Return the moments of a unit's rows on its bank."""
    return [moment(at) for at, number in rows.column(SOURCE_KEY, place) if number == BATTERY_NUMBER]


def _spans(moments: Sequence[datetime]) -> list[tuple[datetime, datetime]]:
    """Return the spans around moments on the bank, those that touch made one."""
    spans: list[tuple[datetime, datetime]] = []
    for at in sorted(moments):
        start, end = at - BEFORE, at + AFTER
        if spans and start <= spans[-1][1]:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((start, end))
    return spans
