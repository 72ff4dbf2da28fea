"""What a start reads back: nothing a clock ahead has stamped, and as much as a store gives in time."""

import asyncio
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import cast

import pytest

from collector.cards.corrections.learning import Learning
from collector.cards.mib.correction_set import STANDARD
from collector.process.clock import TurnedClock
from collector.recorder.startup import last_readings
from collector.storage.database import StoreError, StoreFault
from collector.storage.history.store import HistoryStore, WireReading
from rules.alarms.plant_memory import UnitMemory
from rules.monitor.state import WatchState
from rules.plant.reading import Stamp
from tests.collector.cards.sample_cards import GOOD
from tests.collector.restarting import DARK, Collector
from tests.rules.sample_plants import NOON, estate

YEAR = timedelta(days=365)
PLANT = estate(3)


@pytest.mark.parametrize("folded", [False, True], ids=["fresh", "folded"])
async def test_an_outage_read_with_the_clock_a_year_ahead_does_not_come_back_at_every_restart(
    tmp_path: Path, folded: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("collector.storage.history.compaction.due.WAITING_ROWS", 0)
    one = Collector(tmp_path)
    one.clock.at = one.clock.began = NOON + YEAR
    await one.start()
    await one.give(*(one.answer(unit, DARK) for unit in ("A1", "A2")))
    await one.kill()
    one.clock.at = one.clock.began = NOON  # the time service has set it right, and the mains is back
    await one.start()
    for _ in range(30):
        await one.give(*(one.answer(unit, GOOD) for unit in ("A1", "A2")))
        one.clock.at += timedelta(seconds=5)
    seen = len(one.told)
    if folded:
        await one.recorder._history.tend(NOON + YEAR + timedelta(days=2))
    await one.kill()
    await one.start()
    assert {u: r.on_battery for u, r in one.present.readings.items()} == {"A1": False, "A2": False}
    assert {r.at for r in one.present.readings.values()} == {one.clock.at - timedelta(seconds=5)}
    assert not any(m.on_battery for m in one.recorder.state.units.values())
    assert len(one.told) == seen
    await one.stack.aclose()


class Hanging:
    """A history that never answers for some units, and fails for others."""

    def __init__(self, *hangs: str, away: str = "") -> None:
        self.hangs = hangs
        self.away = away
        self.asked: list[str] = []

    async def last(self, unit: str) -> WireReading:
        self.asked.append(unit)
        if unit in self.hangs:
            await asyncio.Event().wait()
        if unit == self.away:
            raise StoreError("server", StoreFault.AWAY, "no answer")
        return WireReading(unit, Stamp(NOON, 5.0, "before"), 5.0, STANDARD.id, {"upsBatteryVoltage": 5450})


async def units_read(history: Hanging, state: WatchState) -> list[str]:
    kept, clock = cast("HistoryStore", history), TurnedClock(NOON)
    async with asyncio.timeout(10):
        return list(await last_readings(PLANT, kept, Learning(PLANT), state, clock))


async def test_a_unit_whose_answer_hangs_keeps_no_other_from_being_read_back(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("collector.recorder.startup.ONE_WITHIN_S", 0.01)
    assert await units_read(Hanging("A1"), WatchState()) == ["A2", "A3"]


async def test_a_store_that_hangs_is_left_after_a_while_and_units_on_battery_came_first(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("collector.recorder.startup.READ_BACK_WITHIN_S", 0.01)
    state = replace(WatchState(), units={"A3": UnitMemory("A3", on_battery=True)})
    history = Hanging("A1", "A2")
    assert await units_read(history, state) == ["A3"]
    assert history.asked == ["A3", "A1"]


async def test_a_store_that_is_away_is_not_asked_for_every_unit() -> None:
    history = Hanging(away="A2")
    assert await units_read(history, WatchState()) == ["A1"]
    assert history.asked == ["A1", "A2"]
