"""Who is told what, when: by severity, by place, by the hour on their own wall, by whether nobody answers."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from urllib.parse import quote

from collector.configuration.people.people import People
from collector.configuration.people.tables import PersonTable, TellTable
from collector.messaging.delivery.calling import called_for
from collector.messaging.delivery.letter import LETTER, Letter, Reach
from collector.storage.ledger.records import Outgoing
from rules.alarms.incidents.incident import Notice, NoticeKind, NoticeNews
from rules.plant.topology import Topology
from rules.values.severity import Severity


def concerns(tell: TellTable, notice: Notice, topology: Topology) -> bool:
    """Return whether a notice is about something `tell` names, stands below it, or stands above it."""
    return concerned_by(tell, (notice.about, *(part.system for part in notice.parts)), topology)


def concerned_by(tell: TellTable, things: Sequence[str], topology: Topology) -> bool:
    """Return whether `tell` names one of these things, one above, or one below the first."""
    return not tell.about or any(
        topology.covers(things[0], scope) or any(topology.covers(scope, thing) for thing in things)
        for scope in tell.about
    )


def _wanted(people: People, person: PersonTable, tell: TellTable, notice: Notice) -> bool:
    if notice.kind is NoticeKind.CLOSED:
        # whoever was told that it began is told that it is over, whatever the hour
        return tell.cleared
    if notice.kind is NoticeKind.ESCALATED and not tell.reminded:
        return False
    grave = notice.severity.rank >= Severity(tell.severity).rank
    return grave and people.told_at(person, tell, notice.at)


def letters(notice: Notice, people: People, topology: Topology, *, collector: str) -> tuple[Outgoing, ...]:
    """Return the messages that tell people of a notice, each person once and by their first way.

    What concerns no place that anybody named (the service itself) goes to everybody of its severity.
    """
    chosen = [
        (person, tells)
        for person in people.persons
        if (
            tells := [
                t for t in person.tell if concerns(t, notice, topology) and _wanted(people, person, t, notice)
            ]
        )
    ]
    if not chosen and notice.site is None:
        chosen = [
            (person, tells)
            for person in people.persons
            if (tells := [t for t in person.tell if _wanted(people, person, t, notice)])
        ]
    call = called_for(notice, people, topology)
    return tuple(
        letter_to(
            person,
            notice,
            min(t.unanswered_s for t in tells),
            people.zone_of(person),
            collector,
            call=call,
        )
        for person, tells in chosen
    )


def letter_to(
    person: PersonTable,
    notice: Notice,
    unanswered_s: float,
    time_zone: str,
    collector: str,
    *,
    call: tuple[str, ...] = (),
    told_only: bool = False,
) -> Outgoing:
    """Return the message of a notice to one person. `told_only`: needless where they were told of nothing before."""
    ways = [Reach(reach.channel, reach.address) for reach in person.reach]
    closing = notice.kind is NoticeKind.CLOSED
    letter = Letter(
        notice=notice,
        person=person.name,
        address=ways[0].address,
        time_zone=time_zone,
        collector=collector,
        others=tuple(ways[1:]),
        unanswered_only=unanswered_s > 0 and not closing,
        told_only=told_only or closing,
        call=call,
    )
    due = notice.at
    if unanswered_s > 0 and not closing:
        due = max(due, (notice.opened_at or notice.at) + timedelta(seconds=unanswered_s))
    return outgoing(letter, ways[0], created=notice.at, due=due)


def outgoing(letter: Letter, way: Reach, *, created: datetime, due: datetime) -> Outgoing:
    """Return a letter as a line of the outbox; its id is the same each time it is made.

    What became critical does not wait in line behind what is held for a summary, not even of its own incident.
    """
    graver = letter.notice.news is NoticeNews.GRAVER and letter.notice.kind is not NoticeKind.OPENED
    return Outgoing(
        id=f"{letter.notice.id}/{quote(letter.person)}/{way.channel}",
        channel=way.channel,
        destination=way.address or letter.person,
        order_key=f"{letter.notice.incident}!" if graver else letter.notice.incident,
        created=created,
        due=due,
        urgent=letter.notice.urgent,
        incident=letter.notice.incident,
        schema=LETTER,
        body=letter.body(),
    )
