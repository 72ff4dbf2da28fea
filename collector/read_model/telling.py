"""Who is told: who is on call, and which messages did not arrive (given up, or waiting after a try that failed)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from collector.configuration.people.people import People
from collector.configuration.people.rota import on_call
from collector.messaging.delivery.letter import LETTER, Letter
from collector.messaging.delivery.outbox import HELD
from collector.storage.ledger.records import Outgoing, Sending

if TYPE_CHECKING:
    from collector.read_model.source import SheetSource

SHOWN_FOR: Final = timedelta(days=30)
MOST: Final = 20
LOOKED_AT: Final = 200
"""Waiting messages that are looked at for tries that failed; most wait for nothing but their turn."""


@dataclass(frozen=True, slots=True)
class Undelivered:
    """A message that did not arrive: given up, or waiting after `tries` that failed, and what came back last."""

    at: datetime
    who: str
    by: str
    what: str
    given_up: bool
    tries: int
    result: str = ""


@dataclass(frozen=True, slots=True)
class ShownOnCall:
    """Who is on call by a rota, from when until when, and who comes next. `stands_in`: it is not their own turn."""

    rota: str
    person: str
    since: datetime
    until: datetime
    stands_in: bool
    then: str | None
    telephone: str | None = None


def on_call_now(people: People, now: datetime) -> tuple[ShownOnCall, ...]:
    """Return who is on call, a line for each rota that has begun."""
    telephones = {person.name: person.telephone for person in people.persons}
    found = []
    for turn in people.on_call(now):
        after = on_call(people.rotas[turn.rota], turn.ends, people.time_zone)
        found.append(
            ShownOnCall(
                rota=turn.rota,
                person=turn.person,
                since=turn.begins,
                until=turn.ends,
                stands_in=turn.stands_in,
                then=None if after is None else after.person,
                telephone=telephones.get(turn.person),
            )
        )
    return tuple(found)


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
