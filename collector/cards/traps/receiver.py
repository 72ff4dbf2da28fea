# ruff: noqa: ANN401 - pysnmp has no types
"""Notifications from cards: v1 traps, v2c traps and informs, SNMPv3 traps and informs.

A notification is a hint to poll now. It never sets or clears anything by itself: it is the poll that tells. The
decoding, USM included, is pysnmp's; the socket is ours, behind `collector.cards.traps.rate_limit`, so that a flood of
datagrams costs next to nothing. pysnmp is imported when a receiver is opened, not before.

SNMPv3 traps are signed under the sender's engine id, which polling learns: tell it by `learn_engine`. Informs are
signed under ours, whose id and boots are kept in the data folder.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import secrets
import socket
import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

from collector.cards.mib.upsmib import NOTIFICATIONS
from collector.cards.mib.wire_values import safe_text
from collector.cards.snmp.credentials import Auth, Community, Credentials, Privacy, User
from collector.cards.traps.rate_limit import LARGEST, Gate
from collector.process.atomic_file import whole_file

log = logging.getLogger(__name__)

_TRAP_OID: Final = "1.3.6.1.6.3.1.1.4.1.0"
_TRAP_ADDRESS: Final = "1.3.6.1.6.3.18.1.3.0"
_TRAP_COMMUNITY: Final = (
    "1.3.6.1.6.3.18.1.4.0"  # RFC 3584, snmpTrapCommunity: what the sender signs with, so a secret
)
_GENERIC: Final = {
    "1.3.6.1.6.3.1.1.5.1": "coldStart",
    "1.3.6.1.6.3.1.1.5.2": "warmStart",
    "1.3.6.1.6.3.1.1.5.3": "linkDown",
    "1.3.6.1.6.3.1.1.5.4": "linkUp",
    "1.3.6.1.6.3.1.1.5.5": "authenticationFailure",
}
_RECEIVE_BUFFER: Final = 262144  # a flood beyond this is the kernel's to drop
_PER_WAKE: Final = 16
_REST_S: Final = 0.02  # between wakes: at most 800 datagrams a second are looked at
_TICK_S: Final = 1.0
_MOST_VARBINDS: Final = 32
ENGINES_PER_CARD: Final = 4
"""Engine ids whose notifications can be verified, for each card."""


@dataclass(frozen=True, slots=True)
class Notification:
    """What one card sent.

    `cards`: those that may have sent it, by its source address (several behind one address translation).
    `name`: the standard's name, or the OID as it came. `varbinds`: (OID, text made safe).
    """

    cards: tuple[str, ...]
    source: str
    at: datetime
    name: str
    oid: str
    varbinds: tuple[tuple[str, str], ...]

    @property
    def is_of_ups_mib(self) -> bool:
        """Return whether it is one of the four notifications of RFC 1628."""
        return self.oid in NOTIFICATIONS


@dataclass(slots=True)
class Boots:
    """Our engine's id and boots count, kept in a file so that they survive restarts (RFC 3414, 2.2.2)."""

    path: Path
    engine_id: bytes = b""
    boots: int = 0

    def begin(self) -> None:
        """Read the file, count this start, and write it back before anything is signed.

        What cannot be written back (on a full disk, say) is not used either, since a count that is used twice would let
        old messages pass for new: this start then goes by an engine id of its own.
        """
        try:
            kept = json.loads(self.path.read_text(encoding="utf-8"))
            self.engine_id, self.boots = bytes.fromhex(kept["engine_id"]), int(kept["boots"])
        except (OSError, ValueError, KeyError, TypeError):
            self._begin_anew()
        self.boots = min(self.boots + 1, 2**31 - 1)
        text = json.dumps({"engine_id": self.engine_id.hex(), "boots": self.boots})
        try:
            with whole_file(self.path) as part:
                descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
                with os.fdopen(descriptor, "w", encoding="utf-8") as file:
                    file.write(text)
        except OSError as error:
            log.warning(
                "%s: cannot be written (%s); until the next start notifications are answered under another engine id",
                self.path, error.strerror,
            )  # fmt: skip
            self._begin_anew()
            self.boots = 1

    def _begin_anew(self) -> None:
        # RFC 3411, SnmpEngineID: top bit set, enterprise number (none of our own: 0), 5 = octets we choose
        self.engine_id, self.boots = b"\x80\x00\x00\x00\x05" + secrets.token_bytes(12), 0


class NotificationReceiver:
    """Listens for notifications; an async context manager.

    `sources`: address -> ids of the cards there. `tell` is called on the event loop for each notification that
    was let through and understood; it must return quickly.
    """

    def __init__(
        self,
        sources: Mapping[str, tuple[str, ...]],
        credentials: Collection[Credentials],
        tell: Callable[[Notification], None],
        boots_file: Path,
        *,
        host: str = "127.0.0.1",
        port: int = 162,
        gate: Gate | None = None,
    ) -> None:
        self._sources = dict(sources)
        self._credentials = tuple(credentials)
        self._tell = tell
        self._boots = Boots(boots_file)
        self.wanted_host, self.wanted_port = host, port
        self.gate = gate or Gate(self._sources.keys())
        self.received = 0
        self.not_understood = 0
        self._socket: socket.socket | None = None
        self._engine: Any = None
        self._dispatcher: Any = None
        self._current: tuple[str, int] = ("", 0)
        self._timers: list[asyncio.TimerHandle] = []
        self._known_engines: dict[tuple[str, bytes], None] = {}

    @property
    def port(self) -> int:
        """Return the port it listens at, once open."""
        assert self._socket is not None  # noqa: S101
        return int(self._socket.getsockname()[1])

    async def __aenter__(self) -> Self:
        """Open the socket first: OSError (port in use, no permission) comes before anything is built."""
        loop = asyncio.get_running_loop()
        family = socket.AF_INET6 if ":" in self.wanted_host else socket.AF_INET
        sock = socket.socket(family, socket.SOCK_DGRAM)
        try:
            sock.setblocking(False)
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER)
            sock.bind((self.wanted_host, self.wanted_port))
            self._boots.begin()
            self._build()
        except BaseException:
            sock.close()
            raise
        self._socket = sock
        loop.add_reader(sock, self._read)
        self._later(_TICK_S, self._tick)
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for timer in self._timers:
            timer.cancel()
        if self._socket is not None:
            asyncio.get_running_loop().remove_reader(self._socket)
            self._socket.close()
            self._socket = None
        if self._engine is not None:
            self._engine.unregister_transport_dispatcher()
            self._engine = None

    def learn_engine(self, user: str, engine_id: bytes) -> None:
        """Take in a card's engine id, found by polling, so that its SNMPv3 traps can be verified.

        A card that takes another id at every start leaves as many behind as `ENGINES_PER_CARD` says.
        """
        if self._engine is None or (user, engine_id) in self._known_engines:
            return
        for known in self._credentials:
            if isinstance(known, User) and known.name == user:
                self._known_engines[user, engine_id] = None
                self._add_user(known, engine_id)
        while len(self._known_engines) > ENGINES_PER_CARD * sum(map(len, self._sources.values())):
            oldest = next(iter(self._known_engines))
            del self._known_engines[oldest]
            self._drop_user(*oldest)

    # --- the socket ---------------------------------------------------------------------------------------

    def _later(self, delay_s: float, what: Callable[[], None]) -> None:
        self._timers = [timer for timer in self._timers if not timer.cancelled() and timer.when() > _now()]
        self._timers.append(asyncio.get_running_loop().call_later(delay_s, what))

    def _read(self) -> None:
        """Look at a few datagrams; after a full hand, rest, and let the kernel drop what a flood brings."""
        assert self._socket is not None  # noqa: S101
        for _ in range(_PER_WAKE):
            try:
                data, address = self._socket.recvfrom(LARGEST + 1)
            except BlockingIOError:
                return
            except OSError:
                continue
            source = str(address[0])
            if self.gate.admits(source, len(data), time.monotonic()):
                self._hand_over(data, (source, int(address[1])))
        asyncio.get_running_loop().remove_reader(self._socket)
        self._later(_REST_S, self._resume)

    def _resume(self) -> None:
        if self._socket is not None:
            asyncio.get_running_loop().add_reader(self._socket, self._read)

    def _tick(self) -> None:
        if self._dispatcher is not None and self._socket is not None:
            self._dispatcher.handle_timer_tick(time.time())
            self._later(_TICK_S, self._tick)

    # --- the library --------------------------------------------------------------------------------------

    def _build(self) -> None:
        """Build pysnmp's engine with our id, boots, communities and users."""
        from pysnmp.carrier.asyncio.dgram import udp, udp6  # noqa: PLC0415 - costs a tenth of a second
        from pysnmp.carrier.base import AbstractTransportDispatcher  # noqa: PLC0415
        from pysnmp.entity import config, engine  # noqa: PLC0415
        from pysnmp.entity.rfc3413 import ntfrcv  # noqa: PLC0415

        receiver = self

        class Dispatcher(AbstractTransportDispatcher):  # type: ignore[misc]
            """Hands the library's answers (to informs) to our socket."""

            def send_message(self, message: Any, _domain: Any, address: Any) -> None:
                receiver._send(bytes(message), (str(address[0]), int(address[1])))

        self._engine = built = engine.SnmpEngine()
        symbols = built.get_mib_builder().import_symbols(
            "__SNMP-FRAMEWORK-MIB", "snmpEngineID", "snmpEngineBoots"
        )
        symbols[0].syntax = symbols[0].syntax.clone(self._boots.engine_id)
        built.snmpEngineID = symbols[0].syntax
        symbols[1].syntax = symbols[1].syntax.clone(self._boots.boots)
        self._dispatcher = Dispatcher()
        built.register_transport_dispatcher(self._dispatcher)
        six = ":" in self.wanted_host
        self._domain = udp6.DOMAIN_NAME if six else udp.DOMAIN_NAME
        self._address = udp6.Udp6TransportAddress if six else udp.UdpTransportAddress
        self._config = config
        for number, known in enumerate(self._credentials):
            if isinstance(known, Community):
                config.add_v1_system(built, f"community-{number}", known.name.decode("latin-1"))
            else:
                self._add_user(known, None)
        ntfrcv.NotificationReceiver(built, self._understood)

    def _add_user(self, user: User, engine_id: bytes | None) -> None:
        from pysnmp.proto.rfc1902 import OctetString  # noqa: PLC0415

        config = self._config
        auth = {
            Auth.NONE: config.USM_AUTH_NONE,
            Auth.MD5: config.USM_AUTH_HMAC96_MD5,
            Auth.SHA1: config.USM_AUTH_HMAC96_SHA,
            Auth.SHA224: config.USM_AUTH_HMAC128_SHA224,
            Auth.SHA256: config.USM_AUTH_HMAC192_SHA256,
            Auth.SHA384: config.USM_AUTH_HMAC256_SHA384,
            Auth.SHA512: config.USM_AUTH_HMAC384_SHA512,
        }[user.auth]
        privacy = {
            Privacy.NONE: config.USM_PRIV_NONE,
            Privacy.DES: config.USM_PRIV_CBC56_DES,
            Privacy.AES128: config.USM_PRIV_CFB128_AES,
            Privacy.AES192: config.USM_PRIV_CFB192_AES_BLUMENTHAL,
            Privacy.AES256: config.USM_PRIV_CFB256_AES_BLUMENTHAL,
        }[user.privacy]
        config.add_v3_user(
            self._engine,
            user.name,
            auth,
            user.auth_secret.decode() or None,
            privacy,
            user.privacy_secret.decode() or None,
            securityEngineId=None if engine_id is None else OctetString(engine_id),
        )

    def _drop_user(self, user: str, engine_id: bytes) -> None:
        from pysnmp.proto.rfc1902 import OctetString  # noqa: PLC0415

        self._config.delete_v3_user(self._engine, user, OctetString(engine_id))

    def _hand_over(self, data: bytes, source: tuple[str, int]) -> None:
        self._current = source
        self.received += 1
        try:
            self._engine.message_dispatcher.receive_message(
                self._engine, self._domain, self._address(source), data
            )
        except Exception:  # noqa: BLE001 - a library's surprise at a stranger's bytes is no fault of ours
            self.not_understood += 1

    def _send(self, data: bytes, address: tuple[str, int]) -> None:
        if self._socket is not None:
            try:
                self._socket.sendto(data, address)
            except OSError:
                self.not_understood += 1  # the sender will repeat its inform

    def _understood(self, *details: Any) -> None:
        """Take what the library decoded: (engine, state, context engine, context name, varbinds, nothing)."""
        pairs = [(str(oid), _text(value)) for oid, value in details[4][: _MOST_VARBINDS + 4]]
        pairs = [pair for pair in pairs if pair[0] != _TRAP_COMMUNITY]
        oid = next((text for name, text in pairs if name == _TRAP_OID), "")
        source = self._current[0]
        # Behind an address translation a v1 trap's own address, as RFC 3584 passes it on, is a better witness.
        inner = next((text for name, text in pairs if name == _TRAP_ADDRESS), source)
        cards = self._sources.get(source, ())
        if len(cards) > 1 and inner in self._sources:
            cards = self._sources[inner]
        name = NOTIFICATIONS.get(oid) or _GENERIC.get(oid) or safe_text(oid)
        self._tell(
            Notification(
                cards, source, datetime.now(UTC), name, safe_text(oid), tuple(pairs[:_MOST_VARBINDS])
            )
        )


def _now() -> float:
    return asyncio.get_running_loop().time()


def _text(value: Any) -> str:
    """Return a library value as safe text; an OID in dots."""
    kind = type(value).__name__
    if kind in {"ObjectIdentifier", "ObjectIdentity"}:
        return ".".join(map(str, tuple(value)))
    if kind == "IpAddress":
        return ".".join(map(str, bytes(value)))
    return safe_text(bytes(value)) if hasattr(value, "asOctets") else safe_text(str(value))
