"""Delivery as one object, built from an estate file; test messages; signs of life."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

from collector.configuration import load
from collector.messaging.channels.channel import ChannelDown
from collector.messaging.channels.heartbeat import Heartbeat
from collector.messaging.delivery.office import PostOffice
from collector.messaging.delivery.trial import test_delivery
from collector.process.clock import TurnedClock
from collector.recorder.journal_lines import save_change
from collector.storage.ledger import Ledger
from rules.alarms.incidents.incident import IncidentChange, NoticeKind
from tests.collector.messaging.cases import AT, Scripted, change, notice, office, person, put


async def test_the_example_estate_has_a_post_office_with_all_its_channels(tmp_path: Path) -> None:
    folder = Path(__file__).parents[4] / "deploy"
    (tmp_path / "estate.toml").write_text((folder / "example-estate.toml").read_text())
    secrets = tmp_path / "secrets.toml"
    secrets.write_text((folder / "example-secrets.toml").read_text())
    secrets.chmod(0o600)
    for name in ("example-secrets.toml",):
        (tmp_path / name).write_text(secrets.read_text())
        (tmp_path / name).chmod(0o600)
    configuration = load(tmp_path / "estate.toml")
    async with Ledger(tmp_path / "ledger.db") as ledger:
        where = PostOffice.of(configuration, ledger, TurnedClock(AT))
    assert set(where.channels) == set(configuration.channels)
    assert where.failing() == dict.fromkeys(configuration.channels)


async def test_a_test_message_goes_by_every_way_of_every_person_and_says_what_came_back() -> None:
    post, pager = Scripted(), Scripted("pager")
    pager.down = ChannelDown("refused")
    both = person(reach=[{"channel": "post", "address": "a@b.example"}, {"channel": "pager"}])
    channels = {"post": post, "pager": pager}
    trials = await test_delivery(
        [both], channels, TurnedClock(AT), collector="fellbeck", time_zone="Europe/London"
    )
    assert [(t.channel, t.delivered, t.result) for t in trials] == [
        ("post", True, "taken"),
        ("pager", False, "refused"),
    ]
    assert "Nothing is wrong" in post.taken[0].body["notice"]["what"]


async def test_a_sign_of_life_goes_by_each_channel_and_a_failing_one_does_not_stop_the_others() -> None:
    first, second = Scripted("a"), Scripted("b")
    first.down = ChannelDown("refused")
    heart = Heartbeat([first, second], TurnedClock(AT), every_s=60, collector="fellbeck")
    await heart.beat()
    assert second.taken[0].body == {"collector": "fellbeck", "state": "running", "next_within_s": 180}


async def test_who_was_told_that_something_still_stands_was_told_of_what_it_became(tmp_path: Path) -> None:
    post = Scripted()
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        where = office(ledger, TurnedClock(AT), {"post": post}, (person("Desk"),))
        await put(ledger, where, notice("power-1", 1), notice("power-1", 2, kind=NoticeKind.CLOSED))
        own = replace(change(notice("own-1")).incident, told_in="power-1")
        async with ledger.transaction() as tx:
            save_change(tx, IncidentChange(own, None, AT))
        await where.refresh_told({"own-1"})
        assert [(t.who, t.result) for t in where.told["own-1"]] == [("Desk", "waiting")]
        running = asyncio.create_task(where.outbox.run())
        async with asyncio.timeout(15):
            while not where.told["own-1"][0].handed_over:
                await asyncio.sleep(0.01)
                await where.refresh_told({"own-1"})
        running.cancel()
        (one,) = where.told["own-1"]
        assert (one.who, one.handed_over) == ("Desk", True)
        assert (one.result or "").endswith("taken")
        await where.refresh_told(())
        assert where.told == {}


async def test_what_waits_behind_a_message_that_is_told_only_if_nobody_answers_is_not_late(
    tmp_path: Path,
) -> None:
    """The end stood in line behind a beginning that was not due for ten minutes, and was told as an old message, again and again."""
    clock = TurnedClock(AT)
    later = person(tell=[{"unanswered_s": 600}])
    async with Ledger(tmp_path / "ledger.db") as ledger:
        where = office(ledger, clock, {"post": Scripted()}, (later,))
        await put(
            ledger, where, notice(), notice(number=2, kind=NoticeKind.CLOSED, at=AT + timedelta(seconds=5))
        )
        await clock.advance(400.0)
        assert await where.oldest_s() == 0.0
        await clock.advance(250.0)
        assert await where.oldest_s() == 50.0, "due since then, and the end behind it as well"
        await put(ledger, where, notice("unit-W2-1", at=clock.now(), opened_at=AT))
        await clock.advance(10.0)
        assert await where.oldest_s() == 60.0
