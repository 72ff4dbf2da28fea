"""Housekeeping keeps up with a site of any size, in steps that stay short."""

import sqlite3
from collections.abc import Callable
from datetime import datetime, timedelta

import pytest

from collector.storage.history.columns import Block
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import WireReading
from collector.storage.history.tables import runs

Make = Callable[..., WireReading]
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
UNITS = [f"U{n}" for n in range(20)]


async def count(store: SqliteHistory, what: str = "hot") -> int:
    return await store.database.read(lambda c: int(c.execute(f"SELECT count(*) FROM {what}").fetchone()[0]))


@pytest.mark.parametrize("late", [(), (26, 50)], ids=["in_order", "with_late_rows"])
async def test_hot_rows_stay_few_past_midnight(
    store: SqliteHistory,
    start: datetime,
    reading: Make,
    monkeypatch: pytest.MonkeyPatch,
    late: tuple[int, ...],
) -> None:
    """A sixtieth of twenty units at ten seconds: an hour has 120 rows, a day 2880, and no hour as many as a sparse day."""
    monkeypatch.setattr("collector.storage.history.compaction.due.HELD_ROWS", 333)
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 1000)
    monkeypatch.setattr("collector.storage.history.compaction.due.SPARSE_ROWS", 1000)
    monkeypatch.setattr("collector.storage.history.compaction.due.STEP_ROWS", 333)
    for hour in range(76):
        await store.append(
            [reading(hour * 3600 + 600 * n, unit=unit, period_s=600.0) for n in range(6) for unit in UNITS]
        )
        if hour in late:  # of a day that is folded already, and stays so
            await store.append([reading((hour - 20) * 3600 + 30, unit="U3", period_s=600.0)])
        assert await store.tend(start + (hour + 1) * HOUR) == ()
        assert await count(store) <= 333 + 2 * 120 + len(late)
        if hour >= 24 and hour % 24 == 1:  # the day before is in runs, none of it left behind
            day = int((start + (hour // 24 - 1) * DAY).timestamp()) // 86400
            assert await count(store, f"folded WHERE day = {day}") == 20
            assert await count(store, f"hours WHERE hour / 24 = {day}") == 0
            assert await count(store, f"hot WHERE at / 86400000 = {day}") == 0
    for unit in UNITS:
        there = [r async for r in store.readings(unit, start, start + 4 * DAY)]
        assert len(there) == 76 * 6 + (len(late) if unit == "U3" else 0)


@pytest.fixture
def written(monkeypatch: pytest.MonkeyPatch, store: SqliteHistory) -> list[list[int]]:
    """How many readings each run had that was written, step by step."""
    steps: list[list[int]] = [[]]
    run_of, write = runs.run_of, store.database.write

    def noted(block: Block) -> bytes:
        steps[-1].append(len(block))
        return run_of(block)

    async def next_step(work: Callable[[sqlite3.Connection], None]) -> None:
        await write(work)
        steps.append([])

    monkeypatch.setattr(runs, "run_of", noted)
    monkeypatch.setattr(store.database, "write", next_step)
    return steps


async def test_a_late_row_has_its_own_run_written_again_and_many_take_many_short_steps(
    store: SqliteHistory,
    start: datetime,
    reading: Make,
    monkeypatch: pytest.MonkeyPatch,
    written: list[list[int]],
) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)
    monkeypatch.setattr("collector.storage.history.compaction.run_files.RUN_ROWS", 144)
    for day in range(12):
        for unit in UNITS[:2]:
            await store.append(
                [reading(day * 86400 + 600 * n, unit=unit, period_s=600.0) for n in range(144)]
            )
        await store.tend(start + (day + 1) * DAY + HOUR)
    assert await count(store, "runs") == 24

    now = start + 12 * DAY + HOUR
    await store.append([reading(2 * 86400 + 30, unit="U1", period_s=600.0)])
    written[:] = [[]]
    await store.tend(now)
    assert [step for step in written if step] == [[145]]

    monkeypatch.setattr("collector.storage.history.compaction.due.STEP_ROWS", 300)
    await store.append(
        [reading(day * 86400 + 90, unit=unit, period_s=600.0) for day in range(12) for unit in UNITS[:2]]
    )
    written[:] = [[]]
    await store.tend(now)
    steps = [step for step in written if step]
    assert sum(map(sum, steps)) == 24 * 145 + 1
    assert max(map(sum, steps)) <= 300
    assert await count(store) == 0


async def test_new_days_are_folded_together_beside_those_that_are_folded(
    store: SqliteHistory,
    start: datetime,
    reading: Make,
    monkeypatch: pytest.MonkeyPatch,
    written: list[list[int]],
) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)
    for days in (range(2), range(3, 9)):
        await store.append(
            [reading(day * 86400 + 600 * n, period_s=600.0) for day in days for n in range(144)]
        )
        written[:] = [[]]
        await store.tend(start + 10 * DAY)
        assert [step for step in written if step] == [[144 * len(days)]]


async def test_readings_that_are_let_go_are_not_written_again_first(
    store: SqliteHistory, start: datetime, reading: Make, written: list[list[int]]
) -> None:
    await store.append([reading(20 * n, period_s=20.0) for n in range(2 * 4320)])
    await store.tend(start + 40 * DAY, let_go=False)
    store.exact_days = 1
    written[:] = [[]]
    await store.tend(start + 40 * DAY)
    assert await count(store, "minute_sums") == 1
    assert await count(store, "runs") == 0
    assert [step for step in written if step] == []
