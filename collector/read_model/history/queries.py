"""What can be asked of the past beyond one quantity's course: percentiles, and the records of discharges."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from collector.read_model.history.imported import ImportedReadings, imported_of
from collector.recorder.trackers.load_backfill import QUARTER, loads_between
from collector.recorder.trackers.load_records import board_lines
from collector.storage.history.buckets import percentiles
from collector.storage.history.store import Bucket, HistoryStore
from collector.storage.ledger import Ledger
from collector.storage.ledger.discharge_record import SCHEMA, DischargeRecord, line_id, records_in
from collector.storage.ledger.records import Place, Placed
from rules.plant.estate import Estate
from rules.system.state import LineLoad

MOST_MEANS: Final = 20_000
"""Means that one question may rest on; more take seconds in which nobody else is answered."""


class TooManyMeansError(ValueError):
    """The span holds more means than one question may rest on."""

    def __init__(self, means: int) -> None:
        super().__init__(f"want a span of at most {MOST_MEANS:,} means, or longer ones; got {means:,}")


@dataclass(frozen=True, slots=True)
class TimeShare:
    """The value that `share` (0 to 1) of the time stays at or under; None where nothing was read."""

    share: float
    value: float | None


@dataclass(frozen=True, slots=True)
class Percentiles:
    """Percentiles of means over `mean_of_s` seconds, and how many readings they rest on of how many asked for."""

    items: tuple[TimeShare, ...]
    mean_of_s: float
    good_count: int
    expected_count: int


@dataclass(frozen=True, slots=True)
class LinePercentiles:
    """Percentiles of a system's load on one board line, by quarters of an hour in which all units were read."""

    line: int
    power_w: tuple[TimeShare, ...]
    apparent_va: tuple[TimeShare, ...]
    known_quarters: int
    quarters: int


class LookingBack:
    """Answers from the history and the ledger. Every method may raise `collector.storage.database.StoreError`."""

    def __init__(self, estate: Estate, history: HistoryStore, ledger: Ledger) -> None:
        self._estate = estate
        self._history = history
        self._ledger = ledger

    async def imported(self, unit: str) -> tuple[ImportedReadings, ...]:
        """Return what of a unit's past was brought in files."""
        return await imported_of(self._ledger, unit)

    async def percentiles(
        self,
        unit: str,
        quantity: str,
        line: int | None,
        *,
        start: datetime,
        end: datetime,
        shares: Sequence[float],
        mean_of: timedelta,
    ) -> Percentiles:
        """Return percentiles of a unit's quantity. Raises TooManyMeansError, QuantityUnknownError."""
        points = max(1, -(-(end - start) // mean_of))
        if points > MOST_MEANS:
            raise TooManyMeansError(points)
        buckets = await self._history.series(unit, quantity, line=line, start=start, end=end, points=points)
        return Percentiles(
            await asyncio.to_thread(_shares, buckets, shares),
            mean_of.total_seconds(),
            sum(b.good_count for b in buckets),
            sum(b.expected_count for b in buckets),
        )

    async def load_percentiles(
        self, system: str, *, start: datetime, end: datetime, shares: Sequence[float]
    ) -> tuple[LinePercentiles, ...]:
        """Return percentiles of a system's load, line by line, from means of a quarter of an hour.

        `start` is taken down to a whole quarter. Raises TooManyMeansError.
        """
        first = start - timedelta(seconds=start.timestamp() % QUARTER.total_seconds())
        count = -(-(end - first) // QUARTER)
        if count > MOST_MEANS:
            raise TooManyMeansError(count)
        lines = board_lines(self._estate, system)
        loads = await loads_between(
            self._estate.units_of(system), lines, self._history, first, first + count * QUARTER
        )
        return await asyncio.to_thread(_by_line, lines, loads, shares)

    async def discharges(
        self, bank: str, *, start: datetime, end: datetime, after: Place | None = None, limit: int = 200
    ) -> Placed[DischargeRecord]:
        """Return a bank's records of discharges that began in a span, newest first. `after`: where the part before ended."""
        page = await self._ledger.evidence_listed(
            bank, SCHEMA, start=start, end=end, after=after, limit=limit
        )
        cells = self._estate.banks[bank].reported_cells

        def newest_first() -> tuple[DischargeRecord, ...]:
            return tuple(one for line in page.items for one in reversed(records_in(line, cells)))

        return Placed(await asyncio.to_thread(newest_first), page.next)

    async def discharge(self, bank: str, record: str) -> DischargeRecord | None:
        """Return one record of a bank, None where there is none of that id."""
        line = await self._ledger.one_evidence(record) or await self._ledger.one_evidence(line_id(record))
        if line is None or line.bank != bank or line.schema != SCHEMA:
            return None
        found = await asyncio.to_thread(records_in, line, self._estate.banks[bank].reported_cells)
        return next((one for one in found if one.id == record), None)


def _shares(buckets: Sequence[Bucket], shares: Sequence[float]) -> tuple[TimeShare, ...]:
    return tuple(TimeShare(s, v) for s, v in zip(shares, percentiles(buckets, shares), strict=True))


def _by_line(
    lines: Sequence[int], loads: Sequence[tuple[LineLoad, ...]], shares: Sequence[float]
) -> tuple[LinePercentiles, ...]:
    found = []
    for place, line in enumerate(lines):
        watts = [load[place].power_w for load in loads]
        volt_amperes = [load[place].apparent_va for load in loads]
        found.append(
            LinePercentiles(
                line,
                _of_values(watts, shares),
                _of_values(volt_amperes, shares),
                sum(w is not None for w in watts),
                len(loads),
            )
        )
    return tuple(found)


def _of_values(values: Sequence[float | None], shares: Sequence[float]) -> tuple[TimeShare, ...]:
    known = sorted(value for value in values if value is not None)
    if not known:
        return tuple(TimeShare(share, None) for share in shares)
    return tuple(
        TimeShare(share, known[max(0, -(-int(share * 1e6) * len(known) // 10**6) - 1)]) for share in shares
    )
