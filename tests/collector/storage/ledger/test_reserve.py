"""What waits for a full disk survives a kill, and is neither lost, nor written twice, nor sent again."""

from __future__ import annotations

import random
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.storage.ledger import Ledger
from collector.storage.ledger.full_disk import Statement
from collector.storage.ledger.records import Evidence, JournalLine, Outgoing, Sending, Snapshot
from collector.storage.ledger.reserve import SLOT_BYTES, Reserve
from tests.small_disk import small_disk

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)


@pytest.fixture(autouse=True)
def asked_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("collector.storage.ledger.ledger.TRY_EVERY_S", 0.0)


def opened(folder: Path) -> Ledger:
    return Ledger(folder / "ledger.sqlite", reserve=folder / "reserve")


def message(name: str) -> Outgoing:
    return Outgoing(name, "mail", "desk", name, NOW, NOW, body={"text": "x" * 3000})


async def killed(ledger: Ledger) -> None:
    """Leave a ledger as a kill does: nothing is written on the way out."""
    await ledger.database.close()


async def test_a_kill_on_a_full_disk_loses_nothing_and_nothing_goes_out_or_is_written_twice(
    tmp_path: Path,
) -> None:
    with small_disk(tmp_path / "disk") as disk:
        ledger = opened(disk.folder)
        async with ledger.transaction() as tx:
            tx.enqueue(message("before"))
        disk.fill()
        async with ledger.transaction() as tx:
            tx.add_event(JournalLine(NOW, "mains_lost", "A", "Mains lost.", body={"x": "y" * 5000}))
            tx.save_snapshot(Snapshot("watch/numbers", NOW, "s", {"is": {"power-mains": 4}}))
            tx.enqueue(message("power-mains-4.1"))
        for number in range(10):
            async with ledger.transaction() as tx:
                tx.save_evidence(Evidence("e", "B1", "outage", NOW, None, content=bytes([number]) * 5000))
        async with ledger.transaction() as tx:
            tx.sent("before", "250 ok")
            tx.sent("power-mains-4.1", "250 ok")
        await killed(ledger)

        ledger = opened(disk.folder)  # the disk is full still
        assert await ledger.due(NOW) == ()
        numbers = await ledger.snapshot("watch/numbers")
        assert numbers is not None
        assert numbers.body == {"is": {"power-mains": 4}}
        async with ledger.transaction() as tx:
            tx.enqueue(message("power-mains-4.1"))
            tx.add_event(JournalLine(NOW, "supply_back", "A", "Back."))
        assert await ledger.due(NOW) == ()
        await killed(ledger)

        ledger = opened(disk.folder)
        disk.give_room()
        assert await ledger.write_waiting()
        await killed(ledger)  # between the commit and the next use of the reserve

        ledger = opened(disk.folder)
        assert ledger.waiting_count == 0
        assert [e.kind for e in (await ledger.events(after=0)).items] == ["mains_lost", "supply_back"]
        assert {m.id: m.sending for m in (await ledger.messages()).items} == {
            "before": Sending.SENT, "power-mains-4.1": Sending.SENT,
        }  # fmt: skip
        evidence = await ledger.one_evidence("e")
        assert evidence is not None
        assert evidence.content == bytes([9]) * 5000
        await ledger.close()


def test_a_torn_write_leaves_the_one_before(tmp_path: Path) -> None:
    reserve = Reserve(tmp_path / "reserve")
    first, second = (Statement("INSERT", (n, "text", b"\x00\xff", None, 1.5), ("t", n)) for n in ("a", "b"))
    reserve.write((first,))
    reserve.write((first, second))
    assert Reserve(reserve.path).found() == (first, second)
    newest = reserve.number % 2 * SLOT_BYTES
    with reserve.path.open("r+b") as file:
        file.seek(newest + 30)
        file.write(b"torn")
    again = Reserve(reserve.path)
    assert again.found() == (first,)
    again.write((second,))
    assert Reserve(reserve.path).found() == (second,)


def test_more_than_a_slot_holds_stays_in_memory_and_is_said_once(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:

    reserve, chance = Reserve(tmp_path / "reserve"), random.Random(1)
    small = Statement("INSERT", ("a",), ("t", "a"))
    reserve.write((small,))
    large = Statement("INSERT", (chance.randbytes(SLOT_BYTES),), ("t", "b"))
    for _ in range(3):
        reserve.write((small, large))
    assert not reserve.holds
    assert len([r for r in caplog.records if "in memory alone" in r.message]) == 1
    assert Reserve(reserve.path).found() == (small,)
    reserve.write((small, small))
    assert reserve.holds


def test_a_folder_that_takes_no_file_leaves_what_waits_in_memory(tmp_path: Path) -> None:
    reserve = Reserve(tmp_path / "missing" / "reserve")
    assert not reserve.holds
    reserve.write((Statement("INSERT", ("a",), ("t", "a")),))
    assert reserve.found() == ()
