"""What waits for InfluxDB: it holds up no answer, arrives in order and together, and nothing in it is lost."""

import asyncio
import sqlite3
import threading
import time
import zlib
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.database import StoreError
from collector.history import influx_spool
from collector.history.influx import InfluxHistory
from collector.history.influx_access import InfluxPlace
from collector.history.influx_lines import line_of, reading_in_line, readings_in
from collector.history.store import Meaning, Wire, WireReading
from tests.collector.history.conftest import WatchfulMeaning
from tests.collector.history.influx_stub import NOTHING, TAKEN, Reply, StubServer

Make = Callable[..., WireReading]
SPOOL = "spool.sqlite"
LATER: Reply = (503, "text/plain", b"not now")
CONFLICT: Reply = (400, "application/json", b'{"code":"invalid","message":"field type conflict"}')
TOO_LARGE: Reply = (413, "text/plain", b"too large")


@pytest.fixture
async def store(stub_place: InfluxPlace, tmp_path: Path, meaning: Meaning) -> AsyncIterator[InfluxHistory]:
    """A store that sends only when the test says so."""
    opened = InfluxHistory(tmp_path / SPOOL, stub_place, meaning)
    yield opened
    await opened.close()


def times(stub: StubServer) -> list[int]:
    """Return the times of the lines that the server took, in order."""
    return [int(line.rpartition(b" ")[2]) for body in stub.taken for line in body.splitlines()]


def at_ms(readings: list[WireReading]) -> list[int]:
    return [round(reading.at.timestamp() * 1000) for reading in readings]


def trouble_of(store: InfluxHistory) -> str | None:
    return store.trouble


async def until(what: Callable[[], bool]) -> None:
    while not what():  # noqa: ASYNC110 - the sender works by itself
        await asyncio.sleep(0.01)


async def test_answers_and_housekeeping_wait_for_no_spool(
    stub: StubServer,
    stub_place: InfluxPlace,
    *,
    tmp_path: Path,
    meaning: Meaning,
    start: datetime,
    reading: Make,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("collector.history.influx._ARRIVAL_S", 0.01)
    let_on = threading.Event()

    def slowly(_body: bytes) -> Reply:
        let_on.wait(20)
        return TAKEN

    stub.writes, stub.reply = slowly, NOTHING
    async with asyncio.timeout(10), InfluxHistory(tmp_path / SPOOL, stub_place, meaning) as store:
        await store.append([reading(0), reading(10, unit="B1"), reading(20, silence="no answer")])
        assert await store.last("A1") == reading(0)
        assert await store.last("C1") is None
        assert await store.units() == ()
        assert [one async for one in store.readings("A1", start, start + timedelta(hours=1))] == []
        hour = (start, start + timedelta(hours=1))
        (bucket,) = await store.series("A1", "output_power_w", line=1, start=hour[0], end=hour[1], points=1)
        assert bucket.good_count == 0
        assert await store.tend(start + timedelta(minutes=1)) == ()
        assert await store.waiting() == 3
        await store.append([reading(n) for n in range(6000)])
        monkeypatch.setattr("collector.history.influx._ARRIVAL_S", 60.0)  # more waits than can arrive soon
        assert await store.units() == ()
        let_on.set()


async def test_what_a_kill_left_is_sent_at_once_at_the_next_start(
    stub: StubServer,
    store: InfluxHistory,
    stub_place: InfluxPlace,
    *,
    tmp_path: Path,
    meaning: Meaning,
    reading: Make,
) -> None:
    await store.append([reading(0)])
    await store.close()
    async with InfluxHistory(tmp_path / SPOOL, stub_place, meaning) as again:
        stub.reply = NOTHING
        stub.writes = lambda _body: TAKEN
        await again.units()  # which gives it the moment to arrive
        assert times(stub) == at_ms([reading(0)])


def test_a_stop_waits_for_no_server_that_holds_the_line(
    stub: StubServer, stub_place: InfluxPlace, tmp_path: Path, meaning: Meaning, reading: Make
) -> None:
    let_on, reached = threading.Event(), threading.Event()

    def slowly(_body: bytes) -> Reply:
        reached.set()
        let_on.wait(20)
        return TAKEN

    async def run() -> None:
        async with InfluxHistory(tmp_path / SPOOL, stub_place, meaning) as store:
            await store.append([reading(0)])
            await asyncio.to_thread(reached.wait, 10)

    stub.writes = slowly
    began_s = time.monotonic()
    asyncio.run(run())
    took_s = time.monotonic() - began_s
    let_on.set()
    assert took_s < 2.0
    with sqlite3.connect(tmp_path / SPOOL) as file:
        assert file.execute("SELECT count(*) FROM waiting").fetchone() == (1,)


async def test_a_note_of_what_to_keep_is_no_reading_that_waits(
    stub: StubServer, store: InfluxHistory, start: datetime
) -> None:
    await store.keep_exact("A1", start, start + timedelta(hours=1), "outage")
    assert await store.waiting() == 0
    assert await store.tend(start + timedelta(days=9)) == ()
    stub.reply = CONFLICT
    await store.send()
    (found,) = await store.tend(start)
    assert "1 note of what to keep: so much was refused" in found
    stub.reply = TAKEN
    await store.send()
    (body,) = stub.taken
    assert body.startswith(b"kept,unit=A1 until=")


async def test_many_rows_go_in_one_post_and_fewer_after_a_failure(
    stub: StubServer, store: InfluxHistory, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = [reading(10 * n) for n in range(300)]
    for one in kept[:200]:
        await store.append([one])
    await store.send()
    assert len(stub.taken) == 1
    monkeypatch.setattr("collector.history.influx_sender.MOST_LINES", 100)
    for one in kept[200:]:
        await store.append([one])
    stub.reply = LATER
    for _ in range(9):
        with pytest.raises(StoreError):
            await store.send()
    stub.reply = TAKEN
    await store.send()
    assert [body.count(b"\n") + 1 for body in stub.taken] == [200, 50, 50]
    assert times(stub) == at_ms(kept)


async def test_a_large_row_too_goes_in_fewer_lines_after_a_failure(
    stub: StubServer, store: InfluxHistory, reading: Make
) -> None:
    stub.writes = lambda body: TAKEN if body.count(b"\n") < 100 else LATER
    kept = [reading(10 * n) for n in range(300)]
    await store.append(kept)
    for _ in range(6):  # 5,000 lines at once, 2,500, ... 156
        with pytest.raises(StoreError):
            await store.send()
    await store.send()
    assert [body.count(b"\n") + 1 for body in stub.taken] == [78, 78, 78, 66]
    assert times(stub) == at_ms(kept)


async def test_rows_whose_leaving_was_not_written_down_go_again_before_later_ones(
    stub: StubServer, store: InfluxHistory, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    await store.append([reading(0)])
    await store.append([reading(10)])
    with monkeypatch.context() as patch:
        patch.setattr(influx_spool, "_settled", killed)
        with pytest.raises(StoreError, match="disk I/O"):
            await store.send()
    assert await store.waiting() == 2
    await store.append([reading(20)])
    await store.send()
    assert await store.waiting() == 0
    assert times(stub) == at_ms([reading(0), reading(10), reading(0), reading(10), reading(20)])


async def test_a_change_that_could_not_begin_leaves_the_counts_of_the_one_before(
    tmp_path: Path, meaning: Meaning, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.database._BUSY_S", 0.0)
    spool = influx_spool.Spool(tmp_path / SPOOL)
    rows = influx_spool.packed([reading(0)], meaning)
    await spool.put(rows)
    with closing(sqlite3.connect(tmp_path / SPOOL, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="locked"):
            await spool.put(rows)
    assert spool.waiting.readings == 1
    await spool.close()


async def test_a_large_batch_is_encoded_off_the_loop_in_rows_of_bounded_size(
    stub_place: InfluxPlace, tmp_path: Path, reading: Make
) -> None:
    meaning = WatchfulMeaning()
    store = InfluxHistory(tmp_path / SPOOL, stub_place, meaning)
    await store.append([reading(n) for n in range(12_000)])
    await store.close()
    assert meaning.threads
    assert threading.main_thread() not in meaning.threads
    with sqlite3.connect(tmp_path / SPOOL) as file:
        rows = file.execute("SELECT readings, lines FROM waiting ORDER BY seq").fetchall()
    assert [n for n, _ in rows] == [5000, 5000, 2000]
    assert [zlib.decompress(lines).count(b"\n") + 1 for _, lines in rows] == [5000, 5000, 2000]


async def test_what_comes_back_is_taken_apart_off_the_loop(
    stub: StubServer, store: InfluxHistory, start: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    threads = []

    def noting(unit: str, found: list[Mapping[str, Any]]) -> Iterator[WireReading]:
        threads.append(threading.current_thread())
        return readings_in(unit, found)

    monkeypatch.setattr("collector.history.influx.readings_in", noting)
    stub.reply = (
        200,
        "application/json",
        b'{"results":[{"series":[{"columns":["time","@offset","@period","@start","upsOutputPower.1"],'
        b'"values":[[1772323200000,0,10000,"\\"s\\"",5]]}]}]}',
    )
    found = [one async for one in store.readings("A1", start, start + timedelta(hours=1))]
    assert [one.wire for one in found] == [{"upsOutputPower.1": 5}]
    assert threads
    assert threading.main_thread() not in threads


async def test_what_is_too_large_goes_in_halves_and_only_a_line_that_never_fits_is_refused(
    stub: StubServer, store: InfluxHistory, start: datetime, reading: Make
) -> None:
    stub.writes = lambda body: TOO_LARGE if len(body) > 600 else TAKEN
    kept = [reading(10 * n) for n in range(200)]
    giant = reading(1005, {"upsIdentModel": "x" * 1000})
    await store.append([*kept[:101], giant, *kept[101:]])
    await store.send()
    assert await store.waiting() == 0
    assert times(stub) == at_ms(kept)
    (found,) = await store.tend(start)
    assert "1 reading, the oldest of 1 Mar 2026, 00:16 UTC" in found
    assert "413" in found


async def test_a_line_at_fault_is_put_aside_and_offered_again_each_day_until_it_is_taken(
    stub: StubServer, store: InfluxHistory, start: datetime, reading: Make
) -> None:
    stub.writes = lambda body: CONFLICT if b"upsIdentModel" in body else TAKEN
    bad = reading(500, {"upsIdentModel": "x"})
    kept = [reading(10 * n) for n in range(100) if n != 50]
    await store.append([*kept[:50], bad, *kept[50:]])
    await store.send()
    assert times(stub) == at_ms(kept)
    for day in (0, 1, -30):  # at last the clock was set back
        for minute in range(3):
            (found,) = await store.tend(start + timedelta(days=day, minutes=minute))
            assert "1 reading, " in found
            assert "field type conflict" in found
            offered = await store.waiting()
            assert offered == (1 if minute == 0 else 0)  # at the first call of each
            await store.send()
    stub.writes = None
    await store.tend(start + timedelta(days=2))
    await store.send()
    assert await store.tend(start + timedelta(days=2, minutes=1)) == ()
    assert times(stub) == at_ms([*kept, bad])


async def test_much_that_is_refused_is_one_short_sentence_and_bounded_work(
    stub: StubServer, store: InfluxHistory, start: datetime, reading: Make
) -> None:
    stub.reply = CONFLICT
    for minute in range(50):
        await store.append([reading(60 * minute + n) for n in range(60)])
    await store.send()
    assert len(stub.asked) < 200
    assert await store.waiting() == 0
    (found,) = await store.tend(start)
    assert "3,000 readings, the oldest of 1 Mar 2026, 00:00 UTC" in found
    assert len(found) < 600
    stub.reply = TAKEN
    await store.send()
    assert times(stub) == at_ms([reading(n) for n in range(3000)])


async def test_a_damaged_row_is_put_aside_with_its_reason_and_the_rest_arrives(
    stub: StubServer, store: InfluxHistory, start: datetime, tmp_path: Path, reading: Make
) -> None:
    for n in range(3):
        await store.append([reading(10 * n), reading(10 * n + 1)])
    with sqlite3.connect(tmp_path / SPOOL) as file:
        (lines,) = file.execute("SELECT lines FROM waiting WHERE seq = 2").fetchone()
        flipped = lines[:20] + bytes([lines[20] ^ 4]) + lines[21:]
        file.execute("UPDATE waiting SET lines = ? WHERE seq = 2", (flipped,))
    await store.send()
    assert times(stub) == at_ms([reading(0), reading(1), reading(20), reading(21)])
    assert await store.waiting() == 0
    (found,) = await store.tend(start)
    assert "2 readings, the oldest of 1 Mar 2026, 00:00 UTC" in found
    assert "damaged on the disk" in found
    with sqlite3.connect(tmp_path / SPOOL) as file:  # offered again just now, and still all there
        assert file.execute("SELECT lines FROM waiting").fetchall() == [(flipped,)]


async def test_a_fault_in_sending_is_said_and_sending_goes_on(
    stub: StubServer,
    stub_place: InfluxPlace,
    *,
    tmp_path: Path,
    meaning: Meaning,
    reading: Make,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("collector.history.influx_sender._BACK_OFF_S", (0.01,))

    def surprised(_body: bytes) -> Reply:
        raise AssertionError

    async with asyncio.timeout(10), InfluxHistory(tmp_path / SPOOL, stub_place, meaning) as store:
        with monkeypatch.context() as patch:
            patch.setattr(store._sender, "_write", surprised)
            await store.append([reading(0)])
            await until(lambda: "fault in ridethrough (AssertionError())" in str(store.trouble))
        await until(lambda: store.trouble is None)
    assert times(stub) == at_ms([reading(0)])


async def test_how_much_waits_and_since_when_is_said(
    stub: StubServer, store: InfluxHistory, start: datetime, reading: Make
) -> None:
    stub.reply = LATER
    await store.append([reading(n) for n in range(1234)])
    with pytest.raises(StoreError):
        await store.send()
    assert store.trouble is not None
    assert "local spool (over 1,200 readings, the oldest of 1 Mar 2026, 00:00 UTC)" in store.trouble
    stub.reply = TAKEN
    await store.send()
    assert trouble_of(store) is None
    await store.append([reading(2000)])
    assert await store.tend(start + timedelta(seconds=2599)) == ()
    (found,) = await store.tend(start + timedelta(seconds=2601))  # ten minutes and a second later
    assert "1 reading, the oldest of 1 Mar 2026, 00:33 UTC" in found


async def test_a_spool_of_the_first_form_is_sent_and_what_it_refused_is_offered_again(
    stub: StubServer,
    stub_place: InfluxPlace,
    *,
    tmp_path: Path,
    meaning: Meaning,
    start: datetime,
    reading: Make,
) -> None:
    with sqlite3.connect(tmp_path / SPOOL) as file:
        for statement in influx_spool.STEPS[0]:
            file.execute(statement)
        file.execute("PRAGMA user_version=1")
        kept = [zlib.compress(line_of(reading(n), meaning).encode()) for n in range(3)]
        file.execute("INSERT INTO refused VALUES (1, ?, '400 bad')", kept[:1])
        file.executemany("INSERT INTO spool VALUES (?, ?)", [(2, kept[1]), (3, kept[2])])
    store = InfluxHistory(tmp_path / SPOOL, stub_place, meaning)
    await store.send()
    (found,) = await store.tend(start)
    assert "1 reading: so much was refused by InfluxDB (400 bad)" in found
    await store.send()
    assert times(stub) == at_ms([reading(1), reading(2), reading(0)])
    await store.close()


def test_a_line_gives_back_the_reading_it_was_made_of(meaning: Meaning, reading: Make) -> None:
    wire: dict[str, Wire] = {
        "upsOutputPower.1": 5000,
        "upsOutputPower.2": -1,
        "upsBatteryVoltage": "545",
        "upsIdentModel": b"\x00odd\xff",
        "upsInputLineBads": 2**64 - 1,
        "upsAlarmsPresent": None,
        "an, odd=name": 7,
        "upsIdentManufacturer": 'Ohm, "Volt" = \\ & daughters\n\udcff é, a=5i',
    }
    for one in (
        reading(0.123, wire, unit="B, 2=3", corrections="halved, twice"),
        reading(10, corrections=""),
        reading(20, silence='no answer; "late", x=1i'),
    ):
        assert reading_in_line(line_of(one, meaning)) == one
    with pytest.raises(ValueError, match="no line"):
        reading_in_line("reading,unit=A1")
