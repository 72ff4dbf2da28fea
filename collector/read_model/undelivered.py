"""Which messages did not arrive, from the outbox: given up, or waiting after a try that failed."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

from collector.messaging.delivery.letter import LETTER, Letter
from collector.messaging.delivery.outbox import HELD
from collector.read_model.sheet import Undelivered
from collector.read_model.source import SheetSource
from collector.storage.ledger.records import Outgoing, Sending

SHOWN_FOR: Final = timedelta(days=30)
MOST: Final = 20
LOOKED_AT: Final = 200
"""Waiting messages that are looked at for tries that failed; most wait for nothing but their turn."""


async def undelivered_now(source: SheetSource) -> tuple[Undelivered, ...]:
    """Return what did not arrive in the last 30 days, newest first, at most 20."""
    dead = await source.messages(sending=Sending.DEAD, limit=MOST)
    waiting = await source.messages(sending=Sending.WAITING, limit=LOOKED_AT)
    return undelivered_of((*dead.items, *waiting.items), source.clock.now())


def undelivered_of(messages: Iterable[Outgoing], now: datetime) -> tuple[Undelivered, ...]:
    """Return those of some messages that did not arrive; what waits for its summary is on its way."""
    found = [
        _shown(one)
        for one in messages
        if now - one.created <= SHOWN_FOR
        and (one.sending is Sending.DEAD or (one.attempts > 0 and one.result != HELD))
    ]
    return tuple(sorted(found, key=lambda one: one.at, reverse=True)[:MOST])


def _shown(message: Outgoing) -> Undelivered:
    letter = Letter.of(message.body) if message.schema == LETTER else None
    return Undelivered(
        at=message.created,
        who="whoever listens there" if letter is None else letter.person,
        by=message.channel,
        what=str(message.body.get("topic", message.id)) if letter is None else letter.notice.short,
        given_up=message.sending is Sending.DEAD,
        tries=message.attempts,
        result=message.result or "",
    )
