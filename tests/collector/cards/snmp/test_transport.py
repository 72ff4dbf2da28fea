"""One socket for all cards: who gets which reply, and what ends a wait."""

import asyncio
import socket
import time
from contextlib import ExitStack

import pytest

from collector.cards.snmp import ber
from collector.cards.snmp.errors import HostUnreachable, NoReply, PortClosed
from collector.cards.snmp.transport import Peer, Traffic, Transport, resolve
from collector.simulation.cards.agent import Agent, AgentHost, Faults
from tests.collector.cards.sample_cards import GOOD, served

UPTIME = "1.3.6.1.2.1.1.3.0"


def _request(message_id: int) -> bytes:
    return ber.request_template(1, b"public", ber.pdu_template(ber.GET, [UPTIME])).with_id(message_id)


async def _ask(
    transport: Transport, place: tuple[str, int], message_id: int, deadline_s: float = 0.3
) -> ber.Value:
    return await _ask_peer(transport, await resolve(*place), message_id, deadline_s)


async def _ask_peer(transport: Transport, peer: Peer, message_id: int, deadline_s: float) -> ber.Value:
    pdu = await transport.exchange(
        peer, message_id, _request(message_id), lambda data: ber.decode_message(data).pdu, deadline_s
    )
    return pdu.varbinds[0][2]


async def test_many_cards_answer_through_one_socket_each_its_own_value() -> None:
    async with AgentHost() as host, Transport() as transport:
        places = [
            await host.serve(Agent(lambda n=n: {UPTIME: (ber.TIME_TICKS, n)}))  # type: ignore[misc]
            for n in range(60)
        ]
        answers = await asyncio.gather(*(_ask(transport, p, ber.FIRST_ID + 5) for p in places))
    assert answers == list(range(60))


async def test_a_hung_card_costs_its_deadline_and_nobody_else() -> None:
    async with AgentHost() as host, Transport() as transport:
        hung = await host.serve(Agent(lambda: served(GOOD), faults=Faults(hang=True)))
        good = await host.serve(Agent(lambda: served(GOOD)))
        waiting = asyncio.create_task(_ask(transport, hung, ber.FIRST_ID, 0.3))
        await asyncio.sleep(0)
        assert await _ask(transport, good, ber.FIRST_ID) == 123450
        assert not waiting.done()
        with pytest.raises(NoReply, match=r"within 0\.3 s"):
            await waiting


async def test_replies_that_came_in_time_are_no_silence_though_the_machine_was_too_busy_to_look() -> None:
    deadline_s = 0.4
    async with Transport() as transport:
        with ExitStack() as stack:
            cards = [
                stack.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) for _ in range(150)
            ]
            for card in cards:
                card.bind(("127.0.0.1", 0))
                card.settimeout(5.0)
            peers = [Peer(socket.AF_INET, card.getsockname()) for card in cards]
            asked = [
                asyncio.create_task(_ask_peer(transport, peer, ber.FIRST_ID, deadline_s)) for peer in peers
            ]
            await asyncio.sleep(0)  # each has sent its request now, for none looks up a name
            for number, card in enumerate(cards):
                request, asker = card.recvfrom(2000)
                varbind = ber.encode_varbind(UPTIME, ber.TIME_TICKS, number)
                pdu = ber.encode_response_pdu(ber.reply_id(request), [varbind])
                card.sendto(ber.encode_message(ber.VERSION_2C, b"public", pdu), asker)
            time.sleep(2 * deadline_s)  # noqa: ASYNC251 - the event loop is kept busy past every deadline
            assert await asyncio.gather(*asked) == list(range(150))


async def test_a_closed_port_is_known_at_once_and_blamed_on_the_right_card() -> None:
    async with AgentHost() as host, Transport() as transport:
        closed = await host.serve(Agent(lambda: served(GOOD)))
        slow = await host.serve(Agent(lambda: served(GOOD), faults=Faults(delay_s=0.1)))
        host.stop(closed)
        await asyncio.sleep(0)
        waiting = asyncio.create_task(_ask(transport, slow, ber.FIRST_ID, 1.0))
        await asyncio.sleep(0)
        with pytest.raises(PortClosed, match=str(closed[1])):  # a deadline that passed would be NoReply
            await _ask(transport, closed, ber.FIRST_ID, 1.0)
        assert await waiting == 123450


async def test_a_name_without_an_address_is_unreachable() -> None:
    with pytest.raises(HostUnreachable):
        await resolve("no-such-card.invalid", 161)


@pytest.mark.parametrize(
    "faults",
    [
        Faults(wrong_id=True),
        Faults(truncate_to=30),
        Faults(mangle=lambda data: b"\x30\x82\xff\xff" + data),
        Faults(mangle=lambda data: b"not SNMP"),
    ],
    ids=["another id", "cut short", "wrong length", "text"],
)
async def test_what_is_no_reply_does_not_end_the_wait(faults: Faults) -> None:
    async with AgentHost() as host, Transport() as transport:
        place = await host.serve(Agent(lambda: served(GOOD), faults=faults))
        with pytest.raises(NoReply):
            await _ask(transport, place, ber.FIRST_ID, 0.1)


async def test_garbage_before_the_true_reply_is_passed_over() -> None:
    async with AgentHost() as host, Transport() as transport:
        place = await host.serve(Agent(lambda: served(GOOD), faults=Faults(stray_first=b"\x30\x03abc")))
        assert await _ask(transport, place, ber.FIRST_ID) == 123450


async def test_a_reply_from_another_port_is_left_alone() -> None:
    async with Transport() as transport:
        with (
            socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as card,
            socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other,
        ):
            card.bind(("127.0.0.1", 0))
            card.setblocking(False)
            waiting = asyncio.create_task(_ask(transport, card.getsockname(), ber.FIRST_ID, 0.2))
            _, asker = await asyncio.get_running_loop().sock_recvfrom(card, 2048)
            reply = ber.encode_message(1, b"public", ber.encode_response_pdu(ber.FIRST_ID, []))
            other.sendto(reply, asker)
            with pytest.raises(NoReply):
                await waiting
        assert transport.strays == 1


async def test_a_card_is_never_asked_twice_at_once() -> None:
    loop = asyncio.get_running_loop()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as card:
        card.bind(("127.0.0.1", 0))
        card.setblocking(False)
        async with Transport() as transport:
            ids = [ber.FIRST_ID, ber.FIRST_ID + 1]
            asked = [asyncio.create_task(_ask(transport, card.getsockname(), one, 60.0)) for one in ids]
            for one in ids:
                data, asker = await loop.sock_recvfrom(card, 2048)
                assert ber.reply_id(data) == one
                for _ in range(10):
                    await asyncio.sleep(0)
                with pytest.raises(BlockingIOError):
                    card.recvfrom(2048)
                pdu = ber.encode_response_pdu(one, [ber.encode_varbind(UPTIME, ber.TIME_TICKS, one)])
                card.sendto(ber.encode_message(1, b"public", pdu), asker)
            assert await asyncio.gather(*asked) == ids


async def test_traffic_is_counted() -> None:
    traffic = Traffic()
    async with AgentHost() as host, Transport() as transport:
        place = await host.serve(Agent(lambda: served(GOOD)))
        peer = await resolve(*place)
        await transport.exchange(peer, ber.FIRST_ID, _request(ber.FIRST_ID), lambda d: d, 0.5, traffic)
    assert traffic.requests == 1
    assert traffic.octets_out == len(_request(ber.FIRST_ID))
    assert traffic.octets_in > traffic.octets_out


async def test_ipv6_loopback() -> None:
    async with AgentHost() as host, Transport() as transport:
        try:
            place = await host.serve(Agent(lambda: served(GOOD)), "::1")
        except OSError:
            pytest.skip("no IPv6 here")
        assert await _ask(transport, place, ber.FIRST_ID) == 123450
