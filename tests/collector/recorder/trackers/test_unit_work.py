"""Work on a unit through the whole line of the recorder: windows, alarms, the journal, a restart."""

from __future__ import annotations

import asyncio
from datetime import datetime, timedelta
from pathlib import Path

from collector.process.clock import stamp
from collector.recorder.trackers.unit_work import LONGEST, WorkBegins, WorkCloses
from rules.alarms.catalogue import Explanation
from rules.alarms.lifecycle.states import State
from rules.alarms.windows import Window
from rules.monitor.inputs import PlannedWork
from rules.phrasing.reasons import say
from rules.plant.reading import OutputSource, Reading
from rules.system.state import Standing
from rules.system.work import UnitWork, WorkStage
from rules.values.reason import told
from tests.collector.scripted import Scripted, scripted
from tests.rules.sample_plants import NOON, estate, reading

HOUR = timedelta(hours=1)
OUT = reading("A1", (0.0,) * 3, source=OutputSource.NONE)
ALL_ON_A2 = reading("A2", (6000.0,) * 3)


async def word_taken(site: Scripted, word: WorkBegins | WorkCloses) -> str | None:
    """Say something through the recorder's line, as the HTTP side does."""
    waiting = asyncio.create_task(site.recorder.ask(word))
    given = await site.recorder.queue.get()
    await site.recorder.process([given])
    return await waiting


def work(site: Scripted) -> UnitWork | None:
    return next(iter(site.recorder.state.systems["A"].work), None)


def state(site: Scripted, alarm: str) -> State | None:
    known = site.recorder.state.alarms.get(alarm)
    return None if known is None else known.state


async def shows(site: Scripted, *readings: Reading, for_s: float = 30.0) -> None:
    site.says |= {r.unit: r for r in readings}
    await site.go(for_s)


async def begin(site: Scripted, until: datetime) -> None:
    assert await word_taken(site, WorkBegins(site.clock.now(), "A1", "R. Haugen", until, "fans")) is None


async def test_said_work_is_followed_without_an_alarm_and_closed(tmp_path: Path) -> None:
    async with scripted(estate(2), tmp_path, NOON) as site:
        await site.go(20)
        await begin(site, site.clock.now() + 2 * HOUR)
        await shows(site, OUT, ALL_ON_A2, for_s=600.0)
        under_way = work(site)
        assert under_way is not None
        assert (under_way.stage, under_way.by, under_way.what) == (WorkStage.OUT, "R. Haugen", "fans")
        assert site.recorder.state.systems["A"].units[0].standing is Standing.ISOLATED
        assert not [a.id for a in site.recorder.state.alarms.values() if a.state.active]
        assert state(site, "output_off:A1") is State.SUPPRESSED_BY_DESIGN
        await shows(site, reading("A1"), reading("A2"))
        assert await word_taken(site, WorkCloses(site.clock.now(), "A1", "R. Haugen")) is None
        await site.go(10)
        assert work(site) is None
        assert await site.journal("work_") == [
            "Work on unit A1 begins, as R. Haugen said; it is to take 2 h 0 min. The system carried 18.0 kW.",
            "Unit A1 is isolated; the others carry 18.0 kW.",
            "Unit A1 shares the load; its bank is not known to be full yet.",
            "R. Haugen closed the work on unit A1. Unit A1 shares the load; its bank is not known to be full yet.",
        ]
        assert site.recorder.state.windows == ()


async def test_a_planned_window_that_names_a_unit_is_followed_by_itself(tmp_path: Path) -> None:
    async with scripted(estate(2), tmp_path, NOON) as site:
        window = Window("fans-1", Explanation.ISOLATION, "A1", NOON + HOUR, NOON + 2 * HOUR, told("fans"))
        await site.recorder.process([PlannedWork(stamp(site.clock), (window,))])
        await site.go(20)
        assert work(site) is None
        await site.clock.advance(3600.0)
        await site.go(10)
        followed = work(site)
        assert followed is not None
        assert (followed.what, followed.by, followed.until) == ("fans", "", NOON + 2 * HOUR)


async def test_a_planned_window_closed_early_stays_closed_when_it_is_read_again(tmp_path: Path) -> None:
    async with scripted(estate(2), tmp_path, NOON) as site:
        plan = PlannedWork(
            stamp(site.clock), (Window("w", Explanation.ISOLATION, "A1", NOON, NOON + HOUR, told("fans")),)
        )
        await site.recorder.process([plan])
        await site.go(20)
        assert await word_taken(site, WorkCloses(site.clock.now(), "A1", "R. Haugen", "done")) is None
        await site.recorder.process([PlannedWork(stamp(site.clock), plan.windows)])
        await site.go(20)
        assert work(site) is None
        assert site.recorder.state.windows_open == ()


async def test_a_peer_that_fails_during_the_work_is_an_alarm_of_the_work(tmp_path: Path) -> None:
    async with scripted(estate(3), tmp_path, NOON) as site:
        await site.go(20)
        await begin(site, NOON + 2 * HOUR)
        three = [OUT, reading("A2", (4500.0,) * 3), reading("A3", (4500.0,) * 3)]
        await shows(site, *three, for_s=60.0)
        assert state(site, "work_unexpected:A1") is None
        off = reading("A2", (0.0,) * 3, source=OutputSource.NONE)
        await shows(site, off, reading("A3", (9000.0,) * 3))
        assert state(site, "work_unexpected:A1") is State.ACTIVE_UNACKNOWLEDGED
        alarms = site.recorder.state.alarms
        assert "Unit A2 was carrying and is off." in say(alarms["work_unexpected:A1"].what)
        assert alarms["work_unexpected:A1"].incident == alarms["output_off:A2"].incident, (
            "one message, not two"
        )
        await shows(site, *three, for_s=60.0)
        assert state(site, "work_unexpected:A1") is State.RETURNED_UNACKNOWLEDGED


async def test_a_mains_failure_during_the_work_is_one_incident(tmp_path: Path) -> None:
    async with scripted(estate(3), tmp_path, NOON) as site:
        await site.go(20)
        await begin(site, NOON + 2 * HOUR)
        await shows(site, OUT, reading("A2", (4500.0,) * 3), reading("A3", (4500.0,) * 3), for_s=60.0)
        bank = OutputSource.BATTERY
        await shows(
            site,
            reading("A2", (4500.0,) * 3, source=bank),
            reading("A3", (4500.0,) * 3, source=bank),
            for_s=60.0,
        )
        assert state(site, "work_unexpected:A1") is State.ACTIVE_UNACKNOWLEDGED
        open_now = site.recorder.state.incidents
        assert [i.key for i in open_now.values()] == ["power-mains"]


async def test_a_unit_that_is_not_back_when_its_time_is_over_is_told_and_may_have_more(
    tmp_path: Path,
) -> None:
    async with scripted(estate(2), tmp_path, NOON) as site:
        await site.go(20)
        await begin(site, NOON + timedelta(minutes=10))
        await shows(site, OUT, ALL_ON_A2, for_s=570.0)
        assert state(site, "work_overdue:A1") is None
        await site.go(20)
        assert state(site, "work_overdue:A1") is State.ACTIVE_UNACKNOWLEDGED
        assert state(site, "output_off:A1") is State.ACTIVE_UNACKNOWLEDGED
        alarms = site.recorder.state.alarms
        assert alarms["work_overdue:A1"].incident == alarms["output_off:A1"].incident
        await begin(site, NOON + HOUR)
        await site.go(20)
        assert state(site, "work_overdue:A1") is State.RETURNED_UNACKNOWLEDGED
        assert state(site, "output_off:A1") is State.SUPPRESSED_BY_DESIGN
        assert len(await site.journal("work_extended")) == 1
        assert len(await site.journal("work_overdue")) == 1
        await shows(site, reading("A1"), reading("A2"), for_s=3600.0)
        assert work(site) is None, "its time is over and it shares the load"
        assert await site.journal("work_over") == [
            "The time for work on unit A1 has passed. Unit A1 is off; the others carry 18.0 kW.",
            "The work on unit A1 is over: it shares the load again.",
        ]


async def test_it_goes_on_after_a_kill_exactly_where_it_stood(tmp_path: Path) -> None:
    async with scripted(estate(3), tmp_path, NOON) as site:
        await site.go(20)
        await begin(site, NOON + 2 * HOUR)
        off = reading("A2", (0.0,) * 3, source=OutputSource.NONE)
        await shows(site, OUT, off, reading("A3", (9000.0,) * 3))
        before, alarm = work(site), site.recorder.state.alarms["work_unexpected:A1"]
        journal = await site.journal("work_")
        now, says = site.clock.now(), site.says
    async with scripted(estate(3), tmp_path, now + timedelta(seconds=20), says) as site:
        await site.read(["A1"])
        assert site.recorder.state.systems["A"].work == (before,), "the others were not read yet"
        await site.read()
        assert work(site) == before
        assert site.recorder.state.alarms["work_unexpected:A1"].state is alarm.state
        assert await site.journal("work_") == journal
        # planned work is read anew at every start; what was said is not in the estate file
        await site.recorder.process([PlannedWork(stamp(site.clock), ())])
        assert [w.about for w in site.recorder.state.windows] == ["A1"]


async def test_what_cannot_be_taken_is_refused(tmp_path: Path) -> None:
    async with scripted(estate(2), tmp_path, NOON) as site:
        await site.go(20)
        assert "no work on unit A1" in str(await word_taken(site, WorkCloses(NOON, "A1", "R. Haugen")))
        for until in (NOON, NOON + LONGEST + HOUR):
            assert "at most 7 days" in str(await word_taken(site, WorkBegins(NOON, "A1", "R. Haugen", until)))
        assert site.recorder.state.windows == ()
