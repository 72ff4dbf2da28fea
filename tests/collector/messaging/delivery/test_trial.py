"""Test messages: what a person learns of their ways, beside a service that runs or not."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path

import aiomqtt
import pytest

from collector.storage.ledger import Ledger
from tests.collector.messaging.sinks import PASSWORD, USER, Broker, WebSink, verified
from tests.collector.messaging.site import TOKEN, Site
from tests.daemon import command

PEOPLE = """
[[channel]]
id = "desk"
kind = "webhook"
url = "{url}"
secret = "desk"
[[channel]]
id = "gone"
kind = "webhook"
url = "http://127.0.0.1:9/nobody"
[[person]]
name = "Night desk"
reach = [{{ channel = "desk" }}, {{ channel = "gone" }}]
"""
BROKER = """
[[channel]]
id = "broker"
kind = "mqtt"
host = "127.0.0.1"
port = {broker.port}
secret = "broker"
authority_file = "{broker.files.certificate}"
[[person]]
name = "Night desk"
reach = [{{ channel = "broker" }}]
"""


def estate(folder: Path, people: str) -> Path:
    site = Site(("A1", "A2"))
    site.ports = {"A1": 9, "A2": 10}
    return site.write_estate(folder, people)


async def test_the_command_tries_every_way_says_what_came_back_and_keeps_it(tmp_path: Path) -> None:
    sink = WebSink()
    await sink.start()
    path = estate(tmp_path, PEOPLE.format(url=sink.url))
    data = tmp_path / "data"
    done = await asyncio.to_thread(command, "test-delivery", str(path), "--data", str(data))
    await sink.stop()
    assert done.returncode == 3, "one way does not work"
    arrived, failed = done.stdout.splitlines()
    assert arrived == "arrived  Night desk by desk: 200 Said"
    assert failed.startswith("FAILED  Night desk by gone: ")
    headers, body = sink.requests[0]
    assert verified(headers, body, TOKEN)
    assert "Nothing is wrong" in json.loads(body)["data"]["what"]
    async with Ledger(data / "ledger.sqlite") as ledger:
        kept = (await ledger.events(kinds=("message_test",))).items
    assert [(line.body["channel"], line.body["delivered"]) for line in reversed(kept)] == [
        ("desk", True),
        ("gone", False),
    ]


@pytest.mark.real_server
async def test_a_test_message_by_a_broker_leaves_the_services_own_sign_of_life_alone(tmp_path: Path) -> None:
    broker = Broker(tmp_path)
    broker.start()
    try:
        async with aiomqtt.Client(
            "127.0.0.1", broker.port, username=USER, password=PASSWORD, tls_context=broker.trusting()
        ) as client:
            await client.publish("ridethrough/hill/alive", b"as the service said it", qos=1, retain=True)
            path = estate(tmp_path, BROKER.format(broker=broker))
            done = await asyncio.to_thread(command, "test-delivery", str(path))
            assert done.returncode == 0, done.stdout + done.stderr
            await client.subscribe("ridethrough/hill/alive", qos=1)
            async with asyncio.timeout(10):
                async for kept in client.messages:
                    assert kept.payload == b"as the service said it"
                    break
    finally:
        broker.stop()
