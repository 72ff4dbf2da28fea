"""Addresses of cards."""

import ipaddress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.cards.snmp.target import CardTarget, parse_target


@pytest.mark.parametrize(
    ("text", "host", "port", "is_address"),
    [
        ("snmp://192.0.2.7", "192.0.2.7", 161, True),
        ("snmp://192.0.2.7:1161", "192.0.2.7", 1161, True),
        ("snmp://192.0.2.7/", "192.0.2.7", 161, True),
        ("snmp://card-7.site.example", "card-7.site.example", 161, False),
        ("snmp://Card_7:161", "card_7", 161, False),
        ("snmp://[2001:DB8::7]", "2001:db8::7", 161, True),
        ("snmp://[2001:db8:0:0::7]:10161", "2001:db8::7", 10161, True),
        ("snmp://[fe80::1%eth0]", "fe80::1%eth0", 161, True),
    ],
)
def test_an_address_or_a_name_is_read(text: str, host: str, port: int, is_address: bool) -> None:
    target = parse_target(text)
    assert (target.host, target.port, target.is_address) == (host, port, is_address)


@pytest.mark.parametrize(
    "text",
    [
        "192.0.2.7",
        "http://192.0.2.7",
        "snmp://",
        "snmp://2001:db8::7",
        "snmp://[2001:db8::g]",
        "snmp://[::1",
        "snmp://192.0.2.700",
        "snmp://192.0.2",
        "snmp://card:0",
        "snmp://card:65536",
        "snmp://card:",
        "snmp://public@card",
        "snmp://card/path",
        "snmp://-card",
        "snmp://card..example",
        "snmp://" + "a" * 64,
        "snmp://card card",
    ],
)
def test_what_is_no_address_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"snmp://|port|IPv|host name"):
        parse_target(text)


@given(st.ip_addresses(), st.integers(1, 65535))
@settings(max_examples=100, deadline=None)
def test_what_is_written_is_read_back(
    address: ipaddress.IPv4Address | ipaddress.IPv6Address, port: int
) -> None:
    target = CardTarget(str(address), port)
    assert parse_target(str(target)) == target
