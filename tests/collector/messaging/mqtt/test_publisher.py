"""State and alarms to a real broker, with encryption, a password and a last will."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from collector.configuration.channel_tables import MqttSettings as Settings
from collector.configuration.secrets import Login
from collector.messaging.channels.channel import ChannelDown
from collector.messaging.delivery.letter import POST, Post
from collector.messaging.delivery.recipients import letters
from collector.messaging.mqtt.heard_answers import AnswerBox
from collector.messaging.mqtt.publisher import MqttChannel
from collector.process.clock import SystemClock
from collector.storage.ledger.records import Outgoing
from rules.plant.topology import Topology
from tests.collector.messaging.cases import AT, everybody, notice, person, until
from tests.collector.messaging.sinks import PASSWORD, USER, Broker
from tests.rules.sample_plant import estate

pytestmark = pytest.mark.real_server


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    real = Broker(tmp_path)
    real.start()
    yield real
    real.stop()


def channel(
    broker: Broker, password: str = PASSWORD, *, trusting: bool = True, single_values: bool = False
) -> MqttChannel:
    settings = Settings(
        id="broker",
        kind="mqtt",
        host="127.0.0.1",
        port=broker.port,
        authority_file=str(broker.files.certificate) if trusting else None,
        secret="broker",
        keep_alive_s=5,
        single_values=single_values,
    )
    login = Login.model_validate({"user": USER, "password": password})
    return MqttChannel(settings, login, collector="fellbeck", clock=SystemClock(), heartbeat_s=0.2)


@contextlib.asynccontextmanager
async def running(mqtt: MqttChannel) -> AsyncIterator[None]:
    task = asyncio.create_task(mqtt.run())
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


@contextlib.asynccontextmanager
async def listening(broker: Broker) -> AsyncIterator[asyncio.Queue[aiomqtt.Message]]:
    found: asyncio.Queue[aiomqtt.Message] = asyncio.Queue()
    async with aiomqtt.Client(
        "127.0.0.1",
        broker.port,
        username=USER,
        password=PASSWORD,
        tls_context=broker.trusting(),
        protocol=aiomqtt.ProtocolVersion.V5,
    ) as client:
        await client.subscribe("#", qos=1)

        async def take() -> None:
            async for one in client.messages:
                await found.put(one)

        task = asyncio.create_task(take())
        yield found
        task.cancel()


def message(number: int, payload: dict[str, Any] | None, topic: str = "alarm/on_battery:W1") -> Outgoing:
    post = Post(topic, payload, expiry_s=3600)
    return Outgoing(f"m{number}/broker", "broker", "", "w1", AT, AT, schema=POST, body=post.body())


async def sent(mqtt: MqttChannel, one: Outgoing) -> str:
    """Send as the outbox does: again while the channel is down."""
    async with asyncio.timeout(60):
        while True:
            try:
                return await mqtt.send(one)
            except ChannelDown:
                await asyncio.sleep(0.05)


async def wait_for(found: asyncio.Queue[aiomqtt.Message], topic: str, *, having: str = "") -> aiomqtt.Message:
    async with asyncio.timeout(60):
        while True:
            one = await found.get()
            if str(one.topic) == topic and having in bytes(one.payload).decode():
                return one


async def test_an_alarm_is_retained_with_its_id_and_expiry_and_cleared_when_normal(broker: Broker) -> None:
    mqtt = channel(broker)
    async with running(mqtt):
        assert (
            await sent(mqtt, message(1, {"state": "active_unacknowledged"})) == "acknowledged by the broker"
        )
        async with listening(broker) as found:
            kept = await wait_for(found, "ridethrough/fellbeck/alarm/on_battery:W1")
            assert kept.retain
            assert json.loads(bytes(kept.payload)) == {"state": "active_unacknowledged"}
            properties: Any = kept.properties
            assert properties.UserProperty == [("message_id", "m1/broker")]
            assert (properties.ContentType, properties.PayloadFormatIndicator) == ("application/json", 1)
            assert properties.MessageExpiryInterval <= 3600
            await sent(mqtt, message(2, None))
            assert (await wait_for(found, "ridethrough/fellbeck/alarm/on_battery:W1")).payload == b""


async def test_the_newest_state_of_a_system_is_published_and_retained(broker: Broker) -> None:
    mqtt = channel(broker)
    for power_w in (1.0, 2.0, 3.0):
        mqtt.set_state("system", "works", {"power_w": power_w}, expiry_s=30)
    async with running(mqtt), listening(broker) as found:
        first = await wait_for(found, "ridethrough/fellbeck/system/works")
        assert json.loads(bytes(first.payload)) == {"power_w": 3.0}


async def test_a_persons_name_makes_a_topic_whatever_stands_in_it(broker: Broker) -> None:
    desk = person("Desk 2 / Night+Weekend #1", reach=[{"channel": "broker"}])
    (letter,) = letters(notice(), everybody(desk), Topology(estate()), collector="fellbeck")
    mqtt = channel(broker)
    async with running(mqtt), listening(broker) as found:
        assert await sent(mqtt, letter) == "acknowledged by the broker"
        topic = "ridethrough/fellbeck/person/Desk 2 %2F Night%2BWeekend %231"
        assert json.loads(bytes((await wait_for(found, topic)).payload))["person"] == desk.name


async def test_the_service_says_that_it_runs_and_that_it_stopped(broker: Broker) -> None:
    async with listening(broker) as found:
        async with running(channel(broker)):
            await wait_for(found, "ridethrough/fellbeck/alive", having="running")
            await wait_for(found, "ridethrough/fellbeck/alive", having="running")
        await wait_for(found, "ridethrough/fellbeck/alive", having="stopped")


async def test_a_service_that_dies_is_said_to_be_lost_by_the_broker(broker: Broker, tmp_path: Path) -> None:
    import signal
    import sys

    code = (
        "import asyncio\nfrom pathlib import Path\nfrom types import SimpleNamespace\n"
        "from tests.collector.messaging.mqtt import test_publisher as t\n"
        f"broker = SimpleNamespace(port={broker.port}, files=SimpleNamespace(certificate={str(broker.files.certificate)!r}))\n"
        "asyncio.run(t.channel(broker).run())\n"
    )
    async with listening(broker) as found:
        child = await asyncio.create_subprocess_exec(sys.executable, "-c", code)
        await wait_for(found, "ridethrough/fellbeck/alive", having="running")
        child.send_signal(signal.SIGKILL)
        await child.wait()
        await wait_for(found, "ridethrough/fellbeck/alive", having="lost")


async def test_a_broker_that_went_away_and_came_back_gets_what_waited(broker: Broker) -> None:
    mqtt = channel(broker)
    async with running(mqtt):
        await sent(mqtt, message(1, {"n": 1}))
        broker.stop()
        await asyncio.sleep(0.1)
        with pytest.raises(ChannelDown):
            await mqtt.send(message(2, {"n": 2}))
        broker.start()
        await sent(mqtt, message(2, {"n": 2}))
        async with listening(broker) as found:
            kept = await wait_for(found, "ridethrough/fellbeck/alarm/on_battery:W1")
            assert json.loads(bytes(kept.payload)) == {"n": 2}


# the client library leaves the socket of a failed handshake to the garbage collector
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize(("password", "trusting"), [("wrong", True), (PASSWORD, False)])
async def test_a_wrong_password_and_an_unknown_authority_are_said_in_words(
    broker: Broker, password: str, trusting: bool
) -> None:
    mqtt = channel(broker, password, trusting=trusting)
    async with running(mqtt):
        await until(lambda: "not connected yet" not in mqtt._why)
        with pytest.raises(ChannelDown, match=r"(?i)not authorized|bad user|certificate verify failed"):
            await mqtt.send(message(1, {}))


async def test_where_the_channel_says_so_an_answer_that_is_published_is_heard(broker: Broker) -> None:
    box = AnswerBox()
    settings = channel(broker)._settings.model_copy(update={"takes_answers": True})
    login = Login.model_validate({"user": USER, "password": PASSWORD})
    mqtt = MqttChannel(settings, login, collector="fellbeck", clock=SystemClock(), answers=box)
    async with running(mqtt), listening(broker) as found:
        await wait_for(found, "ridethrough/fellbeck/alive", having="running")
        await sent(mqtt, message(1, {"n": 1}))
        client = mqtt._client
        assert client is not None
        await client.publish("ridethrough/fellbeck/answer", b"abc.def", qos=1)
        async with asyncio.timeout(60):
            heard = await box.heard.get()
    assert (heard.broker, heard.token) == ("broker", "abc.def")


async def test_where_it_is_asked_for_each_figure_has_a_topic_of_its_own(broker: Broker) -> None:
    mqtt = channel(broker, single_values=True)
    async with listening(broker) as found, running(mqtt):
        mqtt.set_state(
            "unit", "W1", {"id": "W1", "reading": {"battery": {"voltage_v": 436.0}}}, expiry_s=60.0
        )
        one = await wait_for(found, "ridethrough/fellbeck/value/unit/W1/reading/battery/voltage_v")
        assert one.payload == b"436"
        properties: Any = one.properties
        assert (properties.ContentType, properties.MessageExpiryInterval) == ("text/plain", 60)
