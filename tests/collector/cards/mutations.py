"""True messages, damaged: for the tests, the long bench and the coverage-guided fuzzer alike."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from random import Random
from typing import Final

from collector.cards.corrections.knowledge import CardKnowledge
from collector.cards.mib.capability import from_walk
from collector.cards.mib.decode import decode
from collector.cards.mib.upsmib import BY_NAME, TablePart
from collector.cards.mib.wire_values import WireState, wire_value
from collector.cards.snmp import ber, hearsay, usm
from collector.cards.snmp.credentials import Auth, Privacy, User
from collector.cards.snmp.errors import MalformedMessage
from collector.cards.snmp.keys import Extension, encrypt, localised, password_to_key, privacy_key, sign
from collector.cards.snmp.secured_message import Engine, scoped_pdu, security_parameters, whole_message
from rules.plant.reading import Stamp
from tests.collector.cards.sample_cards import GOOD, served

AT: Final = datetime(2026, 3, 1, tzinfo=UTC)
ENGINE: Final = b"\x80\x00\x00\x00\x05fuzzed"
WHO: Final = User("watch", Auth.SHA1, b"maple-leaf-7", Privacy.AES128, b"river-stone-8")
_OBJECT: Final = {item.oid: item for item in BY_NAME.values()}


def _signed(level: int) -> bytes:
    """Return a true SNMPv3 response of a security level, made without the code under test's own wrapping."""
    pdu = ber.encode_response_pdu(
        ber.FIRST_ID, [ber.encode_varbind("1.3.6.1.2.1.1.3.0", ber.TIME_TICKS, 4711)]
    )
    scoped = scoped_pdu(ENGINE, "", pdu)
    private, engine = b"", Engine(ENGINE, 3, 1000, 0.0)
    if level & 2:
        key = privacy_key(WHO.auth, WHO.privacy_secret, ENGINE, WHO.privacy, Extension.HASHED)
        secret, private = encrypt(WHO.privacy, key, 3, 1000, 5, scoped)
        scoped = ber.encode_tlv(ber.OCTET_STRING, secret)
    parameters, at = security_parameters(engine, b"watch", 1000, bytes(12 if level else 0), private)
    message = whole_message(ber.FIRST_ID, level, parameters, scoped)
    if not level:
        return message
    place = len(message) - len(scoped) - len(parameters) + at
    key = localised(WHO.auth, password_to_key(WHO.auth, WHO.auth_secret), ENGINE)
    return message[:place] + sign(WHO.auth, key, message) + message[place + 12 :]


def seeds() -> list[bytes]:
    """Return true messages of every kind we take in."""
    rows = [ber.encode_varbind(oid, tag, value) for oid, (tag, value) in served(GOOD).items()]
    odd = [
        ber.encode_varbind("1.3.6.1.2.1.33.1.2.5.0", ber.OPAQUE, 545.1),
        ber.encode_varbind("1.3.6.1.2.1.33.1.4.4.1.2.1", ber.OCTET_STRING, b"230.0 V"),
        ber.encode_varbind("1.3.6.1.2.1.33.1.1.2.0", ber.OCTET_STRING, b"x" * 300),
        ber.encode_varbind("1.3.6.1.2.1.33.1.6.2.1.2.9", ber.OBJECT_ID, "1.3.6.1.2.1.33.1.6.3.2"),
        ber.encode_varbind("1.3.6.1.2.1.33.1.3.1.0", ber.COUNTER64, 2**63),
    ]
    return [
        ber.encode_message(1, b"public", ber.encode_response_pdu(ber.FIRST_ID, rows)),
        ber.encode_message(0, b"public", ber.encode_response_pdu(ber.FIRST_ID, odd, 2, 3)),
        ber.encode_message(1, b"public", ber.encode_response_pdu(ber.FIRST_ID, odd, pdu_type=ber.TRAP_V2)),
        _signed(0),
        _signed(1),
        _signed(3),
    ]


def trap_v1() -> bytes:
    """Return a true trap of SNMPv1, which is for the receiver of traps alone."""
    oid, (tag, value) = next(iter(served(GOOD).items()))
    trap = (
        ber.encode_oid("1.3.6.1.2.1.33.2")
        + ber.encode_tlv(ber.IP_ADDRESS, b"\xc0\x00\x02\x07")
        + ber.encode_int(6)
        + ber.encode_int(1)
        + ber.encode_int(100, ber.TIME_TICKS)
        + ber.encode_tlv(ber.SEQUENCE, ber.encode_varbind(oid, tag, value))
    )
    return ber.encode_message(0, b"public", ber.encode_tlv(ber.TRAP_V1, trap))


def mutations(seed: int) -> Iterator[bytes]:
    """Yield damaged messages without end: octets changed, cut, doubled, lengths made absurd, parts exchanged."""
    dice, true = Random(seed), [*seeds(), trap_v1()]
    while True:
        data = bytearray(dice.choice(true))
        for _ in range(dice.choice((1, 1, 2, 3, 8))):
            place, kind = dice.randrange(len(data)), dice.randrange(6)
            if kind <= 1:
                data[place] = dice.randrange(256)
            elif kind == 2:
                data[place] = dice.choice((0x00, 0x7F, 0x80, 0x81, 0x82, 0x84, 0x85, 0xFF, 0x30, 0x02, 0x06))
            elif kind == 3:
                del data[place : place + dice.randrange(1, 9)]
            elif kind == 4:
                data[place:place] = data[place : place + dice.randrange(1, 40)]
            else:
                other = dice.choice(true)
                data[place : place + 8] = other[(at := dice.randrange(len(other))) : at + 8]
            if not data:
                data = bytearray(b"\x30")
        yield bytes(data)


def _codec(data: bytes) -> None:
    pdu = ber.decode_message(data).pdu
    _through(pdu)


def _usm() -> Callable[[bytes], None]:
    security = usm.UsmSecurity(WHO, clock=lambda: 0.0)
    plain = usm.UsmSecurity(User("watch"), clock=lambda: 0.0)

    def take(data: bytes) -> None:
        accepted = 0
        for one, level in ((security, 3), (security, 1), (plain, 0)):
            try:
                one._unwrap(data, ber.FIRST_ID, Engine(ENGINE, 3, 1000, 0.0, proven=True), level)
            except (MalformedMessage, hearsay.ReportReceived):
                continue
            accepted += 1
        if not accepted:
            raise MalformedMessage("no level takes it")

    return take


def _through(pdu: ber.Pdu) -> None:
    """Take a decoded PDU all the way to a reading, as a card's answers are taken."""
    values, types = {}, {}
    for oid, tag, value in pdu.varbinds:
        stem, _, line = oid.rpartition(".")
        item = _OBJECT.get(oid) or _OBJECT.get(stem)
        if item is None:
            continue
        key = f"{item.name}.{line}" if item.column else item.name
        kept, odd = wire_value(item, tag, value)
        if kept is not None:
            values[key] = kept
        if odd is not None:
            types[key] = odd
    state = WireState(values, types, (), part_at=dict.fromkeys(TablePart, AT))
    decode("A1", Stamp(AT, 0.0, "s"), state)
    CardKnowledge.fresh().interpret("A1", Stamp(AT, 0.0, "s"), state)
    from_walk(oid for oid, _, _ in pdu.varbinds)


TARGETS: Final[tuple[Callable[[bytes], None], ...]] = (
    _codec,
    _usm(),
    lambda data: void(ber.reply_id(data)),
)


def void(_: object) -> None:
    """Do nothing with a value."""


def take(data: bytes) -> int:
    """Give one datagram to every target; return how many took it. Anything but the documented error is raised."""
    taken = 0
    for target in TARGETS:
        try:
            target(data)
        except MalformedMessage:
            continue
        taken += 1
    return taken
