"""One discharge of the past, played by the physics at full cadence with the recharge after it."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from collector.simulation.cards import card as voice
from collector.simulation.cards.card import Moments
from collector.simulation.past.episodes import Episode, line_bads_before, steady_state
from collector.simulation.past.idle_readings import QUARTER_S, IdleWriter, boot_s
from collector.simulation.plant import world as worlds
from collector.simulation.plant.battery import charge_fraction
from collector.simulation.plant.supply import FeedSource, SupplyState
from collector.simulation.plant.system import SystemPlant
from collector.simulation.plant.unit import Mode
from collector.simulation.plant.world import WorldPlant, WorldState
from collector.simulation.scenario.demonstration import SimScenario
from collector.simulation.scenario.director import (
    DirectorStage,
    MainsFails,
    MainsReturns,
    PlantEvent,
    SetWill,
    TestEnds,
    UnitTested,
    played,
)
from collector.storage.history.store import WireReading

AFTERWARDS_S: Final = 60.0
"""How long full cadence goes on after a discharge has ended."""


DISCHARGE_EVERY_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class PlayedEpisode:
    """An episode after the physics: readings by unit, and the span that they cover."""

    start_s: float
    end_s: float
    readings: Mapping[str, list[WireReading]]
    discharges: Mapping[str, tuple[float, float]]

    def has(self, writer: IdleWriter) -> bool:
        """Return whether the bank of a unit was put to work."""
        return writer.installed.unit in self.discharges


class WireRecorder:
    """Takes readings of every unit of one system while a world is played."""

    def __init__(self, writers: Sequence[IdleWriter], seed: int, bads: float) -> None:
        self._writers = writers
        self._seed = seed
        self._bads = bads
        self._seen: dict[str, list[tuple[float, Moments, float]]] = {w.installed.unit: [] for w in writers}
        self.on_battery: dict[str, tuple[float, float]] = {}

    def take(self, world: WorldState, system: SystemPlant, period_s: float) -> None:
        """Read all units once."""
        feed = world.feeds[system.supply]
        t_s = np.array([world.t_s])
        for writer, state in zip(self._writers, world.systems[system.id].units, strict=True):
            unit = writer.installed.unit
            uptime_s = float((t_s - boot_s(self._seed, unit, t_s))[0])
            counted = replace(state, bads=state.bads + int(self._bads))
            at = voice.moment_of(writer.plant, counted, feed, uptime_s=uptime_s)
            self._seen[unit].append((world.t_s, at, period_s))
            if state.bank.current_a > 0.0:
                first, _ = self.on_battery.get(unit, (world.t_s, world.t_s))
                self.on_battery[unit] = (first, world.t_s)

    def readings(self) -> dict[str, list[WireReading]]:
        """Return what was taken by unit, in order; worked out for many moments at once, which is quick."""
        made: dict[str, list[WireReading]] = {}
        for writer in self._writers:
            of_unit = made[writer.installed.unit] = []
            for period_s, group in itertools.groupby(self._seen[writer.installed.unit], lambda seen: seen[2]):
                times, moments, _ = zip(*group, strict=True)
                of_unit += writer.readings(np.array(times), Moments.joined(moments), period_s, slow=False)
        return made


def play(scenario: SimScenario, episode: Episode, writers: Sequence[IdleWriter]) -> PlayedEpisode:
    """Play one episode from five seconds before it until the banks are full again (30 h at most)."""
    system = scenario.plant.systems[episode.system]
    now_s = scenario.now.timestamp()
    start_s = episode.start_s(now_s)
    plant = WorldPlant(
        {system.supply: scenario.plant.supplies[system.supply]}, {system.id: system}, scenario.seed
    )
    world = WorldState(
        start_s - 6.0,
        {system.supply: SupplyState(fires_at=episode.fires_at)},
        {system.id: steady_state(scenario, system, start_s)},
    )
    bads = float(line_bads_before(system.id, now_s, np.array([start_s - 1.0]))[0])
    recorder = WireRecorder(writers, scenario.seed, bads)
    begins: list[PlantEvent]
    ends: list[PlantEvent]
    if episode.tests:
        begins, ends = [UnitTested(u) for u in episode.tests], [TestEnds(u) for u in episode.tests]
    else:
        begins = [SetWill(system.supply, episode.fires_at), MainsFails(system.supply)]
        ends = [MainsReturns(system.supply)]
    world = worlds.after(plant, world, 1.0)
    recorder.take(world, system, QUARTER_S)
    world = load_applied(plant, worlds.after(plant, world, 5.0), begins)
    pending: list[PlantEvent] | None = ends
    calm_from_s = math.inf
    while world.t_s < start_s + 30 * 3600.0:
        if pending is not None and world.t_s >= start_s + episode.lasts_s:
            world, pending = load_applied(plant, world, pending), None
        calm = pending is None and at_rest(world, system)
        calm_from_s = min(calm_from_s, world.t_s) if calm else math.inf
        settled = world.t_s >= calm_from_s + AFTERWARDS_S
        if settled and full(world, system):
            break
        dark = world.supplies[system.supply].source is FeedSource.NOTHING
        disturbed = dark or any(u.mode is not Mode.NORMAL for u in world.systems[system.id].units)
        period_s = QUARTER_S if settled else DISCHARGE_EVERY_S if disturbed or calm else 10.0
        # Back onto the grid of quarters once settled, so that quiet time goes on from there.
        wait_s = period_s - world.t_s % period_s if settled else period_s
        world = worlds.after(plant, world, wait_s, quiet_step_s=QUARTER_S)
        recorder.take(world, system, period_s)
    return PlayedEpisode(start_s - 6.0, world.t_s, recorder.readings(), recorder.on_battery)


def load_applied(plant: WorldPlant, world: WorldState, events: Sequence[PlantEvent]) -> WorldState:
    """Return the world after what happens to its loads."""
    stage = DirectorStage(world)
    for event in events:
        stage = played(plant, stage, event)
    return stage.world


def at_rest(world: WorldState, system: SystemPlant) -> bool:
    """Return whether the mains stands and every bank of the system is charged by it."""
    mains = world.supplies[system.supply]
    return mains.phase.value in ("resting", "failed") and all(
        u.mode is Mode.NORMAL for u in world.systems[system.id].units
    )


def full(world: WorldState, system: SystemPlant) -> bool:
    """Return whether every bank of the system is charged."""
    return all(
        charge_fraction(p.bank, u.bank) > 0.985
        for p, u in zip(system.units, world.systems[system.id].units, strict=True)
    )
