"""An SNMP agent on a UDP socket of its own, answering v1 and v2c from values somebody else supplies.

What speaks SNMPv3 stands before it: `secured`.

Use it so::

    agent = Agent(values, communities={b"public"})     # values: () -> Mapping[oid, (tag, value)]
    async with AgentHost() as host:
        address, port = await host.serve(agent, "127.0.0.1", 0)   # port 0: any free one
        agent.faults = Faults(hang=True)               # from now on it stays silent

`values` is called once per request and returns what the card would hold at that moment: a mapping from
dotted OID (with its index, scalars ending in .0) to (tag of `collector.cards.snmp.ber`, value), for example
`{"1.3.6.1.2.1.33.1.2.5.0": (ber.INTEGER, 5451)}`. It may return the same dict, changed in place. Many
agents live in one process, each on its own address or port. `respond` is the whole agent as a function
from datagram to datagram, for tests and benches without sockets.

Requests that would set something are answered noAccess-like (readOnly on v1): the agent has no way to.
"""

from __future__ import annotations

import asyncio
from bisect import bisect_right
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import chain
from random import Random
from types import TracebackType
from typing import Final, Protocol, Self, cast

from collector.cards.snmp import ber
from collector.cards.snmp.errors import MalformedMessage

Typed = tuple[int, ber.Value]
Values = Callable[[], Mapping[str, Typed]]
Address = tuple[str, int]

_NOT_WRITABLE: Final = 17
_READ_ONLY: Final = 4
_LARGEST_REPLY: Final = 1472  # what fits one Ethernet frame; more is tooBig, or a shorter GETBULK answer

# A card repeats itself from one read to the next; typed, since 1 and 1.0 are equal and sent differently.
_encoded = lru_cache(maxsize=32_768, typed=True)(ber.encode_varbind)


@dataclass(slots=True)
class Faults:
    """What a bad card does; the default is a good one. Change the fields at any time.

    hang: no answer at all. drop_share: this share of replies is lost (drawn from `seed`). delay_s: every
    reply late. too_big_above: tooBig for more varbinds than this; silent_above: no answer for more.
    truncate_to: the reply cut to so many octets. wrong_id: the reply carries another request id.
    wrong_community: it carries another community. gen_err: OIDs that fail the whole request with genErr.
    endless_walk: GETNEXT and GETBULK answer with an OID that does not increase. no_bulk: GETBULK
    stays unanswered. lose_last: the last varbind is left out. stray_first: garbage sent before the reply.
    mangle: what becomes of the encoded reply.
    """

    hang: bool = False
    drop_share: float = 0.0
    delay_s: float = 0.0
    too_big_above: int | None = None
    silent_above: int | None = None
    truncate_to: int | None = None
    wrong_id: bool = False
    wrong_community: bool = False
    gen_err: Collection[str] = ()
    endless_walk: bool = False
    no_bulk: bool = False
    lose_last: bool = False
    stray_first: bytes | None = None
    mangle: Callable[[bytes], bytes] | None = None
    seed: int = 0


@dataclass(slots=True)
class Agent:
    """One simulated card. `requests` counts what reached it, `versions` is what it speaks (0: v1, 1: v2c)."""

    values: Values
    communities: Collection[bytes] = frozenset({b"public"})
    versions: Collection[int] = frozenset({ber.VERSION_1, ber.VERSION_2C})
    faults: Faults = field(default_factory=Faults)
    largest_reply: int = _LARGEST_REPLY
    requests: int = 0
    _known: Collection[str] = ()
    _order: list[tuple[int, ...]] = field(default_factory=list)
    _names: list[str] = field(default_factory=list)
    _random: Random | None = None

    def respond(self, datagram: bytes) -> bytes | None:
        """Return the reply to a datagram, or None where the card stays silent."""
        self.requests += 1
        faults = self.faults
        try:
            message = ber.decode_message(datagram)
        except MalformedMessage:
            return None
        if faults.hang or message.version not in self.versions or message.community not in self.communities:
            return None
        answer = self.answer(message.pdu, message.version)
        if answer is None:
            return None
        community = b"another" if faults.wrong_community else message.community
        return self.spoilt(ber.encode_message(message.version, community, answer))

    def answer(self, pdu: ber.Pdu, version: int = ber.VERSION_2C) -> bytes | None:
        """Return the response to a PDU, encoded, or None where the card stays silent. What surrounds it is not asked."""
        faults = self.faults
        if faults.silent_above is not None and len(pdu.varbinds) > faults.silent_above:
            return None
        if faults.no_bulk and pdu.type == ber.GET_BULK:
            return None
        request_id = pdu.request_id ^ 1 if faults.wrong_id else pdu.request_id
        return self._answer(version, pdu, request_id)

    def spoilt(self, reply: bytes) -> bytes | None:
        """Return a whole reply as it leaves a card with these faults, None where it is lost."""
        faults = self.faults
        if faults.drop_share and self._lost():
            return None
        if faults.truncate_to is not None:
            reply = reply[: faults.truncate_to]
        return faults.mangle(reply) if faults.mangle else reply

    def _lost(self) -> bool:
        if self._random is None:
            self._random = Random(self.faults.seed)  # noqa: S311 - a fault's dice, no secret
        return self._random.random() < self.faults.drop_share

    def _answer(self, version: int, pdu: ber.Pdu, request_id: int) -> bytes:
        faults = self.faults
        if pdu.type not in ber.READING_PDUS or (pdu.type == ber.GET_BULK and version == ber.VERSION_1):
            return self._error(pdu, request_id, _READ_ONLY if version == ber.VERSION_1 else _NOT_WRITABLE, 1)
        if faults.too_big_above is not None and len(pdu.varbinds) > faults.too_big_above:
            return self._too_big(version, pdu, request_id)
        for index, (oid, _, _) in enumerate(pdu.varbinds, start=1):
            if oid in faults.gen_err:
                return self._error(pdu, request_id, ber.GEN_ERR, index)
        return self._read(version, pdu, request_id)

    def _read(self, version: int, pdu: ber.Pdu, request_id: int) -> bytes:
        values = self.values()
        if pdu.type == ber.GET:
            found = [(oid, *(values.get(oid) or _absent(oid, values))) for oid, _, _ in pdu.varbinds]
        elif pdu.type == ber.GET_NEXT:
            found = [self._next(oid, values) for oid, _, _ in pdu.varbinds]
        else:
            return self._bulk(pdu, request_id, values)
        if version == ber.VERSION_1:
            for index, (_, tag, _) in enumerate(found, start=1):
                if tag in {ber.NO_SUCH_OBJECT, ber.NO_SUCH_INSTANCE, ber.END_OF_MIB_VIEW, ber.COUNTER64}:
                    return self._error(pdu, request_id, ber.NO_SUCH_NAME, index)
        encoded = [_encoded(*item) for item in found[: -1 if self.faults.lose_last else None]]
        if sum(map(len, encoded)) > self.largest_reply:
            return self._too_big(version, pdu, request_id)
        return ber.encode_response_pdu(request_id, encoded)

    def _bulk(self, pdu: ber.Pdu, request_id: int, values: Mapping[str, Typed]) -> bytes:
        """Return a GETBULK response: as many rows as asked, cut short where the datagram is full (RFC 3416, 4.2.3)."""
        single = max(0, min(pdu.error_status, len(pdu.varbinds)))
        names = [oid for oid, _, _ in pdu.varbinds]
        encoded: list[bytes] = []
        size = 0
        columns = names[single:]
        rows = ([self._next(oid, values) for oid in names[:single]],)
        for row in chain(rows, self._rows(columns, max(0, pdu.error_index), values)):
            for item in row:
                octets = _encoded(*item)
                size += len(octets)
                if size > self.largest_reply:
                    return ber.encode_response_pdu(request_id, encoded)
                encoded.append(octets)
        return ber.encode_response_pdu(request_id, encoded)

    def _rows(
        self, columns: list[str], count: int, values: Mapping[str, Typed]
    ) -> list[list[tuple[str, int, ber.Value]]]:
        rows = []
        while columns and count > 0:
            row = [self._next(oid, values) for oid in columns]
            rows.append(row)
            if all(tag == ber.END_OF_MIB_VIEW for _, tag, _ in row):
                break
            columns = [oid for oid, _, _ in row]
            count -= 1
        return rows

    def _next(self, oid: str, values: Mapping[str, Typed]) -> tuple[str, int, ber.Value]:
        if self._known != values.keys():
            ordered = sorted((ber.oid_arcs(name), name) for name in values)
            self._order = [arcs for arcs, _ in ordered]
            self._names = [name for _, name in ordered]
            self._known = frozenset(values)
        place = bisect_right(self._order, ber.oid_arcs(oid))
        if self.faults.endless_walk and oid in values:
            return (oid, *values[oid])
        if place == len(self._names):
            return (oid, ber.END_OF_MIB_VIEW, None)
        name = self._names[place]
        return (name, *values[name])

    @staticmethod
    def _error(pdu: ber.Pdu, request_id: int, status: int, index: int) -> bytes:
        named = [ber.encode_varbind(oid, ber.NULL, None) for oid, _, _ in pdu.varbinds]
        return ber.encode_response_pdu(request_id, named, status, index)

    def _too_big(self, version: int, pdu: ber.Pdu, request_id: int) -> bytes:
        if version == ber.VERSION_1:
            return self._error(pdu, request_id, ber.TOO_BIG, 0)
        return ber.encode_response_pdu(request_id, [], ber.TOO_BIG, 0)


def _absent(oid: str, values: Mapping[str, Typed]) -> Typed:
    """Return noSuchInstance where a sibling of the same object exists, else noSuchObject."""
    stem = oid.rpartition(".")[0]
    sibling = any(name.rpartition(".")[0] == stem for name in values)
    return (ber.NO_SUCH_INSTANCE if sibling else ber.NO_SUCH_OBJECT, None)


class Answers(Protocol):
    """What can stand behind a socket: `Agent`, or one with security before it."""

    @property
    def faults(self) -> Faults:
        """Return what is wrong with the card."""
        ...

    def respond(self, datagram: bytes) -> bytes | None:
        """Return the reply to a datagram, None for silence."""
        ...


class _Socket(asyncio.DatagramProtocol):
    """One agent's socket."""

    def __init__(self, agent: Answers) -> None:
        self._agent = agent
        self._transport: asyncio.DatagramTransport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.DatagramTransport", transport)

    def datagram_received(self, data: bytes, addr: Address) -> None:
        reply = self._agent.respond(data)
        faults = self._agent.faults
        if faults.stray_first is not None:
            self._send(faults.stray_first, addr)
        if reply is None:
            return
        if faults.delay_s > 0:
            asyncio.get_running_loop().call_later(faults.delay_s, self._send, reply, addr)
        else:
            self._send(reply, addr)

    def _send(self, reply: bytes, addr: Address) -> None:
        if self._transport is not None and not self._transport.is_closing():
            self._transport.sendto(reply, addr)


class AgentHost:
    """The sockets of many agents in one process; an async context manager that closes them all."""

    def __init__(self) -> None:
        self._sockets: dict[Address, asyncio.BaseTransport] = {}

    async def serve(self, agent: Answers, address: str = "127.0.0.1", port: int = 0) -> Address:
        """Let `agent` answer on an address and port (0: any free one); return where it answers."""
        transport, _ = await asyncio.get_running_loop().create_datagram_endpoint(
            lambda: _Socket(agent), local_addr=(address, port)
        )
        name = transport.get_extra_info("sockname")
        place = (str(name[0]), int(name[1]))
        self._sockets[place] = transport
        return place

    def send(self, place: Address, datagram: bytes, to: Address) -> None:
        """Send a datagram from one agent's socket, as a card sends its notifications."""
        cast("asyncio.DatagramTransport", self._sockets[place]).sendto(datagram, to)

    def stop(self, place: Address) -> None:
        """Close one agent's socket: from now on its port is closed."""
        self._sockets.pop(place).close()

    async def aclose(self) -> None:
        """Close every socket."""
        for transport in self._sockets.values():
            transport.close()
        self._sockets.clear()
        await asyncio.sleep(0)  # lets the loop drop them before it is closed itself

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self.aclose()
