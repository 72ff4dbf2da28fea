"""InfluxDB behind the history's door: what happens when it is away, killed, or refuses.

The engine is Debian's InfluxDB 1.x; replies that only 2.x or 3.x give come from a small stub. Neither a
real 2.x nor a real 3.x was run.
"""

import asyncio
import json
import signal
import threading
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.storage.database import StoreError, StoreFault
from collector.storage.history.influx.access import InfluxPlace
from collector.storage.history.influx.lines import readings_in
from collector.storage.history.influx.store import InfluxHistory
from collector.storage.history.store import Meaning, WireReading
from tests.collector.storage.history.conftest import WatchfulMeaning
from tests.collector.storage.history.influx_server import InfluxServer, PathMapping, free_port
from tests.collector.storage.history.influx_stub import StubServer

Make = Callable[..., WireReading]
DAY = timedelta(days=1)


async def everything(store: InfluxHistory, start: datetime) -> list[WireReading]:
    return [reading async for reading in store.readings("A1", start - DAY, start + DAY)]


@pytest.fixture
async def engine(place: InfluxPlace, tmp_path: Path, meaning: Meaning) -> AsyncIterator[InfluxHistory]:
    async with InfluxHistory(tmp_path / "spool.sqlite", place, meaning) as opened:
        yield opened


@pytest.mark.real_server
async def test_the_official_client_writes_through_the_v2_url(
    influx: tuple[InfluxServer, PathMapping], engine: InfluxHistory, start: datetime, reading: Make
) -> None:
    _, mapping = influx
    mapping.seen.clear()
    await engine.append([reading(0)])
    assert await everything(engine, start) == [reading(0)]
    assert await engine.units() == ("A1",)
    assert await engine.waiting() == 0
    assert ("POST", "/api/v2/write") in mapping.seen
    assert ("GET", "/query") in mapping.seen


@pytest.mark.real_server
@pytest.mark.slow
async def test_readings_wait_while_the_engine_is_away_and_arrive_in_order_once(
    tmp_path: Path, meaning: Meaning, start: datetime, reading: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.storage.history.influx.sender._BACK_OFF_S", (0.05,))
    (tmp_path / "engine").mkdir()
    server = InfluxServer(tmp_path / "engine")
    server.start()
    server.make("site")
    mapping = PathMapping(server.port)
    place = InfluxPlace(mapping.url, "site", timeout_s=5.0)
    kept = [reading(10 * n) for n in range(60)]
    try:
        async with InfluxHistory(tmp_path / "spool.sqlite", place, meaning) as store:
            for n, one in enumerate(kept[:40]):
                if n == 10:
                    server.end(signal.SIGKILL)  # in the middle of writing
                if n == 20:
                    server.start()
                if n == 30:
                    server.end()
                await store.append([one])
                await asyncio.sleep(0.01)
            assert await store.waiting() > 0
            with pytest.raises(StoreError, match="did not answer") as caught:
                await everything(store, start)
            assert caught.value.fault is StoreFault.AWAY
        # the collector itself stops and starts again while the engine is away
        async with InfluxHistory(tmp_path / "spool.sqlite", place, meaning) as store:
            await store.append(kept[40:])
            server.start()
            async with asyncio.timeout(10):
                while await store.waiting():  # noqa: ASYNC110 - the server comes back by itself
                    await asyncio.sleep(0.05)
            assert await everything(store, start) == kept
            (bucket,) = await store.series(
                "A1", "output_power_w", line=1, start=start, end=start + timedelta(minutes=10), points=1
            )
            assert (bucket.good_count, bucket.expected_count) == (60, 60)
    finally:
        mapping.end()
        server.end()


@pytest.fixture
async def store(stub_place: InfluxPlace, tmp_path: Path, meaning: Meaning) -> AsyncIterator[InfluxHistory]:
    async with InfluxHistory(tmp_path / "spool.sqlite", stub_place, meaning) as opened:
        yield opened


AWAY, REFUSED, MISSING = StoreFault.AWAY, StoreFault.REFUSED, StoreFault.MISSING


@pytest.mark.parametrize(
    ("status", "body", "said", "fault"),
    [
        (400, {"error": "error parsing query: found BAD"}, "error parsing query", AWAY),
        (
            200,
            {"results": [{"statement_id": 0, "error": "database not found: mill"}]},
            "no database 'mill_db'",
            MISSING,
        ),
        (401, {"code": "unauthorized", "message": "unauthorized access"}, "refuses this identity", REFUSED),
        (200, {"results": [{"series": [{"partial": True, "columns": [], "values": []}]}]}, "cut off", AWAY),
        (404, {}, "no database 'mill_db'", MISSING),
        (200, [], "not an object", AWAY),
    ],
)
async def test_every_form_of_failure_of_a_query_is_seen(
    stub: StubServer, store: InfluxHistory, *, status: int, body: object, said: str, fault: StoreFault
) -> None:
    stub.reply = (status, "application/json", json.dumps(body).encode())
    with pytest.raises(StoreError, match=said) as caught:
        await store.last("A1")
    assert caught.value.fault is fault
    assert "s3cret" not in str(caught.value)


async def test_a_reply_that_is_no_json_is_a_failure(stub: StubServer, store: InfluxHistory) -> None:
    stub.reply = (200, "text/html", b"<h1>It works</h1>")
    with pytest.raises(StoreError, match="did not answer as it should"):
        await store.units()


async def test_a_summary_is_made_of_the_reply_off_the_loop(
    stub: StubServer, stub_place: InfluxPlace, tmp_path: Path, start: datetime
) -> None:
    row = dict.fromkeys(("min_v", "max_v", "sum_v", "count_v", "silent", *(f"asked_{c}" for c in "rtbxn")), 0)
    row = {"time": round(start.timestamp() * 1000), "polls": 2, "covered": 20_000, **row}
    row |= {"count_w": 2, "min_w": 4000, "max_w": 5000, "sum_w": 9000}
    part = {"tags": {"corrections": "halved"}, "columns": [*row], "values": [[*row.values()]]}
    stub.reply = (200, "application/json", json.dumps({"results": [{"series": [part]}]}).encode())
    meaning, end = WatchfulMeaning(), start + timedelta(minutes=1)
    async with InfluxHistory(tmp_path / "spool.sqlite", stub_place, meaning) as store:
        (found,) = await store.series("A1", "output_power_w", line=1, start=start, end=end, points=1)
    assert (found.min, found.mean, found.max, found.good_count) == (2000, 2250, 2500, 2)
    assert meaning.threads
    assert threading.main_thread() not in meaning.threads


async def test_what_comes_back_is_taken_apart_off_the_loop(
    stub: StubServer, store: InfluxHistory, start: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    threads = []

    def noting(unit: str, found: list[Mapping[str, Any]]) -> Iterator[WireReading]:
        threads.append(threading.current_thread())
        return readings_in(unit, found)

    monkeypatch.setattr("collector.storage.history.influx.store.readings_in", noting)
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


async def test_token_bucket_database_and_policy_are_passed_on(
    stub: StubServer, store: InfluxHistory, reading: Make, stub_place: InfluxPlace
) -> None:
    await store.append([reading(0)])
    await store.send()
    stub.reply = (200, "application/json", b'{"results":[{}]}')
    assert await store.last("A1") is None
    writes = [(path, key) for path, key in stub.asked if path.startswith("/api/v2/write?")]
    assert writes
    assert "bucket=mill" in writes[0][0]
    assert "precision=ms" in writes[0][0]
    assert {key for _, key in stub.asked} == {"Token s3cret"}
    (query,) = [path for path, _ in stub.asked if path.startswith("/query?")]
    assert "db=mill_db" in query
    assert "rp=ten" in query
    assert "s3cret" not in repr(stub_place)


@pytest.mark.parametrize("status", [401, 429, 500, 503])
async def test_a_batch_that_could_not_be_taken_now_waits(
    stub: StubServer, store: InfluxHistory, reading: Make, status: int
) -> None:
    stub.reply = (status, "application/json", b'{"code":"later","message":"not now"}')
    await store.append([reading(0)])
    with pytest.raises(StoreError, match=str(status)):
        await store.send()
    assert await store.waiting() == 1
    stub.reply = (204, "application/json", b"")
    await store.send()
    assert await store.waiting() == 0


async def test_a_server_that_is_not_there_is_said(tmp_path: Path, meaning: Meaning, reading: Make) -> None:
    place = InfluxPlace(f"http://127.0.0.1:{free_port()}", "mill", timeout_s=2.0)
    async with InfluxHistory(tmp_path / "spool.sqlite", place, meaning) as store:
        await store.append([reading(0)])
        with pytest.raises(StoreError, match="waits in the local spool"):
            await store.last("A2")
        assert await store.last("A1") == reading(0)  # which waits here


@pytest.mark.real_server
async def test_the_newest_answer_is_found_at_the_server_behind_a_day_of_silences(
    influx: tuple[InfluxServer, PathMapping],
    engine: InfluxHistory,
    place: InfluxPlace,
    *,
    tmp_path: Path,
    meaning: Meaning,
    reading: Make,
) -> None:
    silent = [reading(10 * n, silence="no answer") for n in range(1, 8640)]
    await engine.append([reading(0, {"upsOutputPower.1": None}), *silent, reading(5, unit="B1")])
    await engine.send()
    _, mapping = influx
    mapping.seen.clear()
    async with InfluxHistory(tmp_path / "other.sqlite", place, meaning, only_reads=True) as other:
        assert await other.last("A1") == reading(0, {"upsOutputPower.1": None})
        assert len(mapping.seen) == 2
        assert await other.last("A2") is None


@pytest.mark.real_server
async def test_what_the_servers_policy_would_delete_at_once_is_let_go(
    influx: tuple[InfluxServer, PathMapping], tmp_path: Path, meaning: Meaning, reading: Make
) -> None:
    server, mapping = influx
    server.ask('CREATE DATABASE "short" WITH DURATION 1h')
    now = datetime.now(UTC)
    old, new = reading(0), reading((now - reading(0).at).total_seconds() // 1)
    async with InfluxHistory(tmp_path / "short.sqlite", InfluxPlace(mapping.url, "short"), meaning) as store:
        await store.append([old, new])
        await store.send()
        assert await store.waiting() == 0
        assert await store.tend(now) == ()
        span = (old.at - DAY, now + DAY)
        assert [found async for found in store.readings("A1", *span)] == [new]
