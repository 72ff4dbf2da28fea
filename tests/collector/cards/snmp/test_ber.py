"""The codec against bytes written down by hand from X.690, and against anything at all."""

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.cards.snmp import ber
from collector.cards.snmp.errors import MalformedMessage

arcs = st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=30)
oids = st.builds(lambda rest: "1.3." + ".".join(map(str, rest)), arcs)
values = st.one_of(
    st.tuples(st.just(ber.INTEGER), st.integers(-(2**31), 2**31 - 1)),
    st.tuples(st.sampled_from([ber.COUNTER32, ber.GAUGE32, ber.TIME_TICKS]), st.integers(0, 2**32 - 1)),
    st.tuples(st.just(ber.COUNTER64), st.integers(0, 2**64 - 1)),
    st.tuples(st.just(ber.OCTET_STRING), st.binary(max_size=300)),
    st.tuples(st.just(ber.OBJECT_ID), oids),
    st.tuples(st.sampled_from([ber.NULL, ber.NO_SUCH_OBJECT, ber.END_OF_MIB_VIEW]), st.none()),
)


def _response(*varbinds: bytes) -> bytes:
    return ber.encode_message(1, b"public", ber.encode_response_pdu(ber.FIRST_ID, varbinds))


@pytest.mark.parametrize(
    ("oid", "content"),
    [
        ("1.3.6.1.2.1.1.3.0", "2b06010201010300"),
        ("2.999.3", "883703"),  # X.690, 8.19.5
        ("1.3.6.1.4.1.4294967295", "2b060104018fffffff7f"),
    ],
)
def test_an_object_identifier_has_one_form(oid: str, content: str) -> None:
    assert ber.oid_content(oid).hex() == content
    assert ber.oid_text(bytes.fromhex(content)) == oid


@pytest.mark.parametrize(
    ("value", "octets"),
    [(0, "020100"), (127, "02017f"), (128, "02020080"), (-128, "020180"), (-129, "0202ff7f")],
)
def test_integers_are_as_short_as_they_can_be(value: int, octets: str) -> None:
    assert ber.encode_int(value).hex() == octets


def test_the_first_request_of_every_tutorial() -> None:
    template = ber.request_template(
        ber.VERSION_2C, b"public", ber.pdu_template(ber.GET, ["1.3.6.1.2.1.1.3.0"])
    )
    assert template.with_id(0x12345678).hex() == (
        "302902010104067075626c6963a01c020412345678020100020100300e300c06082b060102010103000500"
    )


@given(st.lists(st.tuples(oids, values), max_size=60), st.integers(ber.FIRST_ID, ber.LAST_ID))
@settings(max_examples=100, deadline=None)
def test_what_is_encoded_is_decoded(pairs: list[tuple[str, tuple[int, ber.Value]]], request_id: int) -> None:
    encoded = [ber.encode_varbind(oid, tag, value) for oid, (tag, value) in pairs]
    data = ber.encode_message(1, b"c", ber.encode_response_pdu(request_id, encoded))
    assert ber.reply_id(data) == request_id
    assert ber.decode_message(data).pdu.varbinds == [(oid, tag, value) for oid, (tag, value) in pairs]


@given(st.binary(max_size=200))
@settings(max_examples=100, deadline=None)
def test_any_bytes_give_a_message_or_the_documented_error(data: bytes) -> None:
    for decode in (ber.decode_message, ber.reply_id):
        with contextlib.suppress(MalformedMessage):
            decode(data)


@given(st.data())
@settings(max_examples=100, deadline=None)
def test_a_damaged_reply_gives_a_message_or_the_documented_error(data: st.DataObject) -> None:
    good = _response(
        ber.encode_varbind("1.3.6.1.2.1.33.1.2.5.0", ber.INTEGER, 5451),
        ber.encode_varbind("1.3.6.1.2.1.33.1.1.1.0", ber.OCTET_STRING, b"x" * 140),
        ber.encode_varbind("1.3.6.1.2.1.33.1.6.2.1.2.7", ber.OBJECT_ID, "1.3.6.1.2.1.33.1.6.3.2"),
    )
    damaged = bytearray(good)
    for _ in range(data.draw(st.integers(1, 4))):
        damaged[data.draw(st.integers(0, len(damaged) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(damaged)))
    for bad in (bytes(damaged), bytes(damaged[:cut])):
        with contextlib.suppress(MalformedMessage):
            ber.decode_message(bad)


def test_a_reply_cut_anywhere_is_malformed() -> None:
    good = _response(ber.encode_varbind("1.3.6.1.2.1.33.1.2.5.0", ber.INTEGER, 5451))
    for length in range(len(good)):
        with pytest.raises(MalformedMessage):
            ber.decode_message(good[:length])


def test_octets_after_the_message_are_refused() -> None:
    with pytest.raises(MalformedMessage):
        ber.decode_message(_response() + b"\x00")


def test_a_padded_integer_keeps_its_value() -> None:
    minus_one = ber.encode_tlv(0x30, ber.encode_oid("1.3.6") + b"\x02\x08" + b"\xff" * 8)
    assert ber.decode_message(_response(minus_one)).pdu.varbinds == [("1.3.6", ber.INTEGER, -1)]


def test_one_odd_value_does_not_lose_the_others() -> None:
    odd = [
        ber.encode_varbind("1.3.1", 0x7A, b"private"),
        ber.encode_varbind("1.3.2", ber.IP_ADDRESS, b"\x01\x02\x03"),
        ber.encode_tlv(0x30, ber.encode_oid("1.3.3") + b"\x02\x00"),
        ber.encode_tlv(0x30, ber.encode_oid("1.3.4") + b"\x02\x0c" + b"\x01" * 12),
        ber.encode_varbind("1.3.5", ber.INTEGER, 42),
    ]
    assert ber.decode_message(_response(*odd)).pdu.varbinds == [
        ("1.3.1", 0x7A, b"private"),
        ("1.3.2", ber.IP_ADDRESS, b"\x01\x02\x03"),
        ("1.3.3", ber.INTEGER, b""),
        ("1.3.4", ber.INTEGER, b"\x01" * 12),
        ("1.3.5", ber.INTEGER, 42),
    ]


def test_an_opaque_float_is_a_number() -> None:
    found = ber.decode_message(_response(ber.encode_varbind("1.3.1", ber.OPAQUE, 230.5))).pdu.varbinds
    assert found == [("1.3.1", ber.OPAQUE, 230.5)]


def test_nothing_here_can_encode_a_set_request() -> None:
    with pytest.raises(ValueError, match="only GET"):
        ber.pdu_template(0xA3, ["1.3.6.1.2.1.33.1.8.2.0"])
