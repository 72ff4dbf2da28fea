"""The outages of all years, some at a time, newest first; and one of them whole: its story, and who had which message."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final
from urllib.parse import quote

from collector.messaging.delivery.letter import LETTER, Letter
from collector.read_model.sheet import ShownEvent
from collector.read_model.source import SheetSource
from collector.read_model.sources import outages_of
from collector.storage.ledger.records import IncidentLine, JournalLine, Outgoing, Place, Sending

AT_ONCE: Final = 40
"""Outages on a page."""
LOOKED_AT: Final = 200
LOOKS: Final = 20
"""Incidents that are read for them at a time, and how often: most are no outages, and a page is to be there soon."""
LINES: Final = 500
AFTERWARDS: Final = timedelta(hours=2)
"""Its story goes on so long after it closed; what is said later of how it ended stands with its supply."""
SAID_WITHIN: Final = timedelta(days=31)
_LAST_OF_ITS_NAME: Final = "\uffff"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class PastOutages:
    """Some of the outages, newest first. `next` is where the following ones begin, None where there are none."""

    items: tuple[ShownEvent, ...]
    next: Place | None


@dataclass(frozen=True, slots=True)
class TellingShown:
    """One message of an outage: who had it, by what way, what it said, and what came of it."""

    at: datetime
    who: str
    by: str
    what: str
    came: str


@dataclass(frozen=True, slots=True)
class OutageStory:
    """One outage whole, of each system that was in it, oldest message first. `open`: it is not over."""

    incident: str
    opened: datetime
    events: tuple[ShownEvent, ...]
    messages: tuple[TellingShown, ...]
    open: bool


def place_of(opened: datetime, incident: str) -> str:
    """Return where an incident stands, as it may stand in an address."""
    return quote(f"{(opened - _EPOCH) // timedelta(microseconds=1)}-{incident}", safe="")


async def past_outages(source: SheetSource, after: Place | None = None) -> PastOutages:
    """Return the outages before a place."""
    found: list[tuple[IncidentLine, tuple[ShownEvent, ...]]] = []
    where = after
    for _ in range(LOOKS):
        page = await source.incidents(after=where, limit=LOOKED_AT)
        for line in page.items:
            events = outages_of((line,), (), source.estate)
            if events:
                found.append((line, events))
            if len(found) > AT_ONCE:
                last = found[AT_ONCE - 1][0]
                return PastOutages(_all(found[:AT_ONCE]), (last.opened, last.id))
        where = page.next
        if where is None:
            break
    return PastOutages(_all(found), where)


def _all(found: Sequence[tuple[IncidentLine, tuple[ShownEvent, ...]]]) -> tuple[ShownEvent, ...]:
    return tuple(event for _, events in found for event in events)


async def outage_story(source: SheetSource, place: Place) -> OutageStory | None:
    """Return the outage at a place, None where there is none."""
    opened, name = place
    page = await source.incidents(after=(opened, name + _LAST_OF_ITS_NAME), limit=1)
    if not page.items or page.items[0].id != name:
        return None
    line = page.items[0]
    known = outages_of((line,), (), source.estate)
    if not known:
        return None
    journal = await _journal(source, line, known)
    sent = await source.messages(incident=name, limit=LINES)
    events = outages_of((line,), journal, source.estate)
    return OutageStory(name, line.opened, events, messages_of(sent.items), line.closed is None)


async def _journal(
    source: SheetSource, line: IncidentLine, events: Sequence[ShownEvent]
) -> tuple[JournalLine, ...]:
    """Return what the journal says of an outage: all from its begin to a while after, and later words about its supplies."""
    end = None if line.closed is None else line.closed + AFTERWARDS
    begin = line.opened - timedelta(minutes=5)
    near = await source.events(start=begin, end=end, limit=LINES)
    found = {one.seq: one for one in near.items}
    systems = {event.system for event in events if event.system in source.estate.systems}
    for supply in {source.estate.systems[system].supply for system in systems if system is not None}:
        about = await source.events(about=supply, start=begin, end=line.opened + SAID_WITHIN, limit=LOOKED_AT)
        found |= {one.seq: one for one in about.items}
    return tuple(found.values())


def messages_of(sent: Sequence[Outgoing]) -> tuple[TellingShown, ...]:
    """Return messages as people read them, oldest first."""
    return tuple(_message(one) for one in sorted(sent, key=lambda one: (one.created, one.seq)))


def _message(one: Outgoing) -> TellingShown:
    letter = Letter.of(one.body) if one.schema == LETTER else None
    came = {
        Sending.WAITING: "waits" if not one.attempts else f"waits after {one.attempts} tries",
        Sending.DEAD: "given up",
        Sending.UNNEEDED: "not needed",
    }.get(one.sending, "handed over")
    result = f": {one.result}" if one.result and one.sending in {Sending.DEAD, Sending.UNNEEDED} else ""
    return TellingShown(
        at=one.created,
        who="whoever listens there" if letter is None else letter.person,
        by=one.channel,
        what=str(one.body.get("topic", one.id)) if letter is None else letter.notice.short,
        came=f"{came}{result}",
    )
