"""Webhooks: a CloudEvents 1.0 event in JSON, signed as Standard Webhooks 1.0.0 describes.

The signature is HMAC-SHA256 over `id.timestamp.body` with the secret behind `whsec_` (base64), or with the
token's bytes where it has no such beginning. A receiver tells a repetition by the id, which never changes.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
from typing import Any, Final

import httpx

from collector.configuration.channel_tables import WebhookSettings as Settings
from collector.configuration.secrets import Token
from collector.messaging.channels.channel import ChannelDown, NeverTaken, NotNow, Trust, why
from collector.messaging.delivery.answer_links import AnswerLinks, url_of
from collector.messaging.delivery.letter import HEARTBEAT, Letter, notice_data
from collector.process.clock import Clock
from collector.storage.ledger.records import Outgoing

ANSWER_WITHIN_S: Final = 15.0
REFUSED_FOR_GOOD: Final = frozenset({400, 410, 413, 415, 422})
CONTENT_TYPE: Final = "application/cloudevents+json; charset=utf-8"


class WebhookChannel:
    """One address that each message is posted to. Redirects are not followed."""

    batch = 10

    def __init__(
        self, settings: Settings, token: Token | None, clock: Clock, links: AnswerLinks | None = None
    ) -> None:
        self._links = links
        self.id = settings.id
        self._settings = settings
        self._token = token
        self._clock = clock
        self._trust = Trust(settings.authority_file)

    async def run(self) -> None:
        """Hold nothing open."""

    async def send(self, message: Outgoing) -> str:
        """Post one message and return the answer's status."""
        body = json.dumps(event_of(message, self._links), allow_nan=False, separators=(",", ":")).encode()
        headers = {"content-type": CONTENT_TYPE, "user-agent": "ridethrough"}
        if self._token is not None:
            headers |= signed(
                event_id(message.id), int(self._clock.now().timestamp()), body, self._token.token.reveal()
            )
        try:
            async with httpx.AsyncClient(
                verify=self._trust.context(), timeout=ANSWER_WITHIN_S, trust_env=False
            ) as client:
                answer = await client.post(self._settings.url, content=body, headers=headers)
        except httpx.HTTPError as error:
            raise ChannelDown(why(error)) from error
        return _outcome(answer.status_code, answer.reason_phrase)


def _outcome(status: int, reason: str) -> str:
    text = f"{status} {reason}".strip()
    if 200 <= status < 300:
        return text
    if status in REFUSED_FOR_GOOD:
        raise NeverTaken(text)
    if status == 429:
        raise NotNow(text)
    raise ChannelDown(text)


def event_of(message: Outgoing, links: AnswerLinks | None = None) -> dict[str, Any]:
    """Return a message as a CloudEvents 1.0 event (JSON event format, structured mode)."""
    event: dict[str, Any] = {
        "specversion": "1.0",
        "id": event_id(message.id),
        "datacontenttype": "application/json",
        "time": message.created.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
    }
    if message.schema == HEARTBEAT:
        collector = message.body["collector"]
        return event | {
            "source": f"/ridethrough/{collector}",
            "type": "ridethrough.heartbeat",
            "data": dict(message.body),
        }
    letter = Letter.of(message.body)
    return event | {
        "source": f"/ridethrough/{letter.collector}",
        "type": f"ridethrough.incident.{letter.notice.kind.value}",
        "subject": letter.notice.incident,
        "data": notice_data(
            letter, event["id"], url_of(links, letter), None if links is None else links.by_broker(letter)
        ),
    }


def event_id(message_id: str) -> str:
    """Return the id other programs see: lasting, and without the full stop that parts the signed text."""
    return f"msg_{hashlib.sha256(message_id.encode()).hexdigest()[:32]}"


def signed(message_id: str, timestamp_s: int, body: bytes, secret: str) -> dict[str, str]:
    """Return the three headers of Standard Webhooks for a body."""
    signature = base64.b64encode(
        hmac.new(_key(secret), f"{message_id}.{timestamp_s}.".encode() + body, hashlib.sha256).digest()
    ).decode()
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp_s),
        "webhook-signature": f"v1,{signature}",
    }


def _key(secret: str) -> bytes:
    if secret.startswith("whsec_"):
        try:
            return base64.b64decode(secret.removeprefix("whsec_"), validate=True)
        except binascii.Error as error:
            raise ChannelDown("the signing secret is not base64 behind whsec_") from error
    return secret.encode()
