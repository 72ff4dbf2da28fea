"""What of the watch's state goes to the ledger, and when it counts as there."""

from __future__ import annotations

from pathlib import Path

from collector.recorder.monitor_state import IN_PARTS, PARTS, WATCH, WatchKeeping, kept_state
from collector.storage.ledger import Ledger, Transaction
from collector.storage.ledger.records import Snapshot
from rules.monitor.live import Live
from rules.monitor.state import Book
from rules.monitor.state_diff import changed, clock, every
from rules.monitor.step import advance
from rules.plant.reading import OutputSource
from rules.values.serial import to_plain
from tests.rules.monitor.watching import Watch, outage
from tests.rules.sample_plant import START, estate, reading

BOOK = Book(estate())


def read(live: Live, keeping: WatchKeeping, seconds: float, source: OutputSource) -> set[str]:
    """Give the watch a reading; return the names of the parts that are now to be written."""
    advance(live, reading("D1", seconds, source=source))
    keeping.note(live.take_touched(), live.now)
    tx = Transaction()
    keeping.save(tx, START)
    names = {str(s.whole[1]).removeprefix(PARTS) for s in tx.statements if s.whole is not None} - {WATCH}
    assert keeping.pending is bool(names)
    return names


def test_what_a_commit_failed_to_write_is_still_to_be_written_and_nothing_is_once_one_has_held() -> None:
    live, keeping = Live(BOOK), WatchKeeping()
    first = read(live, keeping, 1.0, OutputSource.BYPASS)
    assert first == {"units/D1", "alarms/on_bypass:D1", "supplies/south"}
    again = read(live, keeping, 2.0, OutputSource.BYPASS)
    assert again == first, "the first was never committed"
    keeping.committed()
    assert not keeping.pending
    assert not read(live, keeping, 3.0, OutputSource.BYPASS), "only seconds went on"


def test_what_came_and_went_between_two_commits_leaves_nothing_to_write() -> None:
    live, keeping = Live(BOOK), WatchKeeping()
    read(live, keeping, 1.0, OutputSource.NORMAL)
    keeping.committed()
    assert read(live, keeping, 2.0, OutputSource.BYPASS) == {"units/D1", "alarms/on_bypass:D1"}
    assert not read(live, keeping, 3.0, OutputSource.NORMAL)


async def test_supplies_and_numbers_that_were_kept_in_one_piece_are_gone_on_from(tmp_path: Path) -> None:
    watch = Watch()
    outage(watch)
    before = watch.state
    parts = changed(every(before), before).parts
    one_piece = {"supplies": before.supplies, "numbers": before.numbers}
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        async with ledger.transaction() as tx:
            tx.save_snapshot(Snapshot(WATCH, START, IN_PARTS, clock(before)))
            for name, value in {**parts, **one_piece}.items():
                if name.partition("/")[0] not in one_piece or name in one_piece:
                    tx.save_snapshot(Snapshot(PARTS + name, START, IN_PARTS, {"is": to_plain(value)}))
        keeping = WatchKeeping()
        await keeping.restore(ledger)
        assert keeping.state == before
        live = Live.of(keeping.state, watch.book)
        live.put_number("power-north", 7)
        keeping.note(live.take_touched(), live.now)
        async with ledger.transaction() as tx:
            keeping.save(tx, START)
        assert await kept_state(ledger) == live.now
