"""Killed with -9 at any moment, at most the tick in flight is lost, and both stores verify."""

import random
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.database import damage
from collector.history.sqlite import SqliteHistory
from collector.history.store import Meaning
from collector.ledger import Ledger

WRITER = Path(__file__).with_name("tick_writer.py")
START = datetime(2026, 3, 1, tzinfo=UTC)


def write_until_killed(folder: Path, after_s: float, *options: str) -> dict[str, int]:
    """Return the last tick that each store had called safe."""
    command = [sys.executable, str(WRITER), str(folder), *options]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
        assert writer.stdout is not None
        first = writer.stdout.readline().split()
        time.sleep(after_s)
        writer.send_signal(signal.SIGKILL)
        lines = [first, *(line.split() for line in writer.stdout if line.endswith("\n"))]
    return {store: int(number) for store, number in lines}


async def check(folder: Path, meaning: Meaning, safe: dict[str, int]) -> None:
    """Demand that both stores verify and hold every tick they had called safe, and at most one more."""
    async with SqliteHistory(folder / "history.sqlite", meaning) as history:
        assert await history.database.read(damage) == []
        span = (START, START + timedelta(days=300))
        ticks = [int(str(r.wire["upsOutputPower.1"])) async for r in history.readings("U0", *span)]
        assert ticks == list(range(len(ticks)))
        assert ticks[-1] in (safe["history"], safe["history"] + 1)
        others = [int(str(r.wire["upsOutputPower.1"])) async for r in history.readings("U19", *span)]
        assert others == ticks
    async with Ledger(folder / "ledger.sqlite") as ledger:
        alarm = await ledger.alarm("a")
        assert alarm is not None
        number = alarm.body["number"]
        assert "ledger" not in safe or number in (safe["ledger"], safe["ledger"] + 1)
        assert (await ledger.events(limit=1)).items[0].text == str(number)
        assert {m.id for m in (await ledger.messages(limit=3)).items} == {f"m{number}.{n}" for n in range(3)}
        counts = await ledger.counts()
        assert counts["outbox"] == 3 * counts["journal"]


@pytest.mark.slow
@pytest.mark.parametrize("options", [(), ("--fold",)], ids=["while_writing", "while_folding"])
async def test_kills_lose_at_most_the_tick_in_flight(
    tmp_path: Path, meaning: Meaning, options: tuple[str, ...]
) -> None:
    draw = random.Random(7)
    for _ in range(5):
        safe = write_until_killed(tmp_path, draw.uniform(0.0, 0.4), *options)
        await check(tmp_path, meaning, safe)
