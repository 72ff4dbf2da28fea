"""Damage in the default store stays where it is, is named, and stops nothing but what needs it."""

import sqlite3
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.database import StoreError, StoreFault
from collector.storage.history import sqlite
from collector.storage.history.compaction.fold import prepared
from collector.storage.history.compaction.steps import Fold
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Meaning, WireReading
from collector.storage.history.tables.schema import key_of
from collector.storage.maintenance.backup import rescue, verify

Make = Callable[..., WireReading]
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
UNITS = ("A1", "A2", "A3")
FIRST_DAY = 20513  # 2026-03-01, counted since 1970


async def everything(store: SqliteHistory, start: datetime, unit: str) -> list[WireReading]:
    return [reading async for reading in store.readings(unit, start, start + 60 * DAY)]


async def asked(store: SqliteHistory, question: str) -> list[tuple[int, ...]]:
    return await store.database.read(lambda c: c.execute(question).fetchall())


async def change(store: SqliteHistory, statement: str) -> None:
    changed = await store.database.write(lambda c: c.execute(statement).rowcount)
    assert changed > 0


@pytest.fixture
def by_hours(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.HELD_ROWS", 1)
    monkeypatch.setattr("collector.storage.history.compaction.due.SPARSE_ROWS", 1)


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> list[Fold]:
    """The steps that were prepared."""
    seen: list[Fold] = []

    def noted(connection: sqlite3.Connection, fold: Fold, meaning: Meaning) -> object:
        seen.append(fold)
        return prepared(connection, fold, meaning)

    monkeypatch.setattr(sqlite, "prepared", noted)
    return seen


@pytest.fixture(params=["by hours", "straight"])
def ways(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)
    monkeypatch.setattr(
        "collector.storage.history.compaction.due.SPARSE_ROWS", 1 if request.param == "by hours" else 1000
    )


@pytest.mark.usefixtures("by_hours")
async def test_a_damaged_hour_holds_up_neither_other_units_nor_later_hours_nor_later_days(
    store: SqliteHistory, start: datetime, reading: Make, steps: list[Fold]
) -> None:
    async def read(first_s: int, end_s: int) -> None:
        for second in range(first_s, end_s, 600):
            await store.append([reading(second, unit=unit, period_s=600.0) for unit in UNITS])

    damaged = "unit A1, 2026-03-01 00:00 to 2026-03-01 01:00 UTC: torn: shorter than a chunk's head"
    await read(0, 7200)
    assert await store.tend(start + 2.5 * HOUR) == ()
    await change(store, f"UPDATE hours SET chunk = x'00' WHERE unit = 1 AND hour = {FIRST_DAY * 24}")
    await store.append([reading(30, unit=unit) for unit in UNITS])
    await read(7200, 86400)
    assert await store.tend(start + 23 * HOUR) == (damaged,)
    assert await asked(store, "SELECT DISTINCT unit FROM hot WHERE at % 86400000 < 3600000 * 22") == [(1,)]
    assert len([r async for r in store.readings("A1", start + DAY / 2, start + DAY)]) == 72

    await read(86400, 3 * 86400 + 600)
    assert damaged in await store.tend(start + 3.1 * DAY)
    assert await asked(store, "SELECT unit, count(*) FROM folded GROUP BY unit") == [(1, 2), (2, 3), (3, 3)]
    assert len(await everything(store, start, "A2")) == 434
    late = int(start.timestamp() * 1000) + 30_000
    assert (late, 1) in await asked(store, "SELECT at, unit FROM hot")

    # its stretch waits for it, those of others do not; and nothing is read in vain again and again
    steps.clear()
    await store.tend(start + 40 * DAY)
    assert {fold.units for fold in steps if fold.kind == "stretch"} == {(2,), (3,)}
    steps.clear()
    assert len(await store.tend(start + 40 * DAY + timedelta(minutes=1))) > 0
    assert steps == []
    await store.tend(start + 41 * DAY)
    assert steps != []


async def test_a_damaged_run_keeps_the_late_rows_of_its_days_and_no_others(
    store: SqliteHistory, start: datetime, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)
    for day in range(4):
        for unit in UNITS:
            await store.append(
                [reading(day * 86400 + 600 * n, unit=unit, period_s=600.0) for n in range(144)]
            )
        await store.tend(start + (day + 1) * DAY + HOUR)
    await change(store, f"UPDATE runs SET chunk = x'00' WHERE key = {key_of(1, FIRST_DAY + 1)}")
    for day in range(4):
        await store.append([reading(day * 86400 + 30, unit=unit) for unit in UNITS])
    assert await store.tend(start + 4 * DAY + HOUR) == (
        "unit A1, 2026-03-02 00:00 to 2026-03-03 00:00 UTC: torn: shorter than a chunk's head",
    )
    assert await asked(store, f"SELECT unit, at / 86400000 - {FIRST_DAY} FROM hot") == [(1, 1)]
    assert [len(await everything(store, start, unit)) for unit in ("A2", "A3")] == [580, 580]
    assert len([r async for r in store.readings("A1", start + 2 * DAY, start + 4 * DAY)]) == 290


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE hot SET layout = 99 WHERE {}",
        "UPDATE hot SET wide = 1 WHERE {}",
        "UPDATE hot SET wide = 0, cells = x'00' WHERE {}",
        "UPDATE hot SET cells = cast(x'01' || substr(cells, 2) AS BLOB) WHERE {}",
        "UPDATE hot SET corrections = corrections + 1 WHERE {}",
        "UPDATE hot SET check_sum = check_sum + 1 WHERE {}",
    ],
)
@pytest.mark.usefixtures("ways")
async def test_a_damaged_row_is_named_left_out_and_never_folded(
    store: SqliteHistory, start: datetime, reading: Make, statement: str
) -> None:
    kept = [reading(60 * n, {"upsOutputPower.1": 5000 + n}, period_s=60.0) for n in range(100)]
    await store.append(kept)
    await store.append([reading(60 * n, unit="A2", period_s=60.0) for n in range(100)])
    at_ms = int((start + timedelta(minutes=7)).timestamp() * 1000)
    await change(store, statement.format(f"unit = 1 AND at = {at_ms}"))
    expected = kept[:7] + kept[8:]
    assert await everything(store, start, "A1") == expected

    for moment in (start + DAY + HOUR, start + DAY + HOUR + timedelta(minutes=1), start + 3 * DAY):
        assert await store.tend(moment) == (
            "unit A1, the reading of 2026-03-01 00:07 UTC: checksum does not fit",
        )
        assert await asked(store, "SELECT at, unit FROM hot") == [(at_ms, 1)]
        assert await everything(store, start, "A1") == expected
    (bucket,) = await store.series(
        "A1", "output_power_w", line=1, start=start, end=start + 100 * timedelta(minutes=1), points=1
    )
    assert (bucket.good_count, bucket.expected_count) == (99, 100)


async def test_a_damaged_row_that_names_another_time_or_unit_misleads_nobody(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    path = tmp_path / "history.sqlite"
    async with SqliteHistory(path, meaning) as store:
        await store.append([reading(0), reading(10), reading(20), reading(30)])
        at_ms = int(start.timestamp() * 1000)
        await change(store, f"UPDATE hot SET at = {2**55} WHERE at = {at_ms + 30_000}")
        await change(store, f"UPDATE hot SET unit = {2**50} WHERE at = {at_ms + 20_000}")
        await change(store, f"UPDATE hot SET at = -{2**55} WHERE at = {at_ms + 10_000}")
    async with SqliteHistory(path, meaning) as store:
        assert await store.last("A1") == reading(0)
        assert await everything(store, start, "A1") == [reading(0)]
        assert len(await store.tend(start + 40 * DAY)) == 1
        assert await store.last("A1") == reading(0)


@pytest.mark.parametrize("names", ["'['", "CAST(x'5bff5d' AS TEXT)"], ids=["no list", "no text"])
async def test_rows_whose_objects_are_no_longer_known_wait_and_raise_a_clear_error(
    store: SqliteHistory, start: datetime, reading: Make, monkeypatch: pytest.MonkeyPatch, names: str
) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)
    await store.append([reading(0), reading(10), reading(0, {"upsBatteryVoltage": 5450}, unit="A2")])
    await change(store, f"UPDATE layouts SET names = {names} WHERE id = 1")
    (said,) = await store.tend(start + DAY + HOUR)
    assert said.startswith("unit A1, 2026-03-01 00:00 to 2026-03-02 00:00 UTC: ")
    assert await asked(store, "SELECT unit FROM hot") == [(1,), (1,)]
    assert len(await everything(store, start, "A2")) == 1
    with pytest.raises(StoreError, match="side table") as caught:
        await everything(store, start, "A1")
    assert caught.value.fault is StoreFault.CORRUPT


async def test_a_name_that_is_no_text_any_more_is_damage(
    store: SqliteHistory, reading: Make, tmp_path: Path
) -> None:
    await store.append([reading(0)])
    await change(store, "UPDATE units SET name = CAST(x'41ff' AS TEXT)")
    with pytest.raises(StoreError, match="decode") as caught:
        await store.units()
    assert caught.value.fault is StoreFault.CORRUPT
    found = [str(finding) for finding in verify(tmp_path / "data").findings]
    assert found == ["history.sqlite, table units, row 1: its text is damaged (invalid start byte)"]


@pytest.mark.parametrize(
    ("table", "damage"),
    [
        ("units", "name = 'A2'"),
        ("units", "first_at = first_at + 1"),
        ("layouts", "names = replace(names, 'upsIdentModel', 'upsIdentModal')"),
        ("texts", "value = CAST('Heron 31' AS BLOB)"),
        ("texts", "kind = 1"),
    ],
)
async def test_a_name_that_became_another_is_damage(
    store: SqliteHistory, reading: Make, tmp_path: Path, table: str, damage: str
) -> None:
    """A bit that flips in a name leaves text; without a checksum it would be another unit, object or text."""
    await store.append(
        [reading(0, {"upsIdentModel": "Heron 30"}), reading(-60, {"upsIdentModel": "Heron 30"})]
    )
    assert verify(tmp_path / "data").findings == ()
    where = "value = CAST('Heron 30' AS BLOB)" if table == "texts" else "id = 1"
    (number,) = await store.database.read(
        lambda c: c.execute(f"SELECT id FROM {table} WHERE {where}").fetchone()
    )
    await change(store, f"UPDATE {table} SET {damage} WHERE id = {number}")
    found = [str(finding) for finding in verify(tmp_path / "data").findings]
    assert found == [f"history.sqlite, table {table}, row {number}: checksum does not fit"]
    await store.close()
    left = [str(finding) for finding in rescue(tmp_path / "data", tmp_path / "rescued")]
    assert f"table {table}, row {number}: damaged" in left
    assert verify(tmp_path / "rescued").findings == ()


async def test_damage_among_rows_too_few_to_fold_is_named_for_as_long_as_it_is_there(
    store: SqliteHistory, start: datetime, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 50)
    await store.append([reading(60 * n, period_s=60.0) for n in range(100)])
    await change(
        store,
        "UPDATE hot SET check_sum = check_sum + 1 WHERE at % 3600000 = 420000 AND at % 86400000 < 3600000",
    )
    for hours in (1, 1.1, 3, 9, 50):
        assert await store.tend(start + DAY + hours * HOUR) == (
            "unit A1, the reading of 2026-03-01 00:07 UTC: checksum does not fit",
        )
    await change(store, "DELETE FROM hot")
    assert await store.tend(start + DAY + 52 * HOUR) == ()


async def test_lists_of_objects_are_read_only_for_rows_that_wait(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    asked_for: list[str] = []

    async def traced() -> bool:
        asked_for.clear()
        assert await everything(store, start, "A1")
        return any("layouts" in statement for statement in asked_for)

    await store.append([reading(86_400 * n) for n in range(3)])
    await store.database.read(lambda c: c.set_trace_callback(asked_for.append))
    assert await traced()
    await store.tend(start + 40 * DAY)
    assert not await traced()


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.sqlite"


@pytest.fixture
def large(monkeypatch: pytest.MonkeyPatch) -> None:
    """A large store is not looked over when it is opened; and complete days are folded at once."""
    monkeypatch.setattr("collector.storage.database.SMALL_BYTES", 0)
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)
    monkeypatch.setattr("collector.storage.history.compaction.due.HELD_ROWS", 10)


async def test_a_value_that_is_no_longer_one_raises_a_clear_error_and_is_named(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    await store.append([reading(10 * n, {"upsOutputPower.1": 2**64 + n}) for n in range(400)])
    await change(
        store,
        "UPDATE texts SET value = cast('many' AS BLOB) WHERE value = cast('18446744073709551700' AS BLOB)",
    )
    with pytest.raises(StoreError, match="side table is damaged"):
        await everything(store, start, "A1")
    (said,) = await store.tend(start + 40 * DAY)
    assert said.startswith("unit A1, 2026-02-28 00:00 to 2026-04-01 00:00 UTC: text ")


def spoil_page(path: Path, table: str, kind: str) -> None:
    """Overwrite the head of a page of a table in a closed store: of an overflow page, where the chunk goes on."""
    with sqlite3.connect(path) as connection:
        pages = connection.execute(
            "SELECT pageno FROM dbstat WHERE name = ? AND pagetype = ?", (table, kind)
        ).fetchall()
    connection.close()
    content = bytearray(path.read_bytes())
    number = next(n for (n,) in pages if any(content[(n - 1) * 4096 : (n - 1) * 4096 + 4]))
    content[(number - 1) * 4096 : (number - 1) * 4096 + 4] = b"\xff" * 4
    path.write_bytes(content)


@pytest.mark.parametrize(
    ("page", "where"),
    [
        (("runs", "overflow"), "unit A1, 2026-"),
        (("hot", "leaf"), "the file: part of it cannot be read"),
    ],
)
@pytest.mark.usefixtures("large")
async def test_a_page_that_cannot_be_read_holds_up_only_what_is_on_it(
    path: Path, meaning: Meaning, reading: Make, page: tuple[str, str], where: str
) -> None:
    start = reading(0).at
    async with SqliteHistory(path, meaning) as store:
        for unit in UNITS:
            await store.append(
                [
                    reading(60 * n, {"upsOutputPower.1": n * 2654435761 % 2**31}, unit=unit, period_s=60.0)
                    for n in range(4000)
                ]
            )
        await store.tend(start + 3 * DAY)
        await store.append([reading(30, unit=unit) for unit in UNITS])
        await store.append([reading(3 * 86400 + n, unit="A3") for n in range(1000)])
    spoil_page(path, *page)
    async with SqliteHistory(path, meaning) as store:
        said = await store.tend(start + 40 * DAY + 1.5 * HOUR)
        assert said
        assert [f for f in said if not f.startswith(where)] == []
        await store.append([reading(40 * 86400 + 60 * n, unit=unit) for n in range(60) for unit in UNITS])
        assert await store.tend(start + 40 * DAY + 2 * HOUR) == said
        assert await asked(store, "SELECT unit FROM hours") == [(1,), (2,), (3,)]
        assert {unit for (unit,) in await asked(store, "SELECT key >> 20 FROM hour_sums")} >= {2, 3}


@pytest.mark.usefixtures("large")
async def test_a_read_that_goes_on_past_a_damaged_page_returns_what_it_found(
    path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    async with SqliteHistory(path, meaning) as store:
        await store.append(
            [reading(60 * n, {"upsOutputPower.1": n * 2654435761 % 2**31}) for n in range(4000)]
        )
        await store.tend(start + 3 * DAY)
    spoil_page(path, "runs", "overflow")

    def work(connection: sqlite3.Connection) -> int:
        with pytest.raises(sqlite3.DatabaseError, match="malformed"):
            connection.execute("SELECT chunk FROM runs").fetchall()
        return int(connection.execute("SELECT count(*) FROM units").fetchone()[0])

    async with SqliteHistory(path, meaning) as store:
        assert await store.database.read(work) == 1


async def test_letting_a_day_go_takes_nothing_along_that_is_in_no_run_yet(
    store: SqliteHistory, meaning: Meaning, start: datetime, reading: Make
) -> None:
    async def take(fold: Fold) -> None:
        ready = await store.database.read(lambda c: prepared(c, fold, meaning))
        if ready.commit is not None:
            await store.database.write(ready.commit)

    await store.append([reading(20 * n, period_s=20.0) for n in range(4320)])
    await take(Fold("past", FIRST_DAY, FIRST_DAY + 1, (1,)))
    late = reading(5 * 3600 + 5)
    await store.append([late])
    await take(Fold("hour", FIRST_DAY * 24 + 5, FIRST_DAY * 24 + 6))
    await take(Fold("retire", FIRST_DAY, FIRST_DAY + 1, (1,)))
    assert late in await everything(store, start, "A1")
    await take(Fold("day", FIRST_DAY, FIRST_DAY + 1, (1,)))
    await take(Fold("retire", FIRST_DAY, FIRST_DAY + 1, (1,)))
    assert await everything(store, start, "A1") == []
    (bucket,) = await store.series("A1", "output_power_w", line=1, start=start, end=start + DAY, points=1)
    assert bucket.good_count == 4321
