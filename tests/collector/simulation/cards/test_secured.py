"""SNMPv3 over sockets: what the reader makes of a simulated card whose security is right, wrong, or changes."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace

import pytest

from collector.cards.mib.upsmib import SYS_UP_TIME, TablePart
from collector.cards.polling.reader import CardReader
from collector.cards.snmp import ber
from collector.cards.snmp.client import Patience
from collector.cards.snmp.credentials import Auth, Privacy, User
from collector.cards.snmp.errors import NoReply, SecurityFailure, SnmpError
from collector.cards.snmp.transport import Transport
from collector.cards.snmp.usm import UsmSecurity
from collector.simulation.cards import secured
from collector.simulation.cards.agent import Agent, AgentHost
from collector.simulation.cards.secured import SecuredAgent

WATCH = User("watch", Auth.SHA256, b"maple-leaf-7", Privacy.AES128, b"river-stone-8")
SOURCE = "1.3.6.1.2.1.33.1.4.1.0"
OTHER = bytes.fromhex("80000000052a000002")


@dataclass
class Hour:
    """A clock for both ends that stands still until it is turned."""

    now_s: float = 1000.0

    def __call__(self) -> float:
        return self.now_s


@dataclass
class Line:
    """A card, the reader that asks it, and their clock."""

    card: SecuredAgent
    reader: CardReader
    hour: Hour

    @property
    def security(self) -> UsmSecurity:
        found = self.reader.client.security
        assert isinstance(found, UsmSecurity)
        return found

    async def source(self) -> object:
        """Read the live part once, and return the output source as it came."""
        return (await self.reader.read(frozenset({TablePart.LIVE}))).values.get("upsOutputSource")


@asynccontextmanager
async def line(asking: User, *let_in: User) -> AsyncIterator[Line]:
    hour = Hour()
    values = {SYS_UP_TIME: (ber.TIME_TICKS, 100), SOURCE: (ber.INTEGER, 3)}
    card = SecuredAgent(Agent(lambda: values), let_in or (asking,), clock=hour)
    async with AgentHost() as host, Transport() as transport:
        address, port = await host.serve(card)
        reader = CardReader.of(transport, address, port, asking, Patience(0.3, 1))
        found = Line(card, reader, hour)
        found.security.clock = hour
        yield found


@pytest.mark.parametrize(
    ("auth", "privacy"),
    [
        (Auth.NONE, Privacy.NONE),
        (Auth.MD5, Privacy.NONE),
        (Auth.SHA1, Privacy.DES),
        (Auth.SHA256, Privacy.AES128),
        (Auth.SHA512, Privacy.AES256),
    ],
)
async def test_a_user_is_read_at_every_level(auth: Auth, privacy: Privacy) -> None:
    who = User(
        "watch", auth, b"maple-leaf-7" if auth is not Auth.NONE else b"",
        privacy, b"river-stone-8" if privacy is not Privacy.NONE else b"",
    )  # fmt: skip
    async with line(who) as card:
        assert await card.source() == 3
        assert card.card.counted == {secured.UNKNOWN_ENGINES: 1}  # the discovery, and nothing else


@pytest.mark.parametrize(
    ("let_in", "reason"),
    [
        (replace(WATCH, auth_secret=b"another-leaf-7"), "wrong digest"),
        (replace(WATCH, auth=Auth.SHA512), "wrong digest"),
        (replace(WATCH, privacy_secret=b"another-stone-8"), "wrong privacy"),
        (replace(WATCH, name="Watch"), "unknown user"),
        (replace(WATCH, privacy=Privacy.NONE, privacy_secret=b""), "unsupported security level"),
    ],
)
async def test_credentials_that_do_not_fit_are_told_by_what_does_not(let_in: User, reason: str) -> None:
    async with line(WATCH, let_in) as card:
        for _ in range(2):  # and it is no surprise the second time
            with pytest.raises(SecurityFailure) as told:
                await card.source()
            assert reason in str(told.value)


async def test_a_card_that_reports_what_it_cannot_decrypt_is_told_alike() -> None:
    async with line(WATCH, replace(WATCH, privacy_secret=b"another-stone-8")) as card:
        card.card.mute_about_privacy = False
        with pytest.raises(SecurityFailure, match="wrong privacy"):
            await card.source()


@pytest.mark.parametrize("forgets", [False, True])
async def test_a_restarted_card_is_read_on_even_where_it_forgot_its_boots(forgets: bool) -> None:
    async with line(WATCH) as card:
        card.card.boots = 7
        assert await card.source() == 3
        card.hour.now_s += 3600.0
        assert await card.source() == 3
        card.card.restart(forgets=forgets)
        assert await card.source() == 3
        engine = card.security.engine
        assert engine is not None
        assert engine.boots == (1 if forgets else 8)
        assert any("boots fell from 7 to 1" in note for note in card.security.notes) is forgets


async def test_a_clock_that_leaps_is_followed_when_the_card_signs_for_it() -> None:
    """Beyond 150 s (RFC 3414, 3.2) the card refuses, says its time under its signature, and is asked again."""
    async with line(WATCH) as card:
        assert await card.source() == 3
        card.card.jump(86_400.0)
        assert await card.source() == 3
        assert card.card.counted[secured.NOT_IN_TIME_WINDOWS] >= 1
        card.card.jump(100.0)  # within the window nothing is refused
        before = card.card.counted[secured.NOT_IN_TIME_WINDOWS]
        assert await card.source() == 3
        assert card.card.counted[secured.NOT_IN_TIME_WINDOWS] == before


async def test_a_replaced_card_is_known_by_its_engine_and_read_on() -> None:
    async with line(WATCH) as card:
        first = card.card.engine_id
        assert await card.source() == 3
        card.card.replace(OTHER)
        assert await card.source() == 3
        assert card.security.engine_changes == [(first.hex(), OTHER.hex())]


async def test_a_replaced_card_that_does_not_know_the_user_is_told_as_that() -> None:
    async with line(WATCH) as card:
        assert await card.source() == 3
        card.card.replace(OTHER)
        card.card.users = ()
        with pytest.raises(SnmpError, match="unknown user"):
            await card.source()
        card.card.users = (WATCH,)  # entered at the new card meanwhile
        assert await card.source() == 3


async def test_a_secured_card_can_hang_like_any_other() -> None:
    async with line(WATCH) as card:
        assert await card.source() == 3
        card.card.faults.hang = True
        with pytest.raises(NoReply):
            await card.source()
        card.card.faults.hang = False
        assert await card.source() == 3
