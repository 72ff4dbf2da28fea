"""The storm of ten units whose mains fails, over real sockets: what comes in, and what a person gets."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from collector.configuration import load
from collector.service import Service
from collector.simulation.agent import AgentHost
from tests.collector.delivery.cases import until
from tests.collector.delivery.sinks import WebSink
from tests.collector.delivery.site import NORTH, Site

CHANNELS = """
[[channel]]
id = "desk"
kind = "webhook"
url = "{url}"
[[person]]
name = "Night desk"
reach = [{{ channel = "desk" }}]
tell = [{{ severity = "warning" }}]
"""


@pytest.mark.slow
async def test_ten_units_lose_their_mains_and_a_person_gets_one_message(tmp_path: Path) -> None:
    site, sink = Site(), WebSink()
    await sink.start()
    async with AgentHost() as host:
        await site.serve(host)
        configuration = load(site.write_estate(tmp_path, CHANNELS.format(url=sink.url)))
        async with Service(configuration, tmp_path / "data") as service:
            running = asyncio.create_task(service.run())
            await until(lambda: len(service.present.readings) == len(NORTH))
            await asyncio.sleep(3)  # the first looks at everything are over
            before = len(sink.requests)
            for unit in NORTH:
                site.to_battery(unit)
                await asyncio.sleep(0.05)
            await until(lambda: len(power(sink)) > 0)
            await asyncio.sleep(8)
            shown = service.office.told["power-north-1"]
            service.stop()
            await running
            alarms = service.present.alarms
    await sink.stop()
    told = power(sink)
    opening = told[0]["data"]
    assert str(opening["what"]).startswith("Mains lost at supply north: ")
    assert opening["urgent"]
    assert any("10 units on battery" in str(event["data"]["what"]) for event in told)
    assert len(told) <= 3, [t["data"]["what"] for t in told]
    # Besides the outage, what follows from it for the banks may be told once for each hall and for all.
    assert len(sink.requests) - before <= 8, [e["data"]["what"] for e in sink.events()]
    assert {one.who for one in shown} == {"Night desk"}
    raw = [a for a in alarms.values() if a.condition and a.kind in ("on_battery", "card_alarm")]
    assert len(raw) == 40, "nothing distinct is lost: ten units on battery and three alarms of each card"


def power(sink: WebSink) -> list[dict[str, dict[str, object]]]:
    return [event for event in sink.events() if str(event["subject"]).startswith("power-")]
