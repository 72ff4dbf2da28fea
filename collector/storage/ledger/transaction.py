"""What is written together: the lines of one transaction, gathered and put into the ledger as one."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from collector.storage.ledger.full_disk import Statement
from collector.storage.ledger.records import (
    Action,
    AlarmLine,
    Corrections,
    CourseLine,
    EngineBoots,
    EquipmentEvent,
    Evidence,
    IncidentLine,
    JournalLine,
    JudgementLine,
    LearntFact,
    Outgoing,
    Sending,
    SignedLine,
    Snapshot,
)
from collector.storage.ledger.rows import TABLES, change, insertion, microseconds, shape_of
from collector.storage.ledger.whence import Whence, asking, with_whence


class Transaction:
    """Lines to be written together. Made by `Ledger.transaction`."""

    def __init__(self) -> None:
        self.statements: list[Statement] = []
        self.journal: tuple[JournalLine, ...] = ()
        """The journal lines with the numbers they were given; empty until the commit. While the lines wait for the
        disk, the numbers are those they would get now."""
        self.settled: set[str] = set()
        """The messages that are not to be sent any more."""
        self._events: list[JournalLine] = []
        self._whence = asking.get()

    def save_line(self, line: object) -> None:
        """Keep a line whole, new or in the place of the one with its key."""
        self._save(line)

    def change_line(self, line: object) -> None:
        """Change the line with its key, where there still is one."""
        self.statements.append(Statement(*change(line)))

    def drop_line(self, kind: type[object], key: str) -> None:
        """Let go of the line with a key."""
        name = shape_of(kind).columns[0]
        sql = f"DELETE FROM {TABLES[kind]} WHERE {name} = ?"  # noqa: S608
        self.statements.append(Statement(sql, (key,), (TABLES[kind], key)))

    def drop_lines(self, kind: type[object], where: str, value: str | datetime) -> None:
        """Let go of the lines that a clause with one value selects."""
        given = microseconds(value) if isinstance(value, datetime) else value
        self.statements.append(Statement(f"DELETE FROM {TABLES[kind]} WHERE {where}", (given,)))  # noqa: S608

    def _save(self, line: object) -> None:
        sql, values = insertion(line, replace=True)  # the first column of what is saved whole is its key
        self.statements.append(Statement(sql, values, (TABLES[type(line)], values[0])))

    def _add(self, line: object) -> None:
        self.statements.append(Statement(*insertion(line)))

    def save_alarm(self, alarm: AlarmLine) -> None:
        """Keep an alarm as it now stands."""
        self._save(alarm)

    def save_incident(self, incident: IncidentLine) -> None:
        """Keep an incident as it now stands."""
        self._save(incident)

    def add_event(self, line: JournalLine) -> None:
        """Add a line to the journal, with for whom it is made."""
        line = replace(line, body=with_whence(line.body, self._whence))
        self._add(line)
        self._events.append(line)

    def add_events(self, lines: Iterable[JournalLine]) -> None:
        """Add several lines to the journal, in order."""
        for line in lines:
            self.add_event(line)

    def bring_event(self, line: JournalLine, place: int) -> None:
        """Add a line that another ledger wrote, at a place among all; one that is there already changes nothing.

        Its number is the first from `place` on that is free; so lines brought to rising places stand in their order.
        """
        sql, values = insertion(line)
        names = sql.partition("(")[2].partition(")")[0]
        at = microseconds(line.at)
        self.statements.append(
            Statement(
                # neither begins as what this ledger writes itself: its numbers are nobody's to be given back
                f"INSERT OR IGNORE INTO journal (seq, {names}) SELECT ({_FREE}), {', '.join('?' for _ in values)} "  # noqa: S608
                "WHERE NOT EXISTS (SELECT 1 FROM journal WHERE at = ? AND kind = ? AND about IS ? AND text = ?)",
                (place, place, place, *values, at, line.kind, line.about, line.text),
            )
        )

    def bring_incident(self, incident: IncidentLine) -> None:
        """Keep an incident as another ledger has it; one that is closed stays so, whatever an older word says."""
        sql, values = insertion(incident)
        names = sql.partition("(")[2].partition(")")[0].split(", ")
        settings = ", ".join(f"{name} = excluded.{name}" for name in names[1:])
        self.statements.append(
            Statement(
                f"{sql} ON CONFLICT (id) DO UPDATE SET {settings} WHERE incidents.closed IS NULL OR excluded.closed IS NOT NULL",
                values,
            )
        )

    def enqueue(self, message: Outgoing) -> None:
        """Add a message to the outbox; one with an id that is there already changes nothing."""
        statement, values = insertion(message)
        self.statements.append(Statement(f"{statement} ON CONFLICT (id) DO NOTHING", values))

    def sent(self, message: str, result: str) -> None:
        """Record that a message arrived, and what came back."""
        self._tried(message, Sending.SENT, result, None)

    def unneeded(self, message: str, why: str) -> None:
        """Record that a message need not be sent any more, and why."""
        self._tried(message, Sending.UNNEEDED, why, None)

    def try_again(self, message: str, due: datetime, result: str) -> None:
        """Record a failed attempt and when the next is due."""
        self._tried(message, Sending.WAITING, result, microseconds(due))

    def give_up(self, message: str, result: str) -> None:
        """Record that a message is not tried again; it stays visible as a dead letter."""
        self._tried(message, Sending.DEAD, result, None)

    def move_due(self, by: timedelta) -> None:
        """Have every message that waits be due as soon as before, though the clock was set."""
        sql = "UPDATE outbox SET due = due + ? WHERE sending = 'waiting'"
        self.statements.append(Statement(sql, (by // timedelta(microseconds=1),)))

    def _tried(self, message: str, sending: Sending, result: str, due: int | None) -> None:
        if sending is not Sending.WAITING:
            self.settled.add(message)
        self.statements.append(
            Statement(
                "UPDATE outbox SET sending = ?, attempts = attempts + 1, result = ?, due = ifnull(?, due) WHERE id = ?",
                (str(sending), result, due, message),
            )
        )

    def add_action(self, action: Action, whence: Whence | None = None) -> None:
        """Add what an operator did, with for whom it is made."""
        self._add(replace(action, body=with_whence(action.body, whence or self._whence)))

    def add_equipment(self, event: EquipmentEvent) -> None:
        """Add a replacement or a visit."""
        self._add(event)

    def save_evidence(self, evidence: Evidence) -> None:
        """Keep a record of what a bank did, or a longer version of one still under way."""
        self._save(evidence)

    def drop_evidence(self, evidence: str) -> None:
        """Let go of what was made of a record that has been put right since."""
        sql = "DELETE FROM evidence WHERE id = ?"
        self.statements.append(Statement(sql, (evidence,), (TABLES[Evidence], evidence)))

    def learn(self, fact: LearntFact) -> None:
        """Add a fact about a card; the newest of its name is in force."""
        self._add(fact)

    def save_corrections(self, corrections: Corrections) -> None:
        """Keep a correction set, new or as it is now understood."""
        self._save(corrections)

    def save_snapshot(self, snapshot: Snapshot) -> None:
        """Keep the newest state of something."""
        self._save(snapshot)

    def drop_snapshot(self, name: str) -> None:
        """Let go of the state kept under a name."""
        sql = "DELETE FROM snapshots WHERE name = ?"
        self.statements.append(Statement(sql, (name,), (TABLES[Snapshot], name)))

    def add_signed(self, line: SignedLine) -> None:
        """Add a plan as it was signed; one with an id that is there already is an error."""
        self._add(line)

    def save_course(self, line: CourseLine) -> None:
        """Keep how far a signed plan has come."""
        self._save(line)

    def add_judgement(self, judgement: JudgementLine) -> None:
        """Add a judgement."""
        self._add(judgement)

    def save_engine(self, engine: EngineBoots) -> None:
        """Keep an SNMP engine's boots and time."""
        self._save(engine)

    def __bool__(self) -> bool:
        return bool(self.statements)

    def commit_to(self, connection: sqlite3.Connection) -> tuple[JournalLine, ...]:
        """Run the statements, in order, and return the journal lines numbered. The caller commits."""
        numbers: list[int] = []
        for statement in self.statements:
            cursor = connection.execute(statement.sql, statement.values)
            if statement.sql.startswith(_TO_JOURNAL):
                numbers.append(cursor.lastrowid or 0)
        return tuple(_numbered(line, seq) for line, seq in zip(self._events, numbers, strict=True))


_TO_JOURNAL: Final = "INSERT INTO journal "
_FREE: Final = """SELECT min(n) FROM (SELECT ? AS n UNION ALL SELECT seq + 1 FROM journal WHERE seq >= ? AND seq < ? + 100000)
    WHERE n NOT IN (SELECT seq FROM journal)"""


def _numbered(line: JournalLine, seq: int) -> JournalLine:
    return JournalLine(
        at=line.at,
        kind=line.kind,
        about=line.about,
        text=line.text,
        incident=line.incident,
        alarm=line.alarm,
        schema=line.schema,
        body=line.body,
        seq=seq,
    )
