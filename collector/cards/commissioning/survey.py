"""Finds cards that answer the UPS MIB in a range of addresses that a person names.

Asks each address once, at a steady pace, for one object that every card must hold. A range of more than 1,024
addresses (a /22) is refused: surveying is for a site's own management network, not for the world.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from collector.cards.mib.upsmib import BY_NAME
from collector.cards.mib.wire_values import safe_text
from collector.cards.polling.reader import security_for
from collector.cards.snmp import ber
from collector.cards.snmp.client import Client, Patience
from collector.cards.snmp.credentials import Credentials
from collector.cards.snmp.errors import HostUnreachable, NoReply, PortClosed, SnmpError
from collector.cards.snmp.target import SNMP_PORT, CardTarget
from collector.cards.snmp.transport import Transport

MOST_ADDRESSES: Final = 1024
WANTED: Final = "ADDRESS/PREFIX or FIRST-LAST, at most 1024 addresses (a /22)"
_AT_ONCE: Final = 64
_NAMES: Final = ("upsIdentManufacturer", "upsIdentModel")


@dataclass(frozen=True, slots=True)
class FoundCard:
    """A card that answers the UPS MIB; `name` is what it calls its cabinet, made safe."""

    target: str
    name: str | None
    answered_s: float


@dataclass(frozen=True, slots=True)
class Trouble:
    """An address where something answered, but not as a card should: a wrong user, say."""

    target: str
    why: str


@dataclass(frozen=True, slots=True)
class SurveyReport:
    """What a survey found. `silent` addresses gave no answer, `others` answered SNMP without the UPS MIB."""

    cards: tuple[FoundCard, ...]
    troubles: tuple[Trouble, ...]
    others: tuple[str, ...]
    silent: int
    asked: int


def addresses_of(text: str) -> tuple[str, ...]:
    """Return the addresses a person named. Raises ValueError that says what was wanted."""
    try:
        network = ipaddress.ip_network(text.strip(), strict=False) if "/" in text else None
        first_text, _, last_text = text.partition("-")
        first = ipaddress.ip_address(first_text.strip()) if network is None else network[0]
        last = ipaddress.ip_address((last_text or first_text).strip()) if network is None else network[-1]
    except ValueError:
        raise ValueError(WANTED) from None
    if first.version != last.version or int(last) < int(first):
        raise ValueError(f"{WANTED}; the last not before the first")
    count = int(last) - int(first) + 1
    if count > MOST_ADDRESSES:
        raise ValueError(f"{WANTED}; that is {count}")
    if network is not None:
        return tuple(map(str, network.hosts()))
    return tuple(str(type(first)(int(first) + n)) for n in range(count))


async def survey(
    addresses: Sequence[str],
    credentials: Credentials,
    *,
    port: int = SNMP_PORT,
    per_s: float = 50.0,
    patience: Patience | None = None,
    progress: Callable[[int, int, int], None] = lambda _asked, _all, _found: None,
) -> SurveyReport:
    """Ask every address, `per_s` new ones a second. `progress` gets (asked, all, cards found).

    Raises ValueError for more than 1,024 addresses.
    """
    if len(addresses) > MOST_ADDRESSES:
        raise ValueError(WANTED)
    cards: list[FoundCard] = []
    troubles: list[Trouble] = []
    others: list[str] = []
    silent = done = 0
    room = asyncio.Semaphore(_AT_ONCE)

    async def ask(transport: Transport, address: str) -> None:
        nonlocal silent, done
        target = str(CardTarget(address, port))
        async with room:
            try:
                found = await _look(transport, address, port, target, credentials, patience)
            except (NoReply, PortClosed, HostUnreachable):
                silent += 1
            except SnmpError as error:
                troubles.append(Trouble(target, str(error)))
            else:
                if found is None:
                    others.append(target)
                else:
                    cards.append(found)
            done += 1
            progress(done, len(addresses), len(cards))

    async with Transport() as transport, asyncio.TaskGroup() as group:
        for address in addresses:
            group.create_task(ask(transport, address))
            await asyncio.sleep(1.0 / per_s)
    place = {str(CardTarget(address, port)): n for n, address in enumerate(addresses)}
    return SurveyReport(
        tuple(sorted(cards, key=lambda card: place[card.target])),
        tuple(sorted(troubles, key=lambda trouble: place[trouble.target])),
        tuple(sorted(others, key=lambda target: place[target])),
        silent,
        len(addresses),
    )


async def _look(  # noqa: PLR0917 - whom to ask, and how
    transport: Transport,
    address: str,
    port: int,
    target: str,
    credentials: Credentials,
    patience: Patience | None,
) -> FoundCard | None:
    """Return the card at an address, None for something else that speaks SNMP."""
    loop = asyncio.get_running_loop()
    client = Client(
        transport, address, port, security_for(credentials), credentials.version, patience or Patience(1.0, 1)
    )
    began_s = loop.time()
    # Even a card of the smallest conformance holds its output's source.
    answer = await client.ask(ber.GET, [BY_NAME["upsOutputSource"].oid])
    took_s = loop.time() - began_s
    if answer.error_status != ber.NO_ERROR or not answer.varbinds or answer.varbinds[0][2] is None:
        return None
    words = []
    for name in _NAMES:
        pdu = await client.ask(ber.GET, [BY_NAME[name].oid])
        if pdu.error_status == ber.NO_ERROR and pdu.varbinds and isinstance(pdu.varbinds[0][2], bytes):
            words.append(safe_text(pdu.varbinds[0][2]))
    return FoundCard(target, " ".join(filter(None, words)) or None, took_s)
