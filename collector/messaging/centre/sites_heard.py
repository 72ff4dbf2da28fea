"""A centre's connection to one broker: hears what its sites tell, and says what it has of each one's journal.

It subscribes to the sites that are named and to no other; what is not a part is passed over with a line in the log. What is
had is said again after each connection, since a broker may have lost it, and after a while where a disk did not take a bundle.
"""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass, field
from typing import Final, Protocol

import aiomqtt

from collector.configuration.centre.file import CentreBrokerTable
from collector.configuration.secrets import Login
from collector.messaging.centre.parts import BELOW, HAD, HadPart, NotAPartError, Told, payload_of, told_of
from collector.messaging.channels.channel import ChannelDown, why
from collector.messaging.mqtt.broker import FIRST_WAIT_S, LONGEST_WAIT_S, connection
from collector.process.clock import Clock
from collector.storage.database import StoreError

log: Final = logging.getLogger(__name__)

LARGEST_BYTES: Final = 16 * 1024 * 1024
AGAIN_S: Final = 10.0
REFUSED: Final = 128
"""Reason codes of MQTT 5 from here on say no."""


class TakesParts(Protocol):
    """Who takes what sites tell."""

    def had(self, site: str) -> HadPart | None:
        """Return what is had of a site's journal."""
        ...

    async def take(self, site: str, topic: str, told: Told, *, retained: bool) -> HadPart | None:
        """Take a part in; return what is then had of the journal, where it was of that. Raises StoreError."""
        ...


@dataclass
class SitesHeard:
    """Hears some sites by one broker as long as `run` runs; connects again with growing waits."""

    broker: CentreBrokerTable
    login: Login | None
    sites: tuple[str, ...]
    takes: TakesParts
    clock: Clock
    trouble: str | None = "not connected yet"
    """What keeps the sites from being heard by it, None while it is listened to."""
    _number: int = 0
    _untaken: set[str] = field(default_factory=set)

    async def run(self) -> None:
        """Listen until cancelled."""
        wait_s = FIRST_WAIT_S
        while True:
            try:
                async with connection(self.broker, self.login, largest_bytes=LARGEST_BYTES) as client:
                    await self._begin(client)
                    self.trouble, wait_s = None, FIRST_WAIT_S
                    await self._stay(client)
            except (aiomqtt.MqttError, ChannelDown, OSError) as error:
                self.trouble = why(error)
            log.warning("broker %s: %s; next try in %.0f s", self.broker.host, self.trouble, wait_s)
            await self._sleep(wait_s)
            wait_s = min(wait_s * 2, LONGEST_WAIT_S)

    async def _sleep(self, seconds: float) -> None:
        await self.clock.sleep_until(self.clock.monotonic_s() + seconds)

    def _base(self, site: str) -> str:
        return f"{self.broker.topics_below}/{site}/{BELOW}/"

    async def _begin(self, client: aiomqtt.Client) -> None:
        for site in self.sites:
            codes = await client.subscribe(f"{self._base(site)}#", qos=1)
            if any((code if isinstance(code, int) else code.value) >= REFUSED for code in codes):
                raise ChannelDown(f"it does not let this user hear the site {site}")
        for site in self.sites:
            await self._say(client, site, self.takes.had(site))

    async def _stay(self, client: aiomqtt.Client) -> None:
        again = asyncio.create_task(self._say_again(client))
        try:
            by_base = {self._base(site): site for site in self.sites}
            async for message in client.messages:
                topic = str(message.topic)
                base = topic[: topic.find(f"/{BELOW}/") + len(BELOW) + 2]
                site = by_base.get(base)
                if site is not None and isinstance(message.payload, bytes) and message.payload:
                    await self._hear(
                        client, site, topic.removeprefix(base), message.payload, retained=message.retain
                    )
        finally:
            again.cancel()
            self.trouble = "the connection is lost"

    async def _hear(
        self, client: aiomqtt.Client, site: str, topic: str, payload: bytes, *, retained: bool
    ) -> None:
        if topic == HAD:
            return  # our own word
        try:
            told = told_of(topic, payload)
        except NotAPartError as error:
            log.warning("site %s: %s", site, error)
            return
        try:
            await self._say(client, site, await self.takes.take(site, topic, told, retained=retained))
        except StoreError as error:
            self._untaken.add(site)
            log.warning("site %s: what it told is not kept yet: %s", site, error)
        except aiomqtt.MqttError:
            raise
        except Exception:  # the boundary: what one site tells must not keep the others from being shown
            log.exception("site %s: a fault in ridethrough, by what it told of %s", site, topic)

    async def _say(self, client: aiomqtt.Client, site: str, had: HadPart | None) -> None:
        """Say what is had; the site tells on from there."""
        if had is None:
            return
        self._number += 1
        payload = payload_of(Told(self.clock.start_id, self._number, self.clock.now(), had))
        await client.publish(f"{self._base(site)}{HAD}", payload, qos=1, retain=True)

    async def _say_again(self, client: aiomqtt.Client) -> None:
        """Say what is had again where a bundle was not kept: it is told again then."""
        while True:
            await self._sleep(AGAIN_S)
            while self._untaken:
                site = self._untaken.pop()
                try:
                    await self._say(client, site, self.takes.had(site) or HadPart("", 0))
                except aiomqtt.MqttError:
                    return
