"""Writes tick after tick into both stores and says when each is safe, until it is killed.

Usage: tick_writer.py FOLDER [--fold]. With --fold it also folds while it writes; a tick is then ten minutes.
"""

import asyncio
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[3]))

from collector.history import due as folding
from collector.history.sqlite import SqliteHistory
from collector.history.store import Wire, WireReading
from collector.ledger import Ledger
from collector.ledger.records import AlarmLine, JournalLine, Outgoing
from rules.reading import Reading, Silence, Stamp

folding.HELD_ROWS = 100  # type: ignore[misc]  # so that hours are folded too, and days at once
folding.WAITING_ROWS = 100  # type: ignore[misc]
START = datetime(2026, 3, 1, tzinfo=UTC)
UNITS = tuple(f"U{n}" for n in range(20))


class Plain:
    """Takes every integer as it comes."""

    def object_of(self, quantity: str, line: int | None) -> str | None:
        return "upsOutputPower.1"

    def value(self, object_name: str, raw: Wire, corrections: str) -> float | None:
        return float(raw) if isinstance(raw, int) else None

    def reading(self, record: WireReading) -> Reading | Silence:
        raise NotImplementedError


def tick_of(number: int, step_s: int) -> list[WireReading]:
    at = START + timedelta(seconds=number * step_s)
    return [
        WireReading(unit, Stamp(at, float(number), "s"), float(step_s), "none", {"upsOutputPower.1": number})
        for unit in UNITS
    ]


async def main(folder: Path, fold: bool) -> None:
    step_s = 600 if fold else 10
    async with (
        SqliteHistory(folder / "history.sqlite", Plain()) as history,
        Ledger(folder / "ledger.sqlite") as ledger,
    ):
        last = await history.last(UNITS[0])
        number = 0 if last is None else int(last.wire["upsOutputPower.1"] or 0) + 1
        while True:
            at = START + timedelta(seconds=number * step_s)
            await history.append(tick_of(number, step_s))
            print("history", number, flush=True)
            async with ledger.transaction() as tx:
                tx.save_alarm(AlarmLine("a", "k", "U0", "minor", "normal", at, body={"number": number}))
                tx.add_event(JournalLine(at, "k", "U0", str(number)))
                for n in range(3):
                    tx.enqueue(Outgoing(f"m{number}.{n}", "mail", "x", "i", at, at))
            print("ledger", number, flush=True)
            if fold and number % 10 == 0:
                await history.tend(at)
            number += 1


asyncio.run(main(Path(sys.argv[1]), "--fold" in sys.argv))
