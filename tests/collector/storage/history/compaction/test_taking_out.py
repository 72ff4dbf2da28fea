"""What goes out again leaves a store as if it had never been there, in whatever form it was kept."""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.database import StoreError
from collector.storage.history.repair import verify
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import IMPORTED, Bucket, Meaning, WireReading, origin_of

Make = Callable[..., WireReading]
DAY = timedelta(days=1)


@pytest.fixture(autouse=True)
def nothing_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Complete days are folded at once, however few their rows."""
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)


def brought(name: str, rows: list[WireReading]) -> list[WireReading]:
    return [
        replace(row, corrections=IMPORTED, stamp=replace(row.stamp, start_id=origin_of(name))) for row in rows
    ]


def every(reading: Make, days: range, step_s: int, watts: int, offset_s: int = 0) -> list[WireReading]:
    """Return readings over some days, one each `step_s`."""
    return [
        reading(day * 86_400 + second + offset_s, {"upsOutputPower.1": watts + second % 7}, period_s=step_s)
        for day in days
        for second in range(0, 86_400, step_s)
    ]


async def told(store: SqliteHistory, start: datetime, days: int) -> list[tuple[Bucket, ...]]:
    return [
        await store.series("A1", "output_power_w", line=1, start=start, end=start + days * DAY, points=points)
        for points in (days, days * 24)
    ]


async def holds_the_same(store: SqliteHistory, other: SqliteHistory, start: datetime, days: int) -> None:
    rows = [
        [one async for one in kept.readings("A1", start - DAY, start + days * DAY)] for kept in (store, other)
    ]
    assert rows[0] == rows[1]
    for ours, theirs in zip(await told(store, start, days), await told(other, start, days), strict=True):
        assert len(ours) == len(theirs)
        for a, b in zip(ours, theirs, strict=True):
            assert (a.start, a.min, a.max, a.good_count, a.expected_count) == (
                b.start, b.min, b.max, b.good_count, b.expected_count
            )  # fmt: skip
            assert a.mean == (None if b.mean is None else pytest.approx(b.mean, rel=1e-12))
    assert await store.first("A1") == await other.first("A1")


def sound(store: SqliteHistory) -> list[str]:
    connection = store.database.open_reader()
    try:
        return [str(one) for one in verify.findings(connection)]
    finally:
        connection.close()


@pytest.mark.parametrize("folds", [(), (4,), (70,), (4, 70), (70, 71)], ids=str)
async def test_out_of_hot_rows_runs_and_summed_stretches_alike(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make, folds: tuple[int, ...]
) -> None:
    """Six days of our own by five minutes from the third on, an import over all eight, and another that stays."""
    own = every(reading, range(2, 8), 240, 5_000)
    wrong = brought("wrong", every(reading, range(8), 600, 9_000, 120))
    right = brought("right", every(reading, range(1, 4), 900, 4_000, 200))
    async with (
        SqliteHistory(tmp_path / "one.sqlite", meaning) as store,
        SqliteHistory(tmp_path / "other.sqlite", meaning) as other,
    ):
        await store.append([*own, *wrong, *right])
        await other.append([*own, *right])
        for day in folds:
            await store.tend(start + day * DAY, let_go=False)
            await other.tend(start + day * DAY, let_go=False)
        days = await store.take_out("A1", origin_of("wrong"), start, start + 8 * DAY, let_go=False)
        assert len(days) == 8
        await holds_the_same(store, other, start, 8)
        assert sound(store) == []
        await store.tend(start + 72 * DAY, let_go=False)  # what was let go of is summed up anew
        await holds_the_same(store, other, start, 8)
        assert sound(store) == []


async def test_of_days_that_were_let_go_what_was_summed_up_of_imports_goes(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    own = every(reading, range(2, 4), 40, 5_000)
    wrong = brought("wrong", every(reading, range(3), 40, 9_000, 7))
    async with (
        SqliteHistory(tmp_path / "one.sqlite", meaning, exact_days=30) as store,
        SqliteHistory(tmp_path / "other.sqlite", meaning, exact_days=30) as other,
    ):
        for kept, rows in ((store, [*own, *wrong]), (other, own)):
            await kept.append(rows)
            await kept.tend(start + 80 * DAY)
        stays = await store.take_out("A1", origin_of("wrong"), start, start + 3 * DAY, let_go=False)
        assert stays == frozenset()  # they name no origin any more: another import may lie there
        days = await store.take_out("A1", origin_of("wrong"), start, start + 3 * DAY, let_go=True)
        assert days == {(start + n * DAY).date() for n in range(3)}
        for ours, theirs in zip(await told(store, start, 4), await told(other, start, 4), strict=True):
            assert [(a.start, a.min, a.max, a.good_count) for a in ours] == [
                (b.start, b.min, b.max, b.good_count) for b in theirs
            ]
        assert await store.first("A1") == start + 2 * DAY
        assert sound(store) == []


async def test_a_run_that_is_damaged_says_so(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    wrong = brought("wrong", every(reading, range(2), 600, 9_000))
    async with SqliteHistory(tmp_path / "one.sqlite", meaning) as store:
        await store.append(wrong)
        await store.tend(start + 4 * DAY, let_go=False)
        await store.database.write(lambda c: c.execute("UPDATE runs SET chunk = zeroblob(length(chunk))"))
        with pytest.raises(StoreError):
            await store.take_out("A1", origin_of("wrong"), start, start + 2 * DAY, let_go=False)
