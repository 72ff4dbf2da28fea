"""From the outbox until acknowledged."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.messaging.channels.channel import ChannelDown, NeverTaken, NotNow
from collector.messaging.delivery.letter import Letter
from collector.messaging.delivery.office import PostOffice, told
from collector.messaging.delivery.outbox import LONGEST_WAIT_S, wait_s
from collector.process.clock import TurnedClock
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import AlarmLine, Outgoing, Page, Sending
from rules.alarms.incidents.incident import NoticeKind
from rules.values.severity import Severity
from tests.collector.messaging.cases import AT, Scripted, notice, office, person, put, until
from tests.small_disk import small_disk

POST = {"channel": "post", "address": "haugen@fellbeck.example"}


@pytest.fixture
async def ledger(tmp_path: Path) -> AsyncIterator[Ledger]:
    async with Ledger(tmp_path / "ledger.db") as opened:
        yield opened


@pytest.fixture
def clock() -> TurnedClock:
    return TurnedClock(AT)


async def turn(clock: TurnedClock, where: PostOffice, seconds: float, step: float = 1.0) -> None:
    """Turn the clock on and let every channel look at the outbox at each step."""
    for _ in range(round(seconds / step)):
        await clock.advance(step)
        await drain(where)


async def drain(where: PostOffice) -> None:
    for name in where.channels:
        while await where.outbox.send_due(name):
            pass


async def test_a_message_is_sent_once_and_what_came_back_is_in_the_journal(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),))
    await put(ledger, where, notice())
    await drain(where)
    await turn(clock, where, 5)
    assert post.ids() == ["power-north-1.1/R.%20Haugen/post"]
    journal = (await ledger.events(kinds=("message_sent",))).items
    assert [line.text for line in journal] == ["R. Haugen by post: Treatment works: mains lost, 1"]
    assert journal[0].body["destination"] == "haugen@fellbeck.example"
    shown = await told(ledger, "power-north-1")
    assert [(t.who, t.by) for t in shown] == [("R. Haugen", "post")]
    assert shown[0].result is not None
    assert shown[0].result.endswith("taken")
    await where.refresh_told({"power-north-1"})
    assert where.told == {"power-north-1": shown}
    await where.refresh_told(set())
    assert where.told == {}


async def test_who_looks_while_a_message_goes_out_hears_of_it_again_once_that_is_kept(
    ledger: Ledger, clock: TurnedClock
) -> None:
    class Looked(Scripted):
        """Somebody looks at who was told between the sending and its being kept."""

        async def send(self, message: Outgoing) -> str:
            await where.refresh_told({"power-north-1"})
            return await super().send(message)

    where = office(ledger, clock, {"post": Looked()}, (person(),))
    await put(ledger, where, notice())
    await drain(where)
    assert where.outbox.touched == {"power-north-1"}
    await where.refresh_told({"power-north-1"})
    (shown,) = where.told["power-north-1"]
    assert shown.handed_over
    assert shown.result is not None
    assert shown.result.endswith("taken")


async def test_messages_of_one_incident_arrive_in_order_though_one_is_not_taken_at_first(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),))
    await put(ledger, where, notice(number=1), notice(number=2, kind=NoticeKind.CHANGED))
    await put(ledger, where, notice("unit-D1-1", about="D1"))
    post.fails = [NotNow("451 try later")]
    await drain(where)
    assert post.ids() == ["unit-D1-1.1/R.%20Haugen/post"], "another incident does not wait"
    await turn(clock, where, 3)
    assert [i.split("/")[0] for i in post.ids()] == ["unit-D1-1.1", "power-north-1.1", "power-north-1.2"]


async def test_what_changed_is_the_first_word_to_whoever_was_not_told_of_its_begin(
    ledger: Ledger, clock: TurnedClock
) -> None:
    """A bank to be ordered opened it, which only the buyer hears of; a need that is not met came to it."""
    post = Scripted()
    grave = [{"severity": "major"}]
    where = office(
        ledger, clock, {"post": post}, (person(tell=grave), person("N. Amin", tell=[{"severity": "minor"}]))
    )
    await put(ledger, where, notice(number=1, severity=Severity.MINOR))
    await drain(where)
    await put(ledger, where, notice(number=2, kind=NoticeKind.CHANGED, severity=Severity.MAJOR))
    await put(ledger, where, notice(number=3, kind=NoticeKind.CHANGED, severity=Severity.MAJOR))
    await drain(where)
    kinds = [(Letter.of(m.body).person, Letter.of(m.body).notice.kind) for m in post.taken]
    assert [kind for who, kind in kinds if who == "N. Amin"] == ["opened", "changed", "changed"]
    assert [kind for who, kind in kinds if who != "N. Amin"] == ["opened", "changed"]


async def test_a_server_that_is_down_for_an_hour_leaves_nothing_untold(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),))
    post.down = ChannelDown("refused")
    for number in range(1, 6):
        await put(ledger, where, notice(number=number, kind=NoticeKind.CHANGED, at=clock.now()))
        await turn(clock, where, 720, step=4)
    assert where.failing() == {"post": True}
    assert post.tried < 40, "back-off, not hammering"
    assert await where.oldest_s() > 1000
    post.down = None
    await turn(clock, where, LONGEST_WAIT_S + 10, step=2)
    assert post.ids() == ["late-power-north-1.1/R.%20Haugen/post-5"], "five in one, which says the newest"
    assert Letter.of(post.taken[0].body).notice.what.endswith("message 5.")
    assert where.failing() == {"post": False}


async def test_a_channel_that_is_down_costs_the_others_nothing(ledger: Ledger, clock: TurnedClock) -> None:
    post, pager = Scripted(), Scripted("pager")
    post.down = ChannelDown("refused")
    people = (person(), person("Desk", reach=[{"channel": "pager"}]))
    where = office(ledger, clock, {"post": post, "pager": pager}, people)
    await put(ledger, where, notice())
    await drain(where)
    assert pager.ids() == ["power-north-1.1/Desk/pager"]


async def test_a_persons_next_way_is_used_when_the_first_stays_down(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post, pager = Scripted(), Scripted("pager")
    post.down = ChannelDown("refused")
    both = person(reach=[POST, {"channel": "pager"}])
    where = office(ledger, clock, {"post": post, "pager": pager}, (both,))
    await put(ledger, where, notice(number=1), notice("unit-D1-1", about="D1", severity=Severity.MINOR))
    urgent_only = person("Urgent", reach=[POST, {"channel": "pager"}], tell=[{"severity": "minor"}])
    where2 = office(ledger, clock, where.channels, (urgent_only,))
    await put(ledger, where2, notice("unit-D1-1", about="D1", severity=Severity.MINOR))
    await turn(clock, where, 20)
    assert pager.ids() == ["power-north-1.1/R.%20Haugen/pager"], "the urgent after 15 s"
    await turn(clock, where, 60)
    assert "unit-D1-1.1/Urgent/pager" in pager.ids(), "the rest after a minute"
    assert len(pager.ids()) == len(set(pager.ids())), "each once"


async def test_what_is_refused_for_good_is_a_dead_letter_that_can_be_seen(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    post.fails = [NeverTaken("550 no such mailbox")]
    where = office(ledger, clock, {"post": post}, (person(),))
    await put(ledger, where, notice(number=1), notice(number=2, kind=NoticeKind.CHANGED))
    await turn(clock, where, 2)
    dead = (await ledger.messages(sending=Sending.DEAD)).items
    assert [(m.id, m.result) for m in dead] == [("power-north-1.1/R.%20Haugen/post", "550 no such mailbox")]
    assert where.refused() == {"post": 1}
    assert where.refused() == {"post": 0}, "counted once"
    assert [i.split("/")[0] for i in post.ids()] == ["power-north-1.2"], "the next one is not held up"
    assert (await ledger.events(kinds=("message_undeliverable",))).items


async def test_who_is_told_only_if_nobody_answers_is_left_alone_when_somebody_did(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(tell=[{"unanswered_s": 60.0}]),))
    await put(ledger, where, notice())
    line = AlarmLine(
        "on_battery:W1", "on_battery", "W1", "major", "active_acknowledged", AT, True, "power-north-1"
    )
    async with ledger.transaction() as tx:
        tx.save_alarm(line)
    await turn(clock, where, 70)
    assert post.ids() == []
    (unneeded,) = (await ledger.messages(sending=Sending.UNNEEDED)).items
    assert unneeded.result == "acknowledged or over meanwhile"
    await put(ledger, where, notice("power-north-2"))
    async with ledger.transaction() as tx:
        tx.save_alarm(replace(line, state="active_unacknowledged", incident="power-north-2"))
    await turn(clock, where, 70)
    assert post.ids() == ["power-north-2.1/R.%20Haugen/post"]
    await put(
        ledger,
        where,
        notice("power-north-1", 2, kind=NoticeKind.CLOSED),
        notice("power-north-2", 2, kind=NoticeKind.CLOSED),
    )
    await turn(clock, where, 3)
    assert post.ids()[1:] == ["power-north-2.2/R.%20Haugen/post"], (
        "the end only to whom the beginning was told"
    )


async def test_many_messages_become_one_and_none_is_dropped(ledger: Ledger, clock: TurnedClock) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),), most_messages=3, within_s=600.0)
    await put(ledger, where, *[notice(f"unit-W{n}-1") for n in range(1, 11)])
    await turn(clock, where, 1)
    assert len(post.taken) == 3
    await turn(clock, where, 210)
    assert len(post.taken) == 4
    summary = post.taken[3].body["notice"]
    assert summary["what"] == "7 messages in one, since many came at once."
    assert len(summary["lines"]) == 7
    assert (await ledger.waiting())[0] == 0
    assert len((await ledger.events(kinds=("message_sent",))).items) == 10


async def test_what_waits_is_read_once_a_batch_however_many_letters_are_held(
    ledger: Ledger, clock: TurnedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    post = Scripted()
    post.batch = 10
    where = office(ledger, clock, {"post": post}, (person(),), most_messages=3, within_s=600.0)
    read = 0
    messages = ledger.messages

    async def counted(**asked: Any) -> Page[Outgoing]:
        nonlocal read
        read += asked.get("sending") is Sending.WAITING
        return await messages(**asked)

    monkeypatch.setattr(ledger, "messages", counted)
    await put(ledger, where, *[notice(f"unit-W{n}-1") for n in range(1, 64)])
    await turn(clock, where, 1)
    assert len(post.taken) == 3
    assert read <= 10, "60 are held in batches of ten: not once for each"


@pytest.mark.parametrize("batch", [1, 10])
async def test_a_restart_opens_no_new_window_and_what_was_held_goes_out_in_its_summary(
    ledger: Ledger, clock: TurnedClock, batch: int
) -> None:
    before, after = Scripted(), Scripted()
    before.batch = after.batch = batch
    limited: dict[str, Any] = {"most_messages": 3, "within_s": 600.0}
    where = office(ledger, clock, {"post": before}, (person(),), **limited)
    await put(ledger, where, *[notice(f"unit-W{n}-1") for n in range(1, 11)])
    await turn(clock, where, 60)
    assert len(before.taken) == 3
    started_again = office(ledger, clock, {"post": after}, (person(),), **limited)
    await started_again.outbox.restore()
    await turn(clock, started_again, 130)
    assert after.taken == [], "600 s / 3 after the last of the three, which is 200 s"
    await turn(clock, started_again, 15)
    assert [m.body["notice"]["what"] for m in after.taken] == ["7 messages in one, since many came at once."]
    await turn(clock, started_again, 600)
    assert len(after.taken) == 1, "each once"
    third = office(ledger, clock, {"post": Scripted()}, (person(),), **limited)
    await third.outbox.restore()
    assert len((await ledger.events(kinds=("message_sent",))).items) == 10
    assert (await ledger.waiting())[0] == 0


async def test_a_kill_after_a_summary_went_out_sends_the_same_summary_again(
    ledger: Ledger, clock: TurnedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, after = Scripted(), Scripted()
    limited: dict[str, Any] = {"most_messages": 3, "within_s": 600.0}
    where = office(ledger, clock, {"post": before}, (person(),), **limited)
    await put(ledger, where, *[notice(f"unit-W{n}-1") for n in range(1, 11)])
    await turn(clock, where, 199)
    assert len(before.taken) == 3

    class Killed(BaseException):
        pass

    def killed(*_: object, **__: object) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(where.outbox, "_sent", killed)
        with pytest.raises(Killed):
            await turn(clock, where, 5)
    assert len(before.taken) == 4
    again = office(ledger, clock, {"post": after}, (person(),), **limited)
    await again.outbox.restore()
    await turn(clock, again, 300)
    assert [(m.id, m.body) for m in after.taken] == [(m.id, m.body) for m in before.taken[3:]]


async def test_a_summary_that_is_refused_for_good_leaves_every_message_a_dead_letter(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),), most_messages=2, within_s=600.0)
    await put(ledger, where, *[notice(f"unit-W{n}-1") for n in range(1, 6)])
    await turn(clock, where, 1)
    post.fails = [NeverTaken("550 no such mailbox")]
    await turn(clock, where, 600)
    dead = (await ledger.messages(sending=Sending.DEAD)).items
    assert {m.id.split(".")[0] for m in dead} == {"unit-W3-1", "unit-W4-1", "unit-W5-1"}
    assert where.refused() == {"post": 3}


async def test_what_the_allowance_holds_waits_as_it_should_and_is_nobodys_fault(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),), most_messages=2, within_s=1200)
    for number in range(4):
        await put(ledger, where, notice(f"unit-D{number}-1", about="D1", at=clock.now()))
    await turn(clock, where, 400, step=20)
    assert len(post.taken) == 2, "the rest is held"
    assert await where.oldest_s() == 0.0
    post.down = ChannelDown("refused")
    await turn(clock, where, 400, step=20)
    assert await where.oldest_s() == 800.0, "tried in vain now, and not held"


async def test_something_critical_does_not_wait_for_a_summary(ledger: Ledger, clock: TurnedClock) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),), most_messages=2, within_s=600.0)
    await put(ledger, where, *[notice(f"unit-W{n}-1") for n in range(1, 5)])
    await turn(clock, where, 1)
    assert len(post.taken) == 2
    await put(ledger, where, notice("unit-C1-1", severity=Severity.CRITICAL))
    await turn(clock, where, 1)
    assert len(post.taken) == 3
    assert post.taken[2].body["notice"]["severity"] == "critical"
    assert len(post.taken[2].body["notice"]["lines"]) == 3


async def test_a_kill_between_sending_and_committing_sends_again_under_the_same_id(
    ledger: Ledger, clock: TurnedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),))
    await put(ledger, where, notice())

    class Killed(BaseException):
        pass

    def killed(*_: object, **__: object) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(where.outbox, "_sent", killed)
        with pytest.raises(Killed):
            await drain(where)
    await drain(where)
    assert post.ids() == ["power-north-1.1/R.%20Haugen/post"] * 2


async def test_a_notice_that_nobody_is_to_be_told_stands_in_the_journal(
    ledger: Ledger, clock: TurnedClock
) -> None:
    where = office(ledger, clock, {}, (person(tell=[{"severity": "critical"}]),))
    await put(ledger, where, notice())
    assert [line.kind for line in (await ledger.events()).items] == ["told_nobody"]


async def test_the_outbox_runs_by_itself_and_a_commit_wakes_it(ledger: Ledger) -> None:
    import asyncio

    from collector.process.clock import SystemClock

    post = Scripted()
    where = office(ledger, SystemClock(), {"post": post}, (person(),))
    async with asyncio.timeout(10):
        running = asyncio.create_task(where.run())
        await put(ledger, where, replace(notice(), at=SystemClock().now()))
        where.wake()
        await until(lambda: bool(post.taken))
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running


def test_waits_double_up_to_five_minutes() -> None:
    assert [wait_s(n) for n in (1, 2, 3, 4)] == [1.0, 2.0, 4.0, 8.0]
    assert wait_s(100) == LONGEST_WAIT_S
    assert timedelta(seconds=wait_s(0)) == timedelta(seconds=1)


class Slow(Scripted):
    """A channel that takes two messages a batch, and whose answer to the second never comes."""

    batch = 2

    async def send(self, message: Outgoing) -> str:
        taken = await super().send(message)
        if len(self.taken) == 2:
            await asyncio.Event().wait()
        return taken


async def test_what_has_gone_out_of_a_batch_is_kept_though_a_stop_comes_in_its_middle(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Slow()
    where = office(ledger, clock, {"post": post}, (person(),))
    await put(ledger, where, notice("unit-A1-1"), notice("unit-D1-1", about="D1"))
    sending = asyncio.create_task(where.outbox.send_due("post"))
    await until(lambda: len(post.taken) == 2)
    sending.cancel()
    with pytest.raises(asyncio.CancelledError):
        await sending
    sent = (await ledger.messages(sending=Sending.SENT)).items
    assert [m.id for m in sent] == [post.taken[0].id]


async def test_on_a_full_disk_messages_go_out_once_each_summaries_too(tmp_path: Path) -> None:
    clock = TurnedClock(AT)
    with small_disk(tmp_path / "disk") as disk:
        async with Ledger(disk.folder / "ledger.db") as ledger:
            post = Scripted()
            where = office(ledger, clock, {"post": post}, (person(),), most_messages=4)
            await put(ledger, where, notice("unit-A0-1"))
            disk.fill()
            for number in range(1, 9):
                one = notice(f"unit-A{number}-1", severity=Severity.CRITICAL, at=clock.now())
                await put(ledger, where, one)
                await turn(clock, where, 3)
            await turn(clock, where, 200, step=2)
            assert ledger.trouble is not None
            assert ledger.waiting_count > 16
            assert len(post.ids()) == len(set(post.ids()))
            assert (await ledger.waiting())[0] == 0
            before = post.ids()
            disk.give_room()
            assert await ledger.write_waiting()
            await turn(clock, where, 10)
            assert post.ids() == before
        async with Ledger(disk.folder / "ledger.db") as again:
            lines = (await again.messages()).items
            assert {m.sending for m in lines} == {Sending.SENT}
            assert len(lines) == 9


async def test_what_came_by_the_next_way_does_not_come_again_when_the_first_works(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post, pager = Scripted(), Scripted("pager")
    both = person(reach=[{"channel": "post", "address": "a@b.example"}, {"channel": "pager"}])
    where = office(ledger, clock, {"post": post, "pager": pager}, (both,))
    post.down = ChannelDown("refused")
    await put(ledger, where, notice())
    for _ in range(40):
        await where.outbox.send_due("post")
        await where.outbox.send_due("pager")
        await clock.advance(1.0)
    assert len(pager.taken) == 1
    post.down = None
    await clock.advance(400.0)
    await where.outbox.send_due("post")
    assert post.taken == [], "hours later it would be told as if it were so"
    (line,) = (await ledger.messages(sending=Sending.UNNEEDED)).items
    assert line.result == "came by another way meanwhile"
