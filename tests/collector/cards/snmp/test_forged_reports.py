"""Somebody on the way who copies engine and message id, and reports what no card said."""

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from itertools import count
from typing import cast

import pytest

from collector.cards.mib.upsmib import SYS_UP_TIME
from collector.cards.snmp import ber, hearsay, usm
from collector.cards.snmp.client import Client, Patience
from collector.cards.snmp.credentials import Auth, Privacy, User, Version
from collector.cards.snmp.errors import NoReply, SecurityFailure
from collector.cards.snmp.transport import Transport
from collector.simulation.cards import secured
from collector.simulation.cards.agent import Agent, AgentHost
from collector.simulation.cards.secured import AUTH, PRIV, SecuredAgent
from tests.collector.cards.sample_cards import RealAgent, net_snmp_agent

SIGNED = User("sha256aes", Auth.SHA256, b"maple-leaf-7", Privacy.AES128, b"river-stone-8")
LONG_KEYED = User("long", Auth.SHA1, b"maple-leaf-7", Privacy.AES256, b"river-stone-8")
KINDS = {
    "unsupported level": secured.UNSUPPORTED_LEVELS,
    "not in time window": secured.NOT_IN_TIME_WINDOWS,
    "unknown user": secured.UNKNOWN_USERS,
    "unknown engine": secured.UNKNOWN_ENGINES,
    "wrong digest": secured.WRONG_DIGESTS,
    "decryption error": secured.DECRYPTION_ERRORS,
}
FIRST, LATER = "first contact", "later"
Forgery = Callable[[secured._Asked], bytes]


def report(asked: secured._Asked, why: str, engine: bytes | None = None) -> bytes:
    """Return an unsigned Report to a request, of the engine that was asked or of another."""
    named = (asked.engine_id if engine is None else engine) or bytes.fromhex("8000000005ffff")
    agent = SecuredAgent(Agent(dict), (), engine_id=named, boots=asked.boots + 1)
    return agent._report(asked, why)


@dataclass
class Forger(asyncio.DatagramProtocol):
    """Passes requests on to a card and replies back, and slips in forgeries `before` and `after` each reply."""

    card: int
    before: tuple[Forgery, ...] = ()
    after: tuple[Forgery, ...] = ()
    cut: bool = False
    """Whether the card's own replies are kept back."""
    requests: list[bytes] = field(default_factory=list)
    _client: tuple[str, int] = ("", 0)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.DatagramTransport", transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        if addr[1] != self.card:
            self._client = addr
            self.requests.append(data)
            for forge in self.before:
                self.transport.sendto(forge(secured._read(data)), addr)
            self.transport.sendto(data, ("127.0.0.1", self.card))
            return
        if not self.cut:
            self.transport.sendto(data, self._client)
        for forge in self.after:
            self.transport.sendto(forge(secured._read(self.requests[-1])), self._client)


@dataclass
class Path:
    """A reader, the way to its card, and who sits on it."""

    client: Client
    forger: Forger

    @property
    def security(self) -> usm.UsmSecurity:
        return cast("usm.UsmSecurity", self.client.security)

    async def read(self) -> None:
        ((_, tag, _),) = await self.client.get([SYS_UP_TIME])
        assert tag == ber.TIME_TICKS


@asynccontextmanager
async def way_to(port: int, who: User, deadline_s: float = 0.3) -> AsyncIterator[Path]:
    loop = asyncio.get_running_loop()
    way, forger = await loop.create_datagram_endpoint(lambda: Forger(port), local_addr=("127.0.0.1", 0))
    async with Transport() as transport:
        middle = int(way.get_extra_info("sockname")[1])
        security = usm.UsmSecurity(who)
        yield Path(
            Client(transport, "127.0.0.1", middle, security, Version.V3, Patience(deadline_s, 1)), forger
        )
    way.close()


@asynccontextmanager
async def simulated(who: User = SIGNED, **more: object) -> AsyncIterator[int]:
    card = SecuredAgent(Agent(lambda: {SYS_UP_TIME: (ber.TIME_TICKS, 100)}), (who,), **more)  # type: ignore[arg-type]
    async with AgentHost() as host:
        yield (await host.serve(card))[1]


@pytest.fixture(scope="module")
def snmpd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealAgent]:
    with net_snmp_agent(tmp_path_factory.mktemp("snmpd")) as agent:
        yield agent


async def _reads_on(port: int, kind: str, place: str, when: str) -> None:
    # At first contact a forger can name an engine that is none: that is found out when the deadline has passed.
    async with way_to(port, SIGNED, 2.0 if when == LATER else 0.25) as way:
        if when == LATER:
            await way.read()
        setattr(way.forger, place, (lambda asked: report(asked, KINDS[kind]),))
        for _ in range(3):
            await asyncio.wait_for(way.read(), 1.5)  # by the true reply, not by a second try
        assert way.client.traffic.retries == 0
        assert way.security.notes == []
        assert way.security.engine_changes == []


@pytest.mark.parametrize("when", [FIRST, LATER])
@pytest.mark.parametrize("place", ["before", "after"])
@pytest.mark.parametrize("kind", KINDS)
async def test_a_forged_report_does_not_end_the_read_of_a_simulated_card(
    kind: str, place: str, when: str
) -> None:
    async with simulated() as port:
        await _reads_on(port, kind, place, when)


@pytest.mark.real_server
@pytest.mark.parametrize("when", [FIRST, LATER])
@pytest.mark.parametrize("place", ["before", "after"])
@pytest.mark.parametrize("kind", KINDS)
async def test_a_forged_report_does_not_end_the_read_of_net_snmp(
    snmpd: RealAgent, kind: str, place: str, when: str
) -> None:
    await _reads_on(snmpd.port, kind, place, when)


@pytest.mark.parametrize("kind", KINDS)
async def test_only_where_nothing_signed_came_is_a_report_told_and_as_hearsay(kind: str) -> None:
    reason = hearsay.failure(KINDS[kind]).reason
    async with simulated() as port, way_to(port, SIGNED, 0.1) as way:
        await way.read()
        way.forger.before = (lambda asked: report(asked, KINDS[kind]),)
        way.forger.cut = True
        with pytest.raises(NoReply, match=f"{hearsay.HEARSAY}: {reason}. If it is true"):
            await way.read()
        way.forger.cut = False
        await way.read()


async def test_engines_that_are_named_and_are_none_do_not_hide_the_true_one_and_grow_nothing() -> None:
    """Both before and after every reply another engine is named: at first contact the true one is found all the same."""
    number = count()

    def another(asked: secured._Asked) -> bytes:
        return report(asked, secured.UNKNOWN_ENGINES, b"\x80\x00\x00\x2a" + next(number).to_bytes(8, "big"))

    async with simulated() as port, way_to(port, SIGNED, 0.15) as way:
        way.forger.before = way.forger.after = (another,)
        await way.read()
        assert way.security.engine is not None
        true = way.security.engine.id
        assert true == SecuredAgent(Agent(dict), ()).engine_id
        way.forger.before = (another,) * 50
        for _ in range(10):
            await way.read()
        way.forger.cut = True
        for _ in range(3):
            with pytest.raises(NoReply):
                await way.read()
        way.forger.cut = False
        await way.read()
        assert way.security.engine.id == true
        assert next(number) > 500
        assert len(way.security._keys) <= 8
        assert way.security.engine_changes == []


@pytest.mark.parametrize("who", [SIGNED, LONG_KEYED], ids=lambda who: who.name)
@pytest.mark.parametrize("let_in", ["all", "another privacy", "no privacy", "nobody"])
async def test_nothing_less_is_sent_than_what_is_configured(who: User, let_in: str) -> None:
    """Whatever the card makes of it, and however its clock stands: but for the question for its engine's id."""
    users = {
        "all": who,
        "another privacy": User(who.name, who.auth, who.auth_secret, who.privacy, b"another-stone-8"),
        "no privacy": User(who.name, who.auth, who.auth_secret),
        "nobody": User("another"),
    }
    async with simulated(users[let_in], boots=7) as port, way_to(port, who, 0.1) as way:
        for _ in range(2):
            if let_in == "all":
                await way.read()
            else:
                with pytest.raises(SecurityFailure):
                    await way.read()
        asked = [secured._read(data) for data in way.forger.requests]
        for one in asked:
            empty = one.flags & (AUTH | PRIV) == 0 and one.engine_id == b"" and one.user == b""
            assert empty or one.flags & (AUTH | PRIV) == AUTH | PRIV
        assert any(one.flags & PRIV for one in asked)
        # and what is asked for stands in none of them in clear text
        for data in way.forger.requests:
            assert ber.encode_oid(SYS_UP_TIME) not in data
