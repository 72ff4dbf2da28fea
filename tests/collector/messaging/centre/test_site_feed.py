"""What a site tells a centre: parts when they are new, the journal until it is had; by a real broker too."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import aiomqtt
import pytest

from collector.configuration import Configuration
from collector.configuration.channel_tables import MqttSettings
from collector.configuration.secrets import Login
from collector.messaging.centre.parts import (
    AlarmsPart,
    HadPart,
    PlantPart,
    RecordPart,
    SystemPart,
    Told,
    payload_of,
    told_of,
)
from collector.messaging.centre.site_feed import AT_REST_EVERY_S, LINES, SiteFeed
from collector.messaging.mqtt.publisher import MqttChannel
from collector.process.clock import Clock, SystemClock, TurnedClock
from collector.recorder.current_state import Present
from collector.storage.ledger.ledger import Ledger
from collector.storage.ledger.records import IncidentLine, JournalLine
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle.alarm import new_alarm
from rules.alarms.lifecycle.states import State
from rules.system.state import OnBattery
from tests.collector.messaging.sinks import PASSWORD, USER, Broker
from tests.rules.sample_plant import estate, overdue_bank, reading, system_state

AT = datetime(2026, 11, 24, 10, tzinfo=UTC)


@dataclass
class Heard:
    """A broker that keeps what is published, by topic, in order."""

    all: list[tuple[str, Told]] = field(default_factory=list)
    kept: dict[str, bool] = field(default_factory=dict)

    async def publish(self, topic: str, payload: bytes, retain: bool, _expiry_s: float | None) -> None:
        self.all.append((topic, told_of(topic, payload)))
        self.kept[topic] = retain

    def take(self) -> dict[str, Any]:
        found = {topic: told.part for topic, told in self.all}
        self.all.clear()
        return found


def feed(ledger: Ledger, clock: Clock, present: Present) -> SiteFeed:
    """Return what tells of the sample plant."""
    configuration = SimpleNamespace(
        title="North", version="abc", polling=SimpleNamespace(every_s=10.0), estate=present.estate
    )
    return SiteFeed(cast("Configuration", configuration), ledger, clock, present, dict)


def line(number: int, incident: str | None = None) -> JournalLine:
    return JournalLine(AT + timedelta(seconds=number), "note", "W1", f"line {number}", incident)


async def write(ledger: Ledger, *numbers: int) -> None:
    async with ledger.transaction() as tx:
        tx.add_events(line(number) for number in numbers)


def had(book: str, until: int) -> bytes:
    return payload_of(Told("centre", 1, AT, HadPart(book, until)))


def present() -> Present:
    found = Present(estate(), readings={"W1": reading("W1", 1.0)}, banks={"b": overdue_bank("W1")})
    found.show_system(system_state("works", 10.0))
    alarm = replace(new_alarm(CATALOGUE["on_battery"], "W1", "", 0.0), state=State.ACTIVE_UNACKNOWLEDGED)
    found.show_alarm(alarm.id, alarm)
    return found


async def test_all_parts_are_told_first_and_then_what_is_new(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        clock, now, heard = TurnedClock(AT), present(), Heard()
        telling = feed(ledger, clock, now)
        await telling.tell(heard.publish)
        first = heard.take()
        assert set(first) == {"plant", "alarms", "system/works", "bank/b", "beat"}
        assert {topic for topic, kept in heard.kept.items() if not kept} == {"beat"}
        assert first["system/works"] == SystemPart(now.systems["works"], readings=(now.readings["W1"],))
        assert [alarm.id for alarm in first["alarms"].alarms] == ["on_battery:W1"]
        await telling.tell(heard.publish)
        assert heard.take() == {}
        now.keep(reading("W1", 2.0))
        await telling.tell(heard.publish)
        assert heard.take() == {}  # figures alone wait for their turn
        await clock.advance(AT_REST_EVERY_S)
        await telling.tell(heard.publish)
        assert set(heard.take()) == {"system/works", "beat"}
        dark = OnBattery(AT, AT + timedelta(minutes=9), None)
        now.show_system(replace(now.systems["works"], on_battery=dark))
        await telling.tell(heard.publish)
        assert set(heard.take()) == {"system/works"}  # what people act on goes at once


async def test_the_journal_is_told_behind_what_the_centre_has(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        clock, heard = TurnedClock(AT), Heard()
        telling = feed(ledger, clock, Present(estate()))
        await write(ledger, *range(1, LINES + 4))
        await telling.tell(heard.publish)
        first = heard.take()["record"]
        assert isinstance(first, RecordPart)
        assert (first.after, first.until) == (0, LINES)
        assert [one.text for one in first.lines] == [f"line {n}" for n in range(1, LINES + 1)]
        await clock.advance(60.0)
        await telling.tell(heard.publish)
        assert "record" not in heard.take()  # the broker keeps it, and the centre says when it has it
        telling.hear(had(first.book, LINES))
        await telling.tell(heard.publish)
        second = heard.take()["record"]
        assert (second.book, second.after, second.until) == (first.book, LINES, LINES + 3)
        telling.hear(had(first.book, LINES - 5))  # a centre put back from a copy
        await telling.tell(heard.publish)
        assert heard.take()["record"].after == LINES - 5
        telling.hear(had("another", 3))
        await telling.tell(heard.publish)
        assert heard.take()["record"].after == 0
        telling.hear(b"nonsense")
        telling.hear(had(first.book, LINES + 3))
        await telling.tell(heard.publish)
        assert "record" not in heard.take()


async def test_a_journal_put_back_from_an_older_copy_is_another_one(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        clock, heard = TurnedClock(AT), Heard()
        telling = feed(ledger, clock, Present(estate()))
        await write(ledger, 1, 2)
        await telling.tell(heard.publish)
        book = heard.take()["record"].book
        telling.hear(had(book, 9))
        await telling.tell(heard.publish)
        anew = heard.take()["record"]
        assert anew.book != book
        assert (anew.after, anew.until) == (0, 2)


async def test_incidents_that_lines_name_are_told_as_they_stand(tmp_path: Path) -> None:
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        heard = Heard()
        telling = feed(ledger, TurnedClock(AT), present())
        closed = IncidentLine("power-1", "main", "major", AT, AT + timedelta(hours=1))
        going_on = IncidentLine("bank-1", "b", "warning", AT)
        async with ledger.transaction() as tx:
            tx.save_incident(closed)
            tx.save_incident(going_on)
            tx.add_event(line(1, "power-1"))
        await telling.tell(heard.publish)
        found = heard.take()
        assert found["record"].incidents == (closed,)
        assert found["alarms"].incidents == (going_on,)


# ---- by a real broker ---------------------------------------------------------------------------------------


class Hasty(SystemClock):
    """A clock on which seconds are fiftieths."""

    def monotonic_s(self) -> float:
        return super().monotonic_s() * 50.0

    async def sleep_until(self, monotonic_s: float) -> None:
        await asyncio.sleep(max(monotonic_s - self.monotonic_s(), 0.0) / 50.0)


def client(broker: Broker) -> aiomqtt.Client:
    return aiomqtt.Client(
        "127.0.0.1", broker.port, username=USER, password=PASSWORD, tls_context=broker.trusting(),
        protocol=aiomqtt.ProtocolVersion.V5,
    )  # fmt: skip


@contextlib.asynccontextmanager
async def running(broker: Broker, telling: SiteFeed, clock: Clock) -> AsyncIterator[MqttChannel]:
    settings = MqttSettings(
        id="broker", kind="mqtt", host="127.0.0.1", port=broker.port, secret="broker", tells_centre=True,
        authority_file=str(broker.files.certificate), keep_alive_s=5,
    )  # fmt: skip
    login = Login.model_validate({"user": USER, "password": PASSWORD})
    channel = MqttChannel(settings, login, collector="north", clock=clock, feed=telling)
    task = asyncio.create_task(channel.run())
    try:
        yield channel
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def take_journal(broker: Broker, lines: list[JournalLine], enough: int) -> None:
    """Take the journal as a centre would, until there are so many lines."""
    base = "ridethrough/north/centre"
    async with asyncio.timeout(60), client(broker) as centre:
        await centre.subscribe(f"{base}/record", qos=1)
        async for one in centre.messages:
            part = told_of("record", bytes(one.payload)).part
            assert isinstance(part, RecordPart)
            fresh = [of for of in part.lines if not lines or of.seq > lines[-1].seq]
            lines += fresh
            await centre.publish(f"{base}/had", had(part.book, lines[-1].seq), qos=1, retain=True)
            if len(lines) >= enough:
                return


@pytest.mark.real_server
async def test_the_journal_arrives_whole_and_in_order_though_the_broker_is_killed_and_forgets(
    tmp_path: Path,
) -> None:
    broker, clock, lines = Broker(tmp_path), Hasty(), list[JournalLine]()
    broker.start()
    async with Ledger(tmp_path / "ledger.sqlite") as ledger:
        await write(ledger, *range(500))
        async with running(broker, feed(ledger, clock, present()), clock):
            await take_journal(broker, lines, 300)
            broker.stop()
            await write(ledger, *range(500, 600))
            broker.start()
            await take_journal(broker, lines, 600)
        async with client(broker) as late:  # whoever comes later has every part, not the signs of life
            await late.subscribe("ridethrough/north/centre/#", qos=1)
            kept: dict[str, Told] = {}
            async with asyncio.timeout(60):
                async for one in late.messages:
                    topic = str(one.topic).removeprefix("ridethrough/north/centre/")
                    kept[topic] = told_of(topic, bytes(one.payload))
                    if len(kept) >= 6:
                        break
        broker.stop()
    assert [one.text for one in lines] == [f"line {n}" for n in range(600)]
    assert set(kept) == {"plant", "alarms", "system/works", "bank/b", "record", "had"}
    assert isinstance(kept["plant"].part, PlantPart)
    assert isinstance(kept["alarms"].part, AlarmsPart)
