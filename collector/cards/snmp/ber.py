"""The codec: SNMP v1 and v2c messages in BER (RFC 1157, RFC 3416, X.690), and the PDUs inside v3.

A request is encoded once; only its request id is patched in afterwards. Decoding checks every length
against the field that holds it and raises `MalformedMessage`, and nothing else, on bad input. One odd
value in one varbind does not lose the others: an integer of the wrong size or a value of an unknown
type comes through as its raw bytes beside its tag, and whoever interprets it decides.

Only GET, GETNEXT and GETBULK can be encoded, and responses by the simulated agent: nothing here can set.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

from collector.cards.snmp.errors import MalformedMessage

VERSION_1: Final = 0
VERSION_2C: Final = 1
VERSION_3: Final = 3

# ASN.1 tags (RFC 2578 for the application types, RFC 3416 for the exceptions)
INTEGER: Final = 0x02
OCTET_STRING: Final = 0x04
NULL: Final = 0x05
OBJECT_ID: Final = 0x06
SEQUENCE: Final = 0x30
IP_ADDRESS: Final = 0x40
COUNTER32: Final = 0x41
GAUGE32: Final = 0x42
TIME_TICKS: Final = 0x43
OPAQUE: Final = 0x44
COUNTER64: Final = 0x46
UINTEGER32: Final = 0x47
NO_SUCH_OBJECT: Final = 0x80
NO_SUCH_INSTANCE: Final = 0x81
END_OF_MIB_VIEW: Final = 0x82

TAG_NAME: Final = {
    INTEGER: "INTEGER",
    OCTET_STRING: "OCTET STRING",
    NULL: "NULL",
    OBJECT_ID: "OBJECT IDENTIFIER",
    IP_ADDRESS: "IpAddress",
    COUNTER32: "Counter32",
    GAUGE32: "Gauge32",
    TIME_TICKS: "TimeTicks",
    OPAQUE: "Opaque",
    COUNTER64: "Counter64",
    UINTEGER32: "UInteger32",
    NO_SUCH_OBJECT: "noSuchObject",
    NO_SUCH_INSTANCE: "noSuchInstance",
    END_OF_MIB_VIEW: "endOfMibView",
}

GET: Final = 0xA0
GET_NEXT: Final = 0xA1
RESPONSE: Final = 0xA2
TRAP_V1: Final = 0xA4
GET_BULK: Final = 0xA5
INFORM: Final = 0xA6
TRAP_V2: Final = 0xA7
REPORT: Final = 0xA8
READING_PDUS: Final = frozenset({GET, GET_NEXT, GET_BULK})

NO_ERROR: Final = 0
TOO_BIG: Final = 1
NO_SUCH_NAME: Final = 2
GEN_ERR: Final = 5
ERROR_NAME: Final = dict(
    enumerate(
        "noError tooBig noSuchName badValue readOnly genErr noAccess wrongType wrongLength wrongEncoding wrongValue "
        "noCreation inconsistentValue resourceUnavailable commitFailed undoFailed authorizationError notWritable "
        "inconsistentName".split()
    )
)

Value = int | float | bytes | str | None
Varbind = tuple[str, int, Value]
"""(OID in dots, tag, value). Strings and odd values are bytes, OIDs dotted text, exceptions None."""

FIRST_ID: Final = 0x01000000
LAST_ID: Final = 0x7FFFFFFF
TEMPLATES_KEPT: Final = 1024
"""Requests kept encoded, of all cards: cards of one make are asked the same, and each only a handful."""
_MAX_LENGTH_OCTETS: Final = 4
_MAX_OID_OCTETS: Final = 5 * 128
_MAX_ARCS: Final = 128


@dataclass(frozen=True, slots=True)
class Pdu:
    """A request or response. For GETBULK `error_status` is non-repeaters, `error_index` max-repetitions.

    `moved`: place and number of the varbinds that are other than in the last reply; `varbinds` is then left out.
    """

    type: int
    request_id: int
    error_status: int
    error_index: int
    varbinds: list[Varbind]
    moved: tuple[tuple[int, int], ...] | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """A v1 or v2c message."""

    version: int
    community: bytes
    pdu: Pdu


def encode_length(length: int) -> bytes:
    """Return a definite length in its shortest form."""
    if length < 0x80:
        return bytes((length,))
    octets = length.to_bytes((length.bit_length() + 7) // 8, "big")
    return bytes((0x80 | len(octets),)) + octets


def encode_tlv(tag: int, content: bytes) -> bytes:
    """Return tag, length and content."""
    return bytes((tag,)) + encode_length(len(content)) + content


def encode_int(value: int, tag: int = INTEGER) -> bytes:
    """Return an integer in two's complement, in as few octets as it needs."""
    size = (value + (value < 0)).bit_length() // 8 + 1
    return encode_tlv(tag, value.to_bytes(size, "big", signed=True))


@lru_cache(maxsize=8192)
def oid_content(oid: str) -> bytes:
    """Return the content octets of a dotted OID. Raises ValueError for a text that is none."""
    arcs = [int(arc) for arc in oid.strip(".").split(".")]
    if len(arcs) < 2 or arcs[0] > 2 or (arcs[0] < 2 and arcs[1] > 39) or min(arcs) < 0:
        raise ValueError(f"not an object identifier: {oid!r}")
    out = bytearray()
    for arc in (arcs[0] * 40 + arcs[1], *arcs[2:]):
        group = [arc & 0x7F]
        while arc > 0x7F:
            arc >>= 7  # noqa: PLW2901 - consumed seven bits at a time
            group.append(0x80 | (arc & 0x7F))
        out += bytes(reversed(group))
    return bytes(out)


def encode_oid(oid: str) -> bytes:
    """Return a dotted OID as tag, length and content."""
    return encode_tlv(OBJECT_ID, oid_content(oid))


def encode_value(tag: int, value: Value) -> bytes:
    """Return a value under its tag; used by the simulated agent and in tests."""
    if value is None:
        return bytes((tag, 0))
    if isinstance(value, bytes):
        return encode_tlv(tag, value)
    if isinstance(value, float):  # Opaque float as in common use: 9f 78 04 and four octets
        return encode_tlv(tag, b"\x9f\x78\x04" + struct.pack(">f", value))
    if isinstance(value, str):
        return encode_tlv(tag, oid_content(value) if tag == OBJECT_ID else value.encode())
    return encode_int(value, tag)


def encode_varbind(oid: str, tag: int, value: Value) -> bytes:
    """Return one name-value pair."""
    return encode_tlv(SEQUENCE, encode_oid(oid) + encode_value(tag, value))


@dataclass(frozen=True, slots=True)
class Template:
    """Bytes with a hole of four octets for the request id."""

    head: bytes
    tail: bytes

    def with_id(self, request_id: int) -> bytes:
        """Return the bytes with `request_id` (FIRST_ID to LAST_ID, so that four octets are its shortest form)."""
        return self.head + request_id.to_bytes(4, "big") + self.tail


def pdu_template(pdu_type: int, oids: Iterable[str], first: int = 0, second: int = 0) -> Template:
    """Return a GET, GETNEXT or GETBULK PDU; for GETBULK `first` is non-repeaters, `second` max-repetitions."""
    if pdu_type not in READING_PDUS:
        raise ValueError("only GET, GETNEXT and GETBULK can be asked")
    names = b"".join(encode_tlv(SEQUENCE, encode_oid(oid) + b"\x05\x00") for oid in oids)
    tail = encode_int(first) + encode_int(second) + encode_tlv(SEQUENCE, names)
    return Template(bytes((pdu_type,)) + encode_length(6 + len(tail)) + b"\x02\x04", tail)


@lru_cache(maxsize=TEMPLATES_KEPT)
def asking(pdu_type: int, oids: tuple[str, ...], first: int = 0, second: int = 0) -> Template:
    """Return `pdu_template`, the same object for all cards that are asked the same."""
    return pdu_template(pdu_type, oids, first, second)


@lru_cache(maxsize=TEMPLATES_KEPT)
def request_template(version: int, community: bytes, pdu: Template) -> Template:
    """Return a whole v1 or v2c request around a PDU."""
    head = encode_int(version) + encode_tlv(OCTET_STRING, community) + pdu.head
    return Template(bytes((SEQUENCE,)) + encode_length(len(head) + 4 + len(pdu.tail)) + head, pdu.tail)


def encode_response_pdu(
    request_id: int,
    varbinds: Sequence[bytes],
    error_status: int = 0,
    error_index: int = 0,
    pdu_type: int = RESPONSE,
) -> bytes:
    """Return a response PDU around varbinds that are encoded already (see `encode_varbind`)."""
    content = (
        encode_int(request_id)
        + encode_int(error_status)
        + encode_int(error_index)
        + encode_tlv(SEQUENCE, b"".join(varbinds))
    )
    return encode_tlv(pdu_type, content)


def encode_message(version: int, community: bytes, pdu: bytes) -> bytes:
    """Return a v1 or v2c message around an encoded PDU."""
    return encode_tlv(SEQUENCE, encode_int(version) + encode_tlv(OCTET_STRING, community) + pdu)


# --- decoding ---------------------------------------------------------------------------------------------


def read_header(data: bytes, pos: int, end: int) -> tuple[int, int, int]:
    """Return (tag, start, stop) of the field at `pos`; it must end within `end`."""
    if pos + 2 > end:
        raise MalformedMessage("the message ends inside a field")
    tag, length = data[pos], data[pos + 1]
    pos += 2
    if length >= 0x80:
        octets = length & 0x7F
        if not 1 <= octets <= _MAX_LENGTH_OCTETS or pos + octets > end:
            raise MalformedMessage("a length in a form that SNMP does not use")
        length = int.from_bytes(data[pos : pos + octets], "big")
        pos += octets
    if pos + length > end:
        raise MalformedMessage("a field is longer than what holds it")
    return tag, pos, pos + length


def read_tagged(data: bytes, pos: int, end: int, tag: int) -> tuple[int, int]:
    """Return (start, stop) of the field at `pos`, which must carry `tag`."""
    found, start, stop = read_header(data, pos, end)
    if found != tag:
        raise MalformedMessage(f"type 0x{found:02x} where 0x{tag:02x} belongs")
    return start, stop


def read_int(data: bytes, pos: int, end: int) -> tuple[int, int]:
    """Return (value, next position) of an INTEGER of one to eight octets."""
    start, stop = read_tagged(data, pos, end, INTEGER)
    if not 1 <= stop - start <= 8:
        raise MalformedMessage("an integer of impossible size")
    return int.from_bytes(data[start:stop], "big", signed=True), stop


@lru_cache(maxsize=8192)
def oid_text(content: bytes) -> str:
    """Return content octets as a dotted OID. Raises MalformedMessage."""
    if not content or content[-1] & 0x80 or len(content) > _MAX_OID_OCTETS:
        raise MalformedMessage("not an object identifier")
    arcs: list[int] = []
    arc = 0
    for octet in content:
        arc = arc << 7 | octet & 0x7F
        if not octet & 0x80:
            arcs.append(arc)
            arc = 0
    first = min(arcs[0] // 40, 2)
    arcs[0:1] = [first, arcs[0] - 40 * first]
    if len(arcs) > _MAX_ARCS or max(arcs) >= 2**32:
        raise MalformedMessage("an object identifier beyond 128 arcs of 32 bits")
    return ".".join(map(str, arcs))


def oid_arcs(oid: str) -> tuple[int, ...]:
    """Return the arcs of a dotted OID, which compare in the order of the MIB."""
    return tuple(map(int, oid.split(".")))


_UNSIGNED: Final = frozenset({COUNTER32, GAUGE32, TIME_TICKS, COUNTER64, UINTEGER32})
_EXCEPTIONS: Final = frozenset({NULL, NO_SUCH_OBJECT, NO_SUCH_INSTANCE, END_OF_MIB_VIEW})


def _odd_value(tag: int, raw: bytes) -> Value:
    """Return a value whose type is not the everyday INTEGER or string."""
    if tag in _UNSIGNED:
        # Nine octets hold a Counter64 with its leading zero; agents that leave the zero out are understood too.
        return int.from_bytes(raw, "big") if 1 <= len(raw) <= 9 else raw
    if tag == OBJECT_ID:
        try:
            return oid_text(raw)
        except MalformedMessage:
            return raw
    if tag in _EXCEPTIONS:
        return None
    if tag == OPAQUE and raw[:3] == b"\x9f\x78\x04" and len(raw) == 7:
        return float(struct.unpack(">f", raw[3:])[0])
    return raw


def decode_varbinds(data: bytes, pos: int, end: int) -> list[Varbind]:
    """Return the name-value pairs in data[pos:end]. Raises MalformedMessage.

    Fields shorter than 128 octets, nearly all there are, are read in line: this loop is where a busy
    collector spends its time. Everything else goes through `read_header`, with the same checks.
    """
    found: list[Varbind] = []
    while pos < end:
        if pos + 4 <= end and data[pos] == SEQUENCE and data[pos + 1] < 0x80 and data[pos + 2] == OBJECT_ID:
            stop = pos + 2 + data[pos + 1]
            start = pos + 4
            name_end = start + data[pos + 3]
            if data[pos + 3] >= 0x80 or stop > end or name_end + 2 > stop:
                raise MalformedMessage("a field is longer than what holds it")
            tag = data[name_end]
            value_start = name_end + 2
            value_end = value_start + data[name_end + 1]
            if data[name_end + 1] >= 0x80:
                tag, value_start, value_end = read_header(data, name_end, stop)
        else:
            pos, stop = read_tagged(data, pos, end, SEQUENCE)
            start, name_end = read_tagged(data, pos, stop, OBJECT_ID)
            tag, value_start, value_end = read_header(data, name_end, stop)
        if value_end != stop:
            raise MalformedMessage("a name-value pair of the wrong length")
        raw = data[value_start:value_end]
        if tag == INTEGER:
            value: Value = int.from_bytes(raw, "big", signed=True) if 1 <= len(raw) <= 8 else raw
        elif tag == OCTET_STRING:
            value = raw
        else:
            value = _odd_value(tag, raw)
        found.append((oid_text(data[start:name_end]), tag, value))
        pos = stop
    return found


def decode_pdu(data: bytes, pos: int, end: int) -> Pdu:
    """Return the PDU in data[pos:end]. Raises MalformedMessage, for a v1 trap too."""
    pdu_type, pos, stop = read_header(data, pos, end)
    if not 0xA0 <= pdu_type <= 0xA8 or pdu_type == TRAP_V1:
        raise MalformedMessage(f"PDU type 0x{pdu_type:02x} is not known here")
    request_id, pos = read_int(data, pos, stop)
    status, pos = read_int(data, pos, stop)
    index, pos = read_int(data, pos, stop)
    start, list_end = read_tagged(data, pos, stop, SEQUENCE)
    if list_end != stop or stop != end:
        raise MalformedMessage("something follows the varbinds")
    return Pdu(pdu_type, request_id, status, index, decode_varbinds(data, start, list_end))


def read_version(data: bytes) -> tuple[int, int, int]:
    """Return (version, position after it, end) of a message. Octets after the message are refused."""
    start, end = read_tagged(data, 0, len(data), SEQUENCE)
    if end != len(data):
        raise MalformedMessage("octets after the message")
    version, pos = read_int(data, start, end)
    return version, pos, end


def _community(data: bytes) -> tuple[int, bytes, int, int]:
    version, pos, end = read_version(data)
    if version not in {VERSION_1, VERSION_2C}:
        raise MalformedMessage(f"version {version} where 0 (v1) or 1 (v2c) belongs")
    start, stop = read_tagged(data, pos, end, OCTET_STRING)
    return version, data[start:stop], stop, end


def decode_message(data: bytes) -> Message:
    """Return a v1 or v2c message. Raises MalformedMessage."""
    version, community, pos, end = _community(data)
    return Message(version, community, decode_pdu(data, pos, end))


def reply_id(data: bytes) -> int:
    """Return the id by which a reply is matched: the request id, of v3 the message id. Raises MalformedMessage.

    Cheap on purpose: the reply itself is decoded (of v3: verified first) by whoever asked.
    """
    version, pos, end = read_version(data)
    if version == VERSION_3:
        start, stop = read_tagged(data, pos, end, SEQUENCE)
        return read_int(data, start, stop)[0]
    _, pos = read_tagged(data, pos, end, OCTET_STRING)
    _, start, stop = read_header(data, pos, end)
    return read_int(data, start, stop)[0]
