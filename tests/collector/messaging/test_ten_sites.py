"""Ten sites lose their mains at once, over real sockets, while bank alarms have used up a person's allowance.

The plant answers SNMP on loopback from a process of its own, the service is whole with its settings as they come, and a
web address gets what a person gets.
"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from time import monotonic
from typing import Any

import pytest

from collector.configuration import load
from collector.messaging.delivery.bursts import ALONE
from collector.messaging.delivery.rate import SENT
from collector.process.clock import SystemClock
from collector.service.service import Service
from tests.collector.messaging.sinks import WebSink
from tests.trials.plant import Shape, plant

SITES = 10
DESK = """
[[channel]]
id = "desk"
kind = "webhook"
url = "{url}"
[[person]]
name = "Night desk"
reach = [{{ channel = "desk" }}]
tell = [{{ severity = "warning" }}]
"""


def named(data: dict[str, Any]) -> set[str]:
    """Return the sites that a message says have lost their mains: in its headline, or in the lines of a joint one."""
    if data["what"].startswith("Mains lost at Site "):
        return {str(data["site"])}
    if data["what"].startswith("Mains lost at ") and " sites" in data["what"]:
        lines = [line.partition(",")[0] for line in data["details"]]
        return {f"s{line.removeprefix('Site ')}" for line in lines}
    return set()


async def read_all(service: Service, units: int) -> None:
    async with asyncio.timeout(30):
        while len(service.present.readings) < units:  # noqa: ASYNC110 - what is waited for has no event
            await asyncio.sleep(0.1)


@pytest.mark.slow
async def test_all_ten_are_headlines_within_a_minute_and_each_once(tmp_path: Path) -> None:
    sink = WebSink()
    await sink.start()
    # fifteen years old: every bank has something to say, and says it in the first seconds
    with plant(Shape(sites=SITES, bank_from="2011-06-01")) as it:
        file = it.write_estate(tmp_path, DESK.format(url=sink.url))
        async with Service(load(file), tmp_path / "data", SystemClock()) as service:
            running = asyncio.create_task(service.run())
            await read_all(service, len(it.units))
            await asyncio.sleep(3.0)
            before = len(sink.requests)
            lost_s = monotonic()
            it.to_battery(it.units)
            openings: list[dict[str, Any]] = []
            seen: set[str] = set()
            while monotonic() - lost_s < 60.0 and len(seen) < SITES:
                await asyncio.sleep(0.1)
                openings = [e["data"] for e in sink.events()[before:] if named(e["data"])]
                seen = {site for data in openings for site in named(data)}
            took_s = monotonic() - lost_s
            await asyncio.sleep(2.0)  # what came of the last one is committed after it was taken
            openings = [e["data"] for e in sink.events()[before:] if named(e["data"])]
            journal = (await service.ledger.events(kinds=(SENT,), limit=1000)).items
            service.stop()
            await running
    await sink.stop()
    whats = [data["what"] for data in openings]
    print(
        f"\n{took_s:.1f} s:", *(json.dumps([d["what"], *d["details"]], indent=1) for d in openings), sep="\n"
    )
    assert seen == {f"s{n}" for n in range(SITES)}, whats
    assert took_s <= 60.0
    alone = [data for data in openings if data["site"] is not None]
    joint = [data for data in openings if data["site"] is None]
    assert len(alone) <= ALONE
    assert joint, whats
    assert "Mains lost at 10 sites" in joint[-1]["what"]
    # under no other site's name, and nothing else in it
    for data in alone:
        assert f"Site {str(data['site'])[1:]}" in data["what"]
    assert all(data["details"] and all("Room s" in line for line in data["details"]) for data in joint)
    # each opening left the outbox once, and no message came twice
    sent = [line.body["message"].partition("/")[0] for line in journal if line.body["prompt"]]
    assert sorted(m for m in sent if m.startswith("power-") and m.endswith(".1")) == sorted(
        f"power-m{n}-1.1" for n in range(SITES)
    )
    ids = [event["id"] for event in sink.events()]
    assert len(ids) == len(set(ids))
