"""One UDP socket per address family for all cards, and never two requests at once to one card.

A reply is matched by the peer's address and port and by the id in it; whatever else arrives is left
alone: it neither ends a wait nor prolongs it. The kernel tells of closed ports and dead networks through
the sockets' error queue, which names the peer it is about, so one card's closed port is never
mistaken for another's.
"""

from __future__ import annotations

import asyncio
import errno
import socket
import struct
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from types import TracebackType
from typing import Any, Final, Generic, Self, TypeVar

from collector.cards.snmp import ber
from collector.cards.snmp.errors import HostUnreachable, MalformedMessage, NoReply, PortClosed, SnmpError

T = TypeVar("T")
Accept = Callable[[bytes], T | None]
"""Takes a datagram from the right peer with the right id; None means: not the reply, keep waiting."""

_RECEIVE_BUFFER: Final = 4 * 1024 * 1024  # a thousand cards answering in the same instant
_LARGEST_DATAGRAM: Final = 65535
_DATAGRAMS_PER_WAKE: Final = 64
_WAKES_AT_DEADLINE: Final = 16
"""How often as much is taken from a socket before a wait ends: replies of a thousand cards, no endless flood."""
# Linux: report ICMP errors of unconnected sockets through the error queue (ip(7), ipv6(7))
_RECVERR: Final = {socket.AF_INET: (socket.IPPROTO_IP, 11), socket.AF_INET6: (socket.IPPROTO_IPV6, 25)}
_MSG_ERRQUEUE: Final = 0x2000


@dataclass(frozen=True, slots=True)
class Peer:
    """A card's resolved address."""

    family: socket.AddressFamily
    address: tuple[Any, ...]

    @property
    def key(self) -> tuple[str, int]:
        """Return host and port, which is what replies are matched by."""
        return (str(self.address[0]), int(self.address[1]))

    def __str__(self) -> str:
        host, port = self.key
        return f"[{host}]:{port}" if self.family == socket.AF_INET6 else f"{host}:{port}"


@dataclass(slots=True)
class Traffic:
    """What was sent and received, for the trace of one card or of all."""

    requests: int = 0
    retries: int = 0
    octets_out: int = 0
    octets_in: int = 0
    strays: int = 0


async def resolve(host: str, port: int) -> Peer:
    """Return the first address of a host. Raises HostUnreachable."""
    with suppress(ValueError):  # an address is its own; a silent card's is asked for at each poll
        return Peer(socket.AF_INET, (str(IPv4Address(host)), port))
    try:
        found = await asyncio.get_running_loop().getaddrinfo(host, port, type=socket.SOCK_DGRAM)
    except (OSError, UnicodeError) as error:
        raise HostUnreachable(f"no address is known for {host}: {error}") from error
    family, _, _, _, address = found[0]
    return Peer(socket.AddressFamily(family), address)


@dataclass(slots=True)
class _Waiting(Generic[T]):
    """Somebody who awaits a reply from one peer."""

    message_id: int
    accept: Accept[T]
    future: asyncio.Future[T]
    octets_in: int = 0
    refused: str | None = None


@dataclass(slots=True)
class Transport:
    """The sockets. Use it as an async context manager, on one event loop."""

    strays: int = 0
    _sockets: dict[socket.AddressFamily, socket.socket] = field(default_factory=dict)
    _waiting: dict[tuple[str, int], _Waiting[Any]] = field(default_factory=dict)
    _turns: dict[tuple[str, int], asyncio.Lock] = field(default_factory=dict)

    async def exchange(  # noqa: PLR0917 - what, to whom, and how long
        self,
        peer: Peer,
        message_id: int,
        datagram: bytes,
        accept: Accept[T],
        deadline_s: float,
        traffic: Traffic | None = None,
    ) -> T:
        """Send one datagram and return what `accept` makes of the reply.

        Waits its turn first: one request in flight per peer. `deadline_s` counts from sending. Raises
        NoReply, PortClosed, HostUnreachable, and whatever SnmpError `accept` raises. A malformed datagram
        does not end the wait, since anybody can send one.
        """
        key = peer.key
        turn = self._turns.get(key)
        if turn is None:
            turn = self._turns[key] = asyncio.Lock()
        async with turn:
            loop = asyncio.get_running_loop()
            waiting: _Waiting[T] = _Waiting(message_id, accept, loop.create_future())
            self._waiting[key] = waiting
            expiry = loop.call_later(deadline_s, self._expire, peer, waiting, deadline_s)
            try:
                self._send(peer, datagram)
                return await waiting.future
            finally:
                expiry.cancel()
                del self._waiting[key]
                if traffic is not None:
                    traffic.requests += 1
                    traffic.octets_out += len(datagram)
                    traffic.octets_in += waiting.octets_in

    def forget(self, peer: Peer) -> None:
        """Drop what is kept for a peer that is no longer read."""
        turn = self._turns.get(peer.key)
        if turn is not None and not turn.locked():
            del self._turns[peer.key]

    def close(self) -> None:
        """Close the sockets; whoever waits is told by cancellation."""
        for sock in self._sockets.values():
            asyncio.get_running_loop().remove_reader(sock)
            sock.close()
        self._sockets.clear()
        for waiting in self._waiting.values():
            waiting.future.cancel()

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _socket(self, family: socket.AddressFamily) -> socket.socket:
        sock = self._sockets.get(family)
        if sock is None:
            sock = socket.socket(family, socket.SOCK_DGRAM)
            sock.setblocking(False)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER)
            level, option = _RECVERR[family]
            sock.setsockopt(level, option, 1)
            asyncio.get_running_loop().add_reader(sock, self._receive, sock)
            self._sockets[family] = sock
        return sock

    def _send(self, peer: Peer, datagram: bytes) -> None:
        sock = self._socket(peer.family)
        for _ in range(8):  # a pending error of another peer makes sendto fail without sending
            try:
                sock.sendto(datagram, peer.address)
            except BlockingIOError:
                return  # the send buffer is full: as good as lost on the way, the retry will do
            except OSError as error:
                if not self._read_errors(sock):
                    raise HostUnreachable(f"cannot send to {peer}: {error.strerror}") from error
            else:
                return

    def _expire(self, peer: Peer, waiting: _Waiting[Any], deadline_s: float) -> None:
        """End a wait without a reply.

        On a busy machine the deadline may be looked at late: what lies in the socket by then came in time, and is
        taken first, so that no card is called silent for our own lateness.
        """
        sock = self._sockets.get(peer.family)
        for _ in range(_WAKES_AT_DEADLINE):
            if waiting.future.done() or sock is None or not self._receive(sock):
                break
        if not waiting.future.done():
            said = f" (what came was refused: {waiting.refused})" if waiting.refused else ""
            waiting.future.set_exception(NoReply(f"no reply from {peer} within {deadline_s:g} s{said}"))

    def _receive(self, sock: socket.socket) -> bool:
        """Take what has arrived; a bounded number, so that a flood leaves room for everything else.

        Returns whether there may be more.
        """
        for _ in range(_DATAGRAMS_PER_WAKE):
            try:
                data, address = sock.recvfrom(_LARGEST_DATAGRAM)
            except BlockingIOError:
                self._read_errors(sock)
                return False
            except OSError:
                self._read_errors(sock)
                continue
            self._deliver(data, (address[0], address[1]))
        return True

    def _deliver(self, data: bytes, key: tuple[str, int]) -> None:
        waiting = self._waiting.get(key)
        if waiting is None or waiting.future.done():
            self.strays += 1
            return
        try:
            if ber.reply_id(data) != waiting.message_id:
                self.strays += 1
                return
            waiting.octets_in += len(data)
            result = waiting.accept(data)
        except MalformedMessage as error:
            waiting.refused = str(error)
        except SnmpError as error:
            waiting.future.set_exception(error)
        except Exception as error:  # noqa: BLE001 - a surprise belongs to whoever asked, not to the sockets
            error.add_note(f"while reading the datagram {data[:1024].hex()}")
            waiting.future.set_exception(error)
        else:
            if result is not None:
                waiting.future.set_result(result)

    def _read_errors(self, sock: socket.socket) -> bool:
        """Tell those whose peers sent ICMP errors; return whether there were any."""
        found = False
        for _ in range(_DATAGRAMS_PER_WAKE):
            try:
                _, extra, _, address = sock.recvmsg(1, 512, _MSG_ERRQUEUE)
            except OSError:
                return found
            found = True
            waiting = self._waiting.get((address[0], address[1])) if address else None
            if waiting is None or waiting.future.done() or not extra:
                continue
            code = struct.unpack_from("=I", extra[0][2])[0]
            if code == errno.ECONNREFUSED:
                waiting.future.set_exception(PortClosed(f"nothing listens at {address[0]} port {address[1]}"))
            elif code in {errno.EHOSTUNREACH, errno.ENETUNREACH}:
                waiting.future.set_exception(HostUnreachable(f"the network cannot reach {address[0]}"))
        return found
