"""The default store beside InfluxDB 1.x, on the same data in one run.

    python -m tests.bench.store_against_influxdb [--units 100] [--hours 24] [--days 365]

A day of many units at 10 s with 45 integers each, slow and noisy; a year of one unit at one minute. InfluxDB
is given line protocol ready made, over one kept connection, and charged for its own process and its .tsm
files alone (no index, no log); the default store is charged for everything from readings to the synced and
folded file. Polls on a fixed grid are InfluxDB's best case, since equal steps of time cost it nothing;
"late" has polls up to 40 ms late, as polls are. Prints a table; ends with 1 where an aim is missed.
"""

import argparse
import asyncio
import http.client
import resource
import statistics
import sys
import tempfile
import time
import urllib.parse
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import numpy.typing as npt

from collector.storage.history.influx.lines import line_of
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Wire, WireReading
from rules.plant.reading import Reading, Silence, Stamp
from tests.collector.storage.history.influx_server import InfluxServer

START = datetime(2026, 3, 1, tzinfo=UTC)
OBJECTS = tuple(f"upsObject{n}" for n in range(45))
STRETCH = 60
AIMS = {
    "bytes per value": ("at most 1/4 of its", 0.25),
    "rows per CPU second": ("at least twice its", 2.0),
    "year's hourly trend": ("at most 1/4 of its time", 0.25),
}


class Plain:
    """Takes every integer as it comes."""

    def object_of(self, quantity: str, line: int | None) -> str | None:
        return quantity if line is None else f"{quantity}.{line}"

    def value(self, object_name: str, raw: Wire, corrections: str) -> float | None:
        return float(raw) if isinstance(raw, int) else None

    def reading(self, record: WireReading) -> Reading | Silence:
        raise NotImplementedError


class Signals:
    """One unit's 45 columns, made a stretch at a time: a slow walk of which 71 % of the steps are none, and noise."""

    def __init__(self, noise: float, late_ms: int, seed: int) -> None:
        self._draw = np.random.default_rng(seed)
        self._noise = noise
        self._late_ms = late_ms
        self._level: npt.NDArray[np.int64] = np.full(len(OBJECTS), 2300, dtype=np.int64)

    def stretch(self, rows: int) -> tuple[list[list[int]], list[int]]:
        """Return the next rows, and how late each poll is in milliseconds."""
        steps = self._draw.choice([-1, 0, 1], size=(rows, len(OBJECTS)), p=[0.145, 0.71, 0.145])
        walk = self._level + np.cumsum(steps, axis=0)
        self._level = walk[-1]
        if self._noise:
            walk = np.rint(walk + self._draw.normal(0.0, self._noise, walk.shape)).astype(np.int64)
        return walk.tolist(), self._draw.integers(0, self._late_ms + 1, rows).tolist()


Drawn = tuple[int, float, list[int]]
"""A poll that is no reading yet: number of the unit, seconds after START, values of OBJECTS."""


def drawn(
    units: int, rows: int, noise: float, *, step_s: float, batch: int, late_ms: int = 0
) -> Iterator[list[Drawn]]:
    """Yield polls in batches in order of time; each unit's keep their own place within the period."""
    signals = [Signals(noise, late_ms, unit) for unit in range(units)]
    waiting: list[Drawn] = []
    for first in range(0, rows, STRETCH):
        made = [signal.stretch(min(STRETCH, rows - first)) for signal in signals]
        for row in range(len(made[0][0])):
            for unit, (values, late) in enumerate(made):
                at_s = (first + row) * step_s + unit * step_s / units + late[row] / 1000
                waiting.append((unit, at_s, values[row]))
                if len(waiting) == batch:
                    yield waiting
                    waiting = []
    if waiting:
        yield waiting


def readings(polls: Iterable[Drawn], step_s: float) -> list[WireReading]:
    """Return polls as the readings that a store is given."""
    made = []
    for unit, at_s, values in polls:
        wire: dict[str, Wire] = dict(zip(OBJECTS, values, strict=True))
        stamp = Stamp(START + timedelta(seconds=at_s), at_s, "start")
        made.append(WireReading(f"U{unit}", stamp, step_s, "none", wire))
    return made


def ticks(
    units: int, rows: int, noise: float, *, step_s: float, batch: int, late_ms: int = 0
) -> Iterator[list[WireReading]]:
    """Yield readings in batches, as `drawn` draws them."""
    for polls in drawn(units, rows, noise, step_s=step_s, batch=batch, late_ms=late_ms):
        yield readings(polls, step_s)


@dataclass
class Run:
    """What one store did with one set of data."""

    rows: int
    bytes: int
    wall_s: float
    cpu_s: float
    resident_mb: float
    commits_ms: list[float]

    @property
    def bytes_per_value(self) -> float:
        return self.bytes / (self.rows * len(OBJECTS))


def own_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def status(pid: int | str, name: str) -> float:
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith(name + ":"):
            return float(line.split()[1]) / 1024
    raise LookupError(name)


def cpu_s_of(pid: int) -> float:
    cells = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    return (int(cells[11]) + int(cells[12])) / 100


async def into_ours(path: Path, batches: Iterator[list[WireReading]], tend_every_s: float) -> Run:
    rows, wall, cpu, commits = 0, 0.0, 0.0, []
    async with SqliteHistory(path, Plain()) as store:
        due = START + timedelta(seconds=tend_every_s)
        last = START
        for batch in batches:
            began, used = time.perf_counter(), own_cpu_s()
            await store.append(batch)
            commits.append((time.perf_counter() - began) * 1000)
            last = batch[-1].at
            if last >= due:
                await store.tend(last)
                due = last + timedelta(seconds=tend_every_s)
            wall += time.perf_counter() - began
            cpu += own_cpu_s() - used
            rows += len(batch)
        began, used = time.perf_counter(), own_cpu_s()
        await store.tend(
            last + timedelta(days=40)
        )  # the stretch of 32 days is over, and summed up by the hour
        wall += time.perf_counter() - began
        cpu += own_cpu_s() - used
        await store.database.write(lambda c: None)
        used_pages, page = await store.database.read(
            lambda c: (
                c.execute("PRAGMA page_count").fetchone()[0]
                - c.execute("PRAGMA freelist_count").fetchone()[0],
                c.execute("PRAGMA page_size").fetchone()[0],
            )
        )
    return Run(rows, used_pages * page, wall, cpu, status("self", "VmRSS"), commits)


def into_theirs(server: InfluxServer, database: str, batches: Iterator[list[WireReading]]) -> Run:
    server.make(database)
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=120)
    rows, wall, commits = 0, 0.0, []
    before = cpu_s_of(server.pid)
    for batch in batches:
        body = "\n".join(line_of(reading, Plain()) for reading in batch).encode()
        began = time.perf_counter()
        connection.request("POST", f"/write?db={database}&precision=ms", body)
        reply = connection.getresponse()
        reply.read()
        assert reply.status == 204, reply.status
        took = time.perf_counter() - began
        wall += took
        commits.append(took * 1000)
        rows += len(batch)
    cpu = cpu_s_of(server.pid) - before
    settle(server, database)
    size = sum(f.stat().st_size for f in (server.folder / "data" / database).rglob("*.tsm"))
    return Run(rows, size, wall, cpu, status(server.pid, "VmHWM"), commits)


def settle(server: InfluxServer, database: str) -> None:
    """Wait until its files have stopped changing: cold shards are compacted after ten seconds here."""
    seen: dict[str, int] = {}
    still_since = time.monotonic()
    deadline = time.monotonic() + 240
    while time.monotonic() < deadline and time.monotonic() - still_since < 35:
        now = {str(f): f.stat().st_size for f in (server.folder / "data" / database).rglob("*.tsm*")}
        now |= {str(f): f.stat().st_size for f in (server.folder / "wal" / database).rglob("*.wal")}
        if now != seen:
            seen, still_since = now, time.monotonic()
        time.sleep(1)


async def trend_ours(path: Path, days: int) -> tuple[float, int]:
    took = []
    async with SqliteHistory(path, Plain()) as store:
        for _ in range(9):
            began = time.perf_counter()
            buckets = await store.series(
                "U0", OBJECTS[7], line=None, start=START, end=START + timedelta(days=days), points=days * 24
            )
            took.append((time.perf_counter() - began) * 1000)
    return statistics.median(took), sum(bucket.good_count for bucket in buckets)


def trend_theirs(server: InfluxServer, database: str, days: int) -> float:
    name = f'"{OBJECTS[7]}"'
    end = START + timedelta(days=days)
    query = urllib.parse.urlencode(
        {
            "db": database,
            "epoch": "ms",
            "q": f"SELECT min({name}), mean({name}), max({name}), count({name}) FROM reading WHERE unit = 'U0'"
            f" AND time >= '{START:%Y-%m-%dT%H:%M:%SZ}' AND time < '{end:%Y-%m-%dT%H:%M:%SZ}' GROUP BY time(1h)",
        }
    )
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=120)
    took = []
    for _ in range(9):
        began = time.perf_counter()
        connection.request("GET", f"/query?{query}")
        connection.getresponse().read()
        took.append((time.perf_counter() - began) * 1000)
    return statistics.median(took)


def shown(name: str, ours: Run, theirs: Run) -> None:
    for title, run in (("ours", ours), ("InfluxDB 1.x", theirs)):
        sorted_ms = sorted(run.commits_ms)
        print(
            f"{name:12} {title:13} {run.rows:9,} rows {run.bytes / 1e6:8.1f} MB {run.bytes_per_value:6.3f} B/value "
            f"{run.rows / run.wall_s:8,.0f} rows/s {run.rows / run.cpu_s:8,.0f} rows/CPU s "
            f"commit p50 {statistics.median(sorted_ms):5.1f} p99 {sorted_ms[int(len(sorted_ms) * 0.99)]:6.1f} ms "
            f"{run.resident_mb:6.0f} MB resident",
            flush=True,
        )


def judged(title: str, ours: float, theirs: float) -> bool:
    words, share = AIMS[title]
    met = ours >= share * theirs if share > 1 else ours <= share * theirs
    print(
        f"{title}: {ours:,.3f} against {theirs:,.3f} = {ours / theirs:.3f} ({words}: {'met' if met else 'MISSED'})"
    )
    return met


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=100)
    parser.add_argument("--hours", type=float, default=24)
    parser.add_argument("--days", type=int, default=365)
    asked = parser.parse_args()
    rows = int(asked.hours * 360)
    met = []
    with tempfile.TemporaryDirectory() as folder:
        server_folder = Path(folder) / "influx"
        server_folder.mkdir()
        server = InfluxServer(server_folder, index="tsi1")
        server.start()
        try:
            for name, noise, late_ms in (("slow day", 0.0, 0), ("noisy day", 3.0, 0), ("late day", 0.0, 40)):
                ours_run = asyncio.run(
                    into_ours(
                        Path(folder) / f"{name}.sqlite",
                        ticks(asked.units, rows, noise, step_s=10.0, batch=100, late_ms=late_ms),
                        3600,
                    )
                )
                theirs_run = into_theirs(
                    server,
                    name.replace(" ", "_"),
                    ticks(asked.units, rows, noise, step_s=10.0, batch=100, late_ms=late_ms),
                )
                shown(name, ours_run, theirs_run)
                met.append(judged("bytes per value", ours_run.bytes_per_value, theirs_run.bytes_per_value))
                met.append(
                    judged(
                        "rows per CPU second",
                        ours_run.rows / ours_run.cpu_s,
                        theirs_run.rows / theirs_run.cpu_s,
                    )
                )
            year = asked.days * 1440
            ours_run = asyncio.run(
                into_ours(Path(folder) / "year.sqlite", ticks(1, year, 0.0, step_s=60.0, batch=1440), 86400)
            )
            theirs_run = into_theirs(server, "year", ticks(1, year, 0.0, step_s=60.0, batch=1440))
            shown("year", ours_run, theirs_run)
            met.append(judged("bytes per value", ours_run.bytes_per_value, theirs_run.bytes_per_value))
            ours_ms, good = asyncio.run(trend_ours(Path(folder) / "year.sqlite", asked.days))
            assert good == year
            met.append(judged("year's hourly trend", ours_ms, trend_theirs(server, "year", asked.days)))
        finally:
            server.end()
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
