"""Each card of the estate file, as it is read: with what credentials and patience, and how often."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from collector.cards.polling.reader import CardReader
from collector.cards.polling.schedule import Cadence
from collector.cards.snmp.client import Patience
from collector.cards.snmp.transport import Transport
from collector.configuration import CardAccess
from collector.configuration.card_access import credentials_of

MOST_NOTES: Final = 8


def reader_of(card: CardAccess, transport: Transport) -> CardReader:
    """Return what reads a card over a transport that many share."""
    polling = card.polling
    patience = Patience(deadline_s=polling.deadline_s, retries=polling.retries)
    credentials = credentials_of(card.credentials, card.snmp_version)
    reader = CardReader.of(transport, card.target.host, card.target.port, credentials, patience)
    reader.most = polling.objects_per_request
    reader.size = min(reader.size, reader.most)
    return reader


def cadence_of(card: CardAccess) -> Cadence:
    """Return how often the parts of a card are read."""
    polling = card.polling
    return Cadence(
        every_s=polling.every_s,
        on_battery_every_s=polling.on_battery_every_s,
        slow_every_s=polling.slow_every_s,
        nameplate_every_s=polling.nameplate_every_s,
    )


def notes_of(reader: CardReader) -> tuple[str, ...]:
    """Return what people should know of how a card is read, the newest `MOST_NOTES` of it."""
    notes: Sequence[str] = getattr(reader.client.security, "notes", ())
    return tuple(dict.fromkeys(notes))[-MOST_NOTES:]
