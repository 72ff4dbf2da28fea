"""Folding changes where readings are kept, never what they say."""

import random
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from collector.database import StoreError
from collector.history.sqlite import SqliteHistory
from collector.history.store import Bucket, Meaning, Wire, WireReading

Make = Callable[..., WireReading]
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)


def odd_days(reading: Make, days: int = 3, step_s: int = 60) -> list[WireReading]:
    """Return readings with noise, gaps, silences, sentinels, text, a changed correction and a fast spell."""
    draw = random.Random(11)
    found: list[WireReading] = []
    power = 5000
    for second in range(0, days * 86400, step_s):
        power += draw.choice((-3, 0, 0, 0, 2))
        at = second + draw.choice((0.0, 0.003, 0.011))
        wire: dict[str, Wire] = {"upsOutputPower.1": power, "upsBatteryVoltage": 5450 + draw.choice((0, 1))}
        if second % 600 == 0:
            wire["upsBatteryTemperature"] = draw.choice((24, "25", -1, None))
        if 30_000 < second < 40_000:
            continue
        if 50_000 < second < 52_000:
            found.append(reading(at, silence="no answer", period_s=step_s))
            continue
        if draw.random() < 0.01:
            wire["upsOutputPower.1"] = -1
        corrections = "halved" if second > 100_000 else "plain"
        found.append(reading(at, wire, corrections=corrections, period_s=step_s))
        if 60_000 < second < 61_000:
            found += [reading(at + n, dict(wire), period_s=2.0) for n in range(2, step_s - 2, 2)]
    return found


async def everything(store: SqliteHistory, start: datetime, unit: str = "A1") -> list[WireReading]:
    return [reading async for reading in store.readings(unit, start - DAY, start + 10 * DAY)]


async def asked(store: SqliteHistory, start: datetime, days: int = 3) -> dict[str, tuple[Bucket, ...]]:
    """Return answers at several resolutions for several quantities."""
    found = {}
    for quantity, line in (
        ("output_power_w", 1),
        ("battery_voltage_v", None),
        ("battery_temperature_c", None),
    ):
        for name, begin, length, points in (
            ("days", start, days * DAY, days),
            ("hours", start, days * DAY, days * 24),
            ("minutes", start + 5 * HOUR, 6 * HOUR, 360),
            ("odd", start + timedelta(seconds=52_201), timedelta(seconds=10_007), 100),
        ):
            found[f"{quantity} {name}"] = await store.series(
                "A1", quantity, line=line, start=begin, end=begin + length, points=points
            )
    return found


def assert_same(ours: dict[str, tuple[Bucket, ...]], others: dict[str, tuple[Bucket, ...]]) -> None:
    assert ours.keys() == others.keys()
    for name, buckets in ours.items():
        assert len(buckets) == len(others[name]), name
        for a, b in zip(buckets, others[name], strict=True):
            # the mean is summed in another order
            assert replace(a, mean=None) == replace(b, mean=None), name
            assert (a.mean is None) == (b.mean is None)
            assert a.mean is None or a.mean == pytest.approx(b.mean, rel=1e-12)


async def places(store: SqliteHistory) -> dict[str, int]:
    tables = ("hot", "hours", "days", "hourly", "minutely", "folded")
    return await store.database.read(
        lambda c: {t: c.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in tables}
    )


async def test_readings_and_answers_are_the_same_in_every_form(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    kept = odd_days(reading)
    await store.append(kept)
    await store.append([reading(10, unit="A2"), reading(86400 * 2.5, unit="A2")])
    before = await asked(store, start)
    assert await everything(store, start) == kept

    assert await store.tend(start + 2 * DAY + 5 * HOUR) == ()  # two days done, the third five hours old
    assert await everything(store, start) == kept
    assert_same(await asked(store, start), before)

    await store.tend(start + 4 * DAY)
    where = await places(store)
    assert (where["hot"], where["hours"], where["minutely"], where["folded"]) == (0, 0, 0, 5)
    assert await everything(store, start) == kept
    assert_same(await asked(store, start), before)
    assert await store.last("A1") == kept[-1]


async def test_dense_hours_go_through_hour_chunks(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.history.fold.SPARSE_ROWS", 10)
    monkeypatch.setattr("collector.history.fold.HELD_ROWS", 10)
    kept = odd_days(reading, days=2)
    async with SqliteHistory(tmp_path / "history.sqlite", meaning) as store:
        await store.append(kept)
        before = await asked(store, start, 2)
        await store.tend(start + DAY + 5 * HOUR)
        where = await places(store)
        assert where["hours"] == 4  # the fifth hour has had no time for stragglers yet
        assert where["folded"] == 1
        assert await everything(store, start) == kept
        assert_same(await asked(store, start, 2), before)


async def test_a_reading_that_comes_late_finds_its_place(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    kept = odd_days(reading, days=1)
    late = kept[100:200]
    await store.append(kept[:100] + kept[200:])
    await store.tend(start + 2 * DAY)
    await store.append(late)
    assert await everything(store, start) == kept
    await store.tend(start + 2 * DAY)
    assert (await places(store))["hot"] == 0
    assert await everything(store, start) == kept
    (bucket,) = await store.series(
        "A1", "battery_voltage_v", line=None, start=start, end=start + DAY, points=1
    )
    assert bucket.good_count == sum("upsBatteryVoltage" in r.wire for r in kept)


async def test_old_readings_leave_summaries_and_what_was_to_be_kept(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    kept = odd_days(reading)
    async with SqliteHistory(tmp_path / "history.sqlite", meaning, exact_days=1) as store:
        await store.append(kept)
        before = await asked(store, start)
        await store.keep_exact("A1", start + 3 * HOUR, start + 4 * HOUR, "outage")
        await store.tend(start + 3 * DAY + HOUR)
        after = await asked(store, start)
        coarse = [name for name in before if not name.endswith("odd")]
        assert_same({n: after[n] for n in coarse}, {n: before[n] for n in coarse})
        odd = after["output_power_w odd"]  # finer than what is left: answered by the minute
        assert {b.start.second for b in odd} == {0}
        assert sum(b.good_count for b in odd) > 0
        left = await everything(store, start)
        span = (start + 3 * HOUR, start + 4 * HOUR)
        assert [r for r in kept if span[0] <= r.at < span[1]] == [r for r in left if r.at < start + DAY]
        assert [r for r in left if r.at >= start + 2 * DAY] == [r for r in kept if r.at >= start + 2 * DAY]
        assert not [r for r in left if start + DAY <= r.at < start + 2 * DAY]
        # a straggler of a day already let go is kept, and the day's summaries stand
        await store.append([reading(90_000, {"upsOutputPower.1": 1})])
        await store.tend(start + 3 * DAY + HOUR)
        assert_same({n: (await asked(store, start))[n] for n in coarse}, {n: before[n] for n in coarse})


async def test_a_fold_cut_off_goes_on_at_the_next_call(
    store: SqliteHistory, start: datetime, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = odd_days(reading, days=2)
    await store.append(kept)
    real = store.database.write
    calls = 0

    async def failing(work: Callable[[sqlite3.Connection], None]) -> None:
        nonlocal calls
        calls += 1
        if calls == 2:

            def half(connection: sqlite3.Connection) -> None:
                work(connection)
                raise sqlite3.OperationalError("disk I/O error")

            await real(half)
        await real(work)

    monkeypatch.setattr(store.database, "write", failing)
    with pytest.raises(StoreError, match="disk I/O error"):
        await store.tend(start + 3 * DAY)
    assert await everything(store, start) == kept
    await store.tend(start + 3 * DAY)
    assert (await places(store))["hot"] == 0
    assert await everything(store, start) == kept


async def test_a_damaged_hour_stops_nobody_else(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.history.fold.SPARSE_ROWS", 1)
    monkeypatch.setattr("collector.history.fold.HELD_ROWS", 1)
    async with SqliteHistory(tmp_path / "history.sqlite", meaning) as store:
        for unit in ("A1", "A2"):
            await store.append([reading(s, unit=unit) for s in range(0, 7200, 60)])
        await store.tend(start + 3 * HOUR)
        await store.database.write(
            lambda c: c.execute("UPDATE hours SET chunk = x'00' WHERE unit = 1 AND hour % 24 = 0")
        )
        assert len(await store.tend(start + 2 * DAY)) == 1
        assert len(await everything(store, start, "A2")) == 120
        with pytest.raises(StoreError, match="torn"):
            await everything(store, start, "A1")


async def test_few_rows_stay_where_they_are_until_their_day_is_complete(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    await store.append([reading(600 * n, period_s=600.0) for n in range(100)])
    await store.tend(start + 20 * HOUR)
    where = await places(store)
    assert (where["hot"], where["hours"], where["days"]) == (100, 0, 0)
    await store.tend(start + DAY + HOUR)
    where = await places(store)
    assert (where["hot"], where["hours"], where["folded"]) == (0, 0, 1)
