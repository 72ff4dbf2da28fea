"""Notices, people and a post office for the tests of delivery."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from collector.configuration.people.people import People
from collector.configuration.people.tables import PersonTable, RotaTable
from collector.configuration.settings_tables import DeliveryTable
from collector.messaging.channels.channel import Channel
from collector.messaging.delivery.dispatch import Dispatch
from collector.messaging.delivery.office import PostOffice
from collector.process.clock import Clock
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Outgoing
from rules.alarms.catalogue import Cause
from rules.alarms.incidents.incident import Incident, IncidentChange, Notice, NoticeKind
from rules.alarms.lifecycle.alarm import Deadline
from rules.plant.topology import Topology
from rules.values.severity import Severity
from tests.rules.sample_plant import estate

AT = datetime(2026, 10, 9, 0, 14, 12, tzinfo=UTC)
"""A Friday, 01:14:12 by the clock in London."""


def notice(
    incident: str = "power-north-1",
    number: int = 1,
    *,
    kind: NoticeKind = NoticeKind.OPENED,
    severity: Severity = Severity.MAJOR,
    about: str = "works",
    site: str | None = "fellbeck",
    at: datetime = AT,
    opened_at: datetime = AT,
) -> Notice:
    return Notice(
        id=f"{incident}.{number}",
        incident=incident,
        kind=kind,
        severity=severity,
        at=at,
        site=site,
        about=about,
        what=f"Mains lost at main board B, message {number}.",
        do="See that set-1 runs and carries.",
        by_when=AT + timedelta(seconds=908),
        by_when_for=Deadline.START_SET,
        lines=("Treatment works: 3 units on battery.", "Say <b>nothing</b>."),
        short=f"Treatment works: mains lost, {number}",
        urgent=severity.rank >= 2,
        alarms=("on_battery:W1",),
        counted=12,
        opened_at=opened_at,
    )


def change(one: Notice) -> IncidentChange:
    incident = Incident(one.incident, one.incident, Cause.POWER, one.about, one.at, 0.0, one.severity)
    return IncidentChange(incident, one, one.at)


def person(name: str = "R. Haugen", **settings: Any) -> PersonTable:
    settings.setdefault("reach", [{"channel": "post", "address": "haugen@fellbeck.example"}])
    return PersonTable.model_validate({"name": name, **settings}, strict=False)


def office(
    ledger: Ledger,
    clock: Clock,
    channels: Mapping[str, Channel],
    people: tuple[PersonTable, ...],
    *,
    brokers: tuple[str, ...] = (),
    **delivery: Any,
) -> PostOffice:
    dispatch = Dispatch(Topology(estate()), everybody(*people), "fellbeck", brokers)
    return PostOffice(
        ledger=ledger,
        clock=clock,
        channels=channels,
        dispatch=dispatch,
        delivery=DeliveryTable.model_validate(delivery),
    )


def everybody(*persons: PersonTable, rotas: Sequence[RotaTable] = (), zone: str = "Europe/London") -> People:
    return People(persons, zone, {rota.id: rota for rota in rotas})


async def until(condition: Callable[[], bool]) -> None:
    """Wait, at most 15 s, until a condition holds."""
    async with asyncio.timeout(15):
        while not condition():  # noqa: ASYNC110 - what is waited for has no event
            await asyncio.sleep(0.01)


async def put(ledger: Ledger, where: PostOffice, *notices: Notice) -> None:
    async with ledger.transaction() as tx:
        where.enqueue(tx, [change(one) for one in notices])


class Scripted:
    """A channel that does what the test says: each item of `fails` is raised once, then all is taken."""

    batch = 1

    def __init__(self, channel_id: str = "post") -> None:
        self.id = channel_id
        self.fails: list[Exception] = []
        self.down: Exception | None = None
        self.taken: list[Outgoing] = []
        self.tried = 0

    async def run(self) -> None:
        pass

    async def send(self, message: Outgoing) -> str:
        self.tried += 1
        if self.down is not None:
            raise self.down
        if self.fails:
            raise self.fails.pop(0)
        self.taken.append(message)
        return "taken"

    def ids(self) -> list[str]:
        return [message.id for message in self.taken]
