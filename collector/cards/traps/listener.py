"""Notifications for the service: who may send them, and that each makes its cards be polled at once."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Self

from collector.cards.polling.reader import CardReader
from collector.cards.snmp.client import CommunitySecurity
from collector.cards.snmp.credentials import Credentials
from collector.cards.snmp.errors import CannotListen, HostUnreachable
from collector.cards.snmp.transport import resolve
from collector.cards.snmp.usm import UsmSecurity
from collector.cards.traps.receiver import Notification, NotificationReceiver

_LEARN_EVERY_S = 10.0


def credentials_in_use(readers: Collection[CardReader]) -> tuple[Credentials, ...]:
    """Return what the cards are read with, each once: what they send is checked against the same."""
    found: dict[Credentials, None] = {}
    for reader in readers:
        security = reader.client.security
        if isinstance(security, CommunitySecurity):
            found[security.community] = None
        elif isinstance(security, UsmSecurity):
            found[security.user] = None
    return tuple(found)


async def addresses(readers: Mapping[str, CardReader]) -> dict[str, tuple[str, ...]]:
    """Return address -> ids of the cards there. A name without an address has none yet: it may not send."""
    found: dict[str, tuple[str, ...]] = {}
    for card, reader in readers.items():
        try:
            peer = await resolve(reader.client.host, reader.client.port)
        except HostUnreachable:
            continue
        address = peer.key[0]
        found[address] = (*found.get(address, ()), card)
    return found


class Listening:
    """Runs a receiver beside the pollers. `poke` asks for a card's poll; `heard` counts what came, by card."""

    def __init__(
        self,
        readers: Mapping[str, CardReader],
        poke: Callable[[str], None],
        *,
        host: str,
        port: int,
        boots_file: Path,
        tell: Callable[[Notification], None] = lambda _notification: None,
    ) -> None:
        self.heard: dict[str, int] = {}
        self._readers = readers
        self._poke = poke
        self._tell = tell
        self._host, self._port, self._boots_file = host, port, boots_file
        self.receiver: NotificationReceiver | None = None

    async def open(self) -> NotificationReceiver:
        """Return the receiver, to be entered. Raises CannotListen from its `__aenter__`'s place."""
        self.receiver = _Receiver(
            await addresses(self._readers),
            credentials_in_use(tuple(self._readers.values())),
            self._hear,
            self._boots_file,
            host=self._host,
            port=self._port,
        )
        return self.receiver

    async def run(self) -> None:
        """Tell the receiver the engine ids that polling has found, until cancelled."""
        while True:
            for reader in self._readers.values():
                security = reader.client.security
                if self.receiver is not None and isinstance(security, UsmSecurity):
                    engine = security.engine
                    if engine is not None and engine.proven:
                        self.receiver.learn_engine(security.user.name, engine.id)
            await asyncio.sleep(_LEARN_EVERY_S)

    def _hear(self, notification: Notification) -> None:
        for card in notification.cards:
            self.heard[card] = self.heard.get(card, 0) + 1
            self._poke(card)
        self._tell(notification)


class _Receiver(NotificationReceiver):
    """A receiver whose failure to open is one sentence."""

    async def __aenter__(self) -> Self:
        try:
            await super().__aenter__()
        except OSError as error:
            hint = (
                "; a port below 1024 needs the right CAP_NET_BIND_SERVICE" if self.wanted_port < 1024 else ""
            )
            where = f"{self.wanted_host} port {self.wanted_port}"
            raise CannotListen(
                f"cannot listen for notifications at {where}: {error.strerror}{hint}"
            ) from error
        return self
