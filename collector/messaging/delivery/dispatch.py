"""From changes to messages: what brokers and people get of one step, for the transaction that keeps it.

    async with ledger.transaction() as tx:
        ...                      # the changes themselves
        dispatch.enqueue(tx, changes)

So nothing is told that was not recorded, and nothing recorded stays untold, whenever a kill comes. (A full disk makes
both wait in memory: then it is told, and recorded once there is room.)
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any, cast
from urllib.parse import quote

from collector.configuration.people.people import People
from collector.messaging.delivery.letter import POST, Post, notice_fields
from collector.messaging.delivery.recipients import letter_to, letters
from collector.storage.ledger.records import JournalLine, Outgoing
from collector.storage.ledger.transaction import Transaction
from rules.alarms.incidents.incident import IncidentChange, Notice
from rules.alarms.lifecycle.alarm import Alarm, Happened
from rules.alarms.lifecycle.states import State
from rules.monitor.outputs import Change
from rules.phrasing.reasons import say
from rules.phrasing.wire import to_json
from rules.plant.topology import Topology

ALARM_EXPIRY_S = 7 * 86_400.0
"""A retained alarm that nobody renews vanishes from the broker after this long."""


@dataclass(frozen=True)
class Dispatch:
    """Turns changes into messages. `brokers`: channels that get every alarm change and every notice.

    `collector` names this service to others.
    """

    topology: Topology
    people: People
    collector: str
    brokers: tuple[str, ...] = ()

    def enqueue(self, tx: Transaction, changes: Sequence[Change]) -> None:
        """Put the messages that changes cause into the outbox."""
        for change in changes:
            if isinstance(change, Happened):
                for broker in self.brokers:
                    tx.enqueue(_alarm_post(broker, change))
            elif isinstance(change, IncidentChange) and change.notice is not None:
                self._tell(tx, change.notice)

    def _tell(self, tx: Transaction, notice: Notice) -> None:
        messages = letters(notice, self.people, self.topology, collector=self.collector)
        for message in messages:
            tx.enqueue(message)
        for broker in self.brokers:
            tx.enqueue(_notice_post(broker, notice))
        if not messages and not self.brokers:
            text = f"Nobody is told: {notice.what}"
            tx.add_event(JournalLine(notice.at, "told_nobody", notice.about, text, incident=notice.incident))

    def tell_these(self, tx: Transaction, notice: Notice, names: Collection[str]) -> None:
        """Put a notice for people who are named, whatever their hours, and for the brokers into the outbox.

        It goes to whoever was told of its incident by the time that its turn comes.
        """
        for person in self.people.persons:
            if person.name in names:
                zone = self.people.zone_of(person)
                tx.enqueue(letter_to(person, notice, 0.0, zone, self.collector, told_only=True))
        for broker in self.brokers:
            tx.enqueue(_notice_post(broker, notice))


def _alarm_post(broker: str, change: Happened) -> Outgoing:
    alarm = change.alarm
    message_id = f"{alarm.id}@{change.at.isoformat(timespec='microseconds')}/{change.event.value}"
    payload = None if alarm.state is State.NORMAL else {"message_id": message_id, **alarm_data(alarm)}
    post = Post(f"alarm/{quote(alarm.id, safe=':._-')}", payload, expiry_s=ALARM_EXPIRY_S)
    return Outgoing(
        id=f"{message_id}/{broker}",
        channel=broker,
        destination="",
        order_key=alarm.id,
        created=change.at,
        due=change.at,
        urgent=alarm.severity.rank >= 2,
        incident=alarm.incident,
        schema=POST,
        body=post.body(),
    )


def _notice_post(broker: str, notice: Notice) -> Outgoing:
    payload = {"message_id": notice.id, **notice_fields(notice)}
    post = Post(f"incident/{quote(notice.incident, safe=':._-')}", payload, retain=False)
    return Outgoing(
        id=f"{notice.id}/{broker}",
        channel=broker,
        destination="",
        order_key=notice.incident,
        created=notice.at,
        due=notice.at,
        urgent=notice.urgent,
        incident=notice.incident,
        schema=POST,
        body=post.body(),
    )


def alarm_data(alarm: Alarm) -> dict[str, Any]:
    """Return an alarm as ALARM of the HTTP interface, without whom it was told to."""
    data = to_json(
        {
            "id": alarm.id,
            "about": alarm.about,
            "what": say(alarm.what),
            "do": say(alarm.do),
            "severity": alarm.severity,
            "state": alarm.state,
            "since": alarm.since,
            "by_when": alarm.by_when,
            "by_when_for": alarm.by_when_for,
            "incident": alarm.incident,
            "acknowledged": alarm.acknowledged,
            "shelved_until": alarm.shelved_until,
        }
    )
    return cast("dict[str, Any]", data)
