"""What of the watch's state goes to the ledger, and when it counts as there."""

from __future__ import annotations

from pathlib import Path

from collector.recorder.monitor_state import IN_PARTS, PARTS, WATCH, WatchKeeping
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Snapshot
from rules.monitor.live import Live
from rules.monitor.state import Book, WatchState
from rules.monitor.state_diff import changed, clock, every
from rules.monitor.step import advance
from rules.plant.reading import OutputSource
from rules.values.serial import to_plain
from tests.rules.monitor.watching import Watch, outage
from tests.rules.sample_plant import START, estate, reading

BOOK = Book(estate())


def read(live: Live, keeping: WatchKeeping, seconds: float, source: OutputSource) -> WatchState:
    advance(live, reading("D1", seconds, source=source))
    keeping.note(live.take_touched())
    return live.now


def test_what_a_commit_failed_to_write_is_still_to_be_written_and_nothing_is_once_one_has_held() -> None:
    live, keeping = Live(BOOK), WatchKeeping()
    first = keeping.unkept(read(live, keeping, 1.0, OutputSource.BYPASS))
    assert set(first.parts) == {"units/D1", "alarms/on_bypass:D1", "supplies/south"}
    again = keeping.unkept(read(live, keeping, 2.0, OutputSource.BYPASS))
    assert set(again.parts) == set(first.parts), "the first was never committed"
    keeping.kept(again)
    assert not keeping.unkept(live.now)
    assert not keeping.unkept(read(live, keeping, 3.0, OutputSource.BYPASS)), "only seconds went on"


def test_what_came_and_went_between_two_commits_leaves_nothing_to_write() -> None:
    live, keeping = Live(BOOK), WatchKeeping()
    keeping.kept(keeping.unkept(read(live, keeping, 1.0, OutputSource.NORMAL)))
    found = keeping.unkept(read(live, keeping, 2.0, OutputSource.BYPASS))
    assert set(found.parts) == {"units/D1", "alarms/on_bypass:D1"}
    assert not keeping.unkept(read(live, keeping, 3.0, OutputSource.NORMAL))


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
        state = await keeping.restore(ledger)
        assert state == before
        live = Live.of(state, watch.book)
        live.put_number("power-north", 7)
        keeping.note(live.take_touched())
        async with ledger.transaction() as tx:
            keeping.save(tx, live.now, keeping.unkept(live.now), START)
        assert await WatchKeeping().restore(ledger) == live.now
