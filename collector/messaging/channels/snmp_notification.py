"""SNMP notifications onward: each notice as an inform of version 2c (RFC 3416), acknowledged by the station that gets it.

An inform and not a trap, since a trap is lost without a word: what no station acknowledged stays in the outbox, and is sent
again under the same request id. The objects are of our own, below one arc (`deploy/MESSAGES.md` lists them), texts in UTF-8.
"""

from __future__ import annotations

import asyncio
import hashlib
from datetime import datetime
from typing import Final

from collector.cards.snmp import ber
from collector.cards.snmp.errors import MalformedMessage
from collector.configuration.channel_tables import SnmpSettings as Settings
from collector.configuration.secrets import CommunitySecret
from collector.messaging.channels.channel import ChannelDown, why
from collector.messaging.delivery.letter import Letter
from collector.process.clock import Clock
from collector.storage.ledger.records import Outgoing
from rules.alarms.incidents.incident import Notice, NoticeKind
from rules.values.severity import Severity

ACKNOWLEDGED_WITHIN_S: Final = 3.0
TRIES: Final = 3
LONGEST_TEXT: Final = 255
"""Octets of one text: what a DisplayString holds, and eleven of them fit into one datagram of any network."""
SYS_UP_TIME: Final = "1.3.6.1.2.1.1.3.0"
TRAP_OID: Final = "1.3.6.1.6.3.1.1.4.1.0"
NUMBER_OF: Final = {
    NoticeKind.OPENED: 1,
    NoticeKind.CHANGED: 2,
    NoticeKind.ESCALATED: 3,
    NoticeKind.CLOSED: 4,
}
"""The last arc of a notification, by what it says of its incident; it stands below ARC.0."""
ITU_SEVERITY: Final = {
    Severity.CRITICAL: 3,
    Severity.MAJOR: 4,
    Severity.MINOR: 5,
    Severity.WARNING: 6,
}
"""The severity as ITU-T X.733 numbers it in RFC 3877 (ItuPerceivedSeverity); what is over is cleared."""
CLEARED: Final = 1

SnmpValue = int | bytes | str


class SnmpChannel:
    """One station. A socket is opened for each message: there are few."""

    batch = 10

    def __init__(self, settings: Settings, secret: CommunitySecret, clock: Clock) -> None:
        self.id = settings.id
        self._settings = settings
        self._community = secret.community.reveal().encode()
        self._clock = clock

    async def run(self) -> None:
        """Hold nothing open."""

    async def send(self, message: Outgoing) -> str:
        """Send one message until the station acknowledges it. Raises ChannelDown where it does not."""
        notice, settings = Letter.of(message.body).notice, self._settings
        asked = request_id(message.id)
        up_ticks = int(self._clock.monotonic_s() * 100.0) % 2**32
        pairs = [ber.encode_varbind(*one) for one in varbinds(notice, settings.oid_below, up_ticks)]
        pdu = ber.encode_response_pdu(asked, pairs, pdu_type=ber.INFORM)
        datagram = ber.encode_message(ber.VERSION_2C, self._community, pdu)
        try:
            loop = asyncio.get_running_loop()
            transport, answers = await loop.create_datagram_endpoint(
                _Answers, remote_addr=(settings.host, settings.port)
            )
        except OSError as error:
            raise ChannelDown(why(error)) from error
        try:
            for _ in range(TRIES):
                transport.sendto(datagram)
                try:
                    async with asyncio.timeout(ACKNOWLEDGED_WITHIN_S):
                        return await answers.to(asked)
                except TimeoutError:
                    continue
                except OSError as error:
                    raise ChannelDown(why(error)) from error
        finally:
            transport.close()
        raise ChannelDown(f"no acknowledgement after {TRIES} tries of {ACKNOWLEDGED_WITHIN_S:g} s")


class _Answers(asyncio.DatagramProtocol):
    """What comes back on one socket."""

    def __init__(self) -> None:
        self._came: asyncio.Queue[bytes | OSError] = asyncio.Queue()

    def datagram_received(self, data: bytes, _address: object) -> None:
        """Take what came."""
        self._came.put_nowait(data)

    def error_received(self, exc: Exception) -> None:
        """Take that nobody listens there."""
        self._came.put_nowait(exc if isinstance(exc, OSError) else OSError(str(exc)))

    async def to(self, asked: int) -> str:
        """Return what was answered to a request. Raises OSError where the network says that nobody is there."""
        while True:
            came = await self._came.get()
            if isinstance(came, OSError):
                raise came
            try:
                pdu = ber.decode_message(came).pdu
            except MalformedMessage:
                continue
            if (pdu.type, pdu.request_id) == (ber.RESPONSE, asked):
                return "acknowledged" if pdu.error_status == ber.NO_ERROR else f"answered {pdu.error_status}"


def request_id(message_id: str) -> int:
    """Return the request id of a message: the same however often it is sent."""
    found = int.from_bytes(hashlib.sha256(message_id.encode()).digest()[:4], "big")
    return ber.FIRST_ID + found % (ber.LAST_ID - ber.FIRST_ID)


def varbinds(notice: Notice, arc: str, up_ticks: int) -> list[tuple[str, int, SnmpValue]]:
    """Return what a notification of a notice says, in the order of the objects' numbers below ARC.1."""
    over = notice.kind is NoticeKind.CLOSED
    said: tuple[SnmpValue, ...] = (
        notice.incident,
        CLEARED if over else ITU_SEVERITY[notice.severity],
        _moment(notice.at),
        notice.site or "",
        notice.about,
        notice.what,
        notice.do,
        notice.short,
        _moment(notice.by_when),
        1 if notice.urgent else 2,
        _moment(notice.opened_at),
    )
    found: list[tuple[str, int, SnmpValue]] = [
        (SYS_UP_TIME, ber.TIME_TICKS, up_ticks),
        (TRAP_OID, ber.OBJECT_ID, f"{arc}.0.{NUMBER_OF[notice.kind]}"),
    ]
    for number, value in enumerate(said, 1):
        kind = ber.INTEGER if isinstance(value, int) else ber.OCTET_STRING
        found.append((f"{arc}.1.{number}.0", kind, value if isinstance(value, int) else _text(str(value))))
    return found


def _moment(at: datetime | None) -> str:
    return "" if at is None else at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _text(text: str) -> bytes:
    """Return a text as an octet string, cut where a character ends."""
    return text.encode()[:LONGEST_TEXT].decode(errors="ignore").encode()
