"""What the service says while the demonstration's plant plays, sentence by sentence beside what is so.

The plant plays in this process, the service is a process of its own that reads it over sockets, with the
demonstration's two years of past and default settings. Every few seconds its pages, reports, plans and `/v1` are asked,
and every message that a person gets is noted; each with the second it came and a snapshot of the plant, which is played
on afterwards for the seconds truly left.
"""

from __future__ import annotations

import asyncio
import re
import sys
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any, Final

import httpx

from collector.configuration import load
from collector.service.service import Service
from collector.simulation.estate import SimulatedEstate
from collector.simulation.plant.supply import FeedSource, SupplyPhase
from collector.simulation.plant.truth import Truth
from collector.simulation.plant.unit import Mode
from collector.simulation.scenario.director import Cue
from tests.collector.messaging.sinks import WebSink
from tests.collector.messaging.stories import DESK
from tests.daemon import CODE, PATIENCE_S, ROOT, Daemon

SYSTEMS: Final = ("ossenby", "brackmere", "tollwick")
PAGES_S: Final = 3.0
REPORTS_S: Final = 20.0
COMMANDS_S: Final = 75.0
GRID_S: Final = 15.0
PLAYED_S: Final = 4 * 3600.0
_BLOCKS: Final = frozenset(
    "address article aside br caption dd details div dl dt figcaption figure footer form h1 h2 h3 h4 header hr legend li"
    " main nav ol option p section summary table tbody td text th thead title tr ul".split()
)
_SILENT: Final = frozenset(("head", "script", "style", "select", "button"))


class _Sentences(HTMLParser):
    """The text of a page as a person reads it: a line for each block."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self._line: list[str] = []
        self._deaf = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._deaf += tag in _SILENT
        if tag in _BLOCKS:
            self.end()

    def handle_endtag(self, tag: str) -> None:
        self._deaf -= tag in _SILENT
        if tag in _BLOCKS:
            self.end()

    def handle_data(self, data: str) -> None:
        if not self._deaf:
            self._line.append(data)

    def end(self) -> None:
        line = " ".join("".join(self._line).split())
        self._line = []
        if line:
            self.lines.append(line)


def sentences(html: str) -> list[str]:
    """Return what stands on a page, block by block."""
    reader = _Sentences()
    reader.feed(html)
    reader.end()
    return reader.lines


@dataclass(frozen=True)
class Moment:
    """The plant at a second of the story."""

    at_s: float
    at: datetime
    truth: Truth

    def on_banks(self, system: str) -> list[str]:
        """Return the units whose load their banks feed, wholly or while they walk in."""
        units = self.truth.plant.systems[system].units
        return [u.id for u in units if self.truth.mode(u.id) in (Mode.BATTERY, Mode.WALKING_IN)]

    def dead(self, system: str) -> bool:
        """Return whether nothing stands on the busbar of a system."""
        return self.truth.supply(self.truth.plant.systems[system].supply).source is FeedSource.NOTHING

    def so(self, left: TimeLeft) -> str:
        """Return what is so, for a person to read."""
        parts = []
        for system, plant in self.truth.plant.systems.items():
            supply = self.truth.supply(plant.supply)
            on = self.on_banks(system)
            resting = supply.set_phase is SupplyPhase.RESTING or supply.set_phase is SupplyPhase.COOLING
            if supply.mains and not on and resting:
                continue
            charge = min(self.truth.bank(u.bank.id).charge for u in plant.units)
            more = f", {left(self, system):.0f} s truly left" if on else ""
            parts.append(
                f"{system}: mains {'stands' if supply.mains else 'lost'}, set {supply.set_phase.value}"
                f" (try {supply.attempt}), on its banks {len(on)}/{len(plant.units)},"
                f" {self.truth.load_w(system) / 1e3:.1f} kW, emptiest bank {charge:.0%}{more}"
                f"{', LOAD LOST' if self.truth.lost(system) else ''}"
            )
        return " | ".join(parts) or "all on mains"


class TimeLeft:
    """The seconds a system truly holds without supply, by playing the plant on; anew every `GRID_S` and at each turn."""

    def __init__(self) -> None:
        self._known: dict[tuple[str, tuple[Mode, ...]], tuple[float, float]] = {}

    def __call__(self, moment: Moment, system: str) -> float:
        """Return the seconds left from a moment on; as much as is played, where it is more."""
        units = moment.truth.plant.systems[system].units
        key = system, tuple(moment.truth.mode(u.id) for u in units)
        known = self._known.get(key)
        if known is None or not 0.0 <= moment.at_s - known[0] <= GRID_S:
            known = self._known[key] = (moment.at_s, moment.truth.hold_up(system).seconds or PLAYED_S)
        return known[1] - (moment.at_s - known[0])


@dataclass(frozen=True)
class Said:
    """What stood in one place at one moment."""

    moment: Moment
    where: str
    lines: tuple[str, ...]
    data: Any = None


@dataclass
class Story:
    """The running play: what was said, and every second of the plant."""

    plant: SimulatedEstate
    daemon: Daemon
    sink: WebSink
    moments: list[Moment] = field(default_factory=list)
    said: list[Said] = field(default_factory=list)

    def moment(self) -> Moment:
        """Return the plant as it is, noted."""
        truth = self.plant.truth()
        now = Moment(self.plant.seconds, datetime.now(UTC), truth)
        self.moments.append(now)
        return now

    def lately(self, moment: Moment, within_s: float) -> list[Moment]:
        """Return the moments noted in the last seconds before one, itself among them."""
        return [m for m in self.moments if moment.at_s - within_s <= m.at_s <= moment.at_s]

    async def play(self, cues: Sequence[Cue], until_s: float) -> None:
        """Play the cues, against the seconds since now, and note all that is said meanwhile."""
        began_s = self.plant.seconds
        base = f"http://127.0.0.1:{self.daemon.port}"
        async with httpx.AsyncClient(base_url=base, timeout=60.0) as client, asyncio.TaskGroup() as group:
            tasks = [
                group.create_task(self._every(1.0, self._messages)),
                group.create_task(self._every(PAGES_S, lambda: self._pages(client))),
                group.create_task(self._every(REPORTS_S, lambda: self._reports(client))),
                group.create_task(self._every(COMMANDS_S, lambda: self._commands(client))),
            ]
            for cue in cues:
                while self.plant.seconds - began_s < cue.at_s:  # noqa: ASYNC110 - the play's own seconds
                    await asyncio.sleep(0.2)
                self.plant.play(cue.event)
            while self.plant.seconds - began_s < until_s:  # noqa: ASYNC110
                await asyncio.sleep(0.2)
            for task in tasks:
                task.cancel()

    @staticmethod
    async def _every(seconds: float, what: Callable[[], Any]) -> None:
        while True:
            await asyncio.gather(what(), asyncio.sleep(seconds))

    def _note(self, moment: Moment, where: str, lines: Sequence[str], data: Any = None) -> None:
        self.said.append(Said(moment, where, tuple(lines), data))

    async def _messages(self) -> None:
        known = sum(one.where == "message" for one in self.said)
        for event in self.sink.events()[known:]:
            data = event["data"]
            lines = [data["what"], *([f"do: {data['do']}"] if data["do"] else [])]
            lines += [f"- {line}" for line in data["details"]]
            self._note(self.moment(), "message", lines, data)

    async def _pages(self, client: httpx.AsyncClient) -> None:
        await self._page(client, "/")
        await self._json(client, "/v1/alarms")
        await self._json(client, "/v1/systems")
        for system in SYSTEMS:
            await self._page(client, f"/systems/{system}")

    async def _reports(self, client: httpx.AsyncClient) -> None:
        await self._page(client, "/alarms")
        for system in SYSTEMS:
            await self._report(client, f"/reports/system/{system}")
            answer = await client.post(f"/v1/systems/{system}/ridethrough", json={})
            if answer.status_code == 200:
                self._note(self.moment(), f"plan {system}", (), answer.json())
        await self._report(client, "/reports/estate")
        await self._page(client, "/banks")
        for unit in ("ossenby-1", "brackmere-1", "brackmere-3", "tollwick-1"):
            await self._page(client, f"/banks/{unit}-bank")
            await self._report(client, f"/reports/bank/{unit}-bank")
            await self._page(client, f"/units/{unit}")

    async def _report(self, client: httpx.AsyncClient, address: str) -> None:
        """Note a report with the alarms just before it and just after."""
        before = await self._alarms(client)
        answer = await client.get(address)
        after = await self._alarms(client)
        if answer.status_code == 200:
            self._note(self.moment(), address, sentences(answer.text), (before, after))

    @staticmethod
    async def _alarms(client: httpx.AsyncClient) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = (await client.get("/v1/alarms")).json()["items"]
        return found

    async def _commands(self, client: httpx.AsyncClient) -> None:
        file, data = str(self.plant.estate_file), str(self.daemon.data)
        before = await self._alarms(client)
        code, text = await self._command("report", file, "estate", "--data", data)
        after = await self._alarms(client)
        if code == 0:
            self._note(self.moment(), "stored report", sentences(text), (before, after))
        for what, subject in (("system", "brackmere"), ("bank", "brackmere-3-bank")):
            before = await self._alarms(client)
            code, text = await self._command("report", file, what, subject, "--data", data)
            after = await self._alarms(client)
            if code == 0:
                self._note(
                    self.moment(), f"stored/reports/{what}/{subject}", sentences(text), (before, after)
                )
        code, text = await self._command("plan", file, "--data", data)
        self._note(self.moment(), "plan command", text.splitlines(), code)

    @staticmethod
    async def _command(*arguments: str) -> tuple[int, str]:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-c", CODE, *arguments,
            cwd=ROOT, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        out, _ = await process.communicate()
        return process.returncode or 0, out.decode("utf-8")

    async def _page(self, client: httpx.AsyncClient, address: str) -> None:
        answer = await client.get(address)
        if answer.status_code == 200:
            self._note(self.moment(), address, sentences(answer.text))

    async def _json(self, client: httpx.AsyncClient, address: str) -> None:
        answer = await client.get(address)
        if answer.status_code == 200:
            self._note(self.moment(), address, (), answer.json()["items"])

    # --- to be read ------------------------------------------------------------------------------------------

    def account(self, again_s: float = 30.0) -> str:
        """Return the list: each sentence when it comes, and again every `again_s` while its figures change."""
        shown: dict[tuple[str, str], tuple[float, str]] = {}
        out: list[str] = []
        left = TimeLeft()
        for one in sorted(self.said, key=lambda s: s.moment.at_s):
            fresh = list(self._fresh(one, shown, again_s))
            if fresh:
                out.append(
                    f"\n{one.moment.at_s:6.0f} s {one.moment.at:%H:%M:%S}  {one.where}   SO: {one.moment.so(left)}"
                )
                out += [f"          {line}" for line in fresh]
        return "\n".join(out)

    @staticmethod
    def _fresh(one: Said, shown: dict[tuple[str, str], tuple[float, str]], again_s: float) -> Iterator[str]:
        for line in one.lines:
            kind = (one.where, re.sub(r"\d+", "#", line))
            at_s, before = shown.get(kind, (-1e9, ""))
            if one.where == "message" or at_s < 0 or (line != before and one.moment.at_s - at_s >= again_s):
                shown[kind] = (one.moment.at_s, line)
                yield line


@asynccontextmanager
async def story(folder: Path) -> AsyncIterator[Story]:
    """Run the service as a process on the demonstration's plant, with its past, and a person who is told."""
    sink = WebSink()
    await sink.start()
    try:
        async with SimulatedEstate(folder / "plant", cues=()) as plant:
            plant.estate_file.write_text(plant.estate_file.read_text() + DESK.format(url=sink.url))
            configuration = load(plant.estate_file)
            async with Service(configuration, folder / "data") as service:
                await plant.write_past(service.history, ledger=service.ledger, estate=service.estate)
            running = Daemon(plant.estate_file, folder / "data", folder / "log")
            try:
                await _answering(running)
                yield Story(plant, running, sink)
            finally:
                await asyncio.to_thread(running.close)
    finally:
        await sink.stop()


async def _answering(running: Daemon) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while (await asyncio.to_thread(running.get, "/health/live"))[0] != 200:  # noqa: ASYNC110 - a process has no event
            await asyncio.sleep(0.2)
