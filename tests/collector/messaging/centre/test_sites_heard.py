"""A centre's connection to a real broker with the rights of `deploy/centre`: each site is heard as itself, and as nobody else."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import aiomqtt
import pytest

from collector.configuration.centre.file import CentreBrokerTable
from collector.configuration.secrets import Login
from collector.messaging.centre.parts import (
    BeatPart,
    HadPart,
    Part,
    RecordPart,
    Told,
    payload_of,
    told_of,
)
from collector.messaging.centre.sites_heard import SitesHeard
from collector.storage.database import StoreError, StoreFault
from tests.collector.messaging.cases import until
from tests.collector.messaging.centre.test_site_feed import Hasty
from tests.trials.brokers import RightsBroker, word_of

pytestmark = pytest.mark.real_server

AT = datetime(2026, 11, 24, 10, tzinfo=UTC)
SITES = ("north", "depot")


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[RightsBroker]:
    real = RightsBroker(tmp_path, *SITES, "centre")
    real.start()
    yield real
    real.stop()


@dataclass
class Taken:
    """Takes what is heard, and says what it has; `full` stands for a disk that takes nothing."""

    heard: list[tuple[str, str, Part, bool]] = field(default_factory=list)
    kept: dict[str, HadPart] = field(default_factory=dict)
    full: bool = False

    def had(self, site: str) -> HadPart | None:
        return self.kept.get(site)

    async def take(self, site: str, topic: str, told: Told, *, retained: bool) -> HadPart | None:
        if not isinstance(told.part, RecordPart):
            self.heard.append((site, topic, told.part, retained))
            return None
        if self.full:
            raise StoreError(Path("ledger"), StoreFault.FULL, "the disk is full")
        self.kept[site] = HadPart(told.part.book, told.part.until)
        return self.kept[site]


@contextlib.asynccontextmanager
async def centre(broker: RightsBroker) -> AsyncIterator[tuple[Taken, SitesHeard]]:
    table = CentreBrokerTable(
        host="127.0.0.1", port=broker.port, authority_file=str(broker.files.certificate), keep_alive_s=5
    )
    taken = Taken()
    login = Login.model_validate({"user": "centre", "password": word_of("centre")})
    hearing = SitesHeard(table, login, SITES, taken, Hasty())
    task = asyncio.create_task(hearing.run())
    try:
        await until(lambda: hearing.trouble is None)
        yield taken, hearing
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


def as_site(broker: RightsBroker, site: str) -> aiomqtt.Client:
    return aiomqtt.Client(
        "127.0.0.1", broker.port, username=site, password=word_of(site), tls_context=broker.trusting(),
        protocol=aiomqtt.ProtocolVersion.V5,
    )  # fmt: skip


def payload(part: Part) -> bytes:
    return payload_of(Told("run", 1, AT, part))


async def publish(client: aiomqtt.Client, site: str, topic: str, part: Part, *, retain: bool = False) -> None:
    with contextlib.suppress(aiomqtt.MqttError):  # a broker may say that it did not take it
        await client.publish(f"ridethrough/{site}/centre/{topic}", payload(part), qos=1, retain=retain)


async def test_a_site_cannot_speak_for_another(broker: RightsBroker) -> None:
    async with (
        centre(broker) as (taken, _),
        as_site(broker, "north") as north,
        as_site(broker, "depot") as depot,
    ):
        await publish(north, "depot", "beat", BeatPart(60.0))
        await publish(north, "depot", "record", RecordPart("forged", 0, 9), retain=True)
        await publish(north, "depot", "had", HadPart("b", 10**9), retain=True)
        await publish(north, "north", "beat", BeatPart(30.0))
        await publish(depot, "depot", "beat", BeatPart(25.0))
        await until(lambda: len(taken.heard) >= 2)
        assert [(site, part) for site, _, part, _ in taken.heard] == [
            ("north", BeatPart(30.0)), ("depot", BeatPart(25.0)),
        ]  # fmt: skip
        assert taken.kept == {}


async def test_a_site_cannot_read_what_another_tells(broker: RightsBroker) -> None:
    async with (
        centre(broker) as (taken, _),
        as_site(broker, "north") as north,
        as_site(broker, "depot") as depot,
    ):
        with contextlib.suppress(aiomqtt.MqttError):
            await north.subscribe("#", qos=1)
        for topic in ("ridethrough/depot/#", "ridethrough/+/centre/#", "ridethrough/north/centre/had"):
            await north.subscribe(topic, qos=1)
        await publish(depot, "depot", "record", RecordPart("b", 0, 3), retain=True)
        await until(lambda: "depot" in taken.kept)  # so it is at the broker, and whoever may read it has it
        await publish(north, "north", "record", RecordPart("n", 0, 7), retain=True)
        async with asyncio.timeout(30):
            async for message in north.messages:
                assert str(message.topic) == "ridethrough/north/centre/had"
                assert told_of("had", bytes(message.payload)).part == HadPart("n", 7)
                return


async def test_nobody_is_let_in_without_a_word_of_their_own(broker: RightsBroker) -> None:
    with pytest.raises(aiomqtt.MqttError):
        async with aiomqtt.Client(
            "127.0.0.1",
            broker.port,
            username="depot",
            password=word_of("north"),
            tls_context=broker.trusting(),
        ):
            pass


async def test_what_is_had_is_said_again_after_a_broker_forgot_and_after_a_disk_was_full(
    broker: RightsBroker,
) -> None:
    async def said(wanted: HadPart) -> None:
        async with asyncio.timeout(60), as_site(broker, "north") as north:
            await north.subscribe("ridethrough/north/centre/had", qos=1)
            async for message in north.messages:
                if told_of("had", bytes(message.payload)).part == wanted:
                    return

    async with centre(broker) as (taken, hearing):
        async with as_site(broker, "north") as north:
            await publish(north, "north", "record", RecordPart("b", 0, 3), retain=True)
        await said(HadPart("b", 3))
        broker.stop()
        broker.start()
        await until(lambda: hearing.trouble is None)
        await said(HadPart("b", 3))
        taken.full = True
        async with as_site(broker, "north") as north:
            await north.subscribe("ridethrough/north/centre/had", qos=1)
            await publish(north, "north", "record", RecordPart("b", 3, 5), retain=True)
            async with asyncio.timeout(60):
                count = 0
                async for message in north.messages:
                    assert told_of("had", bytes(message.payload)).part == HadPart(
                        "b", 3
                    )  # what is not kept is not had
                    count += 1
                    if count == 2:  # what the broker retained, and again, so that it is told again
                        break


async def test_what_is_no_part_is_passed_over(broker: RightsBroker) -> None:
    async with centre(broker) as (taken, _), as_site(broker, "north") as north:
        for topic, content in (("beat", b"nonsense"), ("nothing/known", b"{}"), ("system/a", b"\xff\xfe")):
            await north.publish(f"ridethrough/north/centre/{topic}", content, qos=1)
        await publish(north, "north", "beat", BeatPart(31.0))
        await until(lambda: bool(taken.heard))
        assert [part for _, _, part, _ in taken.heard] == [BeatPart(31.0)]
