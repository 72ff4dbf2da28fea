"""How fast a site's past is read from a file and taken on by the service, with the rests that it takes.

    python -m tests.bench.import_past [--rows 100000]

A file of two units by the minute with load by line, volts, amperes and the bank's; made ready as the command does, and taken on
by the service's own part, alone, in a new data folder. Elapsed seconds beside processor seconds: of the taking half is rest.
"""

from __future__ import annotations

import argparse
import asyncio
import tempfile
import time
from datetime import timedelta
from pathlib import Path

from collector.assessment.past.reading_file import HowToRead, make_ready
from collector.assessment.past.taking import TakesPast
from collector.cards.mib.correction_set import STANDARD
from collector.cards.mib.interpretation import CardMeaning
from collector.process.clock import SystemClock
from collector.recorder.trackers.load_backfill import fill_between
from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.ledger import Ledger
from rules.system.load.record import PeakRecord
from tests.rules.sample_plants import NOON, estate

LINES = (1, 2, 3)
COLUMNS = [f"output_{what}_{n}" for n in LINES for what in ("power_w", "voltage_v", "current_a")]


def written(path: Path, rows: int) -> Path:
    """Write the file."""
    begin = NOON - timedelta(minutes=rows // 2)
    with path.open("w", encoding="utf-8") as out:
        out.write(
            ",".join(["unit", "at", "on_battery", "battery_voltage_v", "battery_temperature_c", *COLUMNS])
            + "\n"
        )
        for minute in range(rows // 2):
            at = (begin + timedelta(minutes=minute)).isoformat()
            load = 3000 + minute % 700
            cells = ",".join(f"{load + n},{229 + n / 10},{(load + n) / 218:.2f}" for n in LINES)
            for unit in ("A1", "A2"):
                out.write(f"{unit},{at},0,545.{minute % 7},22.{minute % 10},{cells}\n")
    return path


async def taken(folder: Path) -> None:
    """Have what waits taken on."""
    plant, clock, record = estate(), SystemClock(), PeakRecord(LINES)
    meaning = CardMeaning({STANDARD.id: STANDARD}.get)
    async with (
        SqliteHistory(folder / HISTORY_FILE, meaning) as history,
        Ledger(folder / LEDGER_FILE) as ledger,
    ):
        takes = TakesPast(
            folder, plant, history, ledger, clock,
            filled=lambda system, start, end: fill_between(record, plant, system, history, start, end, NOON),
        )  # fmt: skip
        await takes.once()


def timed(what: str, rows: int, work: object) -> None:
    """Print how long something took."""
    wall_s, cpu_s = time.monotonic(), time.process_time()
    work()  # type: ignore[operator]
    wall_s, cpu_s = time.monotonic() - wall_s, time.process_time() - cpu_s
    print(
        f"{what}: {rows:,} rows in {wall_s:.1f} s, {cpu_s:.1f} s of processor; {60 * rows / wall_s:,.0f} a minute"
    )


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rows", type=int, default=100_000)
    rows = parser.parse_args().rows
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = written(folder / "past.csv", rows)
        timed(
            "read and made ready",
            rows,
            lambda: make_ready(path, estate(), HowToRead(), folder, "R. Haugen", NOON),
        )
        timed("taken on", rows, lambda: asyncio.run(taken(folder)))


if __name__ == "__main__":
    main()
