"""A collector that is killed and started again goes on as if it had not been."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

from hypothesis import Phase, example, given, settings

from collector.recorder.monitor_state import WATCH
from collector.storage.ledger.records import Snapshot
from rules.monitor.state import snapshot
from rules.system.hold_up.judgement import HoldUpJudgement, unknown_hold_ups
from rules.system.outage.on_battery import RECKONING_WIDENS
from rules.values.reason import told
from tests.collector.cards.sample_cards import GOOD
from tests.collector.restarting import DARK, HOLDS_S, STEPS, WIRES, Collector, foretold, story
from tests.rules.sample_plants import NOON


def cannot_tell(at: datetime) -> HoldUpJudgement:
    return HoldUpJudgement("A", at, 2, unknown_hold_ups((told("No card answers."),)), None)


async def dark_and_silent(folder: Path, *, killed: bool) -> Collector:
    """Return a collector an hour after an outage began whose cards fell silent ten seconds later."""
    one = Collector(folder)
    await one.start()
    for wire in (GOOD, GOOD, DARK, DARK, DARK):
        await one.give(*(one.answer(unit, wire) for unit in ("A1", "A2")))
        one.clock.at += timedelta(seconds=5)
    seen_at = one.clock.at - timedelta(seconds=5)
    await one.give(foretold(seen_at))
    for passed_s in (30, 60, 600, 3600):
        if killed:
            await one.kill()
            await one.start()
        one.clock.at = seen_at + timedelta(seconds=passed_s)
        await one.give(
            *(one.answer(unit, None) for unit in ("A1", "A2")), *(() if killed else (cannot_tell(seen_at),))
        )
        outage = one.on_battery
        assert outage is not None
        assert outage.since == NOON + timedelta(seconds=10)
        assert outage.reckoned_since == seen_at
        # no later than foretold at the last reading, and the bounds a tenth of the silence farther apart
        slack = timedelta(seconds=RECKONING_WIDENS * passed_s)
        assert outage.ends_earliest == max(seen_at + timedelta(seconds=HOLDS_S) - slack, seen_at)
        assert outage.ends_latest == seen_at + timedelta(seconds=HOLDS_S + 120.0) + slack
    await one.stack.aclose()
    return one


async def test_the_countdown_of_silent_cards_goes_on_by_reckoning_although_nobody_can_judge_any_more(
    tmp_path: Path,
) -> None:
    one = await dark_and_silent(tmp_path, killed=False)
    assert any("reckon" in line for notice in one.told for line in (notice.what, *notice.lines))


async def test_the_countdown_of_cards_that_stay_silent_goes_on_over_kills(tmp_path: Path) -> None:
    one = await dark_and_silent(tmp_path, killed=True)
    assert any("reckon" in line for notice in one.told for line in (notice.what, *notice.lines))
    assert len({n.id for n in one.told}) == len(one.told)


async def test_what_an_earlier_outage_foretold_does_not_end_a_later_one(tmp_path: Path) -> None:
    one = Collector(tmp_path)
    await one.start()
    for wire in (GOOD, DARK):
        await one.give(*(one.answer(unit, wire) for unit in ("A1", "A2")))
        one.clock.at += timedelta(seconds=5)
    await one.give(foretold(one.clock.at))
    await one.give(*(one.answer(unit, GOOD) for unit in ("A1", "A2")))
    await one.kill()
    await one.start()
    one.clock.at += timedelta(hours=2)
    await one.give(*(one.answer(unit, DARK) for unit in ("A1", "A2")))
    assert one.on_battery is not None
    assert one.on_battery.ends_earliest is None
    await one.stack.aclose()


async def test_a_reading_whose_batch_was_cut_off_before_the_ledger_had_it_is_watched_at_the_next_start(
    tmp_path: Path,
) -> None:
    one = Collector(tmp_path)
    await one.start()
    await one.give(one.answer("A1", GOOD), one.answer("A2", GOOD))
    one.clock.at += timedelta(seconds=5)
    lost = one.answer("A1", DARK)
    record, _ = one.recorder._samples.of(lost)
    await one.recorder._history.append([record])  # and then the power of the machine fails
    await one.kill()
    await one.start()
    memory = one.recorder.state.units["A1"]
    assert memory.on_battery
    assert memory.on_battery_since == lost.stamp.at
    events = await one.ledger.events(kinds=("unit_to_battery",))
    assert [event.about for event in events.items] == ["A1"]
    await one.stack.aclose()


async def test_that_a_unit_was_read_is_known_after_a_kill_though_nothing_of_it_changed(
    tmp_path: Path,
) -> None:
    one = Collector(tmp_path)
    await one.start()
    await one.give(one.answer("A1", GOOD), one.answer("A2", GOOD))
    one.clock.at += timedelta(seconds=5)
    await one.give(one.answer("A2", GOOD), one.answer("A1", DARK))
    read = one.recorder.state.units["A2"]
    await one.kill()
    await one.start()
    again = one.recorder.state.units["A2"]
    assert (again.at, again.seen_s) == (read.at, read.seen_s)
    await one.stack.aclose()


async def test_no_delay_counts_the_time_between_two_runs_though_another_run_lies_between(
    tmp_path: Path,
) -> None:
    one = Collector(tmp_path)
    await one.start()
    await one.give(one.answer("A1", WIRES["bypass"]), one.answer("A2", GOOD))
    for wire in (
        DARK,
        GOOD,
    ):  # something of the other unit is committed in each run, of this one nothing is new
        await one.kill()
        one.clock.at += timedelta(hours=1)
        await one.start()
        await one.give(one.answer("A2", wire))
    alarm = one.recorder.state.alarms["on_bypass:A1"]
    assert not alarm.standing, "seen once, at no time for as long as its on-delay"
    await one.stack.aclose()


async def test_a_state_kept_whole_by_an_earlier_version_is_gone_on_from(tmp_path: Path) -> None:
    one = Collector(tmp_path)
    await one.start()
    await one.give(one.answer("A1", DARK), one.answer("A2", DARK))
    state = one.recorder.state
    async with one.ledger.transaction() as tx:
        for line in await one.ledger.snapshots(f"{WATCH}/"):
            tx.drop_snapshot(line.name)
        tx.save_snapshot(Snapshot(WATCH, one.clock.at, "watch/1", snapshot(state)))
    for _ in range(2):  # the second start finds it in parts
        await one.kill()
        await one.start()
        assert one.recorder.state.alarms.keys() == state.alarms.keys()
        assert one.recorder.state.units["A1"].on_battery_since == state.units["A1"].on_battery_since
        one.clock.at += timedelta(seconds=5)
        await one.give(one.answer("A1", DARK), one.answer("A2", DARK))
    await one.stack.aclose()


@settings(max_examples=3, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(steps=STEPS)
@example(  # one unit leaves its bank while the other goes on: the outage is as old as it was
    [("A1", "battery", 12.0), ("A2", "bank low", 12.0), ("A1", "bypass", 48.0), ("A2", "bank low", 48.0)]
)
@example(  # what was told while the end was known is not told again as if it had not been
    [
        ("A2", "bypass", 3.0),
        ("A1", "battery", 48.0),
        ("A1", "silent", 12.0),
        ("A2", "battery", 48.0),
        ("A1", "silent", 48.0),
        ("A2", "bank low", 3.0),
        ("A2", "silent", 3.0),
    ]
)
@example(  # one falls silent on its bank and its sibling has mains between: two outages, not one
    [("A2", "battery", 48.0), ("A2", "silent", 48.0), ("A1", "other card", 12.0), ("A1", "battery", 48.0)]
)
async def test_killed_after_every_batch_the_same_is_told_and_nothing_else(
    steps: list[tuple[str, str, float]],
) -> None:
    with TemporaryDirectory() as straight, TemporaryDirectory() as broken:
        first = await story(Path(straight), steps, killed=False)
        second = await story(Path(broken), steps, killed=True)
    for whole, cut in zip(first, second, strict=True):
        assert whole == cut
