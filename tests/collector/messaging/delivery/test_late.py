"""What is told late: how things stand by then, in one letter, with its age in it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.messaging.channels.channel import ChannelDown
from collector.messaging.delivery.late import LATE_S
from collector.messaging.delivery.letter import Letter
from collector.messaging.delivery.office import PostOffice
from collector.process.clock import TurnedClock
from collector.recorder.journal_lines import save_change
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Sending
from rules.alarms.catalogue import Cause
from rules.alarms.incidents.incident import (
    Incident,
    IncidentChange,
    IncidentPart,
    Notice,
    NoticeKind,
    NoticeNews,
)
from rules.phrasing.text import ACTION_WITHIN, SHORT
from rules.values.severity import Severity
from tests.collector.messaging.cases import AT, Scripted, notice, office, person, put

NIGHT = timedelta(hours=7)


@pytest.fixture
async def ledger(tmp_path: Path) -> AsyncIterator[Ledger]:
    async with Ledger(tmp_path / "ledger.db") as opened:
        yield opened


class Down:
    """A site whose only way to its people is down, until it is not."""

    def __init__(self, ledger: Ledger, **delivery: Any) -> None:
        self.ledger, self.clock, self.post = ledger, TurnedClock(AT), Scripted()
        self.where: PostOffice = office(ledger, self.clock, {"post": self.post}, (person(),), **delivery)
        self.post.down = ChannelDown("the gateway does not answer")

    async def happens(self, *told: Notice, closed: bool = False) -> None:
        """Have notices told of an incident, which is then open or not."""
        first = told[0]
        line = Incident(
            first.incident, first.incident, Cause.POWER, first.about, first.at, 0.0, first.severity
        )
        over = replace(line, closed_at=told[-1].at) if closed else line
        async with self.ledger.transaction() as tx:
            save_change(tx, IncidentChange(over, None, told[-1].at))
        await put(self.ledger, self.where, *told)

    async def until(self, at: datetime) -> None:
        while self.clock.now() < at:
            await self.clock.advance(min(1800.0, (at - self.clock.now()).total_seconds()))
            await self.where.outbox.send_due("post")

    async def works_again(self, at: datetime) -> list[Notice]:
        """Let the way work from a moment on; return what came."""
        await self.until(at)
        self.post.down = None
        for _ in range(10):
            await self.clock.advance(60.0)
            while await self.where.outbox.send_due("post"):
                pass
        assert [m async for m in _waiting(self.ledger)] == []
        return [Letter.of(m.body).notice for m in self.post.taken]


async def _waiting(ledger: Ledger) -> AsyncIterator[str]:
    for line in (await ledger.messages(sending=Sending.WAITING)).items:
        yield line.id


def lost(incident: str = "power-north-1", **changes: Any) -> Notice:
    """Return the opening of an outage in which banks hold for half an hour."""
    ends = AT + timedelta(minutes=30)
    part = IncidentPart("works", AT, on=("W1",), units=("W1",), ends_earliest=ends, name="Treatment works")
    opened = notice(incident)
    return replace(
        opened,
        parts=(part,),
        news=NoticeNews.OUTAGE,
        news_of=(incident,),
        short="Treatment works: mains lost, 1 unit on battery, 30.0 min left at least. See that set-1 runs",
        **changes,
    )


def back(incident: str = "power-north-1", after: timedelta = timedelta(minutes=20)) -> Notice:
    closed = notice(incident, 2, kind=NoticeKind.CLOSED, at=AT + after)
    return replace(
        closed,
        do="",
        what="Back on supply after 20 min 0 s on battery; the load was carried throughout.",
        short="Treatment works: back on supply after 20 min 0 s, load carried",
        urgent=False,
    )


async def test_what_came_and_went_while_nobody_could_be_reached_is_told_as_over_in_one_message(
    ledger: Ledger,
) -> None:
    it = Down(ledger)
    await it.happens(lost())
    await it.until(AT + timedelta(minutes=20))
    await it.happens(back(), closed=True)
    (came,) = await it.works_again(AT + NIGHT)
    assert came.kind is NoticeKind.CLOSED
    assert came.what.startswith("Told 7 h 5 min late. Over for 6 h 45 min: Back on supply after 20 min 0 s")
    assert came.short.startswith(
        "Told late, over for 6 h 45 min: Treatment works: back on supply after 20 min"
    )
    assert (came.do, came.by_when, came.urgent) == ("", None, False), "nobody has to do anything any more"
    assert came.at > AT + NIGHT, "a mail of that moment, not one that sinks into the night's"
    lines = (await ledger.messages(sending=Sending.SENT)).items
    assert {line.id.split("/")[0] for line in lines} == {"power-north-1.1", "power-north-1.2"}, (
        "each is accounted for"
    )


async def test_what_still_stands_says_so_with_the_time_left_of_that_moment(ledger: Ledger) -> None:
    it = Down(ledger)
    await it.happens(lost())
    (came,) = await it.works_again(AT + timedelta(minutes=12))
    assert came.kind is NoticeKind.OPENED
    assert came.what.startswith("Told 13 min 0 s late, and not over: Mains lost at main board B")
    assert "30.0 min" not in came.short, "that was so when nobody could be told"
    assert "17.0 min left at least" in came.short
    assert "See that set-1" in came.short[:ACTION_WITHIN]
    assert "Treatment works: 17.0 min left at the least" in came.lines[0]
    assert came.urgent


async def test_several_are_one_message_what_stands_first_and_the_gravest_of_it(ledger: Ledger) -> None:
    it = Down(ledger, most_messages=2)
    small = notice("unit-D1-1", about="D1")
    await it.happens(small)
    for n in range(1, 6):
        await it.happens(lost(f"power-north-{n}"))
        await it.happens(back(f"power-north-{n}", timedelta(minutes=20 + n)), closed=True)
    critical = replace(
        notice("own-1", about="D2", severity=Severity.CRITICAL), short="Unit D2: overloaded. Shed"
    )
    await it.happens(critical)
    (came,) = await it.works_again(AT + NIGHT)
    assert came.what == "12 messages told up to 7 h 5 min late, of 7 incidents: 2 not over, 5 over."
    assert [line.split(":")[0] for line in came.lines[:2]] == ["Not over, 7 h 5 min ago"] * 2
    assert [line.split(",")[0] for line in came.lines] == ["Not over"] * 2 + ["Over"] * 5
    assert came.severity is Severity.CRITICAL
    assert came.short.startswith("7 h 5 min late, 6 more: Unit D2: overloaded. See that set-1")
    assert len(came.short) <= SHORT
    assert "6 h 40 min ago" in came.lines[2], "what ended last comes first of what is over"


async def test_the_end_of_what_somebody_knew_of_comes_late_as_what_it_is(ledger: Ledger) -> None:
    it = Down(ledger)
    it.post.down = None
    await it.happens(lost())
    await it.until(AT + timedelta(minutes=1))
    it.post.down = ChannelDown("the gateway does not answer")
    await it.until(AT + timedelta(minutes=20))
    await it.happens(back(), closed=True)
    opened, closed = await it.works_again(AT + NIGHT)
    assert (opened.kind, closed.kind) == (NoticeKind.OPENED, NoticeKind.CLOSED)
    assert opened.what.startswith("Mains lost")
    assert closed.what.startswith("Told 6 h 45 min late. Over for 6 h 45 min: Back on supply")


async def test_what_is_over_for_somebody_who_is_told_of_no_end_is_told_as_over(ledger: Ledger) -> None:
    it = Down(ledger)
    it.where = office(
        ledger, it.clock, {"post": it.post}, (person(tell=[{"severity": "minor", "cleared": False}]),)
    )
    await it.happens(lost())
    await it.happens(back(), closed=True)
    (came,) = await it.works_again(AT + NIGHT)
    assert came.kind is NoticeKind.CLOSED
    assert "Over by now: Mains lost at main board B" in came.what


async def test_a_short_failure_of_the_way_changes_no_letter(ledger: Ledger) -> None:
    it = Down(ledger)
    await it.happens(lost())
    await it.happens(back(after=timedelta(seconds=30)), closed=True)
    await it.until(AT + timedelta(seconds=LATE_S / 4))
    it.post.down = None
    for _ in range(20):
        await it.clock.advance(2.0)
        while await it.where.outbox.send_due("post"):
            pass
    assert [Letter.of(m.body).notice.what[:8] for m in it.post.taken] == ["Mains lo", "Back on "]
