"""What every store of readings must do, run over each of them."""

from collections.abc import AsyncIterator, Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.history.influx.access import InfluxPlace
from collector.storage.history.influx.store import InfluxHistory
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import (
    IMPORTED,
    Bucket,
    HistoryStore,
    Meaning,
    QuantityUnknownError,
    Wire,
    WireReading,
    origin_of,
)

Make = Callable[..., WireReading]
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


@pytest.fixture(params=["sqlite", "folded", pytest.param("influx", marks=pytest.mark.real_server)])
async def kept_in(
    request: pytest.FixtureRequest, tmp_path: Path, meaning: Meaning, start: datetime
) -> AsyncIterator[HistoryStore]:
    """Each store; "folded" is the default one, tidied after every batch."""
    if request.param == "influx":
        place: InfluxPlace = request.getfixturevalue("place")
        async with InfluxHistory(tmp_path / "spool.sqlite", place, meaning) as influx:
            yield influx
        return
    async with SqliteHistory(tmp_path / "history.sqlite", meaning) as store:
        if request.param == "folded":
            append = store.append

            async def append_and_fold(batch: list[WireReading]) -> None:
                await append(batch)
                await store.tend(start + 40 * DAY)

            store.append = append_and_fold  # type: ignore[method-assign, assignment]
        yield store


async def everything(store: HistoryStore, start: datetime, unit: str = "A1") -> list[WireReading]:
    return [reading async for reading in store.readings(unit, start - DAY, start + 10 * DAY)]


def brought(name: str, rows: list[WireReading]) -> list[WireReading]:
    """Return readings as an import brings them."""
    return [
        replace(row, corrections=IMPORTED, stamp=replace(row.stamp, start_id=origin_of(name))) for row in rows
    ]


async def asked(
    store: HistoryStore, start: datetime, length: timedelta, points: int, quantity: str = "output_power_w"
) -> tuple[Bucket, ...]:
    line = 1 if quantity == "output_power_w" else None
    return await store.series("A1", quantity, line=line, start=start, end=start + length, points=points)


async def test_readings_come_back_as_they_were_kept(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    wire: dict[str, Wire] = {
        "upsOutputPower.1": 5000,
        "upsOutputPower.2": -1,
        "upsBatteryVoltage": "545",
        "upsIdentModel": b"\x00odd\xff",
        "upsInputLineBads": 2**64 - 1,
        "upsBatteryCurrent": -(2**40),
        "upsAlarmsPresent": None,
        "upsIdentManufacturer": 'Ohm, "Volt" = \\ & daughters\n\udcff é',
    }
    kept = [
        reading(0, wire),
        reading(10.123),
        reading(20, silence='no answer; "late"'),
        reading(30, corrections="halved, twice", period_s=2.0),
        reading(3 * 86400),
    ]
    await kept_in.append(kept)
    await kept_in.append([reading(5, unit="B, 2")])
    assert await everything(kept_in, start) == kept
    assert await everything(kept_in, start, "B, 2") == [reading(5, unit="B, 2")]
    assert await kept_in.last("A1") == kept[-1]
    assert await kept_in.last("A2") is None
    assert await everything(kept_in, start, "A2") == []


async def test_the_newest_reading_is_found_behind_many_silences(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    await kept_in.append([reading(0), *(reading(s, silence="no answer") for s in range(10, 1500, 10))])
    assert await kept_in.last("A1") == reading(0)


async def test_what_was_imported_is_read_and_tells_nothing_of_now(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    own, brought = reading(0), [reading(s, corrections=IMPORTED) for s in (-3600, 600, 1200)]
    await kept_in.append([own])
    assert await kept_in.last("A1") == own
    await kept_in.append(brought)
    assert await kept_in.last("A1") == own
    await kept_in.append([reading(60, unit="A2", corrections=IMPORTED)])
    assert await kept_in.last("A2") is None
    assert await everything(kept_in, start) == [brought[0], own, *brought[1:]]


async def test_what_is_taken_out_of_an_import_is_gone_and_nothing_else(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    """Two imports and readings of our own, in and out of each other; one import goes."""
    own = [reading(s) for s in range(0, 3600, 60)]
    wrong = brought("wrong", [reading(s + 30, {"upsOutputPower.1": 9_000}) for s in range(-7200, 9000, 60)])
    right = brought("right", [reading(s + 40) for s in range(-7200, 9000, 600)])
    others = brought("wrong", [reading(s, unit="A2") for s in range(0, 600, 60)])
    await kept_in.append([*own, *wrong, *right, *others])
    gone = await kept_in.take_out("A1", origin_of("wrong"), start - DAY, start + DAY, let_go=False)
    assert gone == {start.date() - DAY, start.date()}
    assert await everything(kept_in, start) == sorted([*own, *right], key=lambda one: one.at)
    assert await kept_in.first("A1") == right[0].at
    assert await kept_in.last("A1") == own[-1]
    buckets = await asked(kept_in, start - HOUR * 2, HOUR * 5, 5)
    assert max(bucket.max or 0.0 for bucket in buckets) < 9_000
    assert await everything(kept_in, start, "A2") == others
    again = await kept_in.take_out("A1", origin_of("wrong"), start - DAY, start + DAY, let_go=False)
    assert again == frozenset()
    await kept_in.append(wrong[:10])  # put right, it may stand where it stood
    assert wrong[0] in await everything(kept_in, start)


async def test_a_unit_of_which_all_is_taken_out_was_never_read(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    await kept_in.append(brought("wrong", [reading(s) for s in range(0, 600, 60)]))
    await kept_in.keep_exact("A1", start, start + HOUR, "outage")
    await kept_in.take_out("A1", origin_of("wrong"), start, start + DAY, let_go=True)
    assert await everything(kept_in, start) == []
    assert await kept_in.first("A1") is None
    await kept_in.append([reading(60)])
    assert await everything(kept_in, start) == [reading(60)]


async def test_a_unit_was_first_read_when_its_oldest_reading_says(
    kept_in: HistoryStore, reading: Make, start: datetime
) -> None:
    assert await kept_in.first("A1") is None
    await kept_in.append([reading(60), reading(120, unit="A2")])
    assert await kept_in.first("A1") == start + timedelta(seconds=60)
    assert await kept_in.first("A2") == start + timedelta(seconds=120)


async def test_a_batch_kept_twice_is_there_once(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    batch = [reading(s) for s in range(0, 100, 10)]
    await kept_in.append(batch)
    await kept_in.append(batch)
    assert await everything(kept_in, start) == batch
    (bucket,) = await asked(kept_in, start, timedelta(seconds=100), 1)
    assert (bucket.good_count, bucket.expected_count) == (10, 10)


async def test_of_two_readings_of_one_moment_the_file_leaves_the_first_as_it_is_and_the_server_takes_the_later(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    first = [reading(s, {"upsOutputPower.1": 100}) for s in (0, 10)]
    later = [reading(s, {"upsOutputPower.1": 300}) for s in (10, 20)]
    await kept_in.append(first)
    await kept_in.append(later)
    stays = later[0] if isinstance(kept_in, InfluxHistory) else first[1]
    assert await everything(kept_in, start) == [first[0], stays, later[1]]
    (bucket,) = await asked(kept_in, start, timedelta(seconds=30), 1)
    assert (bucket.good_count, bucket.expected_count) == (3, 3)


async def test_a_gap_shows_and_nothing_absent_turns_into_zero(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    await kept_in.append([reading(s, {"upsOutputPower.1": 100 + s}) for s in range(0, 60, 10)])
    await kept_in.append([reading(s, {"upsOutputPower.1": -1}) for s in range(120, 180, 10)])
    await kept_in.append([reading(s, silence="no answer") for s in range(180, 240, 10)])
    await kept_in.append([reading(s, {"upsOutputPower.1": 700}) for s in range(240, 270, 10)])
    buckets = await asked(kept_in, start, timedelta(seconds=300), 5)
    assert [(b.min, b.mean, b.max, b.good_count, b.expected_count) for b in buckets] == [
        (100.0, 125.0, 150.0, 6, 6),
        (None, None, None, 0, 6),
        (None, None, None, 0, 6),
        (None, None, None, 0, 6),
        (700.0, 700.0, 700.0, 3, 6),
    ]
    assert [b.start for b in buckets] == [start + timedelta(minutes=m) for m in range(5)]


async def test_numbers_sent_as_text_count_beside_those_sent_as_numbers(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    values: list[Wire] = [100, "200", "none", None, 300, -1]
    await kept_in.append([reading(10 * n, {"upsOutputPower.1": value}) for n, value in enumerate(values)])
    (bucket,) = await asked(kept_in, start, timedelta(seconds=60), 1)
    assert (bucket.min, bucket.mean, bucket.max) == (100.0, 200.0, 300.0)
    assert (bucket.good_count, bucket.expected_count) == (3, 6)


async def test_each_reading_means_what_its_corrections_say(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    await kept_in.append([reading(s) for s in range(0, 1800, 60)])
    await kept_in.append([reading(s, corrections="halved") for s in range(1800, 3600, 60)])
    (hour,) = await asked(kept_in, start, HOUR, 1)
    assert (hour.min, hour.mean, hour.max, hour.good_count) == (2500.0, 3750.0, 5000.0, 60)


async def test_hours_of_three_days_are_answered_alike_by_all(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    await kept_in.append(
        [
            reading(
                60 * n,
                {"upsOutputPower.1": 1000 + n % 60, "upsBatteryVoltage": 5400 + n // 60},
                period_s=60.0,
            )
            for n in range(3 * 1440)
            if not 600 <= n < 700
        ]
    )
    hours = await asked(kept_in, start, 3 * DAY, 72)
    assert len(hours) == 72
    for n, hour in enumerate(hours):
        if n == 10:  # wholly within the gap
            assert (hour.mean, hour.good_count, hour.expected_count) == (None, 0, 60)
        elif n != 11:
            assert (hour.min, hour.max) == (1000.0, 1059.0)
            assert hour.mean == pytest.approx(1029.5)
            assert (hour.good_count, hour.expected_count) == (60, 60)
    volts = await asked(kept_in, start, 3 * DAY, 72, "battery_voltage_v")
    assert volts[5].mean == pytest.approx(540.5)
    days = await asked(kept_in, start, 3 * DAY, 3)
    assert [(d.good_count, d.expected_count) for d in days] == [(1340, 1440), (1440, 1440), (1440, 1440)]


async def test_several_quantities_are_answered_as_each_by_itself(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    wires: list[dict[str, Wire]] = [
        {"upsBatteryVoltage": 5451 + n % 7, **({"upsBatteryTemperature": 20 + n % 3} if n % 4 else {})}
        for n in range(200)
    ]
    await kept_in.append([reading(900.0 * n, wire, period_s=900.0) for n, wire in enumerate(wires)])
    names = ("battery_voltage_v", "battery_temperature_c")
    span = {"start": start - HOUR, "end": start + 3 * DAY}
    for points in (73, 500):
        found = await kept_in.several("A1", names, **span, points=points)
        alone = [await kept_in.series("A1", one, line=None, **span, points=points) for one in names]
        assert found == tuple(alone)
        assert any(bucket.mean is not None for bucket in found[1])
    with pytest.raises(QuantityUnknownError):
        await kept_in.several("A1", ("battery_voltage_v", "no_such_thing"), **span, points=3)
    assert [len(one) for one in await kept_in.several("A9", names, **span, points=73)] == [73, 73]


async def test_nothing_is_expected_before_a_unit_was_first_read(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    await kept_in.append([reading(s) for s in range(0, 60, 10)])
    buckets = await asked(kept_in, start - timedelta(minutes=2), timedelta(minutes=3), 3)
    assert [b.expected_count for b in buckets] == [0, 0, 6]


async def test_the_callers_mistakes_are_told_apart(kept_in: HistoryStore, start: datetime) -> None:
    with pytest.raises(QuantityUnknownError):
        await asked(kept_in, start, HOUR, 5, "output_colour")
    with pytest.raises(ValueError, match="point"):
        await asked(kept_in, start, HOUR, 0)
    with pytest.raises(ValueError, match="span"):
        await asked(kept_in, start, -HOUR, 5)


async def test_a_span_can_be_kept_and_closing_twice_is_safe(
    kept_in: HistoryStore, start: datetime, reading: Make
) -> None:
    await kept_in.append([reading(0)])
    await kept_in.keep_exact("A1", start, start + HOUR, "outage, all units")
    assert await kept_in.tend(start + 5 * DAY) == ()
    await kept_in.close()
    await kept_in.close()
