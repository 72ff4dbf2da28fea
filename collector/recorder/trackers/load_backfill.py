"""Fills a system's record of its load from the history: after the first start, or when the record was lost.

Newest first, and gently: nobody waits for it, and the daemon has better things to do.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from collector.process.background_budget import Budget
from collector.process.clock import Clock
from collector.storage.database import StoreError
from collector.storage.history.store import Bucket, HistoryStore
from rules.plant.estate import Estate, Unit
from rules.system.load.record import PeakRecord
from rules.system.state import LineLoad, Load

QUARTER: Final = timedelta(minutes=15)
DAY: Final = timedelta(days=1)
STRETCH: Final = timedelta(days=30)
"""A question covers this much: to the store, thirty days cost hardly more than one."""
STRETCHES: Final = 25
"""Two years: growth is told from season once the same months have come round again."""
ENOUGH_DAYS: Final = 30
ASK_AGAIN_S: Final = 60.0
_log = logging.getLogger(__name__)


async def keep_filling(
    records: Mapping[str, PeakRecord], estate: Estate, history: HistoryStore, clock: Clock, budget: Budget
) -> None:
    """Fill the records (by system) where they hold too little, with what was read before this call.

    What is read since goes into them as it comes: of a history that begins now nothing is asked but where it begins. One
    that cannot be asked now (a database server that is away) is asked again.
    """
    until = clock.now()
    while True:
        try:
            await fill_all(records, estate, history, until, budget)
        except StoreError as error:
            _log.warning("the record of the load is not filled yet: %s", error)
        else:
            return
        await clock.sleep_until(clock.monotonic_s() + ASK_AGAIN_S)


async def fill_all(
    records: Mapping[str, PeakRecord], estate: Estate, history: HistoryStore, now: datetime, budget: Budget
) -> None:
    """Fill the records (by system): the last month of all that lack it first, then further back.

    A record that holds more is filled from its oldest day back, where a start before this one was cut short.
    """
    begins = {system: _begins(record, now) for system, record in records.items()}
    for back in range(STRETCHES):
        for system in [name for name, begin in begins.items() if begin <= back]:
            async with budget.piece("load past"):
                found = await fill(records[system], estate, system, history, now, back=back)
            if not found and not await _goes_back(estate.units_of(system), history, now, back):
                del begins[system]


async def _goes_back(units: Sequence[Unit], history: HistoryStore, now: datetime, back: int) -> bool:
    """Return whether all units were read before a stretch in which one was not: a past brought from elsewhere may end early."""
    firsts = [await history.first(unit.id) for unit in units]
    start = now - (back + 1) * STRETCH
    return bool(firsts) and all(first is not None and first < start for first in firsts)


def _begins(record: PeakRecord, now: datetime) -> int:
    """Return the stretch to begin with: the first, or the one that the record's oldest day lies in."""
    first = record.first_day
    if first is None or record.day_count < ENOUGH_DAYS:
        return 0
    return max((now.date() - first).days, 0) // STRETCH.days


async def fill(
    record: PeakRecord, estate: Estate, system: str, history: HistoryStore, now: datetime, *, back: int = 0
) -> bool:
    """Fill a record with the stretch that ended `back` stretches ago; return whether it held anything.

    Quarters of an hour in which any unit of the system has no value on a line stay unknown on it.
    """
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0) + timedelta(days=1)
    end = midnight - back * STRETCH
    return await fill_between(record, estate, system, history, end - STRETCH, end, now)


async def fill_between(  # noqa: PLR0917 - whose record, from where, over what
    record: PeakRecord,
    estate: Estate,
    system: str,
    history: HistoryStore,
    start: datetime,
    end: datetime,
    now: datetime,
) -> bool:
    """Fill a record with what lies between two midnights; return whether that held anything."""
    units = estate.units_of(system)
    first = await _first_day(units, history, start, min(end, now)) if start < now else None
    if first is None:
        return False
    loads = await loads_between(units, record.lines, history, first, end)
    found = False
    for number, lines in enumerate(loads):
        at = first + number * QUARTER
        if at < now and any(line.power_w is not None for line in lines):
            record.add_quarter(at, Load(None, None, lines))
            found = True
        if number % 24 == 0:
            await asyncio.sleep(0)
    return found


async def fill_anew(  # noqa: PLR0917 - whose record, from where, which days
    record: PeakRecord,
    estate: Estate,
    system: str,
    history: HistoryStore,
    days: Sequence[date],
    now: datetime,
) -> None:
    """Make a record anew for some days, of which it took what was never so, of what is left in the history.

    What was read live on them is then told by means of a quarter of an hour, as where a record was lost.
    """
    for day in days:
        start = datetime.combine(day, time(), UTC)
        record.forget(day)
        await fill_between(record, estate, system, history, start, start + DAY, now)


async def _first_day(
    units: Sequence[Unit], history: HistoryStore, start: datetime, end: datetime
) -> datetime | None:
    """Return the first day on which every unit was read, None where there is none.

    By the day: a service new on the site has a few minutes, and is not to be asked for thirty days of quarters.
    """
    found = start
    for unit in units:
        days = await history.series(
            unit.id, "output_power_w", line=1, start=start, end=end, points=-(-(end - start) // DAY)
        )
        read = [day.start for day in days if day.mean is not None]
        if not read:
            return None
        found = max(found, min(read))
    return found.replace(hour=0, minute=0, second=0, microsecond=0)


async def loads_between(
    units: Sequence[Unit], lines: Sequence[int], history: HistoryStore, start: datetime, end: datetime
) -> list[tuple[LineLoad, ...]]:
    """Return the system's mean load by line in each quarter of an hour from `start` to `end`."""
    count = (end - start) // QUARTER

    async def means(unit: str, quantity: str, line: int) -> list[float | None]:
        buckets = await history.series(unit, quantity, line=line, start=start, end=end, points=count)
        return await asyncio.to_thread(_in_quarters, buckets, start, count)

    watts: dict[int, list[Sequence[float | None]]] = {line: [] for line in lines}
    volt_amperes: dict[int, list[Sequence[float | None]]] = {line: [] for line in lines}
    for unit in units:
        for own, board in enumerate(unit.line_order[: unit.output_lines], start=1):
            watts[board].append(await means(unit.id, "output_power_w", own))
            volts = await means(unit.id, "output_voltage_v", own)
            amperes = await means(unit.id, "output_current_a", own)
            volt_amperes[board].append(
                [None if v is None or a is None else v * a for v, a in zip(volts, amperes, strict=True)]
            )
    return await asyncio.to_thread(_added_up, lines, watts, volt_amperes, count)


def _added_up(
    lines: Sequence[int],
    watts: Mapping[int, Sequence[Sequence[float | None]]],
    volt_amperes: Mapping[int, Sequence[Sequence[float | None]]],
    count: int,
) -> list[tuple[LineLoad, ...]]:
    return [
        tuple(LineLoad(n, _sum(watts[n], k), _sum(volt_amperes[n], k)) for n in lines) for k in range(count)
    ]


def _in_quarters(buckets: Sequence[Bucket], start: datetime, count: int) -> list[float | None]:
    """Return means by quarter of an hour; a store whose steps are longer leaves the ones between unknown."""
    means: list[float | None] = [None] * count
    for bucket in buckets:
        number = (bucket.start - start) // QUARTER
        if 0 <= number < count:
            means[number] = bucket.mean
    return means


def _sum(parts: Sequence[Sequence[float | None]], number: int) -> float | None:
    values = [part[number] for part in parts]
    return None if not values or None in values else sum(value for value in values if value is not None)
