"""Notifications of every version, sent by net-snmp, understood and acknowledged; and what is kept out."""

import asyncio
import json
import os
import socket
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from itertools import islice
from pathlib import Path
from random import Random

import pytest

from collector.cards.mib.upsmib import NOTIFICATIONS_ROOT, SYS_UP_TIME
from collector.cards.polling.poller import Answer, Poller
from collector.cards.polling.reader import CardReader
from collector.cards.polling.schedule import Cadence
from collector.cards.snmp import ber
from collector.cards.snmp.client import Patience
from collector.cards.snmp.credentials import Auth, Community, Privacy, User
from collector.cards.snmp.transport import Transport
from collector.cards.traps.rate_limit import Gate
from collector.cards.traps.receiver import ENGINES_PER_CARD, Boots, Notification, NotificationReceiver
from collector.process.clock import SystemClock
from collector.simulation.cards.agent import Agent, AgentHost
from tests.collector.cards.mutations import mutations
from tests.servers import need_program
from tests.small_disk import small_disk

SOURCES = {"127.0.0.1": ("card-A1",)}
USER = User("watch", Auth.SHA256, b"maple-leaf-7", Privacy.AES128, b"river-stone-8")
COMMUNITY = Community(b"traps")
ON_BATTERY = f"{NOTIFICATIONS_ROOT}.1"
SOURCE_OF_OUTPUT = "1.3.6.1.2.1.33.1.4.1.0"
SECONDS = "1.3.6.1.2.1.33.1.2.2.0"
V3 = [
    "-v3",
    "-u",
    "watch",
    "-l",
    "authPriv",
    "-a",
    "SHA-256",
    "-A",
    "maple-leaf-7",
    "-x",
    "AES",
    "-X",
    "river-stone-8",
]
SENDER = "0x8000000001020304"


async def _send(folder: Path, *command: str) -> tuple[int, str]:
    environment = {**os.environ, "MIBS": "", "SNMP_PERSISTENT_DIR": str(folder / "sender")}
    process = await asyncio.create_subprocess_exec(
        *command, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT, env=environment
    )
    out, _ = await asyncio.wait_for(process.communicate(), 15)
    assert process.returncode is not None
    return process.returncode, out.decode()


async def _until(heard: list[Notification], count: int) -> None:
    async with asyncio.timeout(5):
        while len(heard) < count:  # noqa: ASYNC110 - what tells is a list
            await asyncio.sleep(0.01)


@pytest.mark.real_server
async def test_every_version_is_understood_and_informs_are_acknowledged(tmp_path: Path) -> None:
    trap, inform = need_program("snmptrap"), need_program("snmpinform")
    heard: list[Notification] = []
    receiver = NotificationReceiver(SOURCES, [COMMUNITY, USER], heard.append, tmp_path / "boots.json", port=0)
    async with receiver:
        where = f"127.0.0.1:{receiver.port}"
        binding = [SECONDS, "i", "42"]
        v1 = ["-v1", "-c", "traps", where, NOTIFICATIONS_ROOT, "192.0.2.9", "6", "1", "100"]
        assert (await _send(tmp_path, trap, *v1, *binding))[0] == 0
        await _until(heard, 1)
        assert (await _send(tmp_path, trap, "-v2c", "-c", "traps", where, "100", ON_BATTERY, *binding))[
            0
        ] == 0
        await _until(heard, 2)
        status, out = await _send(tmp_path, inform, "-v2c", "-c", "traps", where, "100", ON_BATTERY, *binding)
        assert status == 0, out
        await _until(heard, 3)
        status, out = await _send(tmp_path, inform, *V3, "-t", "3", where, "100", ON_BATTERY, *binding)
        assert status == 0, out
        await _until(heard, 4)
        for number in range(50):  # a card with another id at every start leaves none of them behind
            receiver.learn_engine("watch", b"\x80\x00\x00\x2a" + number.to_bytes(4, "big"))
        receiver.learn_engine("watch", bytes.fromhex(SENDER[2:]))
        assert len(receiver._known_engines) == ENGINES_PER_CARD
        assert (await _send(tmp_path, trap, *V3, "-e", SENDER, where, "100", ON_BATTERY, *binding))[0] == 0
        await _until(heard, 5)
        private = "1.3.6.1.4.1.99999.3.7"
        assert (await _send(tmp_path, trap, "-v2c", "-c", "traps", where, "100", private, *binding))[0] == 0
        await _until(heard, 6)
    assert [n.name for n in heard[:5]] == ["upsTrapOnBattery"] * 5
    assert [n.is_of_ups_mib for n in heard] == [True] * 5 + [False]
    assert heard[0].oid == f"{NOTIFICATIONS_ROOT}.0.1"  # RFC 3584: the zero comes with the translation
    assert heard[1].oid == ON_BATTERY
    assert heard[5].name == private  # kept raw
    assert all((SECONDS, "42") in n.varbinds for n in heard)
    assert all(n.cards == ("card-A1",) for n in heard)


@pytest.mark.real_server
async def test_what_a_notification_is_signed_with_goes_no_further(tmp_path: Path) -> None:
    """RFC 3584 passes a v1 trap's community and address on among what it says; a proxy does so in a v2c trap."""
    trap = need_program("snmptrap")
    heard: list[Notification] = []
    receiver = NotificationReceiver(SOURCES, [COMMUNITY], heard.append, tmp_path / "boots.json", port=0)
    async with receiver:
        where = f"127.0.0.1:{receiver.port}"
        v1 = ["-v1", "-c", "traps", where, NOTIFICATIONS_ROOT, "192.0.2.9", "6", "1", "100"]
        assert (await _send(tmp_path, trap, *v1, SECONDS, "i", "42"))[0] == 0
        await _until(heard, 1)
        passed_on = ["1.3.6.1.6.3.18.1.4.0", "s", "of another"]
        v2c = ["-v2c", "-c", "traps", where, "100", ON_BATTERY, SECONDS, "i", "42", *passed_on]
        assert (await _send(tmp_path, trap, *v2c))[0] == 0
        await _until(heard, 2)
    assert all((SECONDS, "42") in n.varbinds for n in heard)
    assert ("1.3.6.1.6.3.18.1.3.0", "192.0.2.9") in heard[0].varbinds
    assert not [text for n in heard for _, text in n.varbinds if text in {"traps", "of another"}]


@pytest.mark.real_server
async def test_a_wrong_community_and_a_wrong_password_are_not_heard(tmp_path: Path) -> None:
    trap, inform = need_program("snmptrap"), need_program("snmpinform")
    heard: list[Notification] = []
    receiver = NotificationReceiver(SOURCES, [COMMUNITY, USER], heard.append, tmp_path / "boots.json", port=0)
    async with receiver:
        where = f"127.0.0.1:{receiver.port}"
        await _send(tmp_path, trap, "-v2c", "-c", "guess", where, "100", ON_BATTERY)
        wrong = [arg.replace("maple-leaf-7", "maple-leaf-8") for arg in V3]
        status, _ = await _send(tmp_path, inform, *wrong, "-t", "0.5", "-r", "0", where, "100", ON_BATTERY)
        assert status != 0
        await asyncio.sleep(0.1)
    assert heard == []


@asynccontextmanager
async def polled(every_s: float) -> AsyncIterator[Poller]:
    """Let a simulated card be polled, live values only, by the machine's own clock."""
    card = Agent(lambda: dict.fromkeys((SYS_UP_TIME, SOURCE_OF_OUTPUT), (ber.INTEGER, 1)))
    answers: asyncio.Queue[Answer] = asyncio.Queue()
    async with AgentHost() as host, Transport() as transport:
        reader = CardReader.of(transport, *await host.serve(card), Community(b"public"), Patience(0.4, 0))
        poller = Poller("A1", reader, Cadence(every_s, every_s, 600.0, 600.0), SystemClock(), answers)
        polling = asyncio.create_task(poller.run())
        try:
            yield poller
        finally:
            polling.cancel()
            await asyncio.gather(polling, return_exceptions=True)


async def test_a_flood_does_not_hold_the_loop_up_and_polls_go_on(tmp_path: Path) -> None:
    every_s, floods_s = 0.25, 2.0
    heard: list[Notification] = []
    gate = Gate({"127.0.0.1"})
    receiver = NotificationReceiver(
        SOURCES, [COMMUNITY], heard.append, tmp_path / "b.json", port=0, gate=gate
    )
    late: list[float] = []
    async with receiver, polled(every_s) as poller:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as flood:
            flood.setblocking(False)
            flood.connect(("127.0.0.1", receiver.port))
            ends = time.monotonic() + floods_s
            while time.monotonic() < ends:
                for _ in range(100):
                    try:
                        flood.send(b"\x30\x84" + os.urandom(60))
                    except BlockingIOError:
                        break
                due = time.monotonic() + 0.005
                await asyncio.sleep(0.005)
                late.append(time.monotonic() - due)
        figures = replace(poller.figures)
    assert sorted(late)[int(len(late) * 0.9)] < 0.1
    # the first poll comes within a period; none was left out or without an answer
    assert figures.polls >= int(floods_s / every_s) - 2
    assert figures.polls == figures.answered
    # the source's bucket, and what came in meanwhile
    assert receiver.received <= 20 + 2 * (floods_s + 1) + 1
    assert gate.refused["too many from one source"] > 100


def test_boots_are_counted_over_restarts(tmp_path: Path) -> None:
    path = tmp_path / "boots.json"
    first = Boots(path)
    first.begin()
    second = Boots(path)
    second.begin()
    assert second.engine_id == first.engine_id
    assert (first.boots, second.boots) == (1, 2)
    assert path.stat().st_mode & 0o777 == 0o600
    path.write_text("torn")
    third = Boots(path)
    third.begin()
    assert third.boots == 1
    assert json.loads(path.read_text())["engine_id"] == third.engine_id.hex() != first.engine_id.hex()


def test_boots_that_a_full_disk_refuses_are_not_used_and_the_count_goes_on_afterwards(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with small_disk(tmp_path / "disk", 1) as disk:
        path = disk.folder / "boots.json"
        first, full, later = Boots(path), Boots(path), Boots(path)
        first.begin()
        disk.fill()
        full.begin()
        assert "No space left" in caplog.text
        assert full.engine_id != first.engine_id
        assert full.boots == 1
        assert [one.name for one in disk.folder.iterdir()].count(path.name) == 1
        disk.give_room()
        later.begin()
    assert (later.engine_id, later.boots) == (first.engine_id, 2)


async def test_a_port_in_use_is_said_before_anything_is_built(tmp_path: Path) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("127.0.0.1", 0))
        receiver = NotificationReceiver({}, [], lambda _: None, tmp_path / "b", port=taken.getsockname()[1])
        with pytest.raises(OSError, match="in use"):
            async with receiver:
                pass


async def test_damaged_notifications_are_let_go_by(tmp_path: Path) -> None:
    heard: list[Notification] = []
    receiver = NotificationReceiver(SOURCES, [COMMUNITY, USER], heard.append, tmp_path / "boots.json", port=0)
    varbinds = [
        ber.encode_varbind("1.3.6.1.2.1.1.3.0", ber.TIME_TICKS, 100),
        ber.encode_varbind("1.3.6.1.6.3.1.1.4.1.0", ber.OBJECT_ID, ON_BATTERY),
        ber.encode_varbind(SECONDS, ber.INTEGER, 42),
    ]
    true = ber.encode_message(1, b"traps", ber.encode_response_pdu(7, varbinds, pdu_type=ber.TRAP_V2))
    dice = Random(5)
    async with receiver:
        for case in islice(mutations(seed=3), 150):
            receiver._hand_over(case, ("127.0.0.1", 9))
        for _ in range(150):
            damaged = bytearray(true)
            damaged[dice.randrange(len(damaged))] = dice.randrange(256)
            receiver._hand_over(bytes(damaged), ("127.0.0.1", 9))
        before = len(heard)
        receiver._hand_over(true, ("127.0.0.1", 9))
    assert len(heard) == before + 1  # and after all that, a true one is understood
