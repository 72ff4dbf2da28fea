"""Webhooks, against a real HTTP receiver that checks signatures as Standard Webhooks describes."""

from __future__ import annotations

import base64
import ssl
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from collector.configuration.channel_tables import WebhookSettings as Settings
from collector.configuration.secrets import Token
from collector.messaging.channels.channel import ChannelDown, NeverTaken, NotNow
from collector.messaging.channels.webhook import WebhookChannel, event_id, signed
from collector.messaging.delivery.recipients import letters
from collector.process.clock import TurnedClock
from collector.storage.ledger.records import Outgoing
from rules.plant.topology import Topology
from tests.collector.messaging.cases import AT, everybody, notice, person
from tests.collector.messaging.sinks import WebSink, certificate, verified
from tests.rules.sample_plant import estate

SECRET = "whsec_" + base64.b64encode(b"a key of this test, 32 bytes lon").decode()


def message() -> Outgoing:
    return letters(notice(), everybody(person()), Topology(estate()), collector="fellbeck")[0]


@pytest.fixture
async def sink() -> AsyncIterator[WebSink]:
    server = WebSink()
    await server.start()
    yield server
    await server.stop()


def channel(sink: WebSink) -> WebhookChannel:
    settings = Settings(id="hook", kind="webhook", url=sink.url, secret="hook")
    return WebhookChannel(settings, Token.model_validate({"token": SECRET}), TurnedClock(AT))


async def test_an_event_arrives_signed_and_in_the_form_of_cloudevents(sink: WebSink) -> None:
    assert await channel(sink).send(message()) == "200 Said"
    headers, body = sink.requests[0]
    assert verified(headers, body, SECRET)
    assert not verified(headers, body + b" ", SECRET)
    assert headers["content-type"].startswith("application/cloudevents+json")
    event = sink.events()[0]
    assert event["specversion"] == "1.0"
    assert event["type"] == "ridethrough.incident.opened"
    assert event["source"] == "/ridethrough/fellbeck"
    assert event["subject"] == "power-north-1"
    assert event["time"] == "2026-10-09T00:14:12.000Z"
    assert event["id"] == headers["webhook-id"] == event_id(message().id)
    assert event["data"]["do"] == "See that set-1 runs and carries."
    assert event["data"]["by_when"] == "2026-10-09T00:29:20.000Z"


async def test_a_repetition_has_the_same_id_and_a_fresh_signature_time(sink: WebSink) -> None:
    clock = TurnedClock(AT)
    settings = Settings(id="hook", kind="webhook", url=sink.url, secret="hook")
    hook = WebhookChannel(settings, Token.model_validate({"token": SECRET}), clock)
    await hook.send(message())
    await clock.advance(400)
    await hook.send(message())
    first, second = (headers for headers, _ in sink.requests)
    assert first["webhook-id"] == second["webhook-id"]
    assert int(second["webhook-timestamp"]) - int(first["webhook-timestamp"]) == 400


@pytest.mark.parametrize(
    ("status", "error"),
    [
        (410, NeverTaken),
        (400, NeverTaken),
        (429, NotNow),
        (500, ChannelDown),
        (401, ChannelDown),
        (302, ChannelDown),
    ],
)
async def test_what_comes_back_decides_what_is_done(
    sink: WebSink, status: int, error: type[Exception]
) -> None:
    sink.status = status
    with pytest.raises(error, match=str(status)):
        await channel(sink).send(message())


async def test_nobody_listening_is_a_channel_that_is_down(sink: WebSink) -> None:
    hook = channel(sink)
    await sink.stop()
    with pytest.raises(ChannelDown):
        await hook.send(message())
    await sink.start()


def test_the_signature_is_that_of_an_independent_hmac() -> None:
    # HMAC-SHA256 over "id.timestamp.body" as Standard Webhooks asks; expected value made by `openssl dgst -mac HMAC`
    headers = signed(
        "msg_p5jXN8AQM9LWM0D4loKWxJek",
        1614265330,
        b'{"test": 2432232314}',
        "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw",
    )
    assert headers["webhook-signature"] == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


async def test_the_authorities_are_read_once_for_many_messages_and_again_when_their_file_is_another(
    sink: WebSink, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    authorities = tmp_path / "authorities.pem"
    files = certificate(tmp_path)
    authorities.write_text(files.certificate.read_text("utf-8"), "utf-8")
    read: list[str | None] = []
    create = ssl.create_default_context

    def counted(*, cafile: str | None = None) -> ssl.SSLContext:
        read.append(cafile)
        return create(cafile=cafile)

    monkeypatch.setattr(ssl, "create_default_context", counted)
    settings = Settings(
        id="hook", kind="webhook", url=sink.url, secret="hook", authority_file=str(authorities)
    )
    hook = WebhookChannel(settings, Token.model_validate({"token": SECRET}), TurnedClock(AT))
    for _ in range(3):
        await hook.send(message())
    assert read == [str(authorities)]
    authorities.write_text(authorities.read_text("utf-8") + "\n", "utf-8")
    await hook.send(message())
    assert read == [str(authorities)] * 2
    authorities.unlink()
    with pytest.raises(ChannelDown, match=r"authorities\.pem"):
        await hook.send(message())
