"""A system's load record filled from the history."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest

from collector.cards.mib.correction_set import STANDARD
from collector.cards.mib.interpretation import CardMeaning
from collector.process.background_budget import Budget
from collector.process.clock import TurnedClock
from collector.recorder.trackers.load_backfill import fill, fill_all, keep_filling
from collector.storage.database import ANSWERS
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Bucket, WireReading
from rules.plant.reading import Stamp
from rules.system.load.peaks import DayPeak
from rules.system.load.record import PeakRecord
from rules.system.state import LineLoad
from tests.rules.sample_plants import NOON, estate

MIDNIGHT = NOON.replace(hour=0)
HOUR = timedelta(hours=1)


class Past:
    """A history that answers `series`: 230 V, 10 A on every line, watts by day; `gap` units have nothing."""

    trouble = None

    def __init__(self, days: int, gap: str | None = None) -> None:
        self.days = days
        self.gap = gap
        self.asked: list[datetime] = []
        self.points: list[int] = []
        self._told: dict[tuple[bool, str, datetime, datetime, int], tuple[Bucket, ...]] = {}

    async def series(
        self, unit: str, quantity: str, *, line: int | None, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        self.asked.append(end)
        self.points.append(points)
        asked = (unit == self.gap, quantity, start, end, points)
        if asked not in self._told:  # alike on every line of every unit
            self._told[asked] = self._buckets(*asked)
        return self._told[asked]

    def _buckets(
        self, gap: bool, quantity: str, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        step = (end - start) / points
        if step >= HOUR:  # as every store does: whole hours, so that summaries can answer
            step = -(-step // HOUR) * HOUR
        buckets = []
        for k in range(-(-(end - start) // step)):
            at = start + k * step
            back = (MIDNIGHT + timedelta(days=1) - at - timedelta(seconds=1)).days
            value: float | None = {"output_power_w": 1000.0 + back, "output_voltage_v": 230.0}.get(
                quantity, 10.0
            )
            if gap or back >= self.days:
                value = None
            buckets.append(Bucket(at, value, value, value, 1, 1))
        return tuple(buckets)

    async def append(self, batch: Sequence[WireReading]) -> None: ...
    async def several(
        self, unit: str, quantities: Sequence[str], *, start: datetime, end: datetime, points: int
    ) -> tuple[tuple[Bucket, ...], ...]:
        raise NotImplementedError

    async def first(self, unit: str) -> datetime | None: ...
    async def last(self, unit: str) -> WireReading | None: ...
    async def keep_exact(self, unit: str, start: datetime, end: datetime, why: str) -> None: ...
    async def take_out(
        self, unit: str, origin: str, start: datetime, end: datetime, *, let_go: bool
    ) -> frozenset[date]:
        raise NotImplementedError

    async def tend(self, now: datetime, *, let_go: bool = True) -> tuple[str, ...]:
        return ()

    async def close(self) -> None: ...
    async def readings(self, unit: str, start: datetime, end: datetime) -> AsyncIterator[WireReading]:
        return
        yield


async def filled(past: Past) -> PeakRecord:
    record = PeakRecord((1, 2, 3))
    await fill_all({"A": record}, estate(2), past, NOON, Budget(TurnedClock(NOON)))
    return record


async def test_quarters_of_the_month_and_days_of_the_year() -> None:
    record = await filled(Past(40))
    peaks = record.peaks(NOON)
    assert peaks.known_days == pytest.approx(30.0, abs=0.1)
    line = peaks.of(1)
    assert line is not None
    assert line.peak_w == pytest.approx(
        2 * 1030.0, rel=1e-3
    )  # two units; the oldest of thirty days is highest
    assert line.peak_va == pytest.approx(2 * 2300.0, rel=1e-3)
    days = record.days()
    assert len(days) == 40
    assert days[0].day == (MIDNIGHT - timedelta(days=39)).date()
    assert days[0].lines[0].power_w == pytest.approx(2 * 1039.0, rel=1e-3)


async def test_a_unit_without_values_leaves_the_line_unknown() -> None:
    assert (await filled(Past(40, gap="A2"))).days() == ()


async def test_a_record_that_holds_a_month_is_filled_from_its_oldest_day_back_alone() -> None:
    record, past = await filled(Past(40)), Past(100)
    month = record.peaks(NOON)
    await fill_all({"A": record}, estate(2), past, NOON, Budget(TurnedClock(NOON)))
    assert record.peaks(NOON) == month
    assert len(record.days()) == 100
    assert max(past.asked) <= MIDNIGHT - timedelta(days=29)  # the last thirty days were not asked again
    await fill_all({"A": record}, estate(2), Past(0), NOON, Budget(TurnedClock(NOON)))
    assert len(record.days()) == 100


async def test_a_record_of_two_years_asks_for_nothing() -> None:
    record, past = PeakRecord((1, 2, 3)), Past(800)
    for back in range(740):
        lines = tuple(LineLoad(line, 2000.0 + 2 * back, 4600.0) for line in (1, 2, 3))
        record.add_day(DayPeak((MIDNIGHT - timedelta(days=back)).date(), lines))
    for _ in range(2):
        await fill_all({"A": record}, estate(2), past, NOON, Budget(TurnedClock(NOON)))
        assert len(record.days()) == 750
    assert past.asked
    assert all(end <= MIDNIGHT - timedelta(days=719) for end in past.asked)


async def test_it_stops_where_the_history_begins() -> None:
    past = Past(3)
    record = PeakRecord((1, 2, 3))
    assert await fill(record, estate(2), "A", past, NOON)
    assert not await fill(record, estate(2), "A", past, NOON, back=1)
    assert len(record.days()) == 3


async def test_a_service_new_on_the_site_is_asked_for_its_first_day_and_not_for_a_month_of_quarters() -> None:
    past, record = Past(1), PeakRecord((1, 2, 3))
    await fill_all({"A": record}, estate(2), past, NOON, Budget(TurnedClock(NOON)))
    assert len(record.days()) == 1
    # two units of three lines, three quantities each, a day of quarters; beside that looks by the day, until one finds nothing
    assert sum(past.points) <= 2 * 3 * 3 * 96 + 3 * 30


async def test_of_a_history_that_begins_with_this_start_nothing_is_read(tmp_path: Path) -> None:
    """What the service itself reads goes into the record as it comes."""
    clock, record = TurnedClock(NOON), PeakRecord((1, 2, 3))
    meaning = CardMeaning(lambda _name: None)
    async with SqliteHistory(tmp_path / "history.sqlite", meaning) as history:
        read = Stamp(NOON + timedelta(seconds=2), 2.0, "start-1")
        wire = {"upsOutputPower.1": 5000, "upsOutputVoltage.1": 230, "upsOutputCurrent.1": 230}
        await history.append([WireReading(unit, read, 5.0, STANDARD.id, wire) for unit in ("A1", "A2")])
        asked: list[str] = []
        _, connection = history.database._lane(ANSWERS)
        connection.set_trace_callback(asked.append)
        await keep_filling({"A": record}, estate(2), history, clock, Budget(clock))
    assert record.day_count == 0
    assert [text for text in asked if "SELECT" in text and " units " not in text] == []


async def test_a_start_within_the_day_fills_what_was_read_before_it(tmp_path: Path) -> None:
    clock, record = TurnedClock(NOON), PeakRecord((1, 2, 3))
    async with SqliteHistory(tmp_path / "history.sqlite", CardMeaning(lambda _name: None)) as history:
        wire = {f"upsOutputPower.{line}": 5000 for line in (1, 2, 3)}
        before = [
            Stamp(NOON - timedelta(minutes=minutes), 4000.0 - 60 * minutes, "start-0")
            for minutes in range(1, 61)
        ]
        await history.append(
            [WireReading(unit, at, 60.0, STANDARD.id, wire) for at in before for unit in ("A1", "A2")]
        )
        await keep_filling({"A": record}, estate(2), history, clock, Budget(clock))
    line = record.peaks(NOON).of(1)
    assert line is not None
    assert line.peak_w == pytest.approx(10_000.0, rel=1e-3)
    assert record.peaks(NOON).known_days == pytest.approx(4 / 96)
