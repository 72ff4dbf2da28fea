"""The default store keeps readings as they came and answers from them."""

import sqlite3
import stat
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.database import StoreError, StoreFault
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Meaning, QuantityUnknownError, WireReading

Make = Callable[..., WireReading]


async def everything(store: SqliteHistory, start: datetime, unit: str = "A1") -> list[WireReading]:
    span = timedelta(days=40)
    return [reading async for reading in store.readings(unit, start - span, start + span)]


async def test_a_reading_comes_back_as_it_was_kept(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    wire = {
        "upsOutputPower.1": 5000,
        "upsOutputPower.2": -1,
        "upsBatteryVoltage": "545",
        "upsIdentModel": b"\x00odd\xff",
        "upsInputLineBads": 2**64 - 1,
        "upsBatteryCurrent": -(2**40),
        "upsAlarmsPresent": None,
        "upsIdentManufacturer": "Ohm \udcff & daughters",
    }
    kept = [
        reading(0, wire),
        reading(10),
        reading(20, silence="no answer within 2 s"),
        reading(30, corrections="halved", period_s=2.0),
        reading(40, {}),
    ]
    await store.append(kept)
    assert await everything(store, start) == kept
    assert await store.last("A1") == kept[4]
    assert await store.last("A2") is None
    assert await store.units() == ("A1",)


async def test_a_reading_kept_before_is_left_as_it_is(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    await store.append([reading(0)])
    await store.append([reading(0, {"upsOutputPower.1": 1}), reading(10)])
    assert [r.wire["upsOutputPower.1"] for r in await everything(store, start)] == [5000, 5000]


async def test_the_newest_reading_is_found_behind_a_silence_and_after_a_restart(
    tmp_path: Path, meaning: Meaning, reading: Make
) -> None:
    path = tmp_path / "history.sqlite"
    async with SqliteHistory(path, meaning) as store:
        await store.append([reading(0), reading(10, silence="no answer")])
        await store.append([reading(5, unit="A2")])
    async with SqliteHistory(path, meaning) as store:
        assert await store.last("A1") == reading(0)
        await store.append([reading(20)])
        assert await store.last("A1") == reading(20)


async def test_a_gap_shows_in_the_count_and_absent_values_never_turn_into_zero(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    # ten-second polls for a minute; then a minute of nothing; then a sentinel; then values again
    await store.append([reading(s, {"upsOutputPower.1": 100 + s}) for s in range(0, 60, 10)])
    await store.append([reading(s, {"upsOutputPower.1": -1}) for s in range(120, 180, 10)])
    await store.append([reading(s, silence="no answer") for s in range(180, 240, 10)])
    await store.append([reading(s, {"upsOutputPower.1": 700}) for s in range(240, 270, 10)])
    end = start + timedelta(seconds=300)
    buckets = await store.series("A1", "output_power_w", line=1, start=start, end=end, points=5)
    assert [(b.min, b.mean, b.max, b.good_count, b.expected_count) for b in buckets] == [
        (100.0, 125.0, 150.0, 6, 6),
        (None, None, None, 0, 6),
        (None, None, None, 0, 6),
        (None, None, None, 0, 6),
        (700.0, 700.0, 700.0, 3, 6),
    ]
    assert [b.start for b in buckets] == [start + timedelta(minutes=m) for m in range(5)]


async def test_an_object_asked_for_less_often_is_expected_less_often(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    slow = {"upsOutputPower.1": 1, "upsBatteryTemperature": 24}
    await store.append(
        [reading(s, slow if s % 60 == 0 else {"upsOutputPower.1": 1}) for s in range(0, 600, 10) if s != 300]
    )
    end = start + timedelta(seconds=600)
    (bucket,) = await store.series("A1", "battery_temperature_c", line=None, start=start, end=end, points=1)
    assert (bucket.mean, bucket.good_count, bucket.expected_count) == (24.0, 9, 9)


async def test_nothing_is_expected_before_a_unit_was_first_read(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    await store.append([reading(s) for s in range(0, 60, 10)])
    span = {"start": start - timedelta(minutes=2), "end": start + timedelta(minutes=1)}
    buckets = await store.series("A1", "output_power_w", line=1, points=3, **span)
    assert [b.expected_count for b in buckets] == [0, 0, 6]
    buckets = await store.series("B9", "output_power_w", line=1, points=3, **span)
    assert [(b.mean, b.expected_count) for b in buckets] == [(None, 0)] * 3


async def test_a_unit_was_first_read_when_its_earliest_reading_was_made_not_when_the_first_one_came(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    path = tmp_path / "history.sqlite"
    span = {"start": start - timedelta(minutes=2), "end": start + timedelta(minutes=1)}

    async def expected(store: SqliteHistory) -> list[int]:
        buckets = await store.series("A1", "output_power_w", line=1, points=3, **span)
        return [b.expected_count for b in buckets]

    async with SqliteHistory(path, meaning) as store:
        await store.append([reading(0), reading(10), reading(-30), reading(20)])
        assert await expected(store) == [0, 3, 6]
        await store.keep_exact("A1", start - timedelta(days=1), start, "outage")  # reads nothing
        assert await expected(store) == [0, 3, 6]
        await store.keep_exact(
            "A2", start - timedelta(days=1), start, "outage"
        )  # nothing was ever read of it
        assert await store.units() == ("A1",)
    async with SqliteHistory(path, meaning) as store:
        await store.append([reading(-90)])
        assert await expected(store) == [3, 6, 6]


async def test_a_correction_applies_on_reading(store: SqliteHistory, start: datetime, reading: Make) -> None:
    await store.append([reading(0), reading(10, corrections="halved")])
    end = start + timedelta(seconds=20)
    buckets = await store.series("A1", "output_power_w", line=1, start=start, end=end, points=2)
    assert [b.mean for b in buckets] == [5000.0, 2500.0]


async def test_a_quantity_that_no_reading_has_is_the_callers_mistake(
    store: SqliteHistory, start: datetime
) -> None:
    end = start + timedelta(hours=1)
    with pytest.raises(QuantityUnknownError, match="'output_power_w' of line 4"):
        await store.series("A1", "output_power_w", line=4, start=start, end=end, points=5)
    with pytest.raises(ValueError, match="not empty"):
        await store.series("A1", "output_power_w", line=1, start=end, end=start, points=5)


async def test_only_the_owner_may_read_the_files(store: SqliteHistory, reading: Make) -> None:
    await store.append([reading(0)])
    assert stat.S_IMODE(store.path.stat().st_mode) == 0o600
    assert stat.S_IMODE(store.path.parent.stat().st_mode) == 0o700


async def test_a_full_disk_is_said_and_leaves_a_store_that_reads(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    await store.append([reading(0)])
    used = await store.database.write(lambda c: c.execute("PRAGMA page_count").fetchone()[0])
    await store.database.write(lambda c: c.execute(f"PRAGMA max_page_count={used}").fetchone())
    many = [reading(s, {f"upsOutputPower.{n}": s * n for n in range(60)}) for s in range(10, 5000, 10)]
    with pytest.raises(StoreError, match="free space on the disk") as caught:
        await store.append(many)
    assert caught.value.fault is StoreFault.FULL
    assert await everything(store, start) == [reading(0)]
    await store.database.write(lambda c: c.execute("PRAGMA max_page_count=1000000").fetchone())
    await store.append(many)
    assert await everything(store, start) == [reading(0), *many]


def test_a_file_that_is_no_store_is_refused_and_left_alone(tmp_path: Path, meaning: Meaning) -> None:
    path = tmp_path / "history.sqlite"
    path.write_bytes(b"not a database, but a shopping list" * 100)
    before = path.read_bytes()
    with pytest.raises(StoreError, match="ridethrough verify") as caught:
        SqliteHistory(path, meaning)
    assert caught.value.fault is StoreFault.CORRUPT
    assert path.read_bytes() == before


async def test_a_damaged_file_is_refused(tmp_path: Path, meaning: Meaning, reading: Make) -> None:
    path = tmp_path / "history.sqlite"
    async with SqliteHistory(path, meaning) as store:
        await store.append([reading(s) for s in range(0, 20_000, 10)])
    content = bytearray(path.read_bytes())
    for place in range(8192 * 12, len(content), 8192):
        content[place : place + 200] = b"\x5a" * 200
    path.write_bytes(content)
    with pytest.raises(StoreError) as caught:
        SqliteHistory(path, meaning)
    assert caught.value.fault is StoreFault.CORRUPT


def test_a_store_of_a_newer_program_is_refused_in_one_sentence(tmp_path: Path, meaning: Meaning) -> None:
    path = tmp_path / "history.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version=99")
    connection.close()
    with pytest.raises(StoreError, match=r"schema is version 99.*nothing has been changed") as caught:
        SqliteHistory(path, meaning)
    assert caught.value.fault is StoreFault.NEWER


def test_a_folder_that_cannot_be_made_is_said(tmp_path: Path, meaning: Meaning) -> None:
    (tmp_path / "file").write_text("in the way", encoding="utf-8")
    with pytest.raises(StoreError, match="--data") as caught:
        SqliteHistory(tmp_path / "file" / "history.sqlite", meaning)
    assert caught.value.fault is StoreFault.UNWRITABLE


async def test_a_reader_sees_whole_batches_while_another_writes(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    for tick in range(30):
        await store.append([reading(10 * tick, unit=f"U{n}") for n in range(20)])
        connection = store.database.open_reader()
        counts = {c for (c,) in connection.execute("SELECT count(*) FROM hot GROUP BY at")}
        connection.close()
        assert counts == {20}
    assert len(await everything(store, start, "U7")) == 30


async def test_a_closed_store_says_so(store: SqliteHistory, reading: Make) -> None:
    await store.close()
    await store.close()
    with pytest.raises(StoreError, match="closed"):
        await store.append([reading(0)])
