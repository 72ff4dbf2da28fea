"""Reads cards once each, side by side, for a person at a cabinet."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from collector.cards.mib.decode import decode
from collector.cards.mib.upsmib import TablePart
from collector.cards.mib.wire_values import WireState
from collector.cards.polling.reader import CardReader
from collector.cards.snmp.client import Patience
from collector.cards.snmp.errors import SnmpError
from collector.cards.snmp.transport import Transport
from collector.configuration import Configuration
from collector.configuration.card_access import credentials_of
from collector.process.clock import SystemClock, stamp
from rules.plant.reading import Reading


async def read_cards(configuration: Configuration, only: Sequence[str] = ()) -> dict[str, Reading]:
    """Return one reading by card, of the named cards or of all; a card that does not answer is left out."""
    clock = SystemClock()
    found: dict[str, Reading] = {}

    async def read(transport: Transport, name: str) -> None:
        access = configuration.cards[name]
        patience = Patience(access.polling.deadline_s, access.polling.retries)
        credentials = credentials_of(access.credentials, access.snmp_version)
        reader = CardReader.of(transport, access.target.host, access.target.port, credentials, patience)
        try:
            wire = await reader.read(frozenset(TablePart))
        except SnmpError:
            return
        now = stamp(clock)
        unit = configuration.estate.cards[name].covers[0]
        found[name] = decode(unit, now, WireState().after(wire, now.at))

    async with Transport() as transport, asyncio.TaskGroup() as group:
        for name in only or configuration.cards:
            group.create_task(read(transport, name), name=f"read {name}")
    return found
