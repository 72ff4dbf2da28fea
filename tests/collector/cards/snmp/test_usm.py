"""SNMPv3 against two implementations that are not ours, and with somebody in the middle."""

import asyncio
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.cards.mib.upsmib import SYS_UP_TIME, TablePart
from collector.cards.polling.reader import CardReader
from collector.cards.snmp import ber
from collector.cards.snmp.client import Client, Patience
from collector.cards.snmp.credentials import Auth, Privacy, User, Version
from collector.cards.snmp.errors import MalformedMessage, NoReply, SecurityFailure, SnmpError
from collector.cards.snmp.hearsay import ReportReceived as _ReportError
from collector.cards.snmp.keys import Extension
from collector.cards.snmp.secured_message import Engine, scoped_pdu, security_parameters, whole_message
from collector.cards.snmp.transport import Transport
from collector.cards.snmp.usm import UsmSecurity
from tests.collector.cards.sample_cards import GOOD, RealAgent, free_port, net_snmp_agent

pytestmark = pytest.mark.real_server
AUTH_KEY, PRIVACY_KEY = b"maple-leaf-7", b"river-stone-8"
SYS_DESCR = "1.3.6.1.2.1.1.1.0"
QUICK = Patience(0.4, 1)


def user(name: str, auth: Auth = Auth.NONE, privacy: Privacy = Privacy.NONE) -> User:
    return User(
        name,
        auth,
        AUTH_KEY if auth != Auth.NONE else b"",
        privacy,
        PRIVACY_KEY if privacy != Privacy.NONE else b"",
    )


def client_for(transport: Transport, port: int, who: User, patience: Patience = QUICK) -> Client:
    return Client(transport, "127.0.0.1", port, UsmSecurity(who), Version.V3, patience)


@pytest.fixture(scope="module")
def snmpd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealAgent]:
    with net_snmp_agent(tmp_path_factory.mktemp("snmpd")) as agent:
        yield agent


@contextmanager
def pysnmp_agent() -> Iterator[int]:
    port = free_port()
    script = Path(__file__).parents[1] / "pysnmp_agent.py"
    process = subprocess.Popen([sys.executable, str(script), str(port)], stderr=subprocess.DEVNULL)
    try:
        _await_discovery(port)
        yield port
    finally:
        process.terminate()
        process.wait(10)


def _await_discovery(port: int) -> None:
    empty = Engine(b"", 0, 0, 0.0)
    body = scoped_pdu(b"", "", ber.pdu_template(ber.GET, []).with_id(ber.FIRST_ID))
    question = whole_message(ber.FIRST_ID, 4, security_parameters(empty, b"", 0, b"", b"")[0], body)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.settimeout(0.2)
        sock.connect(("127.0.0.1", port))
        for _ in range(600):  # an agent starts slowly where everything is busy
            try:
                sock.send(question)
                sock.recv(65535)
            except (TimeoutError, ConnectionRefusedError):
                time.sleep(0.1)
            else:
                return
    raise AssertionError("pysnmp's agent does not answer")


@pytest.fixture(scope="module")
def pysnmp() -> Iterator[int]:
    with pysnmp_agent() as port:
        yield port


SNMPD_USERS = [
    user("noone"),
    user("sha224", Auth.SHA224),
    user("sha384", Auth.SHA384),
    user("md5only", Auth.MD5, Privacy.DES),
    user("sha1aes", Auth.SHA1, Privacy.AES128),
    user("sha256aes", Auth.SHA256, Privacy.AES128),
    user("sha512aes", Auth.SHA512, Privacy.AES128),
]


@pytest.mark.parametrize("who", SNMPD_USERS, ids=lambda who: who.name)
async def test_net_snmp_answers_every_level_and_algorithm(snmpd: RealAgent, who: User) -> None:
    async with Transport() as transport:
        client = client_for(transport, snmpd.port, who, Patience(2.0, 1))
        for _ in range(3):
            ((_, tag, _),) = await client.get([SYS_UP_TIME])
            assert tag == ber.TIME_TICKS


async def test_a_whole_card_over_snmpv3(snmpd: RealAgent) -> None:
    async with Transport() as transport:
        who = user("sha256aes", Auth.SHA256, Privacy.AES128)
        reader = CardReader.of(transport, "127.0.0.1", snmpd.port, who, Patience(2.0, 1))
        wire = await reader.read(frozenset(TablePart))
    assert {k: v for k, v in wire.values.items() if k != "sysUpTime"}.items() <= GOOD.items()
    assert wire.values["upsBatteryVoltage"] == 5451


@pytest.mark.slow
@pytest.mark.parametrize("auth", [a for a in Auth if a is not Auth.NONE])
async def test_pysnmp_answers_every_algorithm(pysnmp: int, auth: Auth) -> None:
    ciphers = {p.value: p for p in Privacy if p is not Privacy.NONE}
    if auth in {Auth.MD5, Auth.SHA1, Auth.SHA224}:
        ciphers |= {"aes192hashed": Privacy.AES192, "aes256hashed": Privacy.AES256}
    async with Transport() as transport:
        for name, privacy in ciphers.items():
            client = client_for(
                transport, pysnmp, user(f"{auth.value}-{name}", auth, privacy), Patience(1.0, 3)
            )
            ((_, tag, _),) = await client.get([SYS_DESCR])
            assert tag == ber.OCTET_STRING
            security = cast("UsmSecurity", client.security)
            if name.endswith("hashed"):
                assert security.extension is Extension.HASHED
            elif privacy in {Privacy.AES192, Privacy.AES256} and auth in {Auth.MD5, Auth.SHA1}:
                assert security.extension is Extension.CHAINED  # tried second, and remembered


@pytest.mark.parametrize(
    ("who", "reason"),
    [
        (user("nobody", Auth.SHA256), "unknown user"),
        (User("sha256aes", Auth.SHA256, b"another-secret"), "wrong digest"),
        (User("sha256aes", Auth.SHA512, AUTH_KEY), "wrong digest"),
        (User("sha256aes", Auth.SHA256, AUTH_KEY, Privacy.AES128, b"another-secret"), "wrong privacy"),
        (User("sha224", Auth.SHA224, AUTH_KEY, Privacy.AES128, PRIVACY_KEY), "unsupported security level"),
    ],
    ids=["unknown user", "wrong password", "wrong algorithm", "wrong privacy", "no privacy there"],
)
async def test_each_refusal_says_its_reason_and_the_remedy(snmpd: RealAgent, who: User, reason: str) -> None:
    async with Transport() as transport:
        with pytest.raises(SecurityFailure) as caught:
            await client_for(transport, snmpd.port, who).get([SYS_UP_TIME])
    assert caught.value.reason == reason
    assert caught.value.remedy
    assert "another-secret" not in str(caught.value)


async def test_boots_and_time_out_of_step_are_mended_without_a_failure(snmpd: RealAgent) -> None:
    async with Transport() as transport:
        client = client_for(transport, snmpd.port, user("sha256aes", Auth.SHA256))
        await client.get([SYS_UP_TIME])
        security = cast("UsmSecurity", client.security)
        assert security.engine is not None
        true = security.engine
        for boots, time_s in (
            (true.boots - 1, true.time_s),
            (true.boots, true.time_s + 10000),
            (true.boots + 5, 0),
        ):
            security.engine = Engine(true.id, boots, time_s, time.monotonic(), proven=True)
            await client.get([SYS_UP_TIME])
            assert security.engine.boots == true.boots


async def test_a_restarted_agent_and_a_replaced_one_are_read_again(tmp_path: Path) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    first.mkdir()
    second.mkdir()
    with net_snmp_agent(first) as agent:
        port = agent.port
        async with Transport() as transport:
            client = client_for(transport, port, user("sha256aes", Auth.SHA256), Patience(1.0, 2))
            await client.get([SYS_UP_TIME])
            security = cast("UsmSecurity", client.security)
            assert security.engine is not None
            boots = security.engine.boots
    async with Transport() as transport:
        client.transport = transport
        with net_snmp_agent(first, port):
            await client.get([SYS_UP_TIME])
            assert security.engine.boots > boots
            assert security.engine_changes == []
        with net_snmp_agent(second, port):
            await client.get([SYS_UP_TIME])
            assert len(security.engine_changes) == 1


# --- somebody in the middle -----------------------------------------------------------------------------------

Mangle = Callable[[bytes], bytes | None]


class _Middle(asyncio.DatagramProtocol):
    """Passes datagrams on, replies through `mangle`."""

    def __init__(self, port: int, mangle: Mangle) -> None:
        self.port, self.mangle = port, mangle
        self.client: tuple[str, int] | None = None
        self.transport: asyncio.DatagramTransport | None = None
        self.replies: list[bytes] = []

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.DatagramTransport", transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        assert self.transport is not None
        if addr[1] != self.port:
            self.client = addr
            self.transport.sendto(data, ("127.0.0.1", self.port))
        elif self.client is not None:
            self.replies.append(data)
            changed = self.mangle(data)
            if changed is not None:
                self.transport.sendto(changed, self.client)


async def _middle(port: int, mangle: Mangle) -> tuple[_Middle, int]:
    loop = asyncio.get_running_loop()
    transport, middle = await loop.create_datagram_endpoint(
        lambda: _Middle(port, mangle), local_addr=("127.0.0.1", 0)
    )
    return middle, int(transport.get_extra_info("sockname")[1])


@pytest.mark.parametrize("who", [SNMPD_USERS[5], SNMPD_USERS[1], SNMPD_USERS[3]], ids=lambda who: who.name)
async def test_no_octet_of_a_signed_reply_can_be_changed(snmpd: RealAgent, who: User) -> None:
    """Every octet of a true reply is changed in turn, and fed in as the reply it pretends to be."""
    async with Transport() as transport:
        middle, port = await _middle(snmpd.port, lambda data: data)
        client = client_for(transport, port, who, Patience(2.0, 0))
        await client.get([SYS_UP_TIME])
        security = cast("UsmSecurity", client.security)
        assert security.engine is not None
        assert middle.transport is not None
        middle.transport.close()
    reply, engine = middle.replies[-1], security.engine
    message_id = ber.reply_id(reply)
    assert security._unwrap(reply, message_id, engine, security.level) is not None
    for place in range(len(reply)):
        for change in (0x01, 0x80, 0xFF):
            bad = reply[:place] + bytes((reply[place] ^ change,)) + reply[place + 1 :]
            with pytest.raises(MalformedMessage):
                security._unwrap(bad, message_id, engine, security.level)
    for length in range(len(reply)):
        with pytest.raises(MalformedMessage):
            security._unwrap(reply[:length], message_id, engine, security.level)


def _zero_digest(data: bytes) -> bytes:
    """Return a reply whose digest is zeros: what at least one client in the world lets through."""
    at = data.find(b"\x04\x18")
    return data[: at + 2] + bytes(24) + data[at + 26 :] if at > 0 else data


def _unsigned(data: bytes) -> bytes:
    """Return a reply with the flag for "signed" taken out: a downgrade."""
    at = data.find(b"\x04\x01", 8)
    return data[: at + 2] + bytes((data[at + 2] & ~3,)) + data[at + 3 :]


@pytest.mark.parametrize(
    "mangle", [_zero_digest, _unsigned, lambda data: data[:-1]], ids=["digest", "level", "cut"]
)
async def test_a_tampered_reply_is_no_reply(snmpd: RealAgent, mangle: Mangle) -> None:
    async with Transport() as transport:
        middle, port = await _middle(snmpd.port, lambda data: data)
        client = client_for(transport, port, user("sha256aes", Auth.SHA256), Patience(0.15, 0))
        await client.get([SYS_UP_TIME])
        middle.mangle = mangle
        with pytest.raises(NoReply, match="refused"):
            await client.get([SYS_UP_TIME])
        middle.mangle = lambda data: data
        await client.get([SYS_UP_TIME])
        assert middle.transport is not None
        middle.transport.close()


async def test_a_replayed_reply_is_no_reply(snmpd: RealAgent) -> None:
    async with Transport() as transport:
        middle, port = await _middle(snmpd.port, lambda data: data)
        client = client_for(transport, port, user("sha256aes", Auth.SHA256), Patience(0.15, 0))
        await client.get([SYS_UP_TIME])
        old = middle.replies[-1]
        middle.mangle = lambda _: old
        with pytest.raises(NoReply):
            await client.get([SYS_UP_TIME])
        assert middle.transport is not None
        middle.transport.close()


async def test_a_reply_signed_long_ago_is_late(snmpd: RealAgent) -> None:
    async with Transport() as transport:
        middle, port = await _middle(snmpd.port, lambda data: data)
        client = client_for(transport, port, user("sha256aes", Auth.SHA256), Patience(1.0, 0))
        await client.get([SYS_UP_TIME])
        security = cast("UsmSecurity", client.security)
        reply, engine = middle.replies[-1], security.engine
        assert engine is not None
        assert middle.transport is not None
        middle.transport.close()
    later = Engine(engine.id, engine.boots, engine.time_s + 151, engine.at_s, proven=True)
    with pytest.raises(MalformedMessage, match="150 s"):
        security._unwrap(reply, ber.reply_id(reply), later, security.level)


async def test_a_forged_report_changes_nothing_we_know(snmpd: RealAgent) -> None:
    """An unsigned "unknown engine" with another engine's id makes us ask again, and the true engine still wins."""
    async with Transport() as transport:
        middle, port = await _middle(snmpd.port, lambda data: data)
        client = client_for(transport, port, user("sha256aes", Auth.SHA256), Patience(0.3, 1))
        await client.get([SYS_UP_TIME])
        security = cast("UsmSecurity", client.security)
        before = security.engine
        forged = middle.replies[0]  # the unsigned answer to our first question
        middle.mangle = lambda data: forged[:9] + data[9:13] + forged[13:] if len(data) > 20 else None
        with pytest.raises(SnmpError):
            await client.get([SYS_UP_TIME])
        middle.mangle = lambda data: data
        await client.get([SYS_UP_TIME])
        assert security.engine is not None
        assert before is not None
        assert security.engine.id == before.id
        assert middle.transport is not None
        middle.transport.close()


def test_privacy_without_authentication_is_refused_before_anything_is_sent() -> None:
    with pytest.raises(SecurityFailure, match="privacy without authentication"):
        UsmSecurity(User("x", privacy=Privacy.AES128, privacy_secret=PRIVACY_KEY))


def test_weak_ciphers_are_used_with_a_warning() -> None:
    assert len(UsmSecurity(user("x", Auth.MD5, Privacy.DES)).notes) == 2


@given(st.binary(max_size=300))
@settings(max_examples=100, deadline=None)
def test_any_bytes_give_a_pdu_or_the_documented_errors(data: bytes) -> None:
    security = UsmSecurity(user("x", Auth.SHA1, Privacy.AES128))
    engine = Engine(b"\x80\x00\x00\x00\x01", 1, 1, 0.0)
    with pytest.raises((MalformedMessage, _ReportError)):
        security._unwrap(data, ber.FIRST_ID, engine, security.level)
