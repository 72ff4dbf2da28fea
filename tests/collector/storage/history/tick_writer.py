"""Writes tick after tick into both stores and says when each is safe, until it is killed.

Usage: tick_writer.py FOLDER [--fold] [--let-go] [--back-up]. With --fold it also folds while it writes; a tick is
then ten minutes. With --let-go it begins with some days and lets go of what is older than a day as well; ticks then
come in pairs, since readings a minute apart are kept for ever. With --back-up it also backs both stores up, over
and over, into FOLDER/copies.
"""

import asyncio
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[4]))

from collector.storage.history.compaction import due as folding
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import Wire, WireReading
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import AlarmLine, JournalLine, Outgoing
from collector.storage.maintenance.backup import backup
from rules.plant.reading import Reading, Silence, Stamp

START = datetime(2026, 3, 1, tzinfo=UTC)
UNITS = tuple(f"U{n}" for n in range(20))
EXACT_DAYS = 1
FIRST_DAYS = 4
TICKS_A_DAY = 144
KEPT_TICKS = 6
"""Of so many ticks at the beginning of each day the exact readings are kept for ever."""


class Plain:
    """Takes every integer as it comes."""

    def object_of(self, quantity: str, line: int | None) -> str | None:
        return "upsOutputPower.1"

    def value(self, object_name: str, raw: Wire, corrections: str) -> float | None:
        return float(raw) if isinstance(raw, int) else None

    def reading(self, record: WireReading) -> Reading | Silence:
        raise NotImplementedError


def moment_of(number: int, step_s: int, *, in_pairs: bool) -> datetime:
    """Return when a tick is: in its turn, or in pairs 20 s apart, as many on a day."""
    if in_pairs:
        return START + timedelta(seconds=number // 2 * 2 * step_s + number % 2 * 20)
    return START + timedelta(seconds=number * step_s)


def tick_of(number: int, at: datetime, step_s: int) -> list[WireReading]:
    return [
        WireReading(unit, Stamp(at, float(number), "s"), float(step_s), "none", {"upsOutputPower.1": number})
        for unit in UNITS
    ]


class Writer:
    """The writer's life, from the tick after the last one kept."""

    def __init__(self, folder: Path, options: list[str]) -> None:
        self.folder = folder
        self.lets_go, self.backs_up = "--let-go" in options, "--back-up" in options
        self.folds = self.lets_go or "--fold" in options
        self.step_s = 86_400 // TICKS_A_DAY if self.folds else 10
        self._begun = asyncio.Event()

    def at(self, number: int) -> datetime:
        return moment_of(number, self.step_s, in_pairs=self.lets_go)

    async def write(self) -> None:
        async with (
            SqliteHistory(
                self.folder / "history.sqlite", Plain(), exact_days=EXACT_DAYS if self.lets_go else 731
            ) as history,
            Ledger(self.folder / "ledger.sqlite") as ledger,
        ):
            jobs = [self._tick(history, ledger)]
            if self.backs_up:
                jobs.append(self._back_up())
            async with asyncio.TaskGroup() as group:
                for job in jobs:
                    group.create_task(job)

    async def _tick(self, history: SqliteHistory, ledger: Ledger) -> None:
        last = await history.last(UNITS[0])
        first = 0 if last is None else int(last.wire["upsOutputPower.1"] or 0) + 1
        if last is None and self.lets_go:
            first = FIRST_DAYS * TICKS_A_DAY
            await history.append([r for n in range(first) for r in tick_of(n, self.at(n), self.step_s)])
        for number in count(first):
            at = self.at(number)
            await history.append(tick_of(number, at, self.step_s))
            print("history", number, flush=True)
            async with ledger.transaction() as tx:
                tx.save_alarm(AlarmLine("a", "k", "U0", "minor", "normal", at, body={"number": number}))
                tx.add_event(JournalLine(at, "k", "U0", str(number)))
                for n in range(3):
                    tx.enqueue(Outgoing(f"m{number}.{n}", "mail", "x", "i", at, at))
            print("ledger", number, flush=True)
            self._begun.set()
            if self.lets_go and number % 10 == 0:
                for start, end in kept_spans(at):
                    await history.keep_exact(UNITS[0], start, end, "asked for")
            if self.folds and number % 10 == 0:
                await history.tend(at)

    async def _back_up(self) -> None:
        await self._begun.wait()  # there is nothing to copy before
        for number in count():
            target = self.folder / "copies" / f"{number}"
            if not target.exists():
                await asyncio.to_thread(backup, self.folder, target)
                print("backup", number, flush=True)


def kept_spans(at: datetime) -> Iterator[tuple[datetime, datetime]]:
    """Yield the last spans of which exact readings are asked to be kept for ever: the beginnings of days."""
    today = (at - START).days
    for day in range(max(today - FIRST_DAYS, 0), today + 1):
        start = START + timedelta(days=day)
        yield start, start + timedelta(days=KEPT_TICKS / TICKS_A_DAY)


if __name__ == "__main__":
    folding.HELD_ROWS = 100  # type: ignore[misc]  # so that hours are folded too, and days at once
    folding.WAITING_ROWS = 100  # type: ignore[misc]
    asyncio.run(Writer(Path(sys.argv[1]), sys.argv[2:]).write())
