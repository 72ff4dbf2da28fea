"""What the local file grows by: a simulated month of units on float, as the cards of the demonstration speak, at the default pace.

    python -m tests.bench.disk_growth [--units 2] [--days 32] [--every 5]

Counted are the pages in use of the file once all is folded, as the service folds it; then those that are left once the exact
readings are older than `keep_days` and only summaries by the minute and the hour stand. Not counted is the log beside the file,
at most 64 MB after it was taken back, and the ledger, which the events of a site fill.
"""

from __future__ import annotations

import argparse
import asyncio
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from collector.cards.mib.correction_set import STANDARD
from collector.cards.mib.interpretation import CardMeaning
from collector.simulation.cards.card import Meters
from collector.simulation.past.idle_readings import IdleWriter, installed_in, quiet_moments
from collector.simulation.scenario.demonstration import SITES, SimScenario
from collector.storage.history.sqlite import SqliteHistory

BATCH = 4000
STRETCH_DAYS = 32
FIRST = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=STRETCH_DAYS * 640)
"""A day on which what is folded together begins."""
DAY_S = 86_400.0
KEEP_DAYS = 731


def in_use(path: Path) -> int:
    """Return the octets of the pages of a history that hold something."""
    import sqlite3

    connection = sqlite3.connect(path)
    try:
        pages, free, size = (
            connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("page_count", "freelist_count", "page_size")
        )
    finally:
        connection.close()
    return int((pages - free) * size)


async def written(history: SqliteHistory, units: int, days: int, every_s: float) -> int:
    """Write the month; return how many readings."""
    scenario = SimScenario(8470, FIRST + timedelta(days=days))
    count = 0
    places = [(system, place) for system, _ in SITES for place in range(len(installed_in(system)))]
    for system_id, place in places[:units]:
        system = scenario.plant.systems[system_id]
        installed = installed_in(system_id)[place]
        start_s = FIRST.timestamp()
        writer = IdleWriter(installed, system.units[place], Meters.of(scenario.seed, installed.unit), start_s)
        for first_s in np.arange(start_s, start_s + days * DAY_S, BATCH * every_s).tolist():
            t_s = np.arange(first_s, min(first_s + BATCH * every_s, start_s + days * DAY_S), every_s)
            late = np.random.default_rng(int(first_s)).integers(0, 41, len(t_s)) / 1000.0
            moments = quiet_moments(scenario, system, place, t_s, np.zeros_like(t_s))
            await history.append(writer.readings(t_s + late, moments, every_s, slow=True))
            count += len(t_s)
            if count % (20 * BATCH) < BATCH:
                await history.tend(datetime.fromtimestamp(first_s, UTC), let_go=False)
    return count


async def measured(units: int, days: int, every_s: float, folder: Path) -> None:
    """Write, fold, let go; print what each leaves."""
    path = folder / "history.sqlite"
    end = FIRST + timedelta(days=days)
    meaning = CardMeaning({STANDARD.id: STANDARD}.get)
    began_s = time.process_time()
    async with SqliteHistory(path, meaning, exact_days=KEEP_DAYS) as history:
        empty = in_use(path)
        count = await written(history, units, days, every_s)
        await history.tend(end + timedelta(days=1), let_go=False)
    exact = in_use(path) - empty
    spent_s = time.process_time() - began_s
    async with SqliteHistory(path, meaning, exact_days=KEEP_DAYS) as history:
        await history.tend(end + timedelta(days=KEEP_DAYS + 40))
    left = in_use(path) - empty
    a_day, after = exact / units / days, left / units / days
    print(f"{units} units, {days} days, a reading every {every_s:g} s: {count:,} readings")
    print(
        f"exact with summaries by the hour: {a_day / 1e3:.1f} kB a unit and day, {exact / count:.2f} octets a reading"
    )
    print(f"once let go, summaries by minute and hour: {after / 1e3:.1f} kB a unit and day")
    print(f"processor: {1e6 * spent_s / count:.0f} us a reading, made, written and folded")
    print("| units | after a year | after two years | each year more |\n| --- | --- | --- | --- |")
    for size in (10, 100, 1000):
        gb = [size * 365.25 * part / 1e9 for part in (a_day, 2 * a_day, after)]
        print(f"| {size:,} | {gb[0]:.1f} GB | {gb[1]:.1f} GB | {gb[2]:.1f} GB |")


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--units", type=int, default=2)
    parser.add_argument("--days", type=int, default=STRETCH_DAYS)
    parser.add_argument("--every", type=float, default=5.0)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        asyncio.run(measured(options.units, options.days, options.every, Path(folder)))


if __name__ == "__main__":
    main()
