"""Notices as informs: what they hold, that they are acknowledged, and what comes of one that is not."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from typing import cast

import pytest

from collector.cards.snmp import ber
from collector.configuration.channel_tables import SnmpSettings as Settings
from collector.configuration.secrets import CommunitySecret
from collector.messaging.channels import snmp_notification
from collector.messaging.channels.channel import ChannelDown
from collector.messaging.channels.snmp_notification import SnmpChannel, request_id, varbinds
from collector.messaging.delivery.recipients import letters
from collector.process.clock import SystemClock
from collector.storage.ledger.records import Outgoing
from rules.alarms.incidents.incident import NoticeKind
from rules.plant.topology import Topology
from tests.collector.messaging.cases import everybody, notice, person
from tests.collector.messaging.sinks import free_port
from tests.rules.sample_plant import estate

ARC = "1.3.6.1.4.1.32473.8470"


class Station(asyncio.DatagramProtocol):
    """A station that acknowledges all but the first `deaf` of what it gets, as RFC 3416 section 4.2.7 wants it."""

    def __init__(self, deaf: int = 0) -> None:
        self.deaf = deaf
        self.got: list[ber.Pdu] = []

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.DatagramTransport", transport)

    def datagram_received(self, data: bytes, address: tuple[str, int]) -> None:
        message = ber.decode_message(data)
        assert message.community == b"to the station"
        self.got.append(message.pdu)
        if len(self.got) > self.deaf:
            pairs = [ber.encode_varbind(*one) for one in message.pdu.varbinds]
            answer = ber.encode_response_pdu(message.pdu.request_id, pairs)
            self.transport.sendto(ber.encode_message(ber.VERSION_2C, message.community, answer), address)


@asynccontextmanager
async def station(deaf: int = 0) -> AsyncIterator[tuple[Station, SnmpChannel]]:
    loop = asyncio.get_running_loop()
    transport, one = await loop.create_datagram_endpoint(lambda: Station(deaf), ("127.0.0.1", 0))
    try:
        yield one, channel(transport.get_extra_info("sockname")[1])
    finally:
        transport.close()
        await asyncio.sleep(0)


def channel(port: int) -> SnmpChannel:
    settings = Settings(id="station", kind="snmp", host="127.0.0.1", port=port, secret="station")
    return SnmpChannel(
        settings, CommunitySecret.model_validate({"community": "to the station"}), SystemClock()
    )


def message(kind: NoticeKind = NoticeKind.OPENED) -> Outgoing:
    who = person(reach=[{"channel": "station"}])
    return letters(notice(kind=kind), everybody(who), Topology(estate()), collector="fellbeck")[0]


async def test_a_station_gets_a_notice_as_an_inform_and_acknowledges_it() -> None:
    async with station() as (one, by):
        assert await by.send(message()) == "acknowledged"
    (pdu,) = one.got
    assert pdu.type == ber.INFORM
    said = {oid: value for oid, _, value in pdu.varbinds}
    assert [oid for oid, _, _ in pdu.varbinds][:2] == ["1.3.6.1.2.1.1.3.0", "1.3.6.1.6.3.1.1.4.1.0"], (
        "RFC 3416, 4.2.6"
    )
    assert said["1.3.6.1.6.3.1.1.4.1.0"] == f"{ARC}.0.1"
    assert said[f"{ARC}.1.1.0"] == notice().incident.encode()
    assert said[f"{ARC}.1.6.0"] == notice().what.encode()
    assert said[f"{ARC}.1.7.0"] == notice().do.encode()


async def test_what_is_not_acknowledged_is_sent_again_as_the_same_request(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(snmp_notification, "ACKNOWLEDGED_WITHIN_S", 0.05)
    async with station(deaf=2) as (one, by):
        monkeypatch.setattr(snmp_notification, "TRIES", 100)
        await by.send(message())
    assert {pdu.request_id for pdu in one.got} == {request_id(message().id)}
    assert len(one.got) >= 3


async def test_a_station_that_is_not_there_leaves_the_message_in_the_outbox(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(snmp_notification, "ACKNOWLEDGED_WITHIN_S", 0.05)
    with pytest.raises(ChannelDown):
        await channel(free_port()).send(message())


def test_what_is_over_is_cleared_and_a_long_text_is_cut_where_a_character_ends() -> None:
    over = replace(notice(kind=NoticeKind.CLOSED), what="ü" * 200)
    said = {oid: value for oid, _, value in varbinds(over, ARC, 1)}
    assert said["1.3.6.1.6.3.1.1.4.1.0"] == f"{ARC}.0.4"
    assert said[f"{ARC}.1.2.0"] == 1
    assert said[f"{ARC}.1.6.0"] == ("ü" * 127).encode()
