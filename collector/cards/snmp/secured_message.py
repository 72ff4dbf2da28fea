"""The form of an SNMPv3 message with user-based security (RFC 3412, 6; RFC 3414, 2.4), and an engine's place in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from collector.cards.snmp import ber
from collector.cards.snmp.ber import Pdu
from collector.cards.snmp.errors import MalformedMessage

AUTH, PRIV, REPORTABLE = 1, 2, 4
"""msgFlags (RFC 3412, 6.4)."""
MOST_BOOTS: Final = 2**31 - 1
"""Largest value of snmpEngineBoots and snmpEngineTime (RFC 3414, 2.2.2)."""
_USM: Final = 3
_LARGEST: Final = 65507


@dataclass(slots=True)
class Engine:
    """What is known of a card's engine. `proven`: it has signed for its boots and time."""

    id: bytes
    boots: int
    time_s: int
    at_s: float
    proven: bool = False

    def time_now_s(self, now_s: float) -> int:
        """Return what the engine's clock shows by now."""
        return self.time_s + int(now_s - self.at_s)


@dataclass(frozen=True, slots=True)
class Header:
    """The outer part of a received message; `digest_at` is where its digest begins."""

    flags: int
    engine_id: bytes
    boots: int
    time_s: int
    user: bytes
    digest_at: int
    digest: bytes
    privacy: bytes
    data_at: int


def scoped_pdu(engine_id: bytes, context: str, pdu: bytes) -> bytes:
    """Return a scopedPDU (RFC 3412, 6)."""
    names = ber.encode_tlv(ber.OCTET_STRING, engine_id) + ber.encode_tlv(ber.OCTET_STRING, context.encode())
    return ber.encode_tlv(ber.SEQUENCE, names + pdu)


def security_parameters(
    engine: Engine, user: bytes, time_s: int, digest: bytes, private: bytes
) -> tuple[bytes, int]:
    """Return msgSecurityParameters as an OCTET STRING, and where in it the digest begins."""
    front = (
        ber.encode_tlv(ber.OCTET_STRING, engine.id)
        + ber.encode_int(min(engine.boots, MOST_BOOTS))
        + ber.encode_int(time_s)
        + ber.encode_tlv(ber.OCTET_STRING, user)
    )
    content = front + ber.encode_tlv(ber.OCTET_STRING, digest) + ber.encode_tlv(ber.OCTET_STRING, private)
    inner = ber.encode_tlv(ber.SEQUENCE, content)
    whole = ber.encode_tlv(ber.OCTET_STRING, inner)
    # From the end: what follows the digest never changes its length.
    after = len(ber.encode_tlv(ber.OCTET_STRING, private)) + len(digest)
    return whole, len(whole) - after


def whole_message(message_id: int, flags: int, parameters: bytes, scoped: bytes) -> bytes:
    """Return an SNMPv3 message (RFC 3412, 6)."""
    header = (
        ber.encode_int(message_id)
        + ber.encode_int(_LARGEST)
        + ber.encode_tlv(ber.OCTET_STRING, bytes((flags,)))
        + ber.encode_int(_USM)
    )
    return ber.encode_tlv(
        ber.SEQUENCE,
        ber.encode_int(ber.VERSION_3) + ber.encode_tlv(ber.SEQUENCE, header) + parameters + scoped,
    )


def read_header(data: bytes, message_id: int) -> Header:
    """Return the outer part of a message with our id. Raises MalformedMessage."""
    version, pos, end = ber.read_version(data)
    if version != ber.VERSION_3:
        raise MalformedMessage("the reply is not SNMPv3")
    start, header_end = ber.read_tagged(data, pos, end, ber.SEQUENCE)
    found, pos = ber.read_int(data, start, header_end)
    _, pos = ber.read_int(data, pos, header_end)
    flags_at, pos = ber.read_tagged(data, pos, header_end, ber.OCTET_STRING)
    model, after = ber.read_int(data, pos, header_end)
    if found != message_id or model != _USM or pos - flags_at != 1 or after != header_end:
        raise MalformedMessage("another message, or another security model")
    flags = data[flags_at]
    if flags & PRIV and not flags & AUTH:
        raise MalformedMessage("encrypted but not signed")
    start, data_at = ber.read_tagged(data, header_end, end, ber.OCTET_STRING)
    pos, inner_end = ber.read_tagged(data, start, data_at, ber.SEQUENCE)
    if inner_end != data_at:
        raise MalformedMessage("something follows the security parameters")
    engine_at, pos = ber.read_tagged(data, pos, inner_end, ber.OCTET_STRING)
    engine_id = data[engine_at:pos]
    boots, pos = ber.read_int(data, pos, inner_end)
    time_s, pos = ber.read_int(data, pos, inner_end)
    user_at, user_end = ber.read_tagged(data, pos, inner_end, ber.OCTET_STRING)
    digest_at, digest_end = ber.read_tagged(data, user_end, inner_end, ber.OCTET_STRING)
    private_at, private_end = ber.read_tagged(data, digest_end, inner_end, ber.OCTET_STRING)
    if private_end != inner_end or not 0 <= boots <= MOST_BOOTS or not 0 <= time_s <= MOST_BOOTS:
        raise MalformedMessage("security parameters out of range")
    return Header(
        flags,
        engine_id,
        boots,
        time_s,
        data[user_at:user_end],
        digest_at,
        data[digest_at:digest_end],
        data[private_at:private_end],
        data_at,
    )


def read_scoped(data: bytes, pos: int, *, padded: bool) -> tuple[bytes, Pdu]:
    """Return (context engine id, PDU) of a scopedPDU at `pos`. Raises MalformedMessage."""
    start, end = ber.read_tagged(data, pos, len(data), ber.SEQUENCE)
    if end != len(data) and not (padded and len(data) - end < 8):
        raise MalformedMessage("something follows the scoped PDU")
    engine_at, pos = ber.read_tagged(data, start, end, ber.OCTET_STRING)
    engine_id = data[engine_at:pos]
    _, pos = ber.read_tagged(data, pos, end, ber.OCTET_STRING)
    return engine_id, ber.decode_pdu(data, pos, end)
