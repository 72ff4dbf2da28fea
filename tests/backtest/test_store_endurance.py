"""The default store over long spans: it neither grows, nor slows, nor holds up the loop, nor loses a tick.

    pytest tests/backtest/test_store_endurance.py -s

Time is compressed: a tick follows the last at once, so folding and writing press on each other far harder
than in service. Three to ten minutes each on two quiet cores. Size is held against a line predicted by
information theory, without the rows that wait to be folded.
"""

import asyncio
import random
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from math import log2
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from collector.assessment.worker import SPAWN
from collector.process.loop_tuning import favour_the_loop
from collector.storage.database import damage
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import WireReading
from collector.storage.ledger import Ledger
from collector.storage.maintenance.backup import verify
from tests.bench.store_against_influxdb import OBJECTS, START, Plain, drawn, readings, status
from tests.collector.storage.history.test_kill import (
    check,
    check_copies,
    check_ledger,
    check_what_is_left,
    write_until_killed,
)

LAG_MS = 20.0
HOT_ROWS = 120_000
"""At most: what waits of sparse days or is held of today, and two hours of 100 units between tending and tending."""


@dataclass
class Seen:
    """What was measured on the way, at each tenth of it."""

    resident_mb: list[float] = field(default_factory=list)
    files: list[int] = field(default_factory=list)
    hot_rows: list[int] = field(default_factory=list)
    used_bytes: list[int] = field(default_factory=list)
    query_ms: list[float] = field(default_factory=list)
    lags_ms: list[float] = field(default_factory=list)


async def watch_lag(lags_ms: list[float]) -> None:
    while True:
        began = time.perf_counter()
        await asyncio.sleep(0.005)
        lags_ms.append((time.perf_counter() - began - 0.005) * 1000)


def open_files() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


async def used_bytes(store: SqliteHistory) -> int:
    """Return the bytes of all pages in use but those of the hot rows, which come and go."""
    pages, free, size, hot = await store.database.read(
        lambda c: (
            *(c.execute(f"PRAGMA {n}").fetchone()[0] for n in ("page_count", "freelist_count", "page_size")),
            c.execute("SELECT ifnull(sum(pgsize), 0) FROM dbstat WHERE name = 'hot'").fetchone()[0],
        )
    )
    return int((pages - free) * size - hot)


async def hot_rows(store: SqliteHistory) -> int:
    return await store.database.read(lambda c: int(c.execute("SELECT count(*) FROM hot").fetchone()[0]))


def least_bytes(rows: int) -> float:
    """Return what so many readings take at the least: the entropy of the walks' steps, and of how late polls are."""
    steps = -sum(p * log2(p) for p in (0.145, 0.71, 0.145))
    return rows * (len(OBJECTS) * steps + log2(41)) / 8


async def day_query_ms(store: SqliteHistory, last_s: float) -> float:
    took = []
    end = START + timedelta(seconds=last_s)
    for n in range(5):
        began = time.perf_counter()
        await store.series(
            "U0", OBJECTS[n], line=None, start=max(end - timedelta(days=1), START), end=end, points=200
        )
        took.append((time.perf_counter() - began) * 1000)
    return min(took)  # whatever else the machine does only adds


CONTROL = """
import asyncio, time
lags = []
async def main():
    while True:
        began = time.perf_counter()
        await asyncio.sleep(0.005)
        lags.append(time.perf_counter() - began - 0.005)
        if len(lags) % 200 == 0:
            print(sorted(lags)[int(len(lags) * 0.999)] * 1000, max(lags) * 1000, flush=True)
asyncio.run(main())
"""


@contextmanager
def control() -> Iterator[list[float]]:
    """Measure the lag of an idle loop beside ours: what the machine itself adds.

    Fills the list at the end: at 99.9 %, and the longest (ms).
    """
    found: list[float] = []
    with subprocess.Popen([sys.executable, "-c", CONTROL], stdout=subprocess.PIPE, text=True) as idle:
        try:
            yield found
        finally:
            idle.terminate()
            assert idle.stdout is not None
            found += map(float, idle.stdout.read().split()[-2:])


def draw(pipe: Connection, units: int, rows: int, step_s: float, batch: int) -> None:
    for polls in drawn(units, rows, 0.0, step_s=step_s, batch=batch, late_ms=40):
        pipe.send(polls)
    pipe.send([])


@contextmanager
def drawing(units: int, rows: int, step_s: float, batch: int) -> Iterator[Callable[[], list[WireReading]]]:
    """Draw in another process, since that is no work of the store's; give what returns the next batch."""
    pipe, end = SPAWN.Pipe(duplex=False)
    process = SPAWN.Process(target=draw, args=(end, units, rows, step_s, batch))
    process.start()
    try:
        yield lambda: readings(pipe.recv(), step_s)
    finally:
        process.kill()
        process.join()


async def endured(
    path: Path, units: int, rows: int, step_s: float, made: Callable[[], list[WireReading]]
) -> Seen:
    """Write `rows` polls of each unit, tending every simulated hour, and measure at each tenth."""
    seen = Seen()
    total = units * rows
    done, tenth, due_s, part_end = 0, 1, 3600.0, START
    async with SqliteHistory(path, Plain()) as store:
        favour_the_loop()
        lag = asyncio.create_task(watch_lag(seen.lags_ms))
        while part := await asyncio.to_thread(made):
            await store.append(part)
            done += len(part)
            part_end = part[-1].at
            now_s = (part[-1].at - START).total_seconds()
            if now_s >= due_s:
                assert await store.tend(part[-1].at) == ()
                due_s = now_s + 3600.0
            if done >= total * tenth / 10:
                tenth += 1
                seen.resident_mb.append(status("self", "VmRSS"))
                seen.files.append(open_files())
                seen.used_bytes.append(await used_bytes(store))
                seen.hot_rows.append(await hot_rows(store))
                seen.query_ms.append(await day_query_ms(store, now_s))
        lag.cancel()
        await asyncio.gather(lag, return_exceptions=True)
        assert await store.tend(part_end + timedelta(days=40)) == ()
        seen.used_bytes.append(await used_bytes(store))
        assert await store.database.read(damage) == []
    return seen


@pytest.mark.parametrize(
    ("units", "rows", "step_s", "batch"),
    [
        pytest.param(100, 3 * 8640, 10.0, 100, id="100_units_3_days_at_10_s"),
        pytest.param(1, 365 * 8640, 10.0, 60, id="1_unit_year_at_10_s"),
        pytest.param(100, 365 * 144, 600.0, 600, id="100_unit_years_at_10_min"),
    ],
)
async def test_a_long_span_leaves_the_store_as_quick_and_as_small(
    tmp_path: Path, units: int, rows: int, step_s: float, batch: int
) -> None:
    with control() as idle_ms, drawing(units, rows, step_s, batch) as made:
        seen = await endured(tmp_path / "history.sqlite", units, rows, step_s, made)
    lags = sorted(seen.lags_ms)
    per_value = seen.used_bytes[-1] / (units * rows * len(OBJECTS))
    print(
        f"\n{units} units, {rows} polls: {seen.used_bytes[-1] / 1e6:.1f} MB = {per_value:.3f} B/value; resident "
        f"{seen.resident_mb[4]:.0f} MB at half, {seen.resident_mb[-1]:.0f} at the end; files {seen.files[4]}, "
        f"{seen.files[-1]}; at most {max(seen.hot_rows)} hot rows; "
        f"a day's query {seen.query_ms[4]:.1f} ms, {seen.query_ms[-1]:.1f} ms; loop lag p99.9 "
        f"{lags[int(len(lags) * 0.999)]:.1f} ms, longest {lags[-1]:.1f} ms of {len(lags)}, "
        f"and {idle_ms[0]:.1f} and {idle_ms[1]:.1f} ms of an idle loop beside it"
    )
    assert seen.resident_mb[-1] < seen.resident_mb[4] * 1.15 + 20
    assert seen.files[-1] == seen.files[4]
    assert max(seen.hot_rows) < HOT_ROWS  # past every midnight too
    # as small as information theory allows, but for 60 %: summaries, directories, half-empty pages
    assert seen.used_bytes[-1] < 1.6 * least_bytes(units * rows) + 1e6
    growth = [b - a for a, b in zip(seen.used_bytes[4:-1], seen.used_bytes[5:], strict=False)]
    assert (
        max(growth) < 2.5 * statistics.median(growth) + 10e6
    )  # a straight line, but for a day's hour chunks
    assert seen.query_ms[-1] < 3 * seen.query_ms[4] + 10
    assert lags[int(len(lags) * 0.999)] < LAG_MS + idle_ms[0]
    assert lags[-1] < LAG_MS + idle_ms[1]


@pytest.mark.parametrize("options", [(), ("--fold",)], ids=["while_writing", "while_folding"])
async def test_a_hundred_kills_lose_at_most_the_tick_in_flight(
    tmp_path: Path, options: tuple[str, ...]
) -> None:
    draw = random.Random(41)
    for number in range(100):
        safe = write_until_killed(tmp_path, draw.uniform(0.0, 0.25), *options)
        if number % 5 == 0 or number == 99:
            await check(tmp_path, Plain(), safe)
        else:
            async with (
                Ledger(tmp_path / "ledger.sqlite") as ledger,
                SqliteHistory(tmp_path / "history.sqlite", Plain()) as history,
            ):
                last = await history.last("U0")
                assert last is not None
                assert last.wire["upsOutputPower.1"] in (safe["history"], safe["history"] + 1)
                counts = await ledger.counts()
                assert counts["outbox"] == 3 * counts["journal"]
    assert verify(tmp_path).findings == ()


async def test_fifty_kills_while_letting_go_leave_what_is_kept_and_true_summaries_of_the_rest(
    tmp_path: Path,
) -> None:
    draw = random.Random(43)
    gone = 0
    for _ in range(50):
        safe = write_until_killed(tmp_path, draw.uniform(0.0, 1.0), "--let-go")
        before, gone = gone, await check_what_is_left(tmp_path, safe)
        assert gone >= before
        await check_ledger(tmp_path, safe)
    assert gone > 0


async def test_fifty_kills_while_backing_up_leave_each_backup_whole_or_refused(tmp_path: Path) -> None:
    draw = random.Random(44)
    whole = refused = 0
    for _ in range(50):
        safe = write_until_killed(tmp_path, draw.uniform(0.0, 0.4), "--back-up")
        await check(tmp_path, Plain(), safe)
        found = await check_copies(tmp_path, safe)
        whole, refused = whole + found[0], refused + found[1]
    print(f"\n{whole} whole backups, {refused} cut off and refused")
    assert whole > 0
    assert refused > 0
