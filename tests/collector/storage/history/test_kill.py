"""Killed with -9 at any moment, folding, letting go and backing up too: at most the tick in flight is lost."""

import gzip
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.database import StoreError, damage
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Meaning
from collector.storage.history.tables.schema import GONE, STEPS
from collector.storage.ledger import Ledger
from collector.storage.maintenance.backup import restore, verify
from tests.collector.storage.history.tick_writer import EXACT_DAYS, KEPT_TICKS, TICKS_A_DAY, Plain

WRITER = Path(__file__).with_name("tick_writer.py")
OPENER = Path(__file__).with_name("killed_opening.py")
DATA = Path(__file__).resolve().parents[3] / "data"
START = datetime(2026, 3, 1, tzinfo=UTC)
AN_HOUR = TICKS_A_DAY // 24


def write_until_killed(folder: Path, after_s: float, *options: str) -> dict[str, int]:
    """Return the last tick that each store had called safe, and the last backup that was called whole."""
    command = [sys.executable, str(WRITER), str(folder), *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        first = writer.stdout.readline().split()
        time.sleep(after_s)
        writer.send_signal(signal.SIGKILL)
        lines = [first, *(line.split() for line in writer.stdout if line.endswith("\n"))]
    return {store: int(number) for store, number in lines}


async def ticks_of(history: SqliteHistory, unit: str) -> list[int]:
    newest = await history.last(unit)
    assert newest is not None
    readings = history.readings(unit, START, newest.at + timedelta(seconds=1))
    return [int(str(r.wire["upsOutputPower.1"])) async for r in readings]


async def check(folder: Path, meaning: Meaning, safe: dict[str, int]) -> None:
    """Demand that both stores verify and hold every tick they had called safe, and at most one more."""
    async with SqliteHistory(folder / "history.sqlite", meaning) as history:
        assert await history.database.read(damage) == []
        ticks = await ticks_of(history, "U0")
        assert ticks == list(range(len(ticks)))
        assert ticks[-1] in (safe["history"], safe["history"] + 1)
        assert await ticks_of(history, "U19") == ticks
    await check_ledger(folder, safe)


async def check_ledger(folder: Path, safe: dict[str, int]) -> None:
    """Demand of the ledger that what belongs together is there together."""
    async with Ledger(folder / "ledger.sqlite") as ledger:
        alarm = await ledger.alarm("a")
        assert alarm is not None
        number = alarm.body["number"]
        assert "ledger" not in safe or number in (safe["ledger"], safe["ledger"] + 1)
        assert (await ledger.events(limit=1)).items[0].text == str(number)
        assert {m.id for m in (await ledger.messages(limit=3)).items} == {f"m{number}.{n}" for n in range(3)}
        counts = await ledger.counts()
        assert counts["outbox"] == 3 * counts["journal"]


async def check_what_is_left(folder: Path, safe: dict[str, int]) -> int:
    """Demand that only what is old and not kept for ever is gone, and summed up; return how many unit-days are."""
    async with SqliteHistory(folder / "history.sqlite", Plain()) as history:
        for unit in ("U0", "U19"):
            ticks = await ticks_of(history, unit)
            assert ticks == sorted(set(ticks))
            assert ticks[-1] in (safe["history"], safe["history"] + 1)
            days = (ticks[-1] + 1) // TICKS_A_DAY
            sure = max(days - EXACT_DAYS, 0) * TICKS_A_DAY
            kept = [n for n in range(sure) if unit == "U0" and n % TICKS_A_DAY < KEPT_TICKS]
            assert set(ticks) >= {*kept, *range(sure, ticks[-1] + 1)}
            span = (START, START + timedelta(days=days))
            hours = await history.series(
                unit, "output_power_w", line=1, start=span[0], end=span[1], points=24 * days
            )
            for n, bucket in enumerate(hours):
                first, last = n * AN_HOUR, n * AN_HOUR + AN_HOUR - 1
                assert (bucket.min, bucket.mean, bucket.max) == (first, (first + last) / 2, last)
                assert bucket.good_count == bucket.expected_count == AN_HOUR
        gone: int = await history.database.read(
            lambda c: c.execute("SELECT count(*) FROM folded WHERE retired = ?", (GONE,)).fetchone()[0]
        )
    assert verify(folder).findings == ()
    return gone


async def check_copies(folder: Path, safe: dict[str, int]) -> tuple[int, int]:
    """Demand that each backup is whole and sound or refused; return how many were so, and take them away."""
    whole = refused = 0
    for copy in sorted((folder / "copies").iterdir()):
        restored = folder / "restored"
        try:
            verified = restore(copy, restored)
        except StoreError as error:
            if not error.what.startswith("not a whole backup") or int(copy.name) <= safe.get("backup", -1):
                raise
            refused += 1
        else:
            assert verified.findings == ()
            whole += 1
            async with SqliteHistory(restored / "history.sqlite", Plain()) as history:
                ticks = await ticks_of(history, "U0")
                assert ticks == list(range(len(ticks)))
                assert await ticks_of(history, "U19") == ticks
            await check_ledger(restored, {})
        shutil.rmtree(restored, ignore_errors=True)
        shutil.rmtree(copy)
    return whole, refused


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kills", "options"), [(3, ()), (3, ("--fold",))], ids=["while_writing", "while_folding"]
)
async def test_kills_lose_at_most_the_tick_in_flight(
    tmp_path: Path, meaning: Meaning, kills: int, options: tuple[str, ...]
) -> None:
    draw = random.Random(7)
    for _ in range(kills):
        safe = write_until_killed(tmp_path, draw.uniform(0.0, 0.4), *options)
        await check(tmp_path, meaning, safe)


@pytest.mark.slow
async def test_kills_while_it_lets_go_leave_what_is_kept_and_true_summaries_of_the_rest(
    tmp_path: Path,
) -> None:
    gone = []
    for after_s in (0.6, 1.2):
        safe = write_until_killed(tmp_path, after_s, "--let-go")
        gone.append(await check_what_is_left(tmp_path, safe))
        await check_ledger(tmp_path, safe)
    assert gone[-1] > 0


@pytest.mark.slow
async def test_a_backup_that_a_kill_cuts_off_is_refused_and_every_other_is_whole(tmp_path: Path) -> None:
    found = []
    for after_s in (0.3, 0.6):
        safe = write_until_killed(tmp_path, after_s, "--back-up")
        await check(tmp_path, Plain(), safe)
        found.append(await check_copies(tmp_path, safe))
    assert sum(whole for whole, _ in found) > 0


def opened_and_killed(old: Path, folder: Path) -> list[Path]:
    """Return copies of a store, each opened by a process that was killed a statement later; the last was not."""
    subprocess.run([sys.executable, str(OPENER), str(old), str(folder)], check=True)
    return sorted(folder.glob("*/history.sqlite"), key=lambda path: int(path.parent.name))


@pytest.mark.slow
async def test_a_kill_anywhere_in_a_step_of_the_schema_leaves_the_old_one_whole(
    tmp_path: Path, meaning: Meaning
) -> None:
    old = tmp_path / "old.sqlite"
    old.write_bytes(gzip.decompress((DATA / "history-schema-1.sqlite.gz").read_bytes()))
    copies = opened_and_killed(old, tmp_path)
    assert len(copies) == len(STEPS[1]) + 3, (
        "each statement, the version's own, the commit, and one not killed"
    )
    found = []
    for path in copies:
        with closing(sqlite3.connect(path)) as connection:
            (version,) = connection.execute("PRAGMA user_version").fetchone()
            tables = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
        assert (version, "runs" in tables) == ((1, False) if path != copies[-1] else (2, True))
        async with SqliteHistory(path, meaning) as history:
            newest = await history.last("A1")
            assert newest is not None
            span = (START, newest.at + timedelta(seconds=1))
            found.append([r async for r in history.readings("A1", *span)])
        assert verify(path.parent).findings == ()
    assert len(found[0]) > 100
    assert all(readings == found[0] for readings in found)
