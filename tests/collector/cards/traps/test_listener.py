"""A notification makes its card be polled at once, and does nothing else."""

import asyncio
import socket
from pathlib import Path

import pytest

from collector.cards.mib.upsmib import NOTIFICATIONS_ROOT, SYS_UP_TIME
from collector.cards.polling.reader import CardReader
from collector.cards.snmp import ber
from collector.cards.snmp.credentials import Auth, Community, User
from collector.cards.snmp.errors import CannotListen
from collector.cards.snmp.transport import Transport
from collector.cards.traps.listener import Listening, addresses, credentials_in_use
from collector.cards.traps.receiver import Notification


def _readers(transport: Transport) -> dict[str, CardReader]:
    return {
        "card-A1": CardReader.of(transport, "127.0.0.1", 1161, Community(b"traps")),
        "card-A2": CardReader.of(transport, "127.0.0.1", 1162, User("watch", Auth.SHA256, b"maple-leaf-7")),
        "card-A3": CardReader.of(transport, "no-such-card.invalid", 161, Community(b"traps")),
    }


def _trap(community: bytes) -> bytes:
    varbinds = [
        ber.encode_varbind(SYS_UP_TIME, ber.TIME_TICKS, 100),
        ber.encode_varbind("1.3.6.1.6.3.1.1.4.1.0", ber.OBJECT_ID, f"{NOTIFICATIONS_ROOT}.1"),
    ]
    return ber.encode_message(1, community, ber.encode_response_pdu(7, varbinds, pdu_type=ber.TRAP_V2))


async def test_a_trap_pokes_the_cards_at_its_address(tmp_path: Path) -> None:
    poked: list[str] = []
    heard: list[Notification] = []
    async with Transport() as transport:
        readers = _readers(transport)
        assert await addresses(readers) == {"127.0.0.1": ("card-A1", "card-A2")}
        assert len(credentials_in_use(tuple(readers.values()))) == 2
        listening = Listening(
            readers, poked.append, host="127.0.0.1", port=0, boots_file=tmp_path / "boots", tell=heard.append
        )
        async with await listening.open() as receiver:
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as card:
                card.sendto(_trap(b"wrong"), ("127.0.0.1", receiver.port))
                card.sendto(_trap(b"traps"), ("127.0.0.1", receiver.port))
            async with asyncio.timeout(5):
                while not heard:  # noqa: ASYNC110 - what tells is a list
                    await asyncio.sleep(0.01)
    assert poked == ["card-A1", "card-A2"]
    assert listening.heard == {"card-A1": 1, "card-A2": 1}
    assert [n.name for n in heard] == ["upsTrapOnBattery"]


async def test_a_port_that_cannot_be_had_is_one_sentence(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
        listening = Listening({}, lambda _: None, host="127.0.0.1", port=port, boots_file=tmp_path / "boots")
        with pytest.raises(CannotListen, match=f"port {port}: Address already in use"):
            await (await listening.open()).__aenter__()
