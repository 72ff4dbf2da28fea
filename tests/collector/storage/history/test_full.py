"""A file or a disk without room refuses a step of folding whole; nothing is lost, and it goes on once there is room."""

import sqlite3
from datetime import datetime
from pathlib import Path

import pytest

from collector.storage.database import StoreError, StoreFault
from collector.storage.history.repair import verify
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Bucket, Meaning, WireReading
from tests.collector.storage.history.compaction.test_fold import DAY, HOUR, Make, everything, odd_days
from tests.small_disk import SmallDisk, small_disk


@pytest.fixture(autouse=True)
def nothing_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Complete days are folded at once, and one unit at a step."""
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)
    monkeypatch.setattr("collector.storage.history.compaction.due.STEP_ROWS", 6000)


def past(reading: Make) -> list[WireReading]:
    """Return three days of two units, dense enough for their exact readings to be let go."""
    found = odd_days(reading, step_s=45)
    return found + [reading(45 * n, {"upsOutputPower.1": n % 977}, unit="A2") for n in range(3 * 1920)]


async def by_hour(store: SqliteHistory, start: datetime) -> list[tuple[Bucket, ...]]:
    return [
        await store.series(unit, "output_power_w", line=1, start=start, end=start + 3 * DAY, points=72)
        for unit in ("A1", "A2")
    ]


async def exactly(store: SqliteHistory, start: datetime) -> list[WireReading]:
    return [*await everything(store, start, "A1"), *await everything(store, start, "A2")]


async def leave_pages(store: SqliteHistory, spare: int) -> None:
    """Have SQLite itself refuse (SQLITE_FULL) to use more than so many pages beside those in use."""

    def work(connection: sqlite3.Connection) -> None:
        pages, free = (
            connection.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "freelist_count")
        )
        connection.execute("CREATE TABLE IF NOT EXISTS ballast (content BLOB)")
        connection.executemany("INSERT INTO ballast VALUES (zeroblob(3900))", [()] * free)
        connection.execute(f"PRAGMA max_page_count={pages + spare}").fetchone()

    await store.database.write(lambda c: c.execute("PRAGMA max_page_count=1000000").fetchone())
    await store.database.write(work)


@pytest.mark.parametrize("lets_go", [False, True], ids=["folding", "letting_go"])
async def test_a_file_that_may_not_grow_loses_nothing_and_folding_goes_on_once_it_may(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make, lets_go: bool
) -> None:
    later, border = start + 3 * DAY + HOUR, start + 2 * DAY
    async with SqliteHistory(tmp_path / "history.sqlite", meaning, exact_days=1) as store:
        await store.append(past(reading))
        before, hours = await exactly(store, start), await by_hour(store, start)
        if lets_go:
            assert await store.tend(later, let_go=False) == ()
        refused: list[StoreFault] = []
        for spare in range(100):
            await leave_pages(store, spare)
            try:
                assert await store.tend(later, let_go=lets_go) == ()
            except StoreError as error:
                refused.append(error.fault)
            else:
                break
            left = await exactly(store, start)
            assert left == before or lets_go
            assert {(r.unit, r.at) for r in left} <= {(r.unit, r.at) for r in before}
            assert [r for r in left if r.at >= border] == [r for r in before if r.at >= border]
            assert await by_hour(store, start) == hours
            assert await store.database.read(lambda c: list(verify.findings(c))) == []
        assert set(refused) == {StoreFault.FULL}
        assert await exactly(store, start) == [r for r in before if not lets_go or r.at >= border]
        assert await by_hour(store, start) == hours
        assert await store.database.read(lambda c: list(verify.findings(c))) == []


async def test_a_full_disk_loses_nothing_and_folding_goes_on_once_there_is_room(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    later = start + 3 * DAY + HOUR
    with small_disk(tmp_path / "disk") as disk:
        await folded_on(disk, meaning, later, start, past(reading))


async def folded_on(
    disk: SmallDisk, meaning: Meaning, later: datetime, start: datetime, readings: list[WireReading]
) -> None:
    async with SqliteHistory(disk.folder / "history.sqlite", meaning, exact_days=None) as store:
        await store.append(readings)
        before, hours = await exactly(store, start), await by_hour(store, start)
        disk.fill()
        with pytest.raises(StoreError) as refused:
            await store.tend(later)
        assert refused.value.fault is StoreFault.FULL
        assert await exactly(store, start) == before
        disk.give_room()
        assert await store.tend(later) == ()
        assert await store.database.read(lambda c: c.execute("SELECT count(*) FROM hot").fetchone()[0]) == 0
        assert await exactly(store, start) == before
        assert await by_hour(store, start) == hours
        assert await store.database.read(lambda c: list(verify.findings(c))) == []
