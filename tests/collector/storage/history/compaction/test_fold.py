"""Folding changes where readings are kept, never what they say."""

import gzip
import random
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.database import StoreError
from collector.storage.history.repair import verify
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Bucket, Meaning, Wire, WireReading

Make = Callable[..., WireReading]
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
DATA = Path(__file__).resolve().parents[4] / "data"


@pytest.fixture(autouse=True)
def nothing_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    """Complete days are folded at once, however few their rows."""
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)


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
    tables = ("hot", "hours", "runs", "hour_sums", "minute_sums", "folded")
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
    assert (where["hot"], where["hours"], where["minute_sums"], where["folded"]) == (0, 0, 0, 5)
    assert await everything(store, start) == kept
    assert_same(await asked(store, start), before)
    assert await store.last("A1") == kept[-1]


async def test_dense_hours_go_through_hour_chunks(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.SPARSE_ROWS", 10)
    monkeypatch.setattr("collector.storage.history.compaction.due.HELD_ROWS", 10)
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
    monkeypatch.setattr("collector.storage.history.compaction.due.STEP_ROWS", 100)  # one unit a step
    kept = odd_days(reading, days=2)
    await store.append(kept)
    await store.append([reading(10, unit="A2"), reading(20, unit="A3")])
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
    monkeypatch.setattr("collector.storage.history.compaction.due.SPARSE_ROWS", 1)
    monkeypatch.setattr("collector.storage.history.compaction.due.HELD_ROWS", 1)
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
    assert (where["hot"], where["hours"], where["runs"]) == (100, 0, 0)
    await store.tend(start + DAY + HOUR)
    where = await places(store)
    assert (where["hot"], where["hours"], where["folded"]) == (0, 0, 1)


async def test_complete_days_of_sparse_polls_wait_and_are_folded_together(
    store: SqliteHistory, start: datetime, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 3 * 144)
    for day in range(5):
        await store.append(
            [reading(day * 86400 + 600 * n, {"upsOutputPower.1": n}, period_s=600.0) for n in range(144)]
        )
        await store.tend(start + (day + 1) * DAY + HOUR)
    where = await places(store)
    assert (where["hot"], where["runs"], where["folded"]) == (144, 1, 4)


STRETCH_START = timedelta(days=31)
"""2026-04-01 begins a stretch: day 20544 since 1970 is 642 times 32."""


async def in_a_stretch(store: SqliteHistory, reading: Make, days: int, step_s: int) -> list[WireReading]:
    """Fill a stretch day by day, tending in between; return what was put in."""
    draw = random.Random(5)
    kept: list[WireReading] = []
    first_s = int(STRETCH_START.total_seconds())
    power = 4000
    for day in range(days):
        part = []
        for second in range(0, 86400, step_s):
            power += draw.choice((-1, 0, 0, 1))
            at = first_s + day * 86400 + second + draw.choice((0.0, 0.013))
            part.append(reading(at, {"upsOutputPower.1": power, "upsBatteryVoltage": 5450}, period_s=step_s))
        kept += part
        await store.append(part)
        await store.tend(part[-1].at + HOUR)
    return kept


async def hours_of(store: SqliteHistory, start: datetime, days: int) -> tuple[Bucket, ...]:
    begin = start + STRETCH_START
    return await store.series(
        "A1", "output_power_w", line=1, start=begin, end=begin + days * DAY, points=days * 24
    )


@pytest.mark.parametrize(
    ("step_s", "summed"), [(600, 0), (240, 1)], ids=["sparse_and_not_summed_up", "summed_up"]
)
async def test_a_complete_stretch_is_put_together_and_answers_by_the_hour(
    store: SqliteHistory, start: datetime, reading: Make, step_s: int, summed: int
) -> None:
    kept = await in_a_stretch(store, reading, days=33, step_s=step_s)
    where = await places(store)
    assert where["hour_sums"] == summed
    assert where["runs"] <= 2  # the stretch, and the day behind it
    assert [r async for r in store.readings("A1", kept[0].at, kept[-1].at + HOUR)] == kept
    after = await hours_of(store, start, 33)
    an_hour = 3600 // step_s
    assert [b.good_count for b in after] == [an_hour] * 33 * 24
    powers = [int(str(r.wire["upsOutputPower.1"])) for r in kept]
    for n, bucket in enumerate(after):
        part = powers[an_hour * n : an_hour * (n + 1)]
        assert (bucket.min, bucket.max) == (min(part), max(part))
        assert bucket.mean == pytest.approx(sum(part) / an_hour, rel=1e-12)


async def test_a_reading_that_comes_after_its_stretch_was_summed_up_counts(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    kept = await in_a_stretch(store, reading, days=33, step_s=240)
    late = reading(STRETCH_START.total_seconds() + 30, {"upsOutputPower.1": 9000}, period_s=240)
    await store.append([late])
    await store.tend(start + STRETCH_START + 34 * DAY)
    assert [r async for r in store.readings("A1", kept[0].at, kept[1].at)] == [kept[0], late]
    first, *_ = await hours_of(store, start, 33)
    assert (first.max, first.good_count) == (9000, 16)
    assert (await places(store))["hour_sums"] == 1


async def test_a_query_across_the_border_of_what_was_let_go_is_seamless(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    async with (
        SqliteHistory(tmp_path / "a.sqlite", meaning, exact_days=None) as exact,
        SqliteHistory(tmp_path / "b.sqlite", meaning, exact_days=3) as short,
    ):
        for store in (exact, short):
            kept = await in_a_stretch(store, reading, days=6, step_s=30)
            await store.tend(kept[-1].at + DAY)
        begin = start + STRETCH_START
        border = begin + 3 * DAY
        left = [r async for r in short.readings("A1", begin, kept[-1].at + HOUR)]
        assert left[0].at >= border
        assert len(left) == 3 * 2880
        for span, points in ((HOUR, 120), (6 * HOUR, 144), (2 * DAY, 96), (2 * DAY, 2)):
            across = {"start": border - span, "end": border + span}
            first, second = [
                await store.series("A1", "output_power_w", line=1, points=points, **across)
                for store in (exact, short)
            ]
            assert_same({"across": second}, {"across": first})
            assert all(b.good_count == b.expected_count > 0 for b in second)


async def test_readings_no_denser_than_one_a_minute_are_kept_since_no_summary_is_smaller(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    async with SqliteHistory(tmp_path / "history.sqlite", meaning, exact_days=1) as store:
        kept = [reading(60 * n, {"upsOutputPower.1": n}, period_s=60.0) for n in range(3 * 1440)]
        await store.append(kept)
        await store.tend(start + 5 * DAY)
        assert await everything(store, start) == kept
        assert (await places(store))["minute_sums"] == 0
        assert await store.database.read(lambda c: list(verify.findings(c))) == []


async def test_a_store_of_the_first_schema_is_read_and_brought_over(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make
) -> None:
    """The file was written by the program of that time: `odd_days` for 2.5 days, the first day let go but for an hour."""
    path = tmp_path / "history.sqlite"
    path.write_bytes(gzip.decompress((DATA / "history-schema-1.sqlite.gz").read_bytes()))
    put_in = [r for r in odd_days(reading) if r.at < start + 2.5 * DAY]
    there = [
        r for r in put_in
        if start + 3 * HOUR <= r.at < start + 4 * HOUR or r.at >= start + DAY
    ]  # fmt: skip
    async with SqliteHistory(tmp_path / "whole.sqlite", meaning) as whole:
        await whole.append(put_in)
        expected = await asked(whole, start)
    async with SqliteHistory(path, meaning, exact_days=None) as store:
        assert await everything(store, start) == there
        coarse = [name for name in expected if not name.endswith("odd")]
        for moment in (start + 2.5 * DAY, start + 100 * DAY):
            await store.tend(moment)
            assert await everything(store, start) == there
            answers = await asked(store, start)
            assert_same({n: answers[n] for n in coarse}, {n: expected[n] for n in coarse})
            assert await store.database.read(lambda c: list(verify.findings(c))) == []
        old = await store.database.read(
            lambda c: [
                c.execute(f"SELECT count(*) FROM {t}").fetchone() for t in ("days", "hourly", "minutely")
            ]
        )
        assert old == [(0,), (0,), (0,)]


async def test_a_span_far_beyond_any_reading_holds_this_unit_alone(
    store: SqliteHistory, start: datetime, reading: Make
) -> None:
    """As of "all there is": from the first year to the last. Runs and sums are found by unit and day in one number."""
    for unit, power in (("A1", 1), ("A2", 2000), ("A3", 3000)):
        await store.append(
            [reading(240 * n, {"upsOutputPower.1": power}, unit=unit, period_s=240.0) for n in range(360)]
        )
    await store.tend(start + 40 * DAY)
    where = await places(store)
    assert (where["hot"], where["runs"], where["hour_sums"]) == (0, 3, 3)
    for unit, power in (("A1", 1), ("A2", 2000)):
        for first in (datetime(1, 1, 1, tzinfo=UTC), start):
            (bucket,) = await store.series(
                unit,
                "output_power_w",
                line=1,
                start=first,
                end=datetime(9999, 12, 31, tzinfo=UTC),
                points=1,
            )
            assert (bucket.min, bucket.max, bucket.good_count) == (power, power, 360)
