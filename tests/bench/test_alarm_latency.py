"""How long from a card's change to a subscriber of the broker: by polling at 2 s, and by a hint (a notification).

    pytest -s tests/bench/test_alarm_latency.py

The alarm is `overload`, which has no on-delay; each round overloads ten units one after the other. A hint is
what a notification is: the card is read at once.
"""

from __future__ import annotations

import asyncio
import statistics
from pathlib import Path

import aiomqtt
import pytest

from collector.configuration import load
from collector.service import Service
from collector.simulation.agent import AgentHost
from tests.collector.delivery.cases import until
from tests.collector.delivery.sinks import PASSWORD, USER, Broker
from tests.collector.delivery.site import NORTH, Site
from tests.collector.snmp.cards import GOOD, served

ROUNDS = 3
CHANNELS = """
[[channel]]
id = "broker"
kind = "mqtt"
host = "127.0.0.1"
port = {port}
secret = "broker"
authority_file = "{authority}"
"""
OVERLOADED = GOOD | {
    f"{name}.{line}": value
    for line in (1, 2, 3)
    for name, value in {"upsOutputPercentLoad": 110, "upsOutputPower": 9900, "upsOutputCurrent": 478}.items()
}


@pytest.mark.real_server
@pytest.mark.parametrize("hinted", [False, True], ids=["polled at 2 s", "hinted"])
async def test_latency(tmp_path: Path, hinted: bool) -> None:
    broker, site = Broker(tmp_path), Site()
    broker.start()
    loop = asyncio.get_running_loop()
    seen: dict[str, float] = {}
    took: list[float] = []
    async with AgentHost() as host:
        await site.serve(host)
        channels = CHANNELS.format(port=broker.port, authority=broker.files.certificate)
        configuration = load(site.write_estate(tmp_path, channels, every_s=2.0))
        client = aiomqtt.Client(
            "127.0.0.1", broker.port, username=USER, password=PASSWORD, tls_context=broker.trusting()
        )
        async with Service(configuration, tmp_path / "data") as service, client:
            running = asyncio.create_task(service.run())
            await client.subscribe("+/+/alarm/#", qos=1)

            async def listen() -> None:
                async for message in client.messages:
                    name = str(message.topic).rpartition("/")[2]
                    if b'"active_unacknowledged"' in bytes(message.payload):
                        seen.setdefault(name, loop.time())

            listening = asyncio.create_task(listen())
            await until(lambda: len(service.present.readings) == len(NORTH))
            await asyncio.sleep(10)
            for _ in range(ROUNDS):
                for unit in NORTH:
                    seen.pop(f"overload:{unit}", None)
                    site.values[unit] = dict(served(OVERLOADED))
                    changed_s = loop.time()
                    if hinted:
                        service.recorder.pollers[f"c{unit}"].poke()
                    await until(lambda unit=unit: f"overload:{unit}" in seen)  # type: ignore[misc]
                    took.append(1000 * (seen[f"overload:{unit}"] - changed_s))
                    await asyncio.sleep(0.13)
                for unit in NORTH:
                    site.to_mains(unit)
                await asyncio.sleep(14)
            listening.cancel()
            service.stop()
            await running
    broker.stop()
    cuts = statistics.quantiles(took, n=100, method="inclusive")
    print(
        f"\n{len(took)} changes, {'hinted' if hinted else 'polled at 2 s'}: "
        f"median {cuts[49]:.0f} ms, 99 % {cuts[98]:.0f} ms"
    )
