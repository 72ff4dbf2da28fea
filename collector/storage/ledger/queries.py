"""What is asked of the ledger: its reads, typed and paged."""

from __future__ import annotations

import sqlite3
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Final, TypeVar

from collector.storage.database import ANSWERS, Database
from collector.storage.ledger.records import (
    Action,
    AlarmLine,
    Corrections,
    CourseLine,
    EndedDischarge,
    EngineBoots,
    EquipmentEvent,
    Evidence,
    IncidentLine,
    JournalLine,
    JudgementLine,
    LearntFact,
    Outgoing,
    Page,
    Place,
    Placed,
    Sending,
    SignedLine,
    Snapshot,
)
from collector.storage.ledger.rows import TABLES, Column, microseconds, moment, selected
from collector.storage.ledger.whence import ACT, ASKED

R = TypeVar("R")

LONGEST_PAGE: Final = 1000
LONGEST_WAIT: Final = timedelta(days=2)
"""Longer than any message is made to wait: a day where it tells of what nobody answered, minutes between tries."""


class LedgerQueries(ABC):
    """The reads of a ledger; whoever has the file says how one is made."""

    database: Database
    _settled: frozenset[str]
    """Messages that went out while the disk did not take it: never to be sent again, even if that cannot be read."""

    @abstractmethod
    async def _read(self, work: Callable[[sqlite3.Connection], R], lane: str = ANSWERS) -> R:
        """Run `work` over the ledger as it is."""

    async def _all(self, kind: type[R], rest: str = "", *values: Column) -> tuple[R, ...]:
        return await self._read(lambda connection: selected(connection, kind, rest, values))

    async def _one(self, kind: type[R], rest: str, *values: Column) -> R | None:
        found = await self._all(kind, rest, *values)
        return found[0] if found else None

    async def standing_alarms(self) -> tuple[AlarmLine, ...]:
        """Return all alarms that are anything but normal, oldest first."""
        return await self._all(AlarmLine, "WHERE standing = 1 ORDER BY since, id")

    async def alarm(self, alarm: str) -> AlarmLine | None:
        """Return one alarm."""
        return await self._one(AlarmLine, "WHERE id = ?", alarm)

    async def alarms(
        self, *, states: tuple[str, ...] = (), after: int = 0, limit: int = 200
    ) -> Page[AlarmLine]:
        """Return alarms, newest change first, of the given states or of all. `after` counts lines to skip."""
        where = f"WHERE state IN ({', '.join('?' for _ in states)})" if states else ""
        size = _page(limit)
        found = await self._all(
            AlarmLine, f"{where} ORDER BY since DESC, id LIMIT ? OFFSET ?", *states, size + 1, after
        )
        return Page(found[:size], after + size if len(found) > size else None)

    async def incident(self, incident: str) -> IncidentLine | None:
        """Return one incident."""
        return await self._one(IncidentLine, "WHERE id = ?", incident)

    async def open_incidents(self) -> tuple[IncidentLine, ...]:
        """Return the incidents that are not closed, oldest first."""
        return await self._all(IncidentLine, "WHERE closed IS NULL ORDER BY opened, id")

    async def incidents(self, *, after: Place | None = None, limit: int = 200) -> Placed[IncidentLine]:
        """Return incidents, newest first. `after`: where the part before ended."""
        size = _page(limit)
        found = await self._all(
            IncidentLine,
            "WHERE (opened, id) < (?, ?) ORDER BY opened DESC, id DESC LIMIT ?",
            *_before(after),
            size + 1,
        )
        last = found[size - 1] if len(found) > size else None
        return Placed(found[:size], None if last is None else (last.opened, last.id))

    async def events(
        self,
        *,
        kinds: tuple[str, ...] = (),
        about: str | None = None,
        incident: str | None = None,
        alarm: str | None = None,
        start: datetime | None = None,
        end: datetime | None = None,
        after: int | None = None,
        before: int | None = None,
        limit: int = 200,
    ) -> Page[JournalLine]:
        """Return journal lines: newest first, or, with `after`, those that follow it, oldest first.

        `after` and `before` are numbers of lines (`seq`); the page's `next` is the next one to give.
        """
        tests: list[tuple[str, Column]] = [
            ("about = ?", about),
            ("incident = ?", incident),
            ("alarm = ?", alarm),
            ("at >= ?", None if start is None else microseconds(start)),
            ("at < ?", None if end is None else microseconds(end)),
            ("seq > ?", after),
            ("seq < ?", before),
        ]
        asked = [(test, value) for test, value in tests if value is not None]
        clauses = [test for test, _ in asked]
        if kinds:
            clauses.append(f"kind IN ({', '.join('?' for _ in kinds)})")
        where = f"WHERE {' AND '.join(clauses)}" if clauses else ""
        order = "DESC" if after is None else "ASC"
        size = _page(limit)
        found = await self._all(
            JournalLine,
            f"{where} ORDER BY seq {order} LIMIT ?",
            *(value for _, value in asked),
            *kinds,
            size + 1,
        )
        return Page(found[:size], found[size - 1].seq if len(found) > size else None)

    async def due(
        self, now: datetime, *, channel: str | None = None, limit: int = 100
    ) -> tuple[Outgoing, ...]:
        """Return the messages to send now, urgent ones first, at most one for each order key of a destination.

        `channel` None: those of all channels. One that is due after more than `LONGEST_WAIT` was put off while the
        clock stood ahead, and goes now; so it does where the clock stands that far behind: better early than never.
        """
        rest = """AS o WHERE sending = 'waiting' AND (due <= ? OR due > ?) AND (? IS NULL OR channel = ?) AND seq = (
            SELECT min(seq) FROM outbox AS i WHERE i.sending = 'waiting' AND i.channel = o.channel
            AND i.destination = o.destination AND i.order_key = o.order_key)
            ORDER BY urgent DESC, seq LIMIT ?"""
        span = microseconds(now), microseconds(now + LONGEST_WAIT)
        found = await self._all(Outgoing, rest, *span, channel, channel, limit)
        return tuple(message for message in found if message.id not in self._settled)

    async def messages(
        self,
        *,
        sending: Sending | None = None,
        incident: str | None = None,
        before: int | None = None,
        limit: int = 200,
    ) -> Page[Outgoing]:
        """Return messages, newest first, of one standing or one incident or all."""
        tests = [("sending = ?", sending), ("incident = ?", incident), ("seq < ?", before)]
        asked = [(test, value) for test, value in tests if value is not None]
        where = f"WHERE {' AND '.join(test for test, _ in asked)}" if asked else ""
        size = _page(limit)
        found = await self._all(
            Outgoing, f"{where} ORDER BY seq DESC LIMIT ?", *(value for _, value in asked), size + 1
        )
        some = found[:size]
        if sending is Sending.WAITING:
            some = tuple(message for message in some if message.id not in self._settled)
        return Page(some, found[size - 1].seq if len(found) > size else None)

    async def message(self, message: str) -> Outgoing | None:
        """Return one message."""
        return await self._one(Outgoing, "WHERE id = ?", message)

    async def waiting(self) -> tuple[int, datetime | None, datetime | None]:
        """Return how many messages wait, when the oldest was made, and when the next is due."""
        oldest = await self._all(Outgoing, "WHERE sending = 'waiting' ORDER BY seq LIMIT 1")
        soonest = await self._all(Outgoing, "WHERE sending = 'waiting' ORDER BY due LIMIT 1")
        count: int = await self._read(
            lambda c: c.execute("SELECT count(*) FROM outbox WHERE sending = 'waiting'").fetchone()[0]
        )
        return count, oldest[0].created if oldest else None, soonest[0].due if soonest else None

    async def actions(
        self, *, about: str | None = None, before: int | None = None, limit: int = 200
    ) -> Page[Action]:
        """Return operators' actions, newest first."""
        tests = [("about = ?", about), ("seq < ?", before)]
        asked = [(test, value) for test, value in tests if value is not None]
        where = f"WHERE {' AND '.join(test for test, _ in asked)}" if asked else ""
        size = _page(limit)
        found = await self._all(
            Action, f"{where} ORDER BY seq DESC LIMIT ?", *(value for _, value in asked), size + 1
        )
        return Page(found[:size], found[size - 1].seq if len(found) > size else None)

    async def act_done(self, act: str, since: datetime, lane: str = ANSWERS) -> bool:
        """Return whether a line of the journal since then says that it ends this act of a centre's."""
        sql = f"SELECT 1 FROM journal WHERE at >= ? AND json_extract(body, '$.{ASKED}.{ACT}') = ? LIMIT 1"  # noqa: S608
        values = microseconds(since), act
        return await self._read(lambda c: c.execute(sql, values).fetchone() is not None, lane)

    async def equipment(self, about: str | None = None) -> tuple[EquipmentEvent, ...]:
        """Return replacements and visits by date, of one position or of all."""
        if about is None:
            return await self._all(EquipmentEvent, "ORDER BY at, seq")
        return await self._all(EquipmentEvent, "WHERE about = ? ORDER BY at, seq", about)

    async def evidence(self, bank: str, *, since: datetime | None = None) -> tuple[Evidence, ...]:
        """Return what is known of a bank's discharges and measurements, oldest first."""
        from_us = -(2**62) if since is None else microseconds(since)
        return await self._all(Evidence, "WHERE bank = ? AND at >= ? ORDER BY at, id", bank, from_us)

    async def evidence_listed(
        self,
        bank: str,
        schema: str,
        *,
        start: datetime,
        end: datetime,
        after: Place | None = None,
        limit: int = 200,
    ) -> Placed[Evidence]:
        """Return a bank's evidence of one form from a span, newest first. `after`: where the part before ended."""
        size = _page(limit)
        found = await self._all(
            Evidence,
            "WHERE bank = ? AND schema = ? AND at >= ? AND at < ? AND (at, id) < (?, ?) ORDER BY at DESC, id DESC LIMIT ?",
            bank,
            schema,
            microseconds(start),
            microseconds(end),
            *_before(after),
            size + 1,
        )
        last = found[size - 1] if len(found) > size else None
        return Placed(found[:size], None if last is None else (last.at, last.id))

    async def one_evidence(self, evidence: str) -> Evidence | None:
        """Return one piece of evidence."""
        return await self._one(Evidence, "WHERE id = ?", evidence)

    async def open_evidence(self) -> tuple[Evidence, ...]:
        """Return the discharges still being recorded, which a start has to go on with."""
        return await self._all(Evidence, "WHERE until IS NULL ORDER BY at, id")

    async def brought_after(self, row: int) -> tuple[int, frozenset[str]]:
        """Return the newest row of evidence, and the banks that somebody brought evidence of after the row given.

        Rows are numbered as they are kept, one that is put right gets a new number; whoever writes, even another
        process. Only rows after the one given are looked at.
        """

        def look(connection: sqlite3.Connection) -> tuple[int, frozenset[str]]:
            newest = connection.execute("SELECT max(rowid) FROM evidence").fetchone()[0] or 0
            query = "SELECT DISTINCT bank FROM evidence WHERE rowid > ? AND author IS NOT NULL"
            return newest, frozenset(bank for (bank,) in connection.execute(query, (row,)))

        return await self.database.read(look)

    async def evidence_marks(self, schema: str) -> dict[str, tuple[int, int]]:
        """Return of each bank the newest row of its evidence of one form, and how many there are: others, once it is new."""
        query = "SELECT bank, max(rowid), count(*) FROM evidence WHERE schema = ? GROUP BY bank"
        found = await self._read(lambda c: c.execute(query, (schema,)).fetchall())
        return {bank: (newest, many) for bank, newest, many in found}

    async def discharges_ended(self, after: datetime, schema: str) -> tuple[EndedDischarge, ...]:
        """Return the discharges recorded here under a schema that ended after a moment, in the order of their ends."""
        query = """SELECT id, bank, kind, at, until FROM evidence
            WHERE until > ? AND author IS NULL AND schema = ? ORDER BY until, id"""
        sought = (microseconds(after), schema)
        found = await self._read(lambda c: c.execute(query, sought).fetchall())
        return tuple(
            EndedDischarge(name, bank, kind, moment(at), moment(until))
            for name, bank, kind, at, until in found
        )

    async def facts(self, card: str | None = None, *, schema: str | None = None) -> tuple[LearntFact, ...]:
        """Return the facts in force, of one card or of all, of one schema or of each."""
        rest = """AS f WHERE seq = (SELECT max(seq) FROM facts AS g WHERE g.card = f.card AND g.name = f.name)
            AND (? IS NULL OR card = ?) AND (? IS NULL OR schema = ?) ORDER BY card, name"""
        return await self._all(LearntFact, rest, card, card, schema, schema)

    async def proofs_mark(self) -> tuple[int, int]:
        """Return the numbers of the newest fact and the newest equipment event: what is made of them stands till these move."""

        def newest(connection: sqlite3.Connection) -> tuple[int, int]:
            row = connection.execute(
                "SELECT (SELECT max(seq) FROM facts), (SELECT max(seq) FROM equipment)"
            ).fetchone()
            return row[0] or 0, row[1] or 0

        return await self.database.read(newest)

    async def facts_after(self, seq: int) -> tuple[LearntFact, ...]:
        """Return every fact learnt after the one of that number, in order, whoever wrote it."""
        return await self._all(LearntFact, "WHERE seq > ? ORDER BY seq", seq)

    async def corrections(self) -> Mapping[str, Corrections]:
        """Return every correction set by id."""
        return {line.id: line for line in await self._all(Corrections)}

    async def snapshot(self, name: str) -> Snapshot | None:
        """Return the newest state kept under a name."""
        return await self._one(Snapshot, "WHERE name = ?", name)

    async def snapshots(self, prefix: str) -> tuple[Snapshot, ...]:
        """Return every state whose name begins so, by name."""
        return await self._all(Snapshot, "WHERE substr(name, 1, ?) = ? ORDER BY name", len(prefix), prefix)

    async def judgement(self, about: str) -> JudgementLine | None:
        """Return the newest judgement of a subject."""
        return await self._one(JudgementLine, "WHERE about = ? ORDER BY seq DESC LIMIT 1", about)

    async def judgements(
        self, about: str, *, before: int | None = None, limit: int = 200
    ) -> Page[JudgementLine]:
        """Return judgements of a subject, newest first."""
        size = _page(limit)
        found = await self._all(
            JudgementLine,
            "WHERE about = ? AND seq < ? ORDER BY seq DESC LIMIT ?",
            about,
            2**62 if before is None else before,
            size + 1,
        )
        return Page(found[:size], found[size - 1].seq if len(found) > size else None)

    async def engines(self) -> Mapping[str, EngineBoots]:
        """Return every SNMP engine known, by id."""
        return {line.engine: line for line in await self._all(EngineBoots)}

    async def signed(self) -> tuple[tuple[SignedLine, CourseLine | None], ...]:
        """Return every signed plan with how far it has come, in the order of their starts."""
        plans = await self._all(SignedLine, "ORDER BY starts_at, signed_at, id")
        courses = {line.plan: line for line in await self._all(CourseLine)}
        return tuple((line, courses.get(line.id)) for line in plans)

    async def counts(self) -> Mapping[str, int]:
        """Return how many lines each table holds."""
        names = sorted(TABLES.values())
        return await self._read(
            lambda c: {n: c.execute(f"SELECT count(*) FROM {n}").fetchone()[0] for n in names}  # noqa: S608
        )


def _page(limit: int) -> int:
    return max(1, min(limit, LONGEST_PAGE))


def _before(place: Place | None) -> tuple[int, str]:
    """Return the time and the id that what follows a place is below; of no place, above all."""
    return (2**62, "") if place is None else (microseconds(place[0]), place[1])
