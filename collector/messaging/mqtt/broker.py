"""A connection to an MQTT 5 broker, as the estate file describes one: encrypted, with user and password."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import Awaitable
from types import TracebackType
from typing import Final, Protocol, TypeVar

import aiomqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from collector.configuration.secrets import Login
from collector.messaging.channels.channel import trust
from collector.process.task_cancellation import heeded

T = TypeVar("T")

ANSWER_WITHIN_S: Final = 10.0
LEFT_WITHIN_S: Final = 1.0
"""How long a broker may take to acknowledge that a client leaves."""
FIRST_WAIT_S: Final = 1.0
LONGEST_WAIT_S: Final = 60.0
"""The waits between two tries to connect, doubled from the first to the longest."""


class Broker(Protocol):
    """What must be known of a broker to connect to it."""

    @property
    def host(self) -> str | None:
        """Return its host; one that is connected to has one."""
        ...

    @property
    def port(self) -> int:
        """Return its port."""
        ...

    @property
    def encrypted(self) -> bool:
        """Return whether the line is TLS."""
        ...

    @property
    def authority_file(self) -> str | None:
        """Return the certificates to trust, None for the computer's own."""
        ...

    @property
    def keep_alive_s(self) -> int:
        """Return the seconds of quiet before the broker is asked."""
        ...


class BrokerClient(aiomqtt.Client):
    """The library's client, which heeds every cancellation: the library loses some (`collector.process.task_cancellation`)."""

    async def _wait_for(self, fut: Awaitable[T], timeout: float | None) -> T:  # noqa: ASYNC109 - the library's own
        """Wait for the broker; the one place where the library does, when it connects, sends, subscribes and leaves."""
        return await heeded(super()._wait_for(fut, timeout))

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Leave, within a second. Raises MqttError, but never in the place of what is on its way."""
        try:
            async with asyncio.timeout(LEFT_WITHIN_S):
                await super().__aexit__(kind, error, trace)
        except (aiomqtt.MqttError, TimeoutError):
            if error is None:
                raise


def connection(
    broker: Broker,
    login: Login | None,
    *,
    will: aiomqtt.Will | None = None,
    largest_bytes: int | None = None,
    most_waiting: int = 0,
) -> BrokerClient:
    """Return a client that connects when it is entered.

    `largest_bytes`: packets above that the broker is told not to send; `most_waiting`: messages kept until
    they are looked at, 0 for any number. Raises ChannelDown where the authorities' file cannot be read.
    """
    context: ssl.SSLContext | None = trust(broker.authority_file) if broker.encrypted else None
    properties = None
    if largest_bytes is not None:
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = largest_bytes
    return BrokerClient(
        broker.host or "",
        broker.port,
        username=login.user.reveal() if login else None,
        password=login.password.reveal() if login else None,
        protocol=aiomqtt.ProtocolVersion.V5,
        tls_context=context,
        keepalive=broker.keep_alive_s,
        timeout=ANSWER_WITHIN_S,
        will=will,
        properties=properties,
        max_queued_incoming_messages=most_waiting or None,
    )
