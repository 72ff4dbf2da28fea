"""Outages on the simulated estate, whole service, default settings, turned clock: who was told what, beside what was so.

async with staged(folder, cues) as stage:
    await stage.pass_time(300.0)
    print(stage.account())
    assert stage.falsehoods() == []
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from collector.configuration import load_text
from collector.process.clock import TurnedClock
from collector.service.service import Service
from collector.simulation.cards.faulty_cards import Lie
from collector.simulation.estate import SimulatedEstate
from collector.simulation.plant.unit import Mode
from collector.simulation.scenario.director import Cue
from tests.collector.messaging.claims import Judge, Moment
from tests.collector.messaging.sinks import WebSink

NOON = datetime(2026, 10, 9, 12, 0, tzinfo=UTC)
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


@dataclass
class Said:
    """One message as it arrived: when, what, and what of it was false."""

    at_s: float
    data: Mapping[str, Any]
    false: list[str]


@dataclass
class Stage:
    """The estate, the service that watches it, and its person."""

    plant: SimulatedEstate
    service: Service
    sink: WebSink
    clock: TurnedClock
    judge: Judge
    said: list[Said] = field(default_factory=list)
    _asked: int = 0

    @property
    def at_s(self) -> float:
        return self.plant.seconds

    async def pass_time(self, seconds: float, step_s: float = 1.0) -> None:
        """Turn the clock on; after each step wait until nothing is under way, and hear what was said."""
        for _ in range(round(seconds / step_s)):
            await self.clock.advance(step_s)
            await self._quiet()
            self.judge.moments.append(Moment(self.at_s, self.plant.truth()))
            for event in self.sink.events()[len(self.said) :]:
                self.said.append(
                    Said(self.at_s, event["data"], self.judge.falsehoods(event["data"], self.at_s))
                )

    def since(self, at_s: float) -> list[Said]:
        return [one for one in self.said if one.at_s >= at_s]

    def falsehoods(self, since_s: float = 0.0) -> list[str]:
        return [f"{one.at_s:.0f} s: {text}" for one in self.since(since_s) for text in one.false]

    def account(self, since_s: float = 0.0) -> str:
        """Return what was said and what was so, for a person to read."""
        lines = []
        for one in self.since(since_s):
            moment = max((m for m in self.judge.moments if m.at_s <= one.at_s), key=lambda m: m.at_s)
            lines.append(
                f"\n{one.at_s:6.0f} s  [{one.data['kind']}, {one.data['severity']}] {one.data['what']}"
            )
            lines += [f"           do: {one.data['do']}"] if one.data["do"] else []
            lines += [f"           - {line}" for line in one.data["details"]]
            lines.append(f"           SO: {self._so(moment)}")
            lines += [f"           FALSE: {text}" for text in one.false]
        return "\n".join(lines)

    def _so(self, moment: Moment) -> str:
        parts = []
        for name, system in self.service.estate.systems.items():
            units = [(u, moment.truth.mode(u)) for u in self.judge.units_of(name)]
            supply = moment.truth.supply(system.supply)
            if all(mode is Mode.NORMAL for _, mode in units) and supply.mains:
                continue
            left = moment.truth.hold_up(name).seconds
            modes = ", ".join(f"{u} {mode.value}" for u, mode in units)
            parts.append(
                f"{name}: {supply.source.value} on the bar, set {supply.set_phase.value} (start {supply.attempt}); {modes};"
                f" {'over 4 h' if left is None else f'{left:.0f} s'} left"
            )
        return " | ".join(parts) or "everything as it should be"

    async def _quiet(self) -> None:
        calm, before = 0, None
        while calm < 4:
            await asyncio.sleep(0.003)
            recorder = self.service.recorder
            now = (
                recorder.batches,
                recorder.queue.qsize(),
                self.service.present.version,
                len(self.sink.requests),
                sum(self.plant.agent_of(card).requests for card in self.service.estate.cards),
            )
            # on a busy machine a commit takes longer than four looks: the clock must not run ahead of what was read
            calm, before = (calm + 1 if now == before and not recorder.queue.under_way else 0), now


def _let_refuse(plant: SimulatedEstate, unit: str, seconds: float) -> None:
    world = plant._plant
    name, place = world.place_of[unit]
    units = list(world.systems[name].units)
    units[place] = replace(units[place], hold_off_s=seconds)
    plant._plant = replace(
        world, systems={**world.systems, name: replace(world.systems[name], units=tuple(units))}
    )


@contextlib.asynccontextmanager
async def staged(
    folder: Path,
    cues: Sequence[Cue],
    *,
    lies: Mapping[str, tuple[Lie, ...]] | None = None,
    past: bool = False,
    refuses_s: Mapping[str, float] | None = None,
) -> AsyncIterator[Stage]:
    """Play the demonstration's estate to the whole service; with its two years of `past` where that is asked for.

    `refuses_s`: for how long units hold off from a supply that is back, which nobody declared.
    """
    sink, clock = WebSink(), TurnedClock(NOON)
    await sink.start()
    try:
        async with SimulatedEstate(folder / "plant", clock=clock, cues=cues, lies=lies) as plant:
            for unit, seconds in (refuses_s or {}).items():
                _let_refuse(plant, unit, seconds)
            text = plant.estate_file.read_text() + DESK.format(url=sink.url)
            configuration = load_text(text, plant.estate_file)
            async with Service(configuration, folder / "data", clock) as service:
                if past:
                    await plant.write_past(service.history, ledger=service.ledger, estate=service.estate)
                running = asyncio.create_task(service.run())
                try:
                    yield Stage(plant, service, sink, clock, Judge(service.estate))
                finally:
                    service.stop()
                    await clock.advance(1.0)
                    await running
    finally:
        await sink.stop()
