"""What somebody is told when their hours begin: that they are on call, and what stands that began before.

An alarm at two in the morning is told to whoever is told then. Whoever is told from eight on would not hear of it: for
them one letter says at eight what still stands of what concerns them and was not told to them. Where their hours begin since
their turn of a rota does, the letter says until when, and whoever was on call before is told who is now.

Beginnings that fell into a stop of the service are made up for, as far back as `MADE_UP_FOR`. A letter has the same id
however often it is made, so none goes out twice.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from collector.configuration.people.people import People
from collector.configuration.people.rota import stretches
from collector.configuration.people.tables import PersonTable, TellTable
from collector.configuration.people.turn import OnCall
from collector.messaging.delivery.letter import LETTER, Letter, Reach
from collector.messaging.delivery.recipients import concerned_by, outgoing
from collector.process.clock import Clock
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import JournalLine, Outgoing, Sending
from rules.alarms.incidents.incident import Incident, Notice, NoticeKind, NoticeNews
from rules.phrasing.dates import day_words
from rules.phrasing.reasons import say
from rules.phrasing.text import counted, short_form
from rules.plant.topology import Topology
from rules.values.serial import from_plain
from rules.values.severity import Severity

MADE_UP_FOR: Final = timedelta(hours=12)
LOOKED_EVERY_S: Final = 30.0
_BEFORE: Final = timedelta(seconds=1)


@dataclass(frozen=True, slots=True)
class HoursBegun:
    """Hours of one person that begin. `turn`: on call from then on; `before`: who was until then."""

    person: PersonTable
    at: datetime
    tells: tuple[TellTable, ...]
    turn: OnCall | None = None
    before: str | None = None


def beginnings(people: People, start: datetime, end: datetime) -> list[HoursBegun]:
    """Return whose hours begin after `start` and not after `end`, in order."""
    found = []
    for person in people.persons:
        tells: dict[datetime, list[TellTable]] = {}
        for tell in person.tell:
            for at in sorted(set(_moments(people, person, tell, start, end))):
                if people.told_at(person, tell, at) and not people.told_at(person, tell, at - _BEFORE):
                    tells.setdefault(at, []).append(tell)
        found += [_beginning(people, person, at, tuple(those)) for at, those in tells.items()]
    return sorted(found, key=lambda one: one.at)


def _moments(
    people: People, person: PersonTable, tell: TellTable, start: datetime, end: datetime
) -> Iterator[datetime]:
    """Yield the moments at which the hours of one `tell` may begin."""
    zone = ZoneInfo(people.zone_of(person))
    day = start.astimezone(zone).date()
    while day <= end.astimezone(zone).date():
        at = datetime.combine(day, tell.from_time or time(), zone).astimezone(UTC)
        if start < at <= end:
            yield at
        day += timedelta(days=1)
    rota = people.rotas.get(tell.on_call or "")
    if rota is not None:
        for turn in stretches(rota, start, end + _BEFORE, people.time_zone):
            if start < turn.begins <= end:
                yield turn.begins


def _beginning(people: People, person: PersonTable, at: datetime, tells: tuple[TellTable, ...]) -> HoursBegun:
    for name in dict.fromkeys(tell.on_call for tell in tells if tell.on_call is not None):
        rota = people.rotas[name]
        turns = list(stretches(rota, at - _BEFORE, at + _BEFORE, people.time_zone))
        begun = [turn for turn in turns if turn.begins == at]
        was = [turn.person for turn in turns if turn.ends == at]
        if begun and begun[0].person not in was:
            return HoursBegun(person, at, tells, begun[0], was[0] if was else None)
    return HoursBegun(person, at, tells)


class Handover:
    """Puts a letter into the outbox when somebody's hours begin and there is something to say."""

    def __init__(
        self, ledger: Ledger, clock: Clock, people: People, topology: Topology, *, collector: str
    ) -> None:
        self._ledger = ledger
        self._clock = clock
        self._people = people
        self._topology = topology
        self._collector = collector
        self._since = clock.now() - MADE_UP_FOR

    async def run(self) -> None:
        """Look twice a minute whose hours began, until cancelled."""
        while True:
            await self.look()
            await self._clock.sleep_until(self._clock.monotonic_s() + LOOKED_EVERY_S)

    async def look(self) -> int:
        """Tell those whose hours began since the last look; return how many letters were made."""
        now, count = self._clock.now(), 0
        since, self._since = max(self._since, now - MADE_UP_FOR), now
        for begun in beginnings(self._people, since, now):
            lines = [
                from_plain(Incident, line.body)
                for line in await self._ledger.open_incidents()
                if line.opened < begun.at and not await self._was_told(line.id, begun.person.name)
            ]
            standing = [one for one in lines if self._concerns(begun, one)]
            made = list(self._letters(begun, standing))
            if not made or await self._ledger.message(made[0].id) is not None:
                continue
            async with self._ledger.transaction() as tx:
                for message in made:
                    tx.enqueue(message)
                if begun.turn is not None:
                    tx.add_event(_journal_line(begun, begun.turn))
            count += len(made)
        return count

    def _concerns(self, begun: HoursBegun, incident: Incident) -> bool:
        things = (incident.about, *incident.parts)
        return incident.announced_at is not None and any(
            incident.severity.rank >= Severity(tell.severity).rank
            and tell.unanswered_s == 0
            and concerned_by(tell, things, self._topology)
            for tell in begun.tells
        )

    async def _was_told(self, incident: str, person: str) -> bool:
        before: int | None = None
        while True:
            page = await self._ledger.messages(incident=incident, before=before)
            for line in page.items:
                needed = line.sending is not Sending.UNNEEDED
                if line.schema == LETTER and needed and Letter.of(line.body).person == person:
                    return True
            if page.next is None:
                return False
            before = page.next

    def _letters(self, begun: HoursBegun, standing: list[Incident]) -> Iterator[Outgoing]:
        stands = (
            ""
            if not standing
            else f"{counted(len(standing), 'incident')} from before {'stands' if len(standing) == 1 else 'stand'}."
        )
        if begun.turn is None and not stands:
            return
        if begun.turn is None:
            what = f"Your hours begin: {stands}"
        else:
            until = self._local(begun.person, begun.turn.ends)
            after = "" if begun.before is None else f", after {begun.before}"
            what = f"You are on call until {until} ({begun.turn.rota}){after}. {stands}".rstrip()
        yield self._letter(begun.person, begun, what, standing)
        before = next((p for p in self._people.persons if p.name == begun.before), None)
        if begun.turn is not None and before is not None:
            said = f"You are no longer on call ({begun.turn.rota}): {begun.person.name} is."
            yield self._letter(before, begun, said, [])

    def _letter(
        self, person: PersonTable, begun: HoursBegun, what: str, standing: list[Incident]
    ) -> Outgoing:
        worst = max((one.severity for one in standing), key=lambda s: s.rank, default=Severity.WARNING)
        do = "See each line, the gravest first." if standing else "Nothing now."
        key = f"hours-{begun.at:%Y%m%dT%H%M%SZ}" + ("" if begun.turn is None else f"-{begun.turn.rota}")
        notice = Notice(
            id=key,
            incident=key,
            kind=NoticeKind.OPENED,
            severity=worst,
            at=begun.at,
            site=None,
            about="ridethrough",
            what=what,
            do=do,
            by_when=None,
            lines=tuple(
                f"Since {self._local(person, one.opened_at)}: {say(one.title)} {say(one.do)}".strip()
                for one in sorted(standing, key=lambda one: (-one.severity.rank, one.opened_at))
            ),
            short=_short(what, do, standing),
            urgent=worst.rank >= Severity.MAJOR.rank,
            opened_at=begun.at,
            news=NoticeNews.OTHER,
        )
        ways = [Reach(reach.channel, reach.address) for reach in person.reach]
        letter = Letter(
            notice,
            person.name,
            ways[0].address,
            self._people.zone_of(person),
            self._collector,
            others=tuple(ways[1:]),
        )
        return replace(outgoing(letter, ways[0], created=begun.at, due=begun.at), incident=None)

    def _local(self, person: PersonTable, moment: datetime) -> str:
        here = moment.astimezone(ZoneInfo(self._people.zone_of(person)))
        return f"{here:%a} {day_words(here.date())}, {here:%H:%M}"


def _short(what: str, do: str, standing: list[Incident]) -> str:
    """Return the short form: what stands, the gravest first, before until when somebody is on call."""
    if not standing:
        return short_form(what, "Now", None, do)
    worst = max(standing, key=lambda one: (one.severity.rank, -one.opened_s))
    more = f" and {counted(len(standing) - 1, 'incident')} more" if len(standing) > 1 else ""
    return short_form(f"stands{more}: {say(worst.title)}", "Your hours begin", None, say(worst.do) or do)


def _journal_line(begun: HoursBegun, turn: OnCall) -> JournalLine:
    after = "" if begun.before is None else f" after {begun.before}"
    text = f"{turn.person} is on call by {turn.rota}{after}."
    return JournalLine(begun.at, "on_call", None, text, body={"rota": turn.rota, "person": turn.person})
