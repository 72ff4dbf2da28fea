"""The service's own figures."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import cast

from collector.configuration.settings_tables import CalendarTable, PlannedWorkTable
from collector.messaging.channels.channel import ChannelDown
from collector.planning.test_dates import PlannedSources
from collector.process.clock import TurnedClock
from collector.recorder.batch import InputQueue
from collector.recorder.punctuality import Punctuality
from collector.service.self_monitoring import LateCount, SelfWatch
from collector.storage.ledger import Ledger
from rules.monitor.inputs import EquipmentDeclared, Input, PlannedWork, WorkLooked
from rules.planning.programme.service_due import WorkDue
from rules.values.reason import told
from tests.collector.messaging.cases import Scripted, notice, office, person, put
from tests.rules.sample_plants import estate

NOW = datetime(2026, 10, 20, 7, tzinfo=UTC)


def polled(polls: int) -> Punctuality:
    """Return the count of so many polls, all in time."""
    clock = TurnedClock(NOW)
    done = Punctuality(estate(1), {}, clock, InputQueue(clock))
    done.polls = polls
    return done


def test_the_part_of_late_polls_is_that_since_the_last_look() -> None:
    count, done = LateCount(), polled(100)
    assert count.fraction(done) == 0.0
    done.polls, done.late, done.missed = 140, 5, 10
    assert count.fraction(done) == 15 / 50
    assert count.fraction(done) is None, "nothing new: cannot tell"


async def test_a_clock_set_by_hand_is_a_jump_and_small_differences_are_followed_without_a_word() -> None:
    clock = TurnedClock(NOW)
    clock.jump(-60.0)
    assert clock.was_set()
    assert clock.now() == NOW
    assert clock.take_over() == timedelta(seconds=-60)
    assert clock.now() == NOW - timedelta(seconds=60)
    assert not clock.was_set()
    assert [jump.by.total_seconds() for jump in clock.jumps] == [-60.0]
    clock.jump(-1.0)
    before = clock.now()
    for _ in range(30):
        await clock.advance(1.0)
        assert not clock.was_set()
        assert before < clock.now()
        before = clock.now()
    assert clock.now() == NOW + timedelta(seconds=-60 - 1 + 30)
    assert len(clock.jumps) == 1


async def watch(folder: Path, ledger: Ledger, planned: PlannedSources, given: list[Input]) -> SelfWatch:
    clock = TurnedClock(NOW)
    post = Scripted()
    post.down = ChannelDown("refused")
    where = office(ledger, clock, {"post": post}, (person(),))
    await put(ledger, where, notice(at=NOW - timedelta(seconds=400), opened_at=NOW))
    await where.outbox.send_due("post")

    async def give(one: Input) -> None:
        given.append(one)

    return SelfWatch(folder, clock, where, polled(30), give, planned)


async def test_a_failing_channel_and_a_waiting_message_are_among_the_figures(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.db") as ledger:
        looking = await watch(tmp_path, ledger, PlannedSources(tmp_path, "Europe/London"), [])
        figures = await looking.look()
    assert figures.channels == {"post": True}
    assert figures.why == {"post": "refused"}
    assert figures.oldest_s == 400.0
    assert figures.free_fraction is not None
    assert 0.0 < figures.free_fraction < 1.0
    assert figures.late_fraction == 0.0


async def test_planned_work_is_told_once_and_a_bad_calendar_stops_nothing(tmp_path: Path) -> None:
    work = PlannedWorkTable.model_validate(
        {
            "id": "test",
            "about": "works",
            "explains": "bank_test",
            "begins": datetime(2026, 10, 20, 9, 0, tzinfo=UTC),
            "lasts_s": 3600.0,
        }
    )
    calendar = CalendarTable(id="site", file="none.ics", about="works", explains="isolation")
    planned = PlannedSources(tmp_path, "Europe/London", (work,), (calendar,))
    given: list[Input] = []
    async with Ledger(tmp_path / "ledger.db") as ledger:
        looking = await watch(tmp_path, ledger, planned, given)
        await looking.plan()
        await looking.plan()
        assert (await looking.look()).calendars == {
            "site": "none.ics: want a calendar file that can be read; got No such file or directory"
        }
    assert len(given) == 1
    assert [w.id for w in cast("PlannedWork", given[0]).windows] == ["test-2026-10-20"]


async def test_an_estate_file_that_lags_behind_is_among_the_figures(tmp_path: Path) -> None:
    async def behind() -> tuple[str, ...]:
        return ("W1 was replaced on 2026-10-01.",)

    async with Ledger(tmp_path / "ledger.db") as ledger:
        looking = await watch(tmp_path, ledger, PlannedSources(tmp_path, "Europe/London"), [])
        assert (await looking.look()).estate_file_behind is None, "nobody compared"
        looking.file_behind = behind
        await looking.plan()
        assert (await looking.look()).estate_file_behind == ("W1 was replaced on 2026-10-01",)


async def test_a_recorded_replacement_is_told_to_the_watch(tmp_path: Path) -> None:
    async def replaced() -> tuple[str, ...]:
        return ("A2",)

    given: list[Input] = []
    async with Ledger(tmp_path / "ledger.db") as ledger:
        looking = await watch(tmp_path, ledger, PlannedSources(tmp_path, "Europe/London"), given)
        await looking.declare()
        assert given == []
        looking.units_replaced = replaced
        await looking.declare()
    assert [one.unit for one in given if isinstance(one, EquipmentDeclared)] == ["A2"]


async def test_what_work_is_due_is_put_to_the_watch_with_the_plans(tmp_path: Path) -> None:
    given: list[Input] = []
    due = (WorkDue("fans_due", "A1", told("since March")),)

    async def work() -> tuple[WorkDue, ...]:
        return due

    async with Ledger(tmp_path / "ledger.db") as ledger:
        looking = await watch(tmp_path, ledger, PlannedSources(tmp_path, "Europe/London"), given)
        looking.work = work
        await looking.plan()
    assert [one.work for one in given if isinstance(one, WorkLooked)] == [due]
