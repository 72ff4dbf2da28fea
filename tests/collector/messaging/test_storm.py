"""The storm of ten units whose mains fails, over real sockets: what comes in, and what a person gets.

The service is whole and its clock is turned by the test, so that what is said of seconds is exact however busy
the machine is: after each step the test waits until nothing is under way any more.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from collector.configuration import load
from collector.process.clock import TurnedClock
from collector.service.service import Service
from collector.simulation.cards.agent import AgentHost
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle.alarm import Alarm
from tests.collector.messaging.cases import until
from tests.collector.messaging.sinks import WebSink
from tests.collector.messaging.site import NORTH, Site

START = datetime(2026, 10, 9, 0, 14, 7, tzinfo=UTC)
SETTLING_S = 1050.0
"""What a start has to say is said by then: the longest on-delay of what hangs on judgements is ten minutes, and
what joins such a notice is held for five minutes more."""
STEP_S = 0.5
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


@dataclass
class Storm:
    """The site, its service and its person. `arrived`: (moment of the turned clock, event), in order."""

    site: Site
    sink: WebSink
    service: Service
    clock: TurnedClock
    arrived: list[tuple[datetime, dict[str, Any]]] = field(default_factory=list)

    async def pass_time(self, seconds: float, step_s: float = STEP_S) -> None:
        for _ in range(round(seconds / step_s)):
            await self.clock.advance(step_s)
            await self._quiet()
            new = self.sink.events()[len(self.arrived) :]
            self.arrived += [(self.clock.now(), event) for event in new]

    async def _quiet(self) -> None:
        """Wait until nothing is under way: no read, no batch, no commit, no message."""
        calm, before, recorder = 0, None, self.service.recorder
        while calm < 5:
            await asyncio.sleep(0.002)
            asked = any(poller.figures.asking_since_s is not None for poller in recorder.pollers.values())
            if asked or recorder.queue.under_way:
                calm = 0
                continue
            now = (
                self.site.requests,
                self.service.recorder.batches,
                self.service.present.version,
                len(self.sink.requests),
            )
            calm, before = (calm + 1 if now == before else 0), now

    def since(self, moment: datetime) -> list[tuple[datetime, str, dict[str, Any]]]:
        """Return what a person got since a moment: when, what, and all of it."""
        return [(at, str(e["data"]["what"]), e["data"]) for at, e in self.arrived if at > moment]

    @property
    def alarms(self) -> list[Alarm]:
        return list(self.service.present.alarms.values())


@contextlib.asynccontextmanager
async def storm(folder: Path) -> AsyncIterator[Storm]:
    site, sink, clock = Site(), WebSink(), TurnedClock(START)
    await sink.start()
    async with AgentHost() as host:
        await site.serve(host)
        text = CHANNELS.format(url=sink.url)
        configuration = load(site.write_estate(folder, text, every_s=5.0, on_battery_every_s=2.0))
        async with Service(configuration, folder / "data", clock) as service:
            running = asyncio.create_task(service.run())
            it = Storm(site, sink, service, clock)
            await it.pass_time(15.0)
            await until(lambda: len(service.present.readings) == len(NORTH))
            await it.pass_time(
                SETTLING_S, step_s=3.0
            )  # a longer leap is lateness by this clock, and told as that
            yield it
            service.stop()
            await clock.advance(1.0)
            await running
    await sink.stop()


@pytest.mark.slow
async def test_ten_units_lose_their_mains_get_it_back_and_dip_again(tmp_path: Path) -> None:
    async with storm(tmp_path) as it:
        lost_at = it.clock.now()
        for unit in NORTH:
            it.site.to_battery(unit)
        await it.pass_time(40.0)
        outage = it.since(lost_at)
        first_seen = min(a.first_sign for a in it.alarms if a.kind == "on_battery" and a.first_sign)
        raw = [a for a in it.alarms if a.condition and a.kind in ("on_battery", "card_alarm")]
        returned_at = it.clock.now()
        for unit in NORTH:  # the generator has taken over; the units walk in one after the other
            it.site.to_mains(unit)
            await it.pass_time(1.0)
        await it.pass_time(12.0)
        for unit in NORTH:  # retransfer to the mains
            it.site.to_battery(unit)
        await it.pass_time(6.0)
        for unit in NORTH:
            it.site.to_mains(unit)
        back_at = it.clock.now()
        await it.pass_time(150.0)
        told = it.since(lost_at)
        shown = it.service.office.told
    said = [f"{(at - lost_at).total_seconds():.1f} s: {what}" for at, what, _ in told]
    assert len(raw) == 40, "nothing distinct is lost: ten units on battery and three alarms of each card"
    at, what, data = outage[0]
    assert data["urgent"]
    assert what == "Mains lost at supply north: 10 units on battery."
    assert at - first_seen <= timedelta(seconds=5.0), said
    assert len(outage) <= 3, "until the first material change, the return"
    # one opening, one for each material change (return, second dip), one closing
    power = [one for one in told if one[2]["incident"] == "power-north-1"]
    assert len(power) <= 4, said
    # besides them only what the discharges tell of the banks, once judged: of the halls and of single banks
    left = [data["incident"] for _, _, data in told if data["incident"] != "power-north-1"]
    assert all(
        incident.startswith(("own-requirement_", "own-bank_", "bank_", "own-banks_unproven"))
        for incident in left
    ), said
    assert len(told) <= 8, said
    at, what, data = power[-1]
    assert (data["kind"], data["urgent"]) == ("closed", False)
    assert what.startswith("Back on supply after ")
    # at most a poll, the longest off-delay of what a supply that comes and goes raises, settling, and a window
    off_s = max(CATALOGUE[kind].off_delay_s for kind in ("on_battery", "not_on_battery", "still_on_battery"))
    assert at - back_at <= timedelta(seconds=5.0 + off_s + 30.0 + 5.0), said
    assert at > returned_at
    assert {one.who for one in shown.get("power-north-1", ())} <= {"Night desk"}
