"""What waits for InfluxDB is sent in order and together, again and again, and what is refused is put aside."""

import asyncio
import sqlite3
import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.database import StoreError
from collector.storage.history.influx import spool as influx_spool
from collector.storage.history.influx.access import InfluxPlace
from collector.storage.history.influx.store import InfluxHistory
from collector.storage.history.store import Meaning, WireReading
from tests.collector.storage.history.influx_stub import (
    CONFLICT,
    LATER,
    NOTHING,
    TAKEN,
    TOO_LARGE,
    Reply,
    StubServer,
    at_ms,
    times,
)

Make = Callable[..., WireReading]
SPOOL = "spool.sqlite"


async def until(what: Callable[[], bool]) -> None:
    while not what():  # noqa: ASYNC110 - the sender works by itself
        await asyncio.sleep(0.01)


async def test_what_a_kill_left_is_sent_at_once_at_the_next_start(
    stub: StubServer,
    unsent: InfluxHistory,
    stub_place: InfluxPlace,
    *,
    tmp_path: Path,
    meaning: Meaning,
    reading: Make,
) -> None:
    await unsent.append([reading(0)])
    await unsent.close()
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
        async with InfluxHistory(tmp_path / SPOOL, stub_place, meaning) as unsent:
            await unsent.append([reading(0)])
            await asyncio.to_thread(reached.wait, 10)

    stub.writes = slowly
    began_s = time.monotonic()
    asyncio.run(run())
    took_s = time.monotonic() - began_s
    let_on.set()
    assert took_s < 2.0
    with sqlite3.connect(tmp_path / SPOOL) as file:
        assert file.execute("SELECT count(*) FROM waiting").fetchone() == (1,)


async def test_many_rows_go_in_one_post_and_fewer_after_a_failure(
    stub: StubServer, unsent: InfluxHistory, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = [reading(10 * n) for n in range(300)]
    for one in kept[:200]:
        await unsent.append([one])
    await unsent.send()
    assert len(stub.taken) == 1
    monkeypatch.setattr("collector.storage.history.influx.sender.MOST_LINES", 100)
    for one in kept[200:]:
        await unsent.append([one])
    stub.reply = LATER
    for _ in range(9):
        with pytest.raises(StoreError):
            await unsent.send()
    stub.reply = TAKEN
    await unsent.send()
    assert [body.count(b"\n") + 1 for body in stub.taken] == [200, 50, 50]
    assert times(stub) == at_ms(kept)


async def test_a_large_row_too_goes_in_fewer_lines_after_a_failure(
    stub: StubServer, unsent: InfluxHistory, reading: Make
) -> None:
    stub.writes = lambda body: TAKEN if body.count(b"\n") < 100 else LATER
    kept = [reading(10 * n) for n in range(300)]
    await unsent.append(kept)
    for _ in range(6):  # 5,000 lines at once, 2,500, ... 156
        with pytest.raises(StoreError):
            await unsent.send()
    await unsent.send()
    assert [body.count(b"\n") + 1 for body in stub.taken] == [78, 78, 78, 66]
    assert times(stub) == at_ms(kept)


async def test_rows_whose_leaving_was_not_written_down_go_again_before_later_ones(
    stub: StubServer, unsent: InfluxHistory, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    def killed(*_: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    await unsent.append([reading(0)])
    await unsent.append([reading(10)])
    with monkeypatch.context() as patch:
        patch.setattr(influx_spool, "_settled", killed)
        with pytest.raises(StoreError, match="disk I/O"):
            await unsent.send()
    assert await unsent.waiting() == 2
    await unsent.append([reading(20)])
    await unsent.send()
    assert await unsent.waiting() == 0
    assert times(stub) == at_ms([reading(0), reading(10), reading(0), reading(10), reading(20)])


async def test_what_is_too_large_goes_in_halves_and_only_a_line_that_never_fits_is_refused(
    stub: StubServer, unsent: InfluxHistory, start: datetime, reading: Make
) -> None:
    stub.writes = lambda body: TOO_LARGE if len(body) > 600 else TAKEN
    kept = [reading(10 * n) for n in range(200)]
    giant = reading(1005, {"upsIdentModel": "x" * 1000})
    await unsent.append([*kept[:101], giant, *kept[101:]])
    await unsent.send()
    assert await unsent.waiting() == 0
    assert times(stub) == at_ms(kept)
    (found,) = await unsent.tend(start)
    assert "1 reading, the oldest of 1 Mar 2026, 00:16 UTC" in found
    assert "413" in found


async def test_a_line_at_fault_is_put_aside_and_offered_again_each_day_until_it_is_taken(
    stub: StubServer, unsent: InfluxHistory, start: datetime, reading: Make
) -> None:
    stub.writes = lambda body: CONFLICT if b"upsIdentModel" in body else TAKEN
    bad = reading(500, {"upsIdentModel": "x"})
    kept = [reading(10 * n) for n in range(100) if n != 50]
    await unsent.append([*kept[:50], bad, *kept[50:]])
    await unsent.send()
    assert times(stub) == at_ms(kept)
    for day in (0, 1, -30):  # at last the clock was set back
        for minute in range(3):
            (found,) = await unsent.tend(start + timedelta(days=day, minutes=minute))
            assert "1 reading, " in found
            assert "field type conflict" in found
            offered = await unsent.waiting()
            assert offered == (1 if minute == 0 else 0)  # at the first call of each
            await unsent.send()
    stub.writes = None
    await unsent.tend(start + timedelta(days=2))
    await unsent.send()
    assert await unsent.tend(start + timedelta(days=2, minutes=1)) == ()
    assert times(stub) == at_ms([*kept, bad])


async def test_much_that_is_refused_is_one_short_sentence_and_bounded_work(
    stub: StubServer, unsent: InfluxHistory, start: datetime, reading: Make
) -> None:
    stub.reply = CONFLICT
    for minute in range(50):
        await unsent.append([reading(60 * minute + n) for n in range(60)])
    await unsent.send()
    assert len(stub.asked) < 200
    assert await unsent.waiting() == 0
    (found,) = await unsent.tend(start)
    assert "3,000 readings, the oldest of 1 Mar 2026, 00:00 UTC" in found
    assert len(found) < 600
    stub.reply = TAKEN
    await unsent.send()
    assert times(stub) == at_ms([reading(n) for n in range(3000)])


async def test_a_fault_in_sending_is_said_and_sending_goes_on(
    stub: StubServer,
    stub_place: InfluxPlace,
    *,
    tmp_path: Path,
    meaning: Meaning,
    reading: Make,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("collector.storage.history.influx.sender._BACK_OFF_S", (0.01,))

    def surprised(_body: bytes) -> Reply:
        raise AssertionError

    async with asyncio.timeout(10), InfluxHistory(tmp_path / SPOOL, stub_place, meaning) as unsent:
        with monkeypatch.context() as patch:
            patch.setattr(unsent._sender, "_write", surprised)
            await unsent.append([reading(0)])
            await until(lambda: "fault in ridethrough (AssertionError())" in str(unsent.trouble))
        await until(lambda: unsent.trouble is None)
    assert times(stub) == at_ms([reading(0)])
