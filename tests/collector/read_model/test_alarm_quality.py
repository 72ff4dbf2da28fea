"""The figures of alarm quality, from what the watch put into the journal."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from collector.read_model.alarm_quality import quality_between
from collector.recorder.journal_lines import save_change
from collector.storage.ledger import Ledger
from rules.alarms.lifecycle.alarm import Happened
from rules.alarms.lifecycle.states import AlarmEvent, Effect
from rules.monitor.state import Book, WatchState
from rules.monitor.step import step
from tests.rules.day import recorded_day
from tests.rules.sample_plant import START, estate


async def test_what_was_told_of_a_day_is_counted_and_what_was_suppressed_is_not(tmp_path: Path) -> None:
    state, book = WatchState(), Book(estate())
    told = 0
    async with Ledger(tmp_path / "ledger.db") as ledger:
        async with ledger.transaction() as tx:
            for given in recorded_day():
                state, changes = step(state, given, book)
                for change in changes:
                    save_change(tx, change)
                    if isinstance(change, Happened) and Effect.TELL in change.effects:
                        told += change.event in (AlarmEvent.OCCUR, AlarmEvent.RELEASE_PRESENT)
        figures = await quality_between(ledger, START, START + timedelta(days=1))
        assert told > 10
        assert figures.count == told
        assert figures.floods == 1, "ten units on battery within ten minutes, and their odd one"
        assert figures.verdict == "acceptable"
        with pytest.raises(ValueError, match="must not end"):
            await quality_between(ledger, START, START - timedelta(days=1))
