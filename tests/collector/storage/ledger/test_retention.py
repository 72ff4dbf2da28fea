"""The ledger lets go of what sent messages said, long after, and of nothing that tells what happened."""

import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.database import StoreError, StoreFault
from collector.storage.ledger import Ledger, retention
from collector.storage.ledger.records import JournalLine, JudgementLine, Outgoing, Sending
from collector.storage.ledger.retention import LET_GO, let_go
from collector.storage.maintenance.backup import verify

NOW = datetime(2026, 3, 1, tzinfo=UTC)
DAY = timedelta(days=1)


def message(number: int, age: timedelta) -> Outgoing:
    body = {"text": f"message {number}"}
    return Outgoing(f"m{number}", "mail", "a@b.example", "i", NOW - age, NOW - age, body=body)


async def test_old_messages_keep_their_line_and_lose_their_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "STEP_ROWS", 2)
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        async with ledger.transaction() as tx:
            for number, age in enumerate((2000, 1500, 1101, 1099, 1)):
                tx.enqueue(message(number, age * DAY))
            tx.add_event(JournalLine(NOW - 5000 * DAY, "k", "A1", "long ago"))
            for number in (0, 2, 3, 4):
                tx.sent(f"m{number}", "250 ok")
        assert await let_go(ledger, NOW, message_days=1100) == 2
        found = {m.id: m for m in (await ledger.messages()).items}
        assert [found[f"m{n}"].schema == LET_GO for n in range(5)] == [True, False, True, False, False]
        assert (found["m0"].body, found["m0"].sending, found["m0"].result) == ({}, Sending.SENT, "250 ok")
        assert found["m1"].body == {"text": "message 1"}  # it waits still, and must arrive whole
        assert found["m3"].body == {"text": "message 3"}
        assert (await ledger.events()).items[0].text == "long ago"
        assert await let_go(ledger, NOW, message_days=1100) == 0
    assert verify(tmp_path).findings == ()


async def test_of_old_judgements_the_last_of_each_day_and_subject_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "STEP_ROWS", 3)
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        async with ledger.transaction() as tx:
            for day in (0, 1, 500):
                for hour in (1, 5, 9):
                    for bank in ("B1", "B2"):
                        at = NOW - timedelta(days=500) + timedelta(days=day, hours=hour)
                        tx.add_judgement(JudgementLine(bank, at, f"{day} {hour}", 1))
        assert await let_go(ledger, NOW, message_days=1100) == 2 * 2 * 2
        for bank in ("B1", "B2"):
            left = [line.digest for line in (await ledger.judgements(bank)).items]
            assert left == ["500 9", "500 5", "500 1", "1 9", "0 9"]
    assert verify(tmp_path).findings == ()


async def test_a_pass_cut_off_is_done_by_the_next(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(retention, "STEP_ROWS", 2)
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        async with ledger.transaction() as tx:
            for number in range(7):
                tx.enqueue(message(number, 2000 * DAY))
                tx.give_up(f"m{number}", "no such person")
        write, steps = ledger.database.write, 0

        async def failing(work: Callable[[sqlite3.Connection], object]) -> object:
            nonlocal steps
            steps += 1
            if steps == 3:
                raise StoreError("ledger.sqlite", StoreFault.FULL, "full store")
            return await write(work)

        monkeypatch.setattr(ledger.database, "write", failing)
        with pytest.raises(StoreError):
            await let_go(ledger, NOW, message_days=1100)
        assert sum(m.schema == LET_GO for m in (await ledger.messages()).items) == 4
        assert await let_go(ledger, NOW, message_days=1100) == 3
