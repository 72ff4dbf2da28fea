"""Tries every way to the people of an estate once, with the channels running only for that."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from collector.configuration import Configuration
from collector.configuration.people.tables import PersonTable
from collector.messaging.channels.channel import Channel, ChannelDown, NeverTaken, NotNow, why
from collector.messaging.delivery.letter import Letter, Reach
from collector.messaging.delivery.office import channels_of, collector_name, home_zone
from collector.messaging.delivery.recipients import outgoing
from collector.process.clock import Clock, SystemClock
from collector.storage.ledger.records import JournalLine, Outgoing
from rules.alarms.incidents.incident import Notice, NoticeKind
from rules.values.severity import Severity

CONNECT_S = 2.0


@dataclass(frozen=True, slots=True)
class TestMessage:
    """What came of one test message."""

    person: str
    channel: str
    address: str | None
    delivered: bool
    result: str
    at: datetime

    def line(self) -> JournalLine:
        """Return it as a line of the journal."""
        went = "arrived" if self.delivered else "failed"
        return JournalLine(
            at=self.at,
            kind="message_test",
            about=None,
            text=f"A test message to {self.person} by {self.channel} {went}: {self.result}",
            schema="trial/1",
            body={
                "person": self.person,
                "channel": self.channel,
                "destination": self.address,
                "delivered": self.delivered,
                "result": self.result,
            },
        )


async def test_delivery(
    people: Sequence[PersonTable],
    channels: Mapping[str, Channel],
    clock: Clock,
    *,
    collector: str,
    time_zone: str,
) -> tuple[TestMessage, ...]:
    """Send one test message to each person by each of their ways, and return what came back.

    The channels must run (a broker needs its connection). Nothing is queued or tried again.
    """
    trials: list[TestMessage] = []
    for person in people:
        for reach in person.reach:
            message = _test_message(
                person, Reach(reach.channel, reach.address), clock.now(), collector, time_zone
            )
            try:
                result = await channels[reach.channel].send(message)
                delivered = True
            except (ChannelDown, NotNow, NeverTaken) as error:
                result, delivered = why(error), False
            trials.append(
                TestMessage(
                    person.name,
                    reach.channel,
                    reach.address,
                    delivered=delivered,
                    result=result,
                    at=clock.now(),
                )
            )
    return tuple(trials)


test_delivery.__test__ = False  # type: ignore[attr-defined]  # not a test case, whatever its name suggests


def _test_message(person: PersonTable, way: Reach, at: datetime, collector: str, time_zone: str) -> Outgoing:
    incident = f"test-{at:%Y%m%dT%H%M%S}"
    notice = Notice(
        id=f"{incident}.1",
        incident=incident,
        kind=NoticeKind.OPENED,
        severity=Severity.WARNING,
        at=at,
        site=None,
        about="ridethrough",
        what=f"This is a test message of ridethrough at {collector}. Nothing is wrong.",
        do="Nothing; tell whoever sent it that it arrived.",
        by_when=None,
        lines=(),
        short=f"ridethrough {collector}: test message. Nothing is wrong; say that it arrived.",
        urgent=False,
        opened_at=at,
    )
    letter = Letter(notice, person.name, way.address, person.time_zone or time_zone, collector)
    return outgoing(letter, way, created=at, due=at)


async def try_all(configuration: Configuration, people: Sequence[PersonTable]) -> tuple[TestMessage, ...]:
    """Return what came of one test message to each person by each way."""
    clock = SystemClock()
    channels = channels_of(configuration, clock, alive=False)
    running = [
        asyncio.create_task(channel.run(), name=f"channel {name}") for name, channel in channels.items()
    ]
    try:
        # A broker's connection takes a moment; what is not up by then is what the person wants to hear of.
        await asyncio.wait(
            running,
            timeout=CONNECT_S if any(c.kind == "mqtt" for c in configuration.channels.values()) else 0.05,
        )
        return await test_delivery(
            people,
            channels,
            clock,
            collector=collector_name(configuration),
            time_zone=home_zone(configuration),
        )
    finally:
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)
