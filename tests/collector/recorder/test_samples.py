"""What an answer is in the history: bounded, however long a card goes on like that."""

import asyncio
import sqlite3
from contextlib import closing, suppress
from pathlib import Path

import pytest

from collector.cards.corrections.learning import Learning
from collector.cards.mib.interpretation import CardMeaning
from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import CardRead
from collector.cards.polling.poller import Answer, Poller
from collector.cards.polling.schedule import Cadence
from collector.process.clock import TurnedClock
from collector.recorder.samples import Samples
from collector.storage.history.sqlite import SqliteHistory
from rules.plant.reading import Fault
from tests.rules.sample_plants import NOON, estate


class Surprising:
    """A card whose every reply, another each time, brings out a fault of our own."""

    def __init__(self) -> None:
        self.read_count = 0

    async def read(self, parts: frozenset[TablePart]) -> CardRead:
        self.read_count += 1
        error = ZeroDivisionError("a length nobody thought of" * 100)
        error.add_note(f"while reading the datagram {self.read_count:02048x}")
        raise error


async def test_a_card_that_always_brings_out_a_fault_fills_neither_history_nor_messages_with_its_datagrams(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    plant = estate(1)
    (card,) = plant.cards
    clock, answers = TurnedClock(NOON), asyncio.Queue[Answer]()
    polling = asyncio.create_task(Poller(card, Surprising(), Cadence(), clock, answers).run())
    samples = Samples(plant, Learning(plant))
    path = tmp_path / "history.sqlite"
    async with SqliteHistory(path, CardMeaning(lambda _: None)) as history:
        for _ in range(30):
            while answers.empty():
                await clock.advance(5.0)
            kept, sample = samples.of(await answers.get())
            await history.append([kept])
            assert isinstance(sample, Fault)
            assert sample.what.startswith("ZeroDivisionError: a length nobody")
            assert len(sample.what) == 160
    polling.cancel()
    with suppress(asyncio.CancelledError):
        await polling
    (line,) = caplog.records
    assert line.exc_info is not None
    assert getattr(line.exc_info[1], "__notes__")[0].endswith("0001")  # noqa: B009 - the first datagram, once
    with closing(sqlite3.connect(path)) as connection:
        texts = [str(value, "utf-8") for (value,) in connection.execute("SELECT value FROM texts")]
    assert [len(text) for text in texts if text.startswith("ZeroDivisionError")] == [160]
    assert sum(map(len, texts)) < 400
