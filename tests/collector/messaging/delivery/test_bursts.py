"""What may wait for nothing: openings of outages and what became critical, one alone and many at once."""

from __future__ import annotations

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.messaging.channels.channel import ChannelDown, NotNow
from collector.messaging.delivery.bursts import ALONE, GOES_ON_S, JOINED_EVERY_S, ONCE_IN_S, WITHIN_S
from collector.messaging.delivery.office import PostOffice
from collector.process.clock import TurnedClock
from collector.storage.ledger import Ledger
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.incidents.incident import IncidentPart, Notice, NoticeKind, NoticeNews
from rules.values.severity import Severity
from tests.collector.messaging.cases import AT, Scripted, notice, office, person, put

FULL: dict[str, Any] = {"most_messages": 2, "within_s": 600.0}
"""An allowance that two messages use up."""


@pytest.fixture
async def ledger(tmp_path: Path) -> AsyncIterator[Ledger]:
    async with Ledger(tmp_path / "ledger.db") as opened:
        yield opened


@pytest.fixture
def clock() -> TurnedClock:
    return TurnedClock(AT)


async def drain(where: PostOffice) -> None:
    for name in where.channels:
        while await where.outbox.send_due(name):
            pass


async def turn(clock: TurnedClock, where: PostOffice, seconds: float, step: float = 1.0) -> None:
    for _ in range(round(seconds / step)):
        await clock.advance(step)
        await drain(where)


def opening(site: str, clock: TurnedClock, *, number: int = 1, left_s: float = 840.0) -> Notice:
    """Return the opening of an outage at a site of its own, whose system holds for so long from now."""
    at = clock.now()
    part = IncidentPart(f"hall-{site}", at, ends_earliest=at + timedelta(seconds=left_s), name=f"Hall {site}")
    return replace(
        notice(f"power-{site}-{number}", about=site, site=site, at=at, opened_at=at),
        what=f"Mains lost at {site}, supply {site}: 2 units on battery.",
        do=f"See that set-{site} runs.",
        short=f"{site}: mains lost",
        parts=(part,),
        news=NoticeNews.OUTAGE,
        news_of=(f"power-{site}",),
        place=f"{site}, supply {site}",
        mains_lost=True,
    )


def planning(bank: str) -> Notice:
    return replace(notice(f"own-{bank}-1", about=bank), news=NoticeNews.PLANNING)


def whats(post: Scripted) -> list[str]:
    return [message.body["notice"]["what"] for message in post.taken]


async def test_bank_alarms_leave_an_outage_its_letter_and_other_news_their_allowance(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),), **FULL)
    await put(ledger, where, *[planning(f"bank-{n}") for n in range(12)])
    await turn(clock, where, 2)
    assert len(post.taken) == 2
    await put(ledger, where, opening("hill", clock), notice("unit-W1-1"), notice("unit-W2-1"))
    await turn(clock, where, 2)
    said = [message.body["notice"]["incident"] for message in post.taken[2:]]
    assert said == ["power-hill-1", "unit-W1-1", "unit-W2-1"], "planning used up nothing but its own"


async def test_with_the_allowance_used_up_what_becomes_critical_goes_at_once_and_alone(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),), **FULL)
    await put(ledger, where, notice("unit-W1-1"), notice("unit-W2-1"), opening("hill", clock))
    await turn(clock, where, 2)
    # a change of the same incident is held for a summary; what becomes critical does not stand in line behind it
    await put(ledger, where, notice("power-hill-1", 2, kind=NoticeKind.CHANGED))
    await turn(clock, where, 2)
    graver = replace(
        notice("power-hill-1", 3, kind=NoticeKind.CHANGED, severity=Severity.CRITICAL),
        news=NoticeNews.GRAVER,
        news_of=("ends_soon:hall-hill",),
    )
    await put(ledger, where, graver)
    await turn(clock, where, 1)
    assert [m.id.split("/")[0] for m in post.taken][2:] == ["power-hill-1.1", "power-hill-1.3"]
    await turn(clock, where, 600)
    assert [m.id.split("/")[0] for m in post.taken][4:] == ["power-hill-1.2"], (
        "a summary of one is the letter itself"
    )


async def test_a_supply_that_comes_and_goes_has_one_letter_outside_the_allowance_in_ten_minutes(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),), **FULL)
    for number in range(1, 6):
        await put(ledger, where, opening("hill", clock, number=number))
        await turn(clock, where, 60)
    assert len(post.taken) == 3, "one outside, two within the allowance; the rest is gathered"
    await turn(clock, where, ONCE_IN_S)
    before = len(post.taken)
    await put(ledger, where, opening("hill", clock, number=6))
    await turn(clock, where, 1)
    assert whats(post)[before:] == ["Mains lost at hill, supply hill: 2 units on battery."]


async def test_more_than_three_sites_within_five_seconds_are_one_letter_that_is_told_again_when_one_joins(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),), **FULL)
    names = [f"s{n}" for n in range(10)]
    for name in names[:6]:
        await put(ledger, where, opening(name, clock))
        await turn(clock, where, 0.5, 0.5)
    assert len(post.taken) == ALONE, "the first go at once"
    for name in names[6:]:
        await put(ledger, where, opening(name, clock))
    await turn(clock, where, WITHIN_S - 2.5, 0.5)
    assert whats(post)[ALONE:] == ["Mains lost at 10 sites, 7 more now."]
    joint = post.taken[ALONE].body["notice"]
    assert [line.split(",")[0] for line in joint["lines"]] == [*names[3:], *names[:3]], "new ones first"
    # each line: site, system, time left as of this letter, what to do; 840 s less what passed since
    assert joint["lines"][-1] == "s2, supply s2. Hall s2: 13.9 min left at the least. See that set-s2 runs."
    assert (joint["site"], joint["about"]) == (None, "several")
    assert joint["do"] == "See each line: what ends soonest first."
    await turn(clock, where, 30)
    await put(ledger, where, opening("late", clock))
    await turn(clock, where, 1)
    assert whats(post)[ALONE + 1 :] == ["Mains lost at 11 sites, 1 more now."]
    # each opening went out once, by name or in a line
    sent = (await ledger.events(kinds=("message_sent",))).items
    assert sorted(line.body["message"].split("/")[0] for line in sent) == sorted(
        f"power-{name}-1.1" for name in [*names, "late"]
    )
    await turn(clock, where, GOES_ON_S + 1.0)
    await put(ledger, where, opening("other", clock))
    await turn(clock, where, 1)
    assert whats(post)[-1] == "Mains lost at other, supply other: 2 units on battery.", (
        "another event, by itself"
    )


async def test_who_joins_just_behind_the_letter_of_many_is_told_three_seconds_later(
    ledger: Ledger, clock: TurnedClock
) -> None:
    """Of thirty sites the last three were told 14 s after the first went: they waited 5 s behind the one before."""
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),), **FULL)
    await put(ledger, where, *[opening(f"s{n}", clock) for n in range(6)])
    await turn(clock, where, 0.5, 0.5)
    assert whats(post) == ["Mains lost at 6 sites."]
    await put(ledger, where, opening("late", clock))
    await turn(clock, where, JOINED_EVERY_S - 1.0, 0.5)
    assert len(post.taken) == 1
    await turn(clock, where, 1.0, 0.5)
    assert whats(post)[1:] == ["Mains lost at 7 sites, 1 more now."]


async def test_a_site_that_is_fed_again_is_named_no_more_when_another_joins(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),))
    await put(ledger, where, *[opening(f"s{n}", clock) for n in range(5)])
    await turn(clock, where, 1)
    assert whats(post) == ["Mains lost at 5 sites."], "all at once is one letter at once"
    closed = notice("power-s0-1", 2, kind=NoticeKind.CLOSED, about="s0", site="s0", at=clock.now())
    await put(ledger, where, closed)
    await turn(clock, where, 20)
    await put(ledger, where, opening("s9", clock))
    await turn(clock, where, 1)
    joint = post.taken[-1].body["notice"]
    assert joint["what"] == "Mains lost at 5 sites, 1 more now."
    assert not any(line.startswith("s0,") for line in joint["lines"])


@pytest.mark.parametrize("batch", [1, 10])
async def test_after_a_server_was_away_what_waited_is_one_letter_and_none_comes_twice(
    ledger: Ledger, clock: TurnedClock, batch: int
) -> None:
    post = Scripted()
    post.batch = batch
    post.down = ChannelDown("refused")
    where = office(ledger, clock, {"post": post}, (person(),))
    await put(ledger, where, *[opening(f"s{n}", clock) for n in range(6)])
    await turn(clock, where, 40)
    post.down = None
    post.fails = [NotNow("451 later")]
    await turn(clock, where, 60)
    assert whats(post) == ["Mains lost at 6 sites."]
    assert (await ledger.waiting())[0] == 0


async def test_a_kill_after_a_joint_letter_went_out_sends_the_same_letter_again(
    ledger: Ledger, clock: TurnedClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, after = Scripted(), Scripted()
    before.batch = after.batch = 10
    where = office(ledger, clock, {"post": before}, (person(),))
    for n in range(3):
        await put(ledger, where, opening(f"s{n}", clock))
        await turn(clock, where, 1)
    await put(ledger, where, *[opening(f"s{n}", clock) for n in range(3, 7)])
    await turn(clock, where, 1)

    class Killed(BaseException):
        pass

    def killed(*_: object, **__: object) -> None:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(where.outbox, "_sent", killed)
        with pytest.raises(Killed):
            await turn(clock, where, 5)
    assert whats(before)[3:] == ["Mains lost at 7 sites, 4 more now."]
    again = office(ledger, clock, {"post": after}, (person(),))
    await again.outbox.restore()
    await drain(again)
    assert [m.id for m in after.taken] == [m.id for m in before.taken[3:]]
    assert [m.body["notice"]["lines"] for m in after.taken] == [before.taken[3].body["notice"]["lines"]]


async def test_a_summary_of_several_sites_stands_under_the_name_of_none(
    ledger: Ledger, clock: TurnedClock
) -> None:
    post = Scripted()
    where = office(ledger, clock, {"post": post}, (person(),), **FULL)
    await put(ledger, where, *[notice(f"unit-W{n}-1", about=f"W{n}", site=f"site-{n}") for n in range(6)])
    await turn(clock, where, 320)
    summary = post.taken[2].body["notice"]
    assert summary["what"] == "4 messages of 4 sites in one, since many came at once."
    assert (summary["site"], summary["about"]) == (None, "several")
    assert summary["short"].startswith("4 messages of 4 sites: the gravest: ")
    assert summary["do"] == "See each line, the gravest first."


def test_what_is_planning_wants_nobody_today() -> None:
    plans = {name for name, kind in CATALOGUE.items() if kind.planning}
    assert {"bank_replace_now", "bank_order_now", "bank_too_small", "requirement_not_met"} <= plans
    assert all(CATALOGUE[name].respond_s >= 86_400.0 for name in plans)
    assert plans.isdisjoint(
        {"on_battery", "ends_soon", "bank_hot", "charger_lost", "card_alarm", "card_silent"}
    )
