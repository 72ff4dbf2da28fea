"""Asks one card: a request with its deadline and retries, in the version and credentials of that card.

What wraps a PDU into a message differs by version and is behind `Security`: communities here, SNMPv3 in
`collector.cards.snmp.usm`. The client knows nothing of the MIB.
"""

from __future__ import annotations

import random
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Protocol

from collector.cards.snmp import ber
from collector.cards.snmp.ber import Pdu, Template
from collector.cards.snmp.credentials import Community, Version
from collector.cards.snmp.errors import CardRefused, MalformedMessage, NoReply
from collector.cards.snmp.last_reply import LastReply
from collector.cards.snmp.transport import Peer, Traffic, Transport, resolve

Send = Callable[[int, bytes, Callable[[bytes], Pdu | None]], Awaitable[Pdu]]
"""Sends a datagram under a message id and returns what the given function accepts as its reply."""


class Security(Protocol):
    """What makes a message of a PDU and a PDU of a message."""

    async def exchange(
        self, pdu: Template, message_id: int, send: Send, last: LastReply | None = None
    ) -> Pdu:
        """Wrap, send, unwrap; including whatever must be asked of the card first (SNMPv3's discovery).

        `last`: the last reply to this question, of whoever can do with what moved since.
        """


@dataclass(slots=True)
class CommunitySecurity:
    """v1 and v2c: a name in clear text, which the reply must repeat."""

    community: Community

    async def exchange(
        self, pdu: Template, message_id: int, send: Send, last: LastReply | None = None
    ) -> Pdu:
        """See `Security`."""
        template = ber.request_template(self._version, self.community.name, pdu)
        accept = self._unwrap if last is None else partial(self._unwrap, last=last)
        return await send(message_id, template.with_id(message_id), accept)

    @property
    def _version(self) -> int:
        return ber.VERSION_1 if self.community.version is Version.V1 else ber.VERSION_2C

    def _unwrap(self, data: bytes, last: LastReply | None = None) -> Pdu | None:
        moved = None if last is None else last.moved(data)
        if moved is not None:
            return Pdu(ber.RESPONSE, ber.reply_id(data), ber.NO_ERROR, 0, [], moved)
        message = ber.decode_message(data)
        if message.pdu.type != ber.RESPONSE:
            raise MalformedMessage("the reply is no response")
        if message.version != self._version or message.community != self.community.name:
            return None
        return message.pdu


@dataclass(frozen=True, slots=True)
class Patience:
    """How long a request may take: each try `deadline_s`, the tries after the first counted by `retries`."""

    deadline_s: float = 1.5
    retries: int = 2


@dataclass(slots=True)
class Client:
    """Asks one card. Not to be shared by two tasks that read at the same time."""

    transport: Transport
    host: str
    port: int
    security: Security
    version: Version
    patience: Patience = field(default_factory=Patience)
    traffic: Traffic = field(default_factory=Traffic)
    peer: Peer | None = None
    _next_id: int = field(default_factory=lambda: random.SystemRandom().randint(ber.FIRST_ID, ber.LAST_ID))

    async def ask(
        self,
        kind: int,
        oids: Sequence[str],
        first: int = 0,
        second: int = 0,
        *,
        once: bool = False,
        last: LastReply | None = None,
    ) -> Pdu:
        """Return the response PDU whatever its error status; `once`: without a second try; `last`: as in `Security`.

        Raises NoReply after the last try, PortClosed, HostUnreachable, or of SNMPv3 a SecurityFailure.
        """
        pdu = ber.asking(kind, tuple(oids), first, second)
        if self.peer is None:
            self.peer = await resolve(self.host, self.port)
        message_id = self._take_id()
        for left in range(0 if once else self.patience.retries, -1, -1):
            try:
                return await self.security.exchange(pdu, message_id, self._send, last)
            except NoReply:
                if not left:
                    self.peer = None  # a name may have moved to another address
                    raise
                self.traffic.retries += 1
        raise AssertionError("unreachable")

    async def get(self, oids: Sequence[str]) -> list[ber.Varbind]:
        """Return the values of some OIDs. Raises CardRefused for an error status, and as `ask` does."""
        pdu = await self.ask(ber.GET, oids)
        self.demand_success(pdu)
        return pdu.varbinds

    @staticmethod
    def demand_success(pdu: Pdu) -> None:
        """Raise CardRefused unless the error status is noError."""
        if pdu.error_status != ber.NO_ERROR:
            name = ber.ERROR_NAME.get(pdu.error_status, "an unknown error")
            raise CardRefused(pdu.error_status, pdu.error_index, name)

    def _take_id(self) -> int:
        self._next_id = self._next_id + 1 if self._next_id < ber.LAST_ID else ber.FIRST_ID
        return self._next_id

    async def _send(self, message_id: int, datagram: bytes, accept: Callable[[bytes], Pdu | None]) -> Pdu:
        assert self.peer is not None  # noqa: S101 - `ask` resolved it
        return await self.transport.exchange(
            self.peer, message_id, datagram, accept, self.patience.deadline_s, self.traffic
        )


async def walk(
    client: Client, root: str, *, at_most: int = 600, rows_at_once: int = 10
) -> tuple[list[ber.Varbind], bool]:
    """Return everything beneath `root`, and whether the walk came to its natural end.

    GETBULK where the version has it, GETNEXT on v1 and wherever GETBULK fails. A card whose OIDs do not
    increase, or that never ends, is left with what it gave so far. Raises as `Client.ask` does when
    nothing was got at all.
    """
    found: list[ber.Varbind] = []
    last, prefix = root, root + "."
    bulk = rows_at_once if client.version is not Version.V1 else 0
    while len(found) < at_most:
        try:
            pdu = await client.ask(*((ber.GET_BULK, [last], 0, bulk) if bulk else (ber.GET_NEXT, [last])))
        except NoReply:
            if bulk > 1:
                bulk = bulk // 4  # some cards choke on a large reply, some on GETBULK as such
                continue
            if found:
                return found, False
            raise
        if pdu.error_status == ber.NO_SUCH_NAME:  # the end, as v1 says it
            return found, True
        if pdu.error_status != ber.NO_ERROR or not pdu.varbinds:
            if bulk:
                bulk = bulk // 4
                continue
            return found, False
        for oid, tag, value in pdu.varbinds:
            if tag == ber.END_OF_MIB_VIEW or not oid.startswith(prefix):
                return found, True
            if ber.oid_arcs(oid) <= ber.oid_arcs(last):
                return found, False
            found.append((oid, tag, value))
            last = oid
    return found, False
