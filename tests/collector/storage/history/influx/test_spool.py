"""What waits for InfluxDB: it holds up no answer, is counted, and nothing in it is lost."""

import asyncio
import sqlite3
import threading
import zlib
from collections.abc import Callable
from contextlib import closing
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.database import StoreError
from collector.storage.history.influx import spool as influx_spool
from collector.storage.history.influx.access import InfluxPlace
from collector.storage.history.influx.lines import line_of
from collector.storage.history.influx.store import InfluxHistory
from collector.storage.history.store import Meaning, WireReading
from tests.collector.storage.history.conftest import WatchfulMeaning
from tests.collector.storage.history.influx_stub import (
    CONFLICT,
    LATER,
    NOTHING,
    TAKEN,
    Reply,
    StubServer,
    at_ms,
    times,
)

Make = Callable[..., WireReading]
SPOOL = "spool.sqlite"


def trouble_of(unsent: InfluxHistory) -> str | None:
    return unsent.trouble


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
    monkeypatch.setattr("collector.storage.history.influx.store._ARRIVAL_S", 0.01)
    let_on = threading.Event()

    def slowly(_body: bytes) -> Reply:
        let_on.wait(20)
        return TAKEN

    stub.writes, stub.reply = slowly, NOTHING
    async with asyncio.timeout(10), InfluxHistory(tmp_path / SPOOL, stub_place, meaning) as unsent:
        await unsent.append([reading(0), reading(10, unit="B1"), reading(20, silence="no answer")])
        assert await unsent.last("A1") == reading(0)
        assert await unsent.last("C1") is None
        assert await unsent.units() == ()
        assert [one async for one in unsent.readings("A1", start, start + timedelta(hours=1))] == []
        hour = (start, start + timedelta(hours=1))
        (bucket,) = await unsent.series("A1", "output_power_w", line=1, start=hour[0], end=hour[1], points=1)
        assert bucket.good_count == 0
        assert await unsent.tend(start + timedelta(minutes=1)) == ()
        assert await unsent.waiting() == 3
        await unsent.append([reading(n) for n in range(6000)])
        monkeypatch.setattr(
            "collector.storage.history.influx.store._ARRIVAL_S", 60.0
        )  # more waits than can arrive soon
        assert await unsent.units() == ()
        let_on.set()


async def test_a_note_of_what_to_keep_is_no_reading_that_waits(
    stub: StubServer, unsent: InfluxHistory, start: datetime
) -> None:
    await unsent.keep_exact("A1", start, start + timedelta(hours=1), "outage")
    assert await unsent.waiting() == 0
    assert await unsent.tend(start + timedelta(days=9)) == ()
    stub.reply = CONFLICT
    await unsent.send()
    (found,) = await unsent.tend(start)
    assert "1 note of what to keep: so much was refused" in found
    stub.reply = TAKEN
    await unsent.send()
    (body,) = stub.taken
    assert body.startswith(b"kept,unit=A1 until=")


async def test_a_change_that_could_not_begin_leaves_the_counts_of_the_one_before(
    tmp_path: Path, meaning: Meaning, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.storage.database._BUSY_S", 0.0)
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
    unsent = InfluxHistory(tmp_path / SPOOL, stub_place, meaning)
    await unsent.append([reading(n) for n in range(12_000)])
    await unsent.close()
    assert meaning.threads
    assert threading.main_thread() not in meaning.threads
    with sqlite3.connect(tmp_path / SPOOL) as file:
        rows = file.execute("SELECT readings, lines FROM waiting ORDER BY seq").fetchall()
    assert [n for n, _ in rows] == [5000, 5000, 2000]
    assert [zlib.decompress(lines).count(b"\n") + 1 for _, lines in rows] == [5000, 5000, 2000]


async def test_a_damaged_row_is_put_aside_with_its_reason_and_the_rest_arrives(
    stub: StubServer, unsent: InfluxHistory, start: datetime, tmp_path: Path, reading: Make
) -> None:
    for n in range(3):
        await unsent.append([reading(10 * n), reading(10 * n + 1)])
    with sqlite3.connect(tmp_path / SPOOL) as file:
        (lines,) = file.execute("SELECT lines FROM waiting WHERE seq = 2").fetchone()
        flipped = lines[:20] + bytes([lines[20] ^ 4]) + lines[21:]
        file.execute("UPDATE waiting SET lines = ? WHERE seq = 2", (flipped,))
    await unsent.send()
    assert times(stub) == at_ms([reading(0), reading(1), reading(20), reading(21)])
    assert await unsent.waiting() == 0
    (found,) = await unsent.tend(start)
    assert "2 readings, the oldest of 1 Mar 2026, 00:00 UTC" in found
    assert "damaged on the disk" in found
    with sqlite3.connect(tmp_path / SPOOL) as file:  # offered again just now, and still all there
        assert file.execute("SELECT lines FROM waiting").fetchall() == [(flipped,)]


async def test_how_much_waits_and_since_when_is_said(
    stub: StubServer, unsent: InfluxHistory, start: datetime, reading: Make
) -> None:
    stub.reply = LATER
    await unsent.append([reading(n) for n in range(1234)])
    with pytest.raises(StoreError):
        await unsent.send()
    assert unsent.trouble is not None
    assert "local spool (over 1,200 readings, the oldest of 1 Mar 2026, 00:00 UTC)" in unsent.trouble
    stub.reply = TAKEN
    await unsent.send()
    assert trouble_of(unsent) is None
    await unsent.append([reading(2000)])
    assert await unsent.tend(start + timedelta(seconds=2599)) == ()
    (found,) = await unsent.tend(start + timedelta(seconds=2601))  # ten minutes and a second later
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
    unsent = InfluxHistory(tmp_path / SPOOL, stub_place, meaning)
    await unsent.send()
    (found,) = await unsent.tend(start)
    assert "1 reading: so much was refused by InfluxDB (400 bad)" in found
    await unsent.send()
    assert times(stub) == at_ms([reading(1), reading(2), reading(0)])
    await unsent.close()
