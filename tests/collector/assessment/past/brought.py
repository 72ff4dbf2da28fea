"""What the tests of a site's past share: a plant, its stores in a folder, and a file taken on as the running service does."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import date, datetime, timedelta, tzinfo
from pathlib import Path

from collector.assessment.past.reading_file import HowToRead, MadeReady, make_ready
from collector.assessment.past.taking import TakesPast
from collector.assessment.past.taking_back import TakesBack
from collector.cards.mib.correction_set import STANDARD
from collector.cards.mib.interpretation import CardMeaning
from collector.process.clock import TurnedClock
from collector.recorder.trackers.load_backfill import fill_anew, fill_between
from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import WireReading
from collector.storage.ledger import Ledger
from rules.plant.estate import Estate
from rules.plant.reading import Stamp
from rules.system.load.record import PeakRecord
from tests.rules.sample_plants import NOON, estate

ESTATE = estate()
ONE = estate(1)
DATA = Path(__file__).parents[3] / "data" / "imports"


@dataclass
class Stores:
    """A data folder's stores, open."""

    folder: Path
    history: SqliteHistory
    ledger: Ledger
    record: PeakRecord
    takes: TakesPast
    clock: TurnedClock
    asked: list[str]
    """The banks that were asked to be judged anew."""


@asynccontextmanager
async def stores(folder: Path, plant: Estate = ESTATE) -> AsyncIterator[Stores]:
    clock = TurnedClock(NOON)
    meaning = CardMeaning({STANDARD.id: STANDARD}.get)
    record = PeakRecord((1, 2, 3))
    async with (
        SqliteHistory(folder / HISTORY_FILE, meaning) as history,
        Ledger(folder / LEDGER_FILE) as ledger,
    ):

        async def filled(system: str, start: datetime, end: datetime) -> None:
            await fill_between(record, plant, system, history, start, end, clock.now())

        async def anew(system: str, days: Sequence[date]) -> None:
            await fill_anew(record, plant, system, history, days, clock.now())

        asked: list[str] = []
        back = TakesBack(folder, plant, history, ledger, clock, anew=anew, ask=asked.append)
        takes = TakesPast(folder, plant, history, ledger, clock, filled=filled, back=back.once)
        yield Stores(folder, history, ledger, record, takes, clock, asked)


def ready(
    folder: Path,
    path: Path,
    *columns: str,
    plant: Estate = ESTATE,
    keep: bool = True,
    unit: str | None = None,
    zone: tzinfo | None = None,
    form: str | None = None,
) -> MadeReady:
    how = HowToRead(columns, unit, zone, form)
    return make_ready(path, plant, how, folder, "R. Haugen", NOON, keep=keep)


def written(path: Path, header: str, rows: Sequence[str]) -> Path:
    path.write_text("\n".join([header, *rows]) + "\n", "utf-8")
    return path


def measured(unit: str, at: datetime, watts: int = 5000) -> WireReading:
    wire = {"upsOutputSource": 3, **{f"upsOutputPower.{n}": watts for n in (1, 2, 3)}}
    return WireReading(unit, Stamp(at, 0.0, "run"), 10.0, "standard", wire)


async def all_of(history: SqliteHistory, unit: str, days: int = 7) -> list[WireReading]:
    """Return a unit's readings of the first days that it has any of."""
    first = await history.first(unit)
    if first is None:
        return []
    start = first.replace(hour=0, minute=0, second=0, microsecond=0)
    return [one async for one in history.readings(unit, start, start + timedelta(days=days))]
