"""Everything about delivery in one object, built from the configuration; the service holds it.

office = PostOffice.of(configuration, ledger, clock)
async with asyncio.TaskGroup() as tasks:
    tasks.create_task(office.run())
...
async with ledger.transaction() as tx:
    office.recorder.record(tx, changes, state)
office.wake()
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import datetime
from typing import cast

from collector.configuration import channel_tables
from collector.configuration.loading import Configuration
from collector.configuration.secrets import AnySecret, CommunitySecret, Login, Token
from collector.configuration.settings_tables import DeliveryTable
from collector.messaging.centre.site_feed import SiteFeed
from collector.messaging.channels.channel import Channel
from collector.messaging.channels.command import CommandChannel
from collector.messaging.channels.heartbeat import Heartbeat
from collector.messaging.channels.mail import MailChannel
from collector.messaging.channels.snmp_notification import SnmpChannel
from collector.messaging.channels.syslog import SyslogChannel
from collector.messaging.channels.webhook import WebhookChannel
from collector.messaging.delivery.answer_links import AnswerLinks
from collector.messaging.delivery.dispatch import Dispatch
from collector.messaging.delivery.handover import Handover
from collector.messaging.delivery.letter import LETTER, Letter, Telling
from collector.messaging.delivery.outbox import HELD, Outbox
from collector.messaging.delivery.rate import RateLimit
from collector.messaging.mqtt.heard_answers import AnswerBox
from collector.messaging.mqtt.other_collectors import Neighbours
from collector.messaging.mqtt.publisher import MqttChannel
from collector.process.clock import Clock
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import Outgoing, Sending
from collector.storage.ledger.transaction import Transaction
from rules.alarms.incidents.incident import NoticeKind
from rules.monitor.outputs import Change
from rules.plant.topology import Topology


def collector_name(configuration: Configuration) -> str:
    """Return this collector's name in topics and events."""
    return configuration.delivery.collector or next(iter(configuration.estate.sites))


def home_zone(configuration: Configuration) -> str:
    """Return the time zone of the first site."""
    return next(iter(configuration.estate.sites.values())).time_zone


def channels_of(
    configuration: Configuration,
    clock: Clock,
    neighbours: Neighbours | None = None,
    *,
    alive: bool = True,
    links: AnswerLinks | None = None,
    answers: AnswerBox | None = None,
    feed_of: Callable[[], SiteFeed] | None = None,
) -> dict[str, Channel]:
    """Return every declared channel, ready to run; nothing is connected yet.

    `alive` False for channels beside those of the running service: they say nothing of its life. `links`: by which
    people answer; `answers` gets what they answer by a broker. `neighbours`
    gets what the brokers say of other collectors. `feed_of` makes what a broker's centre is told.
    """
    found: dict[str, Channel] = {}
    for settings in configuration.channels.values():
        secret = configuration.secrets.get(getattr(settings, "secret", None) or "")
        found[settings.id] = _channel(
            settings,
            secret,
            configuration.delivery,
            collector_name(configuration),
            clock,
            neighbours=neighbours,
            alive=alive,
            links=links,
            answers=answers,
            feed_of=feed_of,
        )
    return found


def _channel(
    settings: channel_tables.Channel,
    secret: AnySecret | None,
    delivery: DeliveryTable,
    collector: str,
    clock: Clock,
    *,
    neighbours: Neighbours | None,
    alive: bool,
    links: AnswerLinks | None,
    answers: AnswerBox | None,
    feed_of: Callable[[], SiteFeed] | None,
) -> Channel:
    login = secret if isinstance(secret, Login) else None
    match settings:
        case channel_tables.MqttSettings():
            return MqttChannel(
                settings,
                login,
                collector=collector,
                clock=clock,
                heartbeat_s=delivery.heartbeat_every_s,
                alive=alive,
                neighbours=neighbours,
                answers=answers,
                feed=feed_of() if feed_of is not None and settings.tells_centre else None,
            )
        case channel_tables.MailSettings():
            return MailChannel(settings, login, links)
        case channel_tables.WebhookSettings():
            return WebhookChannel(settings, secret if isinstance(secret, Token) else None, clock, links)
        case channel_tables.CommandSettings():
            return CommandChannel(settings, links)
        case channel_tables.SyslogSettings():
            return SyslogChannel(settings)
        case channel_tables.SnmpSettings():
            return SnmpChannel(settings, cast("CommunitySecret", secret), clock)


class PostOffice:
    """Channels, outbox, heartbeat and dispatch of one collector."""

    def __init__(
        self,
        *,
        ledger: Ledger,
        clock: Clock,
        channels: Mapping[str, Channel],
        dispatch: Dispatch,
        delivery: DeliveryTable,
        neighbours: Neighbours | None = None,
    ) -> None:
        self.dispatch = dispatch
        self.neighbours = neighbours or Neighbours((), clock)
        self.channels = dict(channels)
        self.outbox = Outbox(ledger, channels, clock, RateLimit(delivery.most_messages, delivery.within_s))
        self.told: dict[str, tuple[Telling, ...]] = {}
        """Who was told of each incident that is looked after: see `refresh_told`."""
        self._told_in: dict[str, str | None] = {}
        self._ledger = ledger
        self._clock = clock
        self.handover = Handover(
            ledger, clock, dispatch.people, dispatch.topology, collector=dispatch.collector
        )
        self._heartbeat = Heartbeat(
            [channels[name] for name in delivery.heartbeat_by],
            clock,
            every_s=delivery.heartbeat_every_s,
            collector=dispatch.collector,
        )

    @classmethod
    def of(
        cls,
        configuration: Configuration,
        ledger: Ledger,
        clock: Clock,
        links: AnswerLinks | None = None,
        answers: AnswerBox | None = None,
        *,
        feed_of: Callable[[], SiteFeed] | None = None,
    ) -> PostOffice:
        """Return the post office that an estate file asks for.

        `links`: by which people answer, `answers`: what they do by brokers; `feed_of` makes what a broker's centre is told.
        """
        dispatch = Dispatch(
            topology=Topology(configuration.estate),
            people=configuration.people,
            collector=collector_name(configuration),
            brokers=tuple(c.id for c in configuration.channels.values() if c.kind == "mqtt"),
        )
        neighbours = Neighbours(configuration.delivery.collectors, clock)
        return cls(
            ledger=ledger,
            clock=clock,
            channels=channels_of(
                configuration, clock, neighbours, links=links, answers=answers, feed_of=feed_of
            ),
            dispatch=dispatch,
            delivery=configuration.delivery,
            neighbours=neighbours,
        )

    async def run(self) -> None:
        """Deliver until cancelled."""
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self.outbox.run(), name="outbox")
            tasks.create_task(self._heartbeat.run(), name="heartbeat")
            tasks.create_task(self.handover.run(), name="handover")

    def enqueue(self, tx: Transaction, changes: Sequence[Change]) -> None:
        """Put the messages that changes cause into the transaction that keeps them."""
        self.dispatch.enqueue(tx, changes)

    def wake(self) -> None:
        """Look at the outbox at once; to be called after each commit."""
        self.outbox.wake()

    @property
    def has_brokers(self) -> bool:
        """Return whether anybody takes the newest state."""
        return any(isinstance(channel, MqttChannel) for channel in self.channels.values())

    def set_state(self, kind: str, about: str, data: Mapping[str, object], *, expiry_s: float) -> None:
        """Publish the newest state of a system or unit to every broker. Never blocks; older ones are dropped."""
        for channel in self.channels.values():
            if isinstance(channel, MqttChannel):
                channel.set_state(kind, about, data, expiry_s=expiry_s)

    async def refresh_told(self, incidents: Collection[str]) -> None:
        """Bring `told` up to date for these incidents, and forget all others."""
        for new in set(incidents) - set(self._told_in):
            self._told_in[new] = await told_in(self._ledger, new)
        touched = self.outbox.touched
        dirty = {i for i in incidents if i in touched or i not in self.told or self._told_in[i] in touched}
        touched.clear()
        for incident in sorted(dirty):
            self.told[incident] = await told(self._ledger, incident)
        for gone in set(self._told_in) - set(incidents):
            del self._told_in[gone]
            self.told.pop(gone, None)

    def failing(self) -> dict[str, bool | None]:
        """Return for each channel whether it fails now, None where nobody tried yet."""
        return {name: health.failing for name, health in self.outbox.health.items()}

    def reasons(self) -> dict[str, str]:
        """Return for each failing channel what came back."""
        return {name: health.reason for name, health in self.outbox.health.items() if health.reason}

    def refused(self) -> dict[str, int]:
        """Return for each channel how many messages were given up since the last call."""
        found = {name: health.refused for name, health in self.outbox.health.items()}
        for health in self.outbox.health.values():
            health.refused = 0
        return found

    async def oldest_s(self) -> float:
        """Return how long the oldest message that is due has waited, 0 when none does.

        It waits from when it was due, or its line was: what stands in line behind something that somebody is told only if
        nobody answers waits as it should, and so does what the allowance holds for a summary. One that was tried in vain waits
        from when it was made.
        """
        now = self._clock.now()
        waiting: list[Outgoing] = []
        before: int | None = None
        while True:
            page = await self._ledger.messages(sending=Sending.WAITING, before=before, limit=1000)
            waiting += page.items
            if page.next is None:
                break
            before = page.next
        oldest, ready = now, dict[tuple[str, str, str], datetime]()
        for message in reversed(waiting):  # the oldest first
            line = message.channel, message.destination, message.order_key
            tried = message.attempts > 0 and message.result != HELD
            since = message.created if tried else message.due
            ready[line] = max(since, ready.get(line, since))
            oldest = min(oldest, ready[line])
        return (now - oldest).total_seconds()


async def told(ledger: Ledger, incident: str) -> tuple[Telling, ...]:
    """Return who was told of an incident, by what, and what came back, oldest first.

    Of one that was handed over by another at its end they were told by that one's closing notice.
    """
    before = await told_in(ledger, incident)
    found = (
        []
        if before is None
        else [t for t, kind in await _tellings(ledger, before) if kind is NoticeKind.CLOSED]
    )
    return (*found, *(telling for telling, _ in await _tellings(ledger, incident)))


async def told_in(ledger: Ledger, incident: str) -> str | None:
    """Return the incident whose end handed this one over; None for one with a beginning of its own."""
    line = await ledger.incident(incident)
    return None if line is None else line.body.get("told_in")


async def _tellings(ledger: Ledger, incident: str) -> list[tuple[Telling, NoticeKind]]:
    found: list[tuple[Telling, NoticeKind]] = []
    before: int | None = None
    while True:
        page = await ledger.messages(incident=incident, before=before)
        for line in page.items:
            if line.schema != LETTER or line.sending is Sending.UNNEEDED:
                continue
            letter = Letter.of(line.body)
            result = "waiting" if line.sending is Sending.WAITING and not line.attempts else line.result
            telling = Telling(
                letter.person, line.channel, line.created, result, handed_over=line.sending is Sending.SENT
            )
            found.append((telling, letter.notice.kind))
        if page.next is None:
            return found[::-1]
        before = page.next
