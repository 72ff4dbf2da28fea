"""What a disk does not take waits, is read as if it were written, and is written in order once there is room."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from collector.storage.database import StoreError, StoreFault
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import (
    AlarmLine,
    Corrections,
    CourseLine,
    EngineBoots,
    Evidence,
    IncidentLine,
    JournalLine,
    Outgoing,
    Sending,
    SignedLine,
    Snapshot,
)
from collector.storage.ledger.rows import TABLES, shape_of

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture
async def ledger(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Ledger]:
    monkeypatch.setattr("collector.storage.ledger.ledger.TRY_EVERY_S", 0.0)
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        yield ledger


async def room(ledger: Ledger, pages: int | None) -> None:
    """Let the file grow by so many pages at most; None: as it likes."""

    def work(connection: sqlite3.Connection) -> None:
        used = connection.execute("PRAGMA page_count").fetchone()[0]
        most = 2**30 if pages is None else used + pages
        connection.execute(f"PRAGMA max_page_count={most}").fetchone()

    await ledger.database.write(work)


def message(name: str, order_key: str = "i1") -> Outgoing:
    return Outgoing(name, "mail", "desk", order_key, NOW, NOW, body={"text": "x" * 4000})


def line(text: str) -> JournalLine:
    return JournalLine(NOW, "kind", "A1", text, body={"text": "x" * 4000})


async def stored(ledger: Ledger, table: str) -> int:
    """Return how many lines of a table are on the disk."""
    return await ledger.database.read(lambda c: int(c.execute(f"SELECT count(*) FROM {table}").fetchone()[0]))


async def test_what_waits_is_read_as_if_it_were_written_and_then_written_once_and_in_order(
    ledger: Ledger,
) -> None:
    async with ledger.transaction() as tx:
        tx.add_event(line("first"))
    await room(ledger, 0)
    for number in range(20):
        async with ledger.transaction() as tx:
            tx.add_event(line(f"waits {number}"))
            tx.save_alarm(AlarmLine("a", "k", "A1", "minor", f"state {number}", NOW))
            tx.save_snapshot(Snapshot("watch", NOW, "s", {"number": number, "more": "x" * 4000}))
        assert tx.journal[0].seq == number + 2
    assert ledger.trouble is not None
    assert "free space" in ledger.trouble
    assert await stored(ledger, "journal") == 1
    texts = ["first", *(f"waits {n}" for n in range(20))]
    assert [e.text for e in (await ledger.events(after=0)).items] == texts
    assert [a.state for a in await ledger.standing_alarms()] == ["state 19"]
    assert ledger.waiting_count == 20 + 2  # of what is kept whole each time only the newest waits
    assert not await ledger.write_waiting()

    await room(ledger, None)
    assert await ledger.write_waiting()
    assert ledger.waiting_count == 0
    assert await stored(ledger, "journal") == 21
    assert [e.text for e in (await ledger.events(after=0)).items] == texts
    kept = await ledger.snapshot("watch")
    assert kept is not None
    assert kept.body["number"] == 19


async def test_a_message_made_on_a_full_disk_is_due_goes_once_and_is_kept_as_sent(ledger: Ledger) -> None:
    async with ledger.transaction() as tx:
        tx.enqueue(message("before", "i0"))
    await room(ledger, 0)
    async with ledger.transaction() as tx:
        tx.enqueue(message("meanwhile"))
        tx.enqueue(message("second of its incident"))
    assert [m.id for m in await ledger.due(NOW)] == ["before", "meanwhile"]
    async with ledger.transaction() as tx:
        tx.sent("before", "250 ok")
        tx.sent("meanwhile", "250 ok")
        tx.add_event(line("sent"))
    async with ledger.transaction() as tx:
        tx.enqueue(message("meanwhile"))  # made again: it is known by its id
    assert [m.id for m in await ledger.due(NOW)] == ["second of its incident"]
    await room(ledger, None)
    assert await ledger.write_waiting()
    assert [m.id for m in await ledger.due(NOW)] == ["second of its incident"]
    sent = (await ledger.messages(sending=Sending.SENT)).items
    assert sorted(m.id for m in sent) == ["before", "meanwhile"]
    assert {m.attempts for m in sent} == {1}


async def test_while_another_program_holds_the_file_nothing_is_sent_twice(
    tmp_path: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    async with ledger.transaction() as tx:
        tx.enqueue(message("one"))
    await ledger.database.on_writer(lambda: ledger.database._writer.execute("PRAGMA busy_timeout=10"))
    other = sqlite3.connect(ledger.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        async with ledger.transaction() as tx:
            tx.sent("one", "250 ok")
        assert ledger.trouble is not None
        assert "other program" in ledger.trouble
        assert await ledger.due(NOW) == ()
        assert (await ledger.messages(sending=Sending.WAITING)).items == ()
    finally:
        other.execute("ROLLBACK")
        other.close()
    assert await ledger.write_waiting()
    assert (await ledger.messages(sending=Sending.WAITING)).items == ()


async def test_what_the_program_may_not_write_is_no_ailing_disk(ledger: Ledger) -> None:
    signed = SignedLine("p", "A", NOW, NOW, "ada", body={})
    async with ledger.transaction() as tx:
        tx.add_signed(signed)

    async def again() -> None:
        async with ledger.transaction() as tx:
            tx.add_signed(signed)

    with pytest.raises(StoreError) as caught:
        await again()
    assert caught.value.fault is StoreFault.UNFIT
    assert ledger.waiting_count == 0


async def test_a_commit_whose_waiter_is_cancelled_is_known_for_what_it_was(ledger: Ledger) -> None:
    await room(ledger, 0)
    for number in range(30):
        async with ledger.transaction() as tx:
            tx.add_event(line(f"waits {number}"))
    await room(ledger, None)
    writing = asyncio.create_task(ledger.write_waiting())
    await asyncio.sleep(0)
    writing.cancel()
    with pytest.raises(asyncio.CancelledError):
        await writing
    assert await ledger.write_waiting()
    assert await stored(ledger, "journal") == 30


async def test_what_waits_at_a_stop_is_written_if_the_disk_has_room_by_then(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        await room(ledger, 0)
        async with ledger.transaction() as tx:
            tx.add_event(line("late"))
            tx.add_event(line("later"))
        assert ledger.waiting_count == 2
        await room(ledger, None)
    async with Ledger(tmp_path / "ledger.sqlite") as again:
        assert [e.text for e in (await again.events(after=0)).items] == ["late", "later"]


@pytest.mark.parametrize(
    "kind", [AlarmLine, IncidentLine, Evidence, Corrections, Snapshot, EngineBoots, CourseLine]
)
async def test_the_first_column_of_what_is_saved_whole_is_its_key(ledger: Ledger, kind: type[object]) -> None:
    table = TABLES[kind]
    columns = await ledger.database.read(lambda c: c.execute(f"PRAGMA table_info({table})").fetchall())
    assert [name for _, name, *_, key in columns if key] == [columns[0][1]]
    assert columns[0][1] == shape_of(kind).columns[0]


async def test_days_on_a_full_disk_cost_what_happened_and_not_what_was_said_of_it(ledger: Ledger) -> None:
    await room(ledger, 0)
    for number in range(300):
        async with ledger.transaction() as tx:
            at = NOW + timedelta(seconds=number)
            tx.save_snapshot(Snapshot("watch", at, "s", {"more": "x" * 4000}))
            tx.save_evidence(Evidence("e", "B1", "outage", NOW, None, content=bytes(100_000)))
    assert ledger.waiting_count == 2


async def test_a_long_read_does_not_hold_up_the_closing(tmp_path: Path) -> None:
    endless = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT count(*) FROM n"
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        reading = asyncio.ensure_future(ledger.database.read(lambda c: c.execute(endless).fetchone()))
        await asyncio.sleep(0.1)
        async with asyncio.timeout(10):
            await ledger.close()
        with pytest.raises(StoreError, match="interrupted"):
            await reading
