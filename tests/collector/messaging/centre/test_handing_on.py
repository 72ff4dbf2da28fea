"""Acts on their way to a site, a stand-in over a real socket that takes, refuses, dies midway, answers late, is not there."""

from __future__ import annotations

import asyncio
import json
import ssl
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

import pytest

from collector.configuration.secrets import Secret, Token
from collector.messaging.centre.acts import AS_LONG_AS, LATE_AFTER, ActStanding, HandedOn
from collector.messaging.centre.handing_on import LONGEST_WAIT_S, SOON_S, ActsPlace, HandingOn
from collector.process.clock import TurnedClock
from collector.storage.database import StoreError, StoreFault
from tests.collector.messaging.sinks import certificate
from tests.daemon import free_tcp_port

AT: Final = datetime(2026, 11, 24, 10, tzinfo=UTC)
ACT: Final = HandedOn(
    id="0123456789abcdef" * 2, site="north", about="on_battery:north:A1", deed="acknowledge",
    path="/v1/alarms/on_battery%3AA1/acknowledge", body='{"note": "seen"}', by="R. Haugen", known=True,
    means="signed in", address="10.1.2.3", made=AT, until=AT + timedelta(seconds=120), since=AT,
)  # fmt: skip
Answer = Callable[[asyncio.StreamWriter], Awaitable[None]]


def answer(status: int, kind: str = "x", detail: str = "It is over.") -> Answer:
    async def write(writer: asyncio.StreamWriter) -> None:
        body = json.dumps({"type": f"/problems/{kind}", "detail": detail}).encode()
        writer.write(
            b"HTTP/1.1 %d X\r\nContent-Length: %d\r\nLocation: /x\r\n\r\n%s" % (status, len(body), body)
        )
        await writer.drain()

    return write


async def die(writer: asyncio.StreamWriter) -> None:
    """Take the request whole, and end without a word."""
    writer.transport.abort()


async def half(writer: asyncio.StreamWriter) -> None:
    writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 100\r\n\r\n{")
    await writer.drain()
    writer.transport.abort()


async def never(_writer: asyncio.StreamWriter) -> None:
    await asyncio.sleep(3600.0)


@dataclass
class Site:
    """Answers one request after the other as it is told, the last way from then on; notes what it was asked."""

    answers: list[Answer]
    asked: list[tuple[str, dict[str, str], dict[str, Any]]] = field(default_factory=list)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        head = (await reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
        headers = {line.partition(": ")[0].lower(): line.partition(": ")[2] for line in head[1:] if line}
        body = json.loads(await reader.readexactly(int(headers["content-length"])))
        self.asked.append((head[0], headers, body))
        way = self.answers[min(len(self.asked), len(self.answers)) - 1]
        try:
            await way(writer)
        finally:
            writer.close()


@dataclass
class Kept:
    """What a kill finds; `full` stands for a disk that takes nothing."""

    states: list[ActStanding] = field(default_factory=list)
    full: bool = False

    async def keep(self, _acts: tuple[HandedOn, ...], changed: HandedOn) -> None:
        if self.full:
            raise StoreError("ledger", StoreFault.FULL, "the disk is full")
        self.states.append(changed.standing)


@dataclass
class Case:
    clock: TurnedClock
    handing: HandingOn
    kept: Kept
    site: Site

    @property
    def act(self) -> HandedOn:
        return self.handing.acts[ACT.id]

    async def stands(self, *wanted: ActStanding, step_s: float = 1.0) -> HandedOn:
        """Return the act as soon as it stands as wanted, the clock turned on meanwhile."""
        async with asyncio.timeout(30.0):
            while self.act.standing not in wanted:
                await self.clock.advance(step_s, 0.02)
        return self.act


@asynccontextmanager
async def case(
    *answers: Answer,
    port: int | None = None,
    authority: str | None = None,
    within_s: float = 10.0,
    serves: ssl.SSLContext | None = None,
) -> AsyncIterator[Case]:
    """Run the handing on to a site that answers so, or to a port at which nobody is."""
    site, clock, kept = Site(list(answers)), TurnedClock(AT), Kept()
    server = await asyncio.start_server(site.serve, "127.0.0.1", 0, ssl=serves)
    own = server.sockets[0].getsockname()[1]
    scheme = "https" if authority is not None else "http"
    place = ActsPlace(f"{scheme}://127.0.0.1:{port or own}", Token(token=Secret("rt_ab_cdefghij")), authority)
    handing = HandingOn({"north": place}, clock, kept.keep, answer_within_s=within_s)
    running = asyncio.create_task(handing.run())
    try:
        yield Case(clock, handing, kept, site)
    finally:
        running.cancel()
        server.close()


async def test_an_act_is_asked_of_the_site_in_the_name_of_who_did_it_and_stands_until_the_journal_has_it() -> (
    None
):
    async with case(answer(200)) as one:
        assert (await one.handing.hand_on(ACT)).standing is ActStanding.TAKEN
        ((line, headers, body),) = one.site.asked
        assert line == "POST /v1/alarms/on_battery%3AA1/acknowledge HTTP/1.1"
        assert headers["authorization"] == "Bearer rt_ab_cdefghij"
        passed = {
            "act": ACT.id,
            "until": "2026-11-24T10:02:00+00:00",
            "known": True,
            "means": "signed in",
            "from": "10.1.2.3",
        }
        assert body == {"note": "seen", "by": "R. Haugen", "passed_on": passed}
        assert one.act.words(AT) == "R. Haugen, acknowledge: north took it; its journal has not told it yet."
        assert "Do not do it again here" in one.act.words(AT + LATE_AFTER)
        assert [one.act.shown(AT + timedelta(hours=hours)) for hours in (23, 24)] == [True, False]
        for site, standing in (("depot", ActStanding.TAKEN), ("north", ActStanding.DONE)):
            await one.handing.heard(site, ACT.id)
            assert one.act.standing is standing, site
        assert not one.act.shown(AT)
        assert one.kept.states == [ActStanding.WAITING, ActStanding.TAKEN, ActStanding.DONE]


@pytest.mark.parametrize(
    ("status", "words"),
    [
        (409, "north refused it, and nothing was done: It is over."),
        (404, "It is over."),
        (403, "It is over."),
        (401, "`ridethrough token make centre --role pass_on`"),
        (308, "where the site itself answers"),
    ],
)
async def test_what_a_site_refuses_is_told_in_its_words_and_never_asked_again(
    status: int, words: str
) -> None:
    async with case(answer(status)) as one:
        assert (await one.handing.hand_on(ACT)).standing is ActStanding.REFUSED
        assert words in one.act.words(AT)
        await one.clock.advance(60.0, 0.02)
        assert len(one.site.asked) == 1
        assert one.act.shown(AT)
        assert not one.act.shown(AT + AS_LONG_AS)


@pytest.mark.parametrize("way", [die, half, answer(503), answer(409, "under-way"), never])
async def test_what_was_not_answered_is_asked_again_as_the_same_act(way: Answer) -> None:
    async with case(way, way, answer(200), within_s=0.3 if way is never else 10.0) as one:
        asking = asyncio.create_task(one.handing.hand_on(ACT))
        await one.clock.advance(0.0, 0.02)
        await one.stands(ActStanding.TAKEN)
        await asking
        assert len(one.site.asked) == 3
        assert {body["passed_on"]["act"] for _, _, body in one.site.asked} == {ACT.id}
        assert len({body["passed_on"]["until"] for _, _, body in one.site.asked}) == 1


async def test_a_site_that_is_away_is_tried_until_the_time_is_over_and_then_nothing_was_done() -> None:
    async with case(answer(200), port=free_tcp_port()) as one:
        asking = asyncio.create_task(one.handing.hand_on(ACT))
        await one.clock.advance(0.0, 0.1)
        await one.clock.advance(SOON_S, 0.1)
        stands = await asking
        assert stands.standing is ActStanding.WAITING
        assert (
            "on its way to north (All connection attempts failed); tried until 10:02:00 UTC, then given up"
            in stands.words(one.clock.now())
        )
        over = await one.stands(ActStanding.UNDELIVERED, step_s=LONGEST_WAIT_S)
        assert timedelta(seconds=120) <= over.since - AT <= timedelta(seconds=120 + LONGEST_WAIT_S)
        assert "not delivered, and nothing was done: north was not reached" in over.words(over.since)


async def test_a_site_that_never_answers_may_have_done_it_and_only_its_journal_says() -> None:
    async with case(die) as one:
        asking = asyncio.create_task(one.handing.hand_on(ACT))
        await one.clock.advance(0.0, 0.02)
        over = await one.stands(ActStanding.UNANSWERED, step_s=LONGEST_WAIT_S)
        await asking
        assert "whether it was done, its journal says once it is heard" in over.words(over.since)
        await one.handing.heard("north", ACT.id)
        assert one.act.standing is ActStanding.DONE


async def test_what_the_journal_tells_before_the_answer_is_done_and_asked_no_more() -> None:
    async with case(die) as one:
        asking = asyncio.create_task(one.handing.hand_on(ACT))
        async with asyncio.timeout(10.0):
            while not one.site.asked:
                await one.clock.advance(1.0, 0.02)
        await one.handing.heard("north", ACT.id)
        assert (await asking).standing is ActStanding.DONE
        asked = len(one.site.asked)
        await one.clock.advance(60.0, 0.1)
        assert (len(one.site.asked), one.act.standing) == (asked, ActStanding.DONE)


async def test_what_cannot_be_kept_is_not_sent() -> None:
    async with case(answer(200)) as one:
        one.kept.full = True
        with pytest.raises(StoreError):
            await one.handing.hand_on(ACT)
        await one.clock.advance(5.0, 0.05)
        assert (one.site.asked, one.handing.acts) == ([], {})


async def test_after_a_kill_what_was_on_its_way_goes_on_under_its_id_or_may_have_been_done() -> None:
    async with case(answer(200)) as one:
        over = replace(ACT, id="f" * 32, until=AT)
        one.handing.restore([over, ACT])
        await one.stands(ActStanding.TAKEN)
        assert [body["passed_on"]["act"] for _, _, body in one.site.asked] == [ACT.id]
        assert one.handing.acts[over.id].standing is ActStanding.UNANSWERED


async def test_acts_of_one_site_arrive_in_their_order() -> None:
    async with case(die, answer(200)) as one:
        second = replace(ACT, id="f" * 32)
        asking = [asyncio.create_task(one.handing.hand_on(act)) for act in (ACT, second)]
        await one.clock.advance(0.0, 0.02)
        await one.stands(ActStanding.TAKEN)
        await asyncio.gather(*asking)
        assert [body["passed_on"]["act"] for _, _, body in one.site.asked] == [ACT.id, ACT.id, second.id]


async def test_a_site_shows_a_certificate_that_its_authority_vouches_for_or_hears_nothing(
    tmp_path: Path,
) -> None:
    for name in ("north", "other"):
        (tmp_path / name).mkdir()
    ours, other = certificate(tmp_path / "north"), certificate(tmp_path / "other")
    serves = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    serves.load_cert_chain(ours.certificate, ours.key)
    async with case(answer(200), authority=str(ours.certificate), serves=serves) as one:
        assert (await one.handing.hand_on(ACT)).standing is ActStanding.TAKEN
    async with case(answer(200), authority=str(other.certificate), serves=serves) as one:
        asking = asyncio.create_task(one.handing.hand_on(ACT))
        await one.clock.advance(0.0, 0.02)
        over = await one.stands(ActStanding.UNDELIVERED, step_s=LONGEST_WAIT_S)
        await asking
        assert "certificate verify failed" in over.words(over.since)
        assert one.site.asked == []


async def test_authorities_that_cannot_be_read_are_told_and_the_site_hears_nothing(tmp_path: Path) -> None:
    missing = str(tmp_path / "authority.pem")
    async with case(answer(200), authority=missing) as one:
        asking = asyncio.create_task(one.handing.hand_on(ACT))
        await one.clock.advance(0.0, 0.02)
        over = await one.stands(ActStanding.UNDELIVERED, step_s=LONGEST_WAIT_S)
        await asking
        assert "authority.pem: No such file or directory" in over.words(over.since)
        assert one.site.asked == []
