"""What the history shows of a bank: its temperature by the month, and how it was kept by the hour."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Final

from collector.storage.history.store import HistoryStore
from rules.battery.assessment.charging import ChargeHour
from rules.battery.model.ageing import MonthTemperature
from rules.plant.estate import Bank, FittedBank

CHARGE_DAYS: Final = 14
CHARGE_QUANTITIES: Final = (
    "battery_voltage_v",
    "battery_current_a",
    "battery_temperature_c",
    "battery_on_battery_s",
)
MONTHS: Final = 12


class BankHistory:
    """Asks the history of banks; months that are over are asked for once."""

    def __init__(self, history: HistoryStore) -> None:
        self._history = history
        self._months: dict[tuple[str, date], MonthTemperature] = {}

    async def month_temperatures(
        self, bank: Bank, fitted: FittedBank, as_of: datetime, read_from: datetime
    ) -> tuple[MonthTemperature, ...]:
        """Return the probe's monthly means since the blocks were fitted and read; past months are asked for once."""
        months: list[date] = []
        first = max(fitted.from_day, read_from.date()).replace(day=1)
        while first <= as_of.date():
            months.append(first)
            first = next_month(first)
        found = {month: self._months[bank.id, month] for month in months if (bank.id, month) in self._months}
        for run in runs_of([month for month in months if month not in found]):
            for known in await self._means_of(bank, run):
                found[known.first_day] = known
                if next_month(known.first_day) <= as_of.date():
                    self._months[bank.id, known.first_day] = known
        return tuple(found[month] for month in months if month in found)

    async def _means_of(self, bank: Bank, months: Sequence[date]) -> list[MonthTemperature]:
        """Return the means of months that follow each other, of those with any, by one question of all their days."""
        start, end = midnight(months[0]), midnight(next_month(months[-1]))
        buckets = await self._history.series(
            bank.feeds[0], "battery_temperature_c", line=None, start=start, end=end, points=(end - start).days
        )
        by_month: dict[date, list[float]] = {}
        for bucket in buckets:
            if bucket.mean is not None:
                by_month.setdefault(bucket.start.date().replace(day=1), []).append(bucket.mean)
        found = []
        for first, means in by_month.items():
            mean = sum(means) / len(means)
            spread = (sum((m - mean) ** 2 for m in means) / len(means)) ** 0.5
            found.append(MonthTemperature(first, mean, spread))
        return found

    async def charge_hours(self, bank: Bank, as_of: datetime, read_from: datetime) -> tuple[ChargeHour, ...]:
        """Return the last two weeks by the hour, from the hour on in which the unit was first read."""
        end = _hour(as_of) + timedelta(hours=1)
        start = max(end - timedelta(days=CHARGE_DAYS), min(_hour(read_from), _hour(as_of)))
        unit = bank.feeds[0]
        hours = (end - start) // timedelta(hours=1)
        columns = await self._history.several(unit, CHARGE_QUANTITIES, start=start, end=end, points=hours)
        return tuple(
            ChargeHour(
                at=volts.start,
                voltage_per_cell_v=None if volts.mean is None else volts.mean / bank.reported_cells,
                current_a=amperes.mean,
                temperature_c=warmth.mean,
                discharged_s=away.max or 0.0,
            )
            for volts, amperes, warmth, away in zip(*columns, strict=True)
        )


def next_month(first: date) -> date:
    """Return the first day of the month after the one that begins on `first`."""
    return (first + timedelta(days=32)).replace(day=1)


def runs_of(months: Sequence[date]) -> list[list[date]]:
    """Return months, rising, in runs of those that follow each other."""
    runs: list[list[date]] = []
    for month in months:
        if runs and next_month(runs[-1][-1]) == month:
            runs[-1].append(month)
        else:
            runs.append([month])
    return runs


def _hour(at: datetime) -> datetime:
    return at.replace(minute=0, second=0, microsecond=0)


def midnight(day: date) -> datetime:
    """Return the beginning of a day, UTC."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC)
