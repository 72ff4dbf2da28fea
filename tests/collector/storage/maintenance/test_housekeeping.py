"""The history is folded while the service runs, and trouble with it is said, not fatal."""

import asyncio
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.process.clock import NeverSet, stamp
from collector.storage.database import StoreError, StoreFault
from collector.storage.history.sqlite import SqliteHistory
from collector.storage.history.store import HistoryStore, WireReading
from collector.storage.ledger import Ledger
from collector.storage.maintenance.clock_trust import LettingGo
from collector.storage.maintenance.exact_retention import ExactSpans
from collector.storage.maintenance.housekeeping import EVERY_S, Tidying
from rules.plant.reading import Stamp
from tests.bench.store_against_influxdb import Plain
from tests.rules.sample_plants import estate

NOW = datetime(2026, 3, 2, 5, tzinfo=UTC)


class Turned(NeverSet):
    """A clock whose every wait is over at once, for so many waits."""

    start_id = "s"

    def __init__(self, waits: int) -> None:
        self.waits = waits
        self.slept: list[float] = []

    def now(self) -> datetime:
        return NOW

    def monotonic_s(self) -> float:
        return 0.0

    async def sleep_until(self, monotonic_s: float) -> None:
        self.slept.append(monotonic_s)
        if len(self.slept) > self.waits:
            raise asyncio.CancelledError
        await asyncio.sleep(0)

    def call_at(self, monotonic_s: float, wake: Callable[[], object]) -> Callable[[], object]:
        raise AssertionError(f"nothing calls {wake} here at {monotonic_s}")


def tidying_of(history: HistoryStore, ledger: Ledger, clock: Turned) -> Tidying:
    async def keep_all(_now: datetime) -> None: ...

    spans = ExactSpans(estate(2), history, ledger, clock)
    return Tidying(history, clock, spans, LettingGo(ledger, clock), keep_all)


async def test_what_is_old_enough_is_folded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)
    clock = Turned(1)
    async with (
        SqliteHistory(tmp_path / "history.sqlite", Plain()) as history,
        Ledger(tmp_path / "ledger.sqlite") as ledger,
    ):
        old = Stamp(datetime(2026, 3, 1, 2, tzinfo=UTC), 1.0, "s")
        await history.append([WireReading("A1", at, 10.0, "none", {"one": 1}) for at in (old, stamp(clock))])
        tidying = tidying_of(history, ledger, clock)
        with pytest.raises(asyncio.CancelledError):
            await tidying.run()
        hot = await history.database.read(lambda c: c.execute("SELECT count(*) FROM hot").fetchone()[0])
        assert hot == 1
        assert tidying.trouble is None
    assert clock.slept == [EVERY_S, 2 * EVERY_S]


class Full:
    """A history whose disk is full until told otherwise."""

    full = True
    tended = 0

    async def tend(self, now: datetime, *, let_go: bool = True) -> tuple[str, ...]:
        self.tended += 1
        if self.full:
            raise StoreError("history.sqlite", StoreFault.FULL, "full store")
        return ()


async def test_a_full_disk_is_said_and_passes(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    history = Full()
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        tidying = tidying_of(history, ledger, Turned(0))  # type: ignore[arg-type]
        await tidying.once()
        await tidying.once()
        assert tidying.trouble is not None
        assert "free space" in tidying.trouble
        assert len(caplog.records) == 1  # said once, not every minute
        history.full = False
        await tidying.once()
        assert tidying.trouble is None


async def test_a_ledger_that_is_away_keeps_no_history_from_being_tended(tmp_path: Path) -> None:
    history = Full()
    history.full = False
    ledger = Ledger(tmp_path / "ledger.sqlite")
    await ledger.close()
    tidying = tidying_of(history, ledger, Turned(0))  # type: ignore[arg-type]
    await tidying.once()
    assert history.tended == 1
    assert tidying.trouble is not None
    assert "ledger.sqlite" in tidying.trouble
