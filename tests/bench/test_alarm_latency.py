"""How long from a card's change to a subscriber of the broker: by polling at 2 s, and by a trap on the wire.

    pytest -s tests/bench/test_alarm_latency.py

Ten cards, simulated, each at an address of its own; the whole service; a real broker with TLS and a password,
and a subscriber of it. A change is an alarm row that appears in a card's table in place of another; the alarm's
on-delay is set to 0, since the way is measured and not the delay. With the trap the card sends
upsTrapAlarmEntryAdded (RFC 1628) from its own socket to the service's port for notifications. Cards, service
and subscriber share one process and so one core; how late an idle event loop in a process of its own comes at
the same time is printed beside, since it tells what the machine itself adds.
"""

from __future__ import annotations

import asyncio
import statistics
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path

import aiomqtt
import pytest

from collector.configuration import load
from collector.service.service import Service
from collector.simulation.cards.agent import AgentHost
from tests.collector.cards.sample_cards import GOOD, served
from tests.collector.messaging.cases import until
from tests.collector.messaging.sinks import PASSWORD, USER, Broker, free_port
from tests.collector.messaging.site import NORTH, Site, row_added

EXTRA = """
[[channel]]
id = "broker"
kind = "mqtt"
host = "127.0.0.1"
port = {port}
secret = "broker"
authority_file = "{authority}"
[notifications]
port = {notifications}
[[alarm]]
id = "card_alarm"
on_delay_s = 0
"""
ALARMS = tuple(
    f"upsAlarm{name}"
    for name in (
        "BatteryBad",
        "OutputBad",
        "ChargerFailed",
        "FanFailure",
        "FuseFailure",
        "GeneralFault",
        "CommunicationsLost",
        "AwaitingPower",
        "ShutdownPending",
        "ShutdownImminent",
        "TempBad",
        "DiagnosticTestFailed",
        "OutputOffAsRequested",
        "UpsOffAsRequested",
        "UpsOutputOff",
        "UpsSystemOff",
        "OnBypass",
        "OutputOverload",
        "LowBattery",
        "DepletedBattery",
    )
)
IDLE = """
import asyncio, time
async def main():
    late = []
    while True:
        due = time.monotonic() + 0.01
        await asyncio.sleep(0.01)
        late.append(1000 * (time.monotonic() - due))
        if len(late) >= 100:
            print(*[f"{x:.3f}" for x in late], flush=True)
            late.clear()
asyncio.run(main())
"""


@dataclass
class Bench:
    """The service, its cards and a subscriber. `seen`: when each alarm came, in s of the loop."""

    site: Site
    host: AgentHost
    service: Service
    notifications: int
    seen: dict[str, float] = field(default_factory=dict)

    async def change(self, unit: str, name: str, number: int, *, trap: bool) -> float:
        """Have an alarm appear at a card; return how long until the subscriber had it, in ms."""
        loop = asyncio.get_running_loop()
        alarm = f"card_alarm:{unit}:{name}"
        changed_s = loop.time()
        self.site.values[unit] = dict(served(GOOD | {"upsAlarmsPresent": 1}, (name,)))
        if trap:
            place = (self.site.hosts[unit], self.site.ports[unit])
            self.host.send(place, row_added(name, number), ("127.0.0.1", self.notifications))
        await until(lambda: alarm in self.seen)
        return 1000 * (self.seen[alarm] - changed_s)


@asynccontextmanager
async def bench(folder: Path) -> AsyncIterator[Bench]:
    broker, site, notifications = Broker(folder), Site(own_addresses=True), free_port()
    broker.start()
    async with AgentHost() as host:
        await site.serve(host)
        extra = EXTRA.format(
            port=broker.port, authority=broker.files.certificate, notifications=notifications
        )
        configuration = load(site.write_estate(folder, extra, every_s=2.0))
        client = aiomqtt.Client(
            "127.0.0.1", broker.port, username=USER, password=PASSWORD, tls_context=broker.trusting()
        )
        async with Service(configuration, folder / "data") as service, client:
            running = asyncio.create_task(service.run())
            await client.subscribe("+/+/alarm/#", qos=1)
            it = Bench(site, host, service, notifications)

            async def listen() -> None:
                async for message in client.messages:
                    name = str(message.topic).partition("/alarm/")[2]
                    if b'"active_unacknowledged"' in bytes(message.payload):
                        it.seen.setdefault(name, asyncio.get_running_loop().time())

            listening = asyncio.create_task(listen())
            await until(lambda: len(service.present.readings) == len(NORTH))
            await asyncio.sleep(10)
            yield it
            listening.cancel()
            service.stop()
            await running
    broker.stop()


@asynccontextmanager
async def idle_loop() -> AsyncIterator[list[float]]:
    """Let an idle loop in a process of its own say how late it wakes, in ms; the list is filled at the end."""
    late: list[float] = []
    child = await asyncio.create_subprocess_exec(
        sys.executable, "-c", IDLE, stdout=asyncio.subprocess.PIPE, limit=2**20
    )
    assert child.stdout is not None
    reading = asyncio.create_task(child.stdout.read())
    try:
        yield late
    finally:
        child.kill()
        late += [float(word) for line in (await reading).decode().splitlines() for word in line.split()]
        await child.wait()


@pytest.mark.real_server
@pytest.mark.parametrize(("trap", "rounds"), [(False, 3), (True, 20)], ids=["polled at 2 s", "by trap"])
async def test_latency(tmp_path: Path, *, trap: bool, rounds: int) -> None:
    took: list[float] = []
    async with bench(tmp_path) as it:
        async with idle_loop() as late:
            for number in range(rounds):
                for unit in NORTH:
                    took.append(await it.change(unit, ALARMS[number], len(took), trap=trap))
                    await asyncio.sleep(0.23)
        listening = it.service._parts.listening
        heard = listening.heard if listening is not None else {}
    assert sum(heard.values()) == (len(took) if trap else 0)
    cuts, idle = (statistics.quantiles(values, n=100, method="inclusive") for values in (took, late))
    print(
        f"\n{len(took)} changes, {'by trap' if trap else 'polled at 2 s'}: "
        f"median {cuts[49]:.0f} ms, 99 % {cuts[98]:.0f} ms, longest {max(took):.0f} ms; "
        f"an idle loop beside it: median {idle[49]:.1f} ms, 99 % {idle[98]:.1f} ms late"
    )
