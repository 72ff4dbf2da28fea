"""State and alarms to a broker: MQTT 5, retained, with expiry, last will and message ids.

Below `topics_below/COLLECTOR/`: `alive` (retained; the last will says "lost"), `alarm/ID`, `system/ID` and
`unit/ID` (retained, cleared when normal, vanishing when nobody renews them), `incident/ID` (each notice
once), and each figure by itself where `single_values` asks for it. Quality of service 1; a repeated message carries the same `message_id`. Nothing is subscribed to but the
`alive` of other collectors that are named, `answer` where `takes_answers` says so, and what a centre says that it has where
`tells_centre` does (`collector.messaging.centre.site_feed` tells it by this connection): an operator's action goes to the site's HTTP interface, and the site's word on its generators to `collector.messaging.mqtt.generator_status`.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final
from urllib.parse import quote

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from collector.configuration.channel_tables import MqttSettings as Settings
from collector.configuration.secrets import Login
from collector.messaging.centre.parts import BELOW, HAD
from collector.messaging.centre.site_feed import SiteFeed
from collector.messaging.channels.channel import ChannelDown, NeverTaken, why
from collector.messaging.delivery.letter import LETTER, Letter, Post, notice_data
from collector.messaging.mqtt.broker import FIRST_WAIT_S, LONGEST_WAIT_S, connection
from collector.messaging.mqtt.heard_answers import AnswerBox
from collector.messaging.mqtt.other_collectors import Neighbours
from collector.messaging.mqtt.single_values import SingleValues
from collector.process.clock import Clock
from collector.storage.ledger.records import Outgoing

log = logging.getLogger(__name__)

PARTING_S: Final = 1.0
JSON: Final = "application/json"
SAFE_IN_NAMES: Final = " :._-'"
"""What of a person's name stands in a topic as it is; `/`, `+` and `#` mean something there."""


class MqttChannel:
    """One broker. Holds its connection open while `run` runs, and makes it again with growing waits.

    `alive` False leaves the topic of that name alone: for whoever sends beside the running service.
    """

    batch = 50

    def __init__(
        self,
        settings: Settings,
        login: Login | None,
        *,
        collector: str,
        clock: Clock,
        heartbeat_s: float = 60.0,
        alive: bool = True,
        neighbours: Neighbours | None = None,
        answers: AnswerBox | None = None,
        feed: SiteFeed | None = None,
    ) -> None:
        self._answers = answers if settings.takes_answers else None
        self._feed = feed if settings.tells_centre else None
        self.id = settings.id
        self._settings = settings
        self._login = login
        self._base = f"{settings.topics_below}/{collector}"
        self._clock = clock
        self._heartbeat_s = heartbeat_s
        self._says_alive = alive
        self._neighbours = neighbours
        self._client: aiomqtt.Client | None = None
        self._why = "not connected yet"
        self._state: dict[str, Post] = {}
        self._state_changed = asyncio.Event()
        self._single = SingleValues() if settings.single_values else None

    async def run(self) -> None:
        """Keep a connection, say that the service is alive, and publish the newest state."""
        wait_s = FIRST_WAIT_S
        while True:
            try:
                async with self._connection() as client:
                    wait_s = FIRST_WAIT_S
                    try:
                        await self._stay(client)
                    except asyncio.CancelledError:
                        await self._part(client)
                        raise
                    finally:
                        self._client = None
            except aiomqtt.MqttError as error:
                self._why = why(error)
            except (ChannelDown, OSError) as error:
                self._why = why(error)
            log.warning("broker %s: %s; next try in %.0f s", self.id, self._why, wait_s)
            await self._sleep(wait_s)
            wait_s = min(wait_s * 2, LONGEST_WAIT_S)

    async def _sleep(self, seconds: float) -> None:
        await self._clock.sleep_until(self._clock.monotonic_s() + seconds)

    def _connection(self) -> aiomqtt.Client:
        will = aiomqtt.Will(f"{self._base}/alive", _json({"state": "lost"}), qos=1, retain=True)
        return connection(self._settings, self._login, will=will if self._says_alive else None)

    async def _stay(self, client: aiomqtt.Client) -> None:
        await self._alive(client, "running")
        if self._single is not None:
            self._single.forget()
        self._client = client
        await self._listen_for_neighbours(client)
        if self._answers is not None:
            await client.subscribe(self._answer_topic, qos=1)
        if self._feed is not None:
            await client.subscribe(self._had_topic, qos=1)
        async with asyncio.TaskGroup() as tasks:
            listening = tasks.create_task(self._until_lost(client))
            beating = tasks.create_task(self._beat(client))
            publishing = tasks.create_task(self._publish_state(client))
            telling = tasks.create_task(self._tell_centre(client))
            await listening
            beating.cancel()
            publishing.cancel()
            telling.cancel()
        self._why = "connection lost"

    async def _listen_for_neighbours(self, client: aiomqtt.Client) -> None:
        if self._neighbours is None or not self._neighbours.names:
            return
        topics = [(self._alive_topic(name), 1) for name in self._neighbours.names]
        await client.subscribe(topics)
        self._neighbours.listening(self.id, on=True)

    @property
    def _answer_topic(self) -> str:
        return f"{self._base}/answer"

    @property
    def _had_topic(self) -> str:
        return f"{self._base}/{BELOW}/{HAD}"

    def _alive_topic(self, name: str) -> str:
        return f"{self._settings.topics_below}/{name}/alive"

    async def _until_lost(self, client: aiomqtt.Client) -> None:
        """Hear the neighbours, people's answers and the centre, if any, until the connection is gone."""
        neighbours = self._neighbours
        by_topic = {self._alive_topic(name): name for name in neighbours.names} if neighbours else {}
        try:
            with contextlib.suppress(aiomqtt.MqttError):
                async for one in client.messages:
                    if self._answers is not None and str(one.topic) == self._answer_topic:
                        self._answers.put(self.id, one.payload, retained=one.retain)
                    if self._feed is not None and str(one.topic) == self._had_topic:
                        self._feed.hear(one.payload)
                    name = by_topic.get(str(one.topic))
                    if neighbours is not None and name is not None:
                        neighbours.hear(name, one.payload, retained=one.retain)
        finally:
            if neighbours is not None:
                neighbours.listening(self.id, on=False)

    async def _part(self, client: aiomqtt.Client) -> None:
        """Say that the service stops on purpose, so that nobody takes it for lost."""
        with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
            async with asyncio.timeout(PARTING_S):
                await self._alive(client, "stopped")

    async def _beat(self, client: aiomqtt.Client) -> None:
        while True:
            await self._sleep(self._heartbeat_s)
            try:
                await self._alive(client, "running")
            except aiomqtt.MqttError as error:
                log.info("broker %s: heartbeat: %s", self.id, why(error))

    async def _alive(self, client: aiomqtt.Client, state: str) -> None:
        if not self._says_alive:
            return
        payload = _json(alive_data(state, self._clock.now(), self._heartbeat_s))
        await client.publish(
            f"{self._base}/alive", payload, qos=1, retain=True, properties=_properties(JSON, None)
        )

    # ---- state: the newest wins, nothing is queued ------------------------------------------------------

    def set_state(self, kind: str, about: str, data: Mapping[str, Any], *, expiry_s: float) -> None:
        """Publish the newest state of a system or unit as soon as possible; an older one unsent is dropped."""
        self._state[f"{kind}/{about}"] = Post(f"{kind}/{about}", dict(data), expiry_s=expiry_s)
        self._state_changed.set()

    async def _publish_state(self, client: aiomqtt.Client) -> None:
        while True:
            await self._state_changed.wait()
            self._state_changed.clear()
            while self._state:
                topic, post = next(iter(self._state.items()))
                del self._state[topic]
                try:
                    await self._publish(client, post, "")
                    await self._publish_singly(client, post)
                except aiomqtt.MqttError:
                    self._state.setdefault(topic, post)
                    self._state_changed.set()
                    return

    async def _publish_singly(self, client: aiomqtt.Client, post: Post) -> None:
        if self._single is None or post.payload is None:
            return
        for topic, text in self._single.due(post.topic, post.payload, self._clock.monotonic_s()).items():
            properties = _properties("text/plain" if text else None, post.expiry_s)
            await client.publish(
                f"{self._base}/{topic}", text.encode(), qos=0, retain=True, properties=properties
            )

    # ---- a centre: parts and the journal -----------------------------------------------------------------

    async def _tell_centre(self, client: aiomqtt.Client) -> None:
        """Tell a centre while the connection lasts. A fault in that costs the centre, never those who are warned by it."""

        async def publish(topic: str, payload: bytes, retain: bool, expiry_s: float | None) -> None:
            await client.publish(
                f"{self._base}/{BELOW}/{topic}",
                payload,
                qos=1,
                retain=retain,
                properties=_packed(expiry_s),
            )

        while self._feed is not None:
            try:
                await self._feed.run(publish)
            except aiomqtt.MqttError:
                return
            except Exception:  # the boundary: see above
                log.exception(
                    "broker %s: a fault in telling a centre; tried again in %.0f s", self.id, LONGEST_WAIT_S
                )
            await self._sleep(LONGEST_WAIT_S)

    # ---- messages: one by one, until the broker acknowledges ----------------------------------------------

    async def send(self, message: Outgoing) -> str:
        """Publish one message and return once the broker has it."""
        client = self._client
        if client is None:
            raise ChannelDown(self._why)
        if message.schema == LETTER:
            letter = Letter.of(message.body)
            post = Post(
                f"person/{quote(letter.person, safe=SAFE_IN_NAMES)}",
                notice_data(letter, letter.notice.id),
                retain=False,
            )
        else:
            post = Post.of(message.body)
        try:
            await self._publish(client, post, message.id)
        except aiomqtt.MqttCodeError as error:
            raise ChannelDown(why(error)) from error
        except aiomqtt.MqttError as error:
            raise ChannelDown(why(error)) from error
        except ValueError as error:  # a topic or payload that no broker takes
            raise NeverTaken(why(error)) from error
        return "acknowledged by the broker"

    async def _publish(self, client: aiomqtt.Client, post: Post, message_id: str) -> None:
        properties = _properties(None if post.payload is None else JSON, post.expiry_s)
        if message_id:
            properties.UserProperty = ("message_id", message_id)
        payload = b"" if post.payload is None else _json(post.payload)
        await client.publish(
            f"{self._base}/{post.topic}", payload, qos=1, retain=post.retain, properties=properties
        )


def _properties(content_type: str | None, expiry_s: float | None) -> Properties:
    """Return what MQTT 5 says beside a message: UTF-8 of which kind, and when it is too old. None: it takes something back."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    if content_type is not None:
        properties.PayloadFormatIndicator = 1
        properties.ContentType = content_type
        if expiry_s is not None:
            properties.MessageExpiryInterval = max(1, round(expiry_s))
    return properties


def _packed(expiry_s: float | None) -> Properties:
    """Return what MQTT 5 says beside what a centre is told: no text, and when it is too old."""
    properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    properties.ContentType = "application/zlib"
    if expiry_s is not None:
        properties.MessageExpiryInterval = max(1, round(expiry_s))
    return properties


def alive_data(state: str, now: datetime, heartbeat_s: float) -> dict[str, Any]:
    """Return a sign of life, or what is said on parting."""
    return {
        "state": state,
        "at": now.isoformat(timespec="seconds").replace("+00:00", "Z"),
        "next_within_s": heartbeat_s * 3 if state == "running" else None,
    }


def _json(data: Mapping[str, Any]) -> bytes:
    return json.dumps(data, allow_nan=False, separators=(",", ":")).encode()
