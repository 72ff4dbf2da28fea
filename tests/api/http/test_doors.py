"""Who is let in, who makes room, and what is counted of it; the doors of the running service: `tests/trials`."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from typing import Any

import httpx
import pytest
from starlette.responses import PlainTextResponse
from starlette.types import Receive, Scope, Send

from api.http import doors
from api.http.doors import LARGEST_BODY_BYTES, Doors, Inside, PlainAnswers, RefusedRequest, kind_of


@dataclass(eq=False)
class Knocker:
    """A connection in a word or two."""

    address: str
    waited_for: bool = True
    gone: bool = False

    def make_room(self) -> None:
        self.gone = True


async def test_one_address_elsewhere_has_its_share_and_the_oldest_that_is_waited_for_makes_room() -> None:
    here = Doors(most=10, most_from_one=3)
    first, second, third = crowd = [Knocker("192.0.2.7") for _ in range(3)]
    other = Knocker("192.0.2.8")
    assert all(here.enter(one) for one in (*crowd, other))
    first.waited_for = False  # it is being answered
    fourth = Knocker("192.0.2.7")
    assert here.enter(fourth)
    assert [one.gone for one in (first, second, third, other, fourth)] == [False, True, False, False, False]
    here.answered(third)  # it was of use, so the fourth is now the one that is waited for the longest
    assert here.enter(Knocker("192.0.2.7"))
    assert fourth.gone
    assert not third.gone


async def test_where_all_are_being_answered_a_newcomer_is_turned_away() -> None:
    here = Doors(most=10, most_from_one=2)
    busy = [Knocker("192.0.2.7", waited_for=False) for _ in range(2)]
    assert all(here.enter(one) for one in busy)
    assert not here.enter(Knocker("192.0.2.7"))
    assert here.enter(Knocker("192.0.2.8"))
    here.leave(busy[0])
    assert here.enter(Knocker("192.0.2.7"))


@pytest.mark.parametrize("address", ["127.0.0.1", "127.0.0.9", "::1", ""])
async def test_this_machine_may_have_all_since_a_proxy_brings_everybody(address: str) -> None:
    here = Doors(most=10, most_from_one=2)
    crowd = [Knocker(address) for _ in range(10)]
    assert all(here.enter(one) for one in crowd)
    assert not any(one.gone for one in crowd)
    assert here.enter(Knocker("192.0.2.7"))
    assert [one.gone for one in crowd] == [True, *[False] * 9]


async def test_the_first_refusal_is_told_at_once_and_the_rest_in_one_line_a_minute(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    later: list[tuple[float, Callable[[], None]]] = []

    def call_later(delay_s: float, what: Callable[[], None]) -> object:
        later.append((delay_s, what))
        return what

    monkeypatch.setattr(asyncio.get_running_loop(), "call_later", call_later)
    refused = RefusedRequest()
    with caplog.at_level(logging.WARNING):
        for _ in range(1000):
            refused.count("heads")
        refused.count("bodies")
    assert [record.getMessage() for record in caplog.records] == ["refused over HTTP: heads: 1"]
    ((delay_s, tell),) = later
    assert delay_s == 60.0
    with caplog.at_level(logging.WARNING):
        tell()
    assert caplog.records[-1].getMessage() == "refused over HTTP: bodies: 1; heads: 999"
    assert refused.counted == {"heads": 1000, "bodies": 1}


def test_health_and_the_pages_have_places_of_their_own() -> None:
    assert kind_of("/health/live") == kind_of("/health/ready") == "health"
    assert {kind_of(path) for path in ("/", "/alarms", "/systems/A", "/static/page.css")} == {"page"}
    assert {kind_of(path) for path in ("/v1/systems", "/metrics", "/openapi.json")} == {"other"}


async def test_programs_that_ask_much_take_no_place_from_health_and_the_page(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    gate = asyncio.Event()

    async def slowly(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["path"].startswith("/v1"):
            await gate.wait()
        await PlainTextResponse("done")(scope, receive, send)

    monkeypatch.setitem(doors.PLACES, "other", 2)
    refused = RefusedRequest()
    async with httpx.AsyncClient(
        transport=httpx.ASGITransport(Inside(slowly, refused)), base_url="http://127.0.0.1"
    ) as client:
        asking = [asyncio.create_task(client.get("/v1/systems")) for _ in range(2)]
        await asyncio.sleep(0)
        while sum(refused.counted.values()) == 0:
            turned_away = await client.get("/v1/alarms")
        assert turned_away.status_code == 503
        assert turned_away.json()["retry_after_s"] == 5
        assert (await client.get("/")).status_code == 200
        assert (await client.get("/health/live")).status_code == 200
        gate.set()
        assert [(await one).status_code for one in asking] == [200, 200]
        assert (await client.get("/v1/alarms")).status_code == 200  # a place that was left is free


async def test_a_body_is_whole_before_anything_is_done_with_it() -> None:
    seen: list[bytes] = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        message = await receive()
        assert not message["more_body"]
        seen.append(message["body"])
        await PlainTextResponse("done")(scope, receive, send)

    async def parts() -> AsyncIterator[bytes]:
        for _ in range(10):
            yield b"x" * (LARGEST_BODY_BYTES // 10)

    transport = httpx.ASGITransport(PlainAnswers(Inside(app, RefusedRequest())))
    async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
        answer = await client.post("/v1/x", content=parts())
        assert answer.text == "done"
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["cache-control"] == "no-store"
        assert (await client.post("/v1/x", content=b"x" * (LARGEST_BODY_BYTES + 1))).status_code == 413
    assert seen == [b"x" * (LARGEST_BODY_BYTES // 10 * 10)]


@pytest.mark.parametrize(
    "lengths",
    [
        [(b"content-length", b"4"), (b"transfer-encoding", b"chunked")],
        [(b"transfer-encoding", b"chunked"), (b"transfer-encoding", b"identity")],
        [(b"content-length", b"4"), (b"content-length", b"40")],
    ],
)
async def test_a_request_that_may_hide_another_is_refused_and_its_line_closed(
    lengths: list[tuple[bytes, bytes]],
) -> None:
    async def never(*_: object) -> None:
        raise AssertionError("it was let in")

    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        raise AssertionError("its body was read")

    scope = {"type": "http", "method": "POST", "path": "/v1/alarms/a/note", "headers": lengths}
    refused = RefusedRequest()
    await Inside(never, refused)(scope, receive, send)
    assert sent[0]["status"] == 400
    assert (b"connection", b"close") in sent[0]["headers"]
    assert refused.counted == {"requests that say two lengths": 1}
    one = {**scope, "method": "GET", "path": "/", "headers": lengths[:1]}
    with pytest.raises(AssertionError, match="let in"):
        await Inside(never, refused)(one, receive, send)
