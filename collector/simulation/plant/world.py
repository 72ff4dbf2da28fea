"""The whole estate's physics: supplies and systems, one pure step, and what would happen if.

The state is a frozen value. So the truth "how long would it hold from here" is found by playing a copy,
and a scripted run gives the same states whenever it is played.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

from collector.simulation.plant import supply as incoming
from collector.simulation.plant import system as sets
from collector.simulation.plant.supply import FeedSource, SupplyPhase, SupplyPlant, SupplyState
from collector.simulation.plant.system import SimSystem, SystemPlant
from collector.simulation.plant.unit import Feed, Mode, SimUnit, UnitPlant
from collector.simulation.plant.wander import Floats, Wander, seed_of

STEP_S: Final = 1.0
QUIET_STEP_S: Final = 60.0


@dataclass(frozen=True)
class WorldPlant:
    """Everything that does not change: what stands where."""

    supplies: Mapping[str, SupplyPlant]
    systems: Mapping[str, SystemPlant]
    seed: int = 1

    @cached_property
    def _mains(self) -> Mapping[str, tuple[Wander, Wander]]:
        return {
            s: (
                Wander(seed_of(self.seed, s, "volts"), periods_s=(17.0, 400.0, 7000.0)),
                Wander(seed_of(self.seed, s, "hertz"), periods_s=(8.0, 120.0)),
            )
            for s in self.supplies
        }

    def feed_of(self, supply: str, state: SupplyState, t_s: float) -> Feed:
        """Return what stands at a supply's terminals at a moment.

        A generator runs a little fast when lightly loaded and swings more than the mains; one whose governor
        hunts swings by 2 Hz, and units refuse it.
        """
        plant = self.supplies[supply]
        volts, hertz = (wander.at(t_s) for wander in self._mains[supply])
        match state.source:
            case FeedSource.MAINS:
                return Feed(
                    FeedSource.MAINS,
                    plant.nominal_v * (1.005 + 0.008 * volts),
                    50.0 + 0.02 * hertz,
                    plant.nominal_v,
                )
            case FeedSource.GENERATOR:
                swing = 2.0 * math.sin(2.0 * math.pi * state.phase_s / 9.0) if state.hunts else 0.06 * hertz
                return Feed(
                    FeedSource.GENERATOR,
                    plant.nominal_v * (1.01 + 0.004 * volts),
                    50.45 + swing,
                    plant.nominal_v,
                )
            case _:
                return Feed(FeedSource.NOTHING, 0.0, 0.0, plant.nominal_v)

    def mains_at(self, supply: str, t_s: Floats) -> tuple[Floats, Floats]:
        """Return volts and hertz of a sound mains at many moments, as `feed_of` does for one."""
        volts, hertz = self._mains[supply]
        nominal_v = self.supplies[supply].nominal_v
        return nominal_v * (1.005 + 0.008 * volts(t_s)), 50.0 + 0.02 * hertz(t_s)

    def units(self) -> Iterator[tuple[str, int, UnitPlant]]:
        """Yield every unit with its system and its place in it."""
        for system in self.systems.values():
            for place, unit in enumerate(system.units):
                yield system.id, place, unit

    @cached_property
    def place_of(self) -> Mapping[str, tuple[str, int]]:
        """Return the system and place of each unit by id."""
        return {unit.id: (system, place) for system, place, unit in self.units()}

    @cached_property
    def place_of_bank(self) -> Mapping[str, tuple[str, int]]:
        """Return the system and place of the unit each bank feeds, by the bank's id."""
        return {unit.bank.id: (system, place) for system, place, unit in self.units()}


@dataclass(frozen=True, slots=True)
class WorldState:
    """Everything that changes, at `t_s` (seconds since the epoch, UTC)."""

    t_s: float
    supplies: Mapping[str, SupplyState]
    systems: Mapping[str, SimSystem]
    feeds: Mapping[str, Feed] = field(default_factory=dict)

    def with_supply(self, supply: str, state: SupplyState) -> WorldState:
        """Return the world with one supply changed."""
        return replace(self, supplies={**self.supplies, supply: state})

    def with_unit(self, place: tuple[str, int], state: SimUnit) -> WorldState:
        """Return the world with one unit changed."""
        system, index = place
        units = list(self.systems[system].units)
        units[index] = state
        changed = replace(self.systems[system], units=tuple(units))
        return replace(self, systems={**self.systems, system: changed})

    def unit(self, place: tuple[str, int]) -> SimUnit:
        """Return one unit."""
        system, index = place
        return self.systems[system].units[index]


def _quiet(state: WorldState) -> bool:
    return all(
        s.phase in (SupplyPhase.RESTING, SupplyPhase.FAILED) and s.mains for s in state.supplies.values()
    ) and all(sets.quiet(s) for s in state.systems.values())


def _step(world: WorldPlant, state: WorldState, dt_s: float) -> WorldState:
    supplies = {k: incoming.after(world.supplies[k], s, dt_s) for k, s in state.supplies.items()}
    feeds = {k: world.feed_of(k, s, state.t_s + dt_s) for k, s in supplies.items()}
    systems = {
        k: sets.after(plant, state.systems[k], feeds[plant.supply], state.t_s + dt_s, dt_s)
        for k, plant in world.systems.items()
    }
    return WorldState(state.t_s + dt_s, supplies, systems, feeds)


def after(
    world: WorldPlant, state: WorldState, dt_s: float, *, quiet_step_s: float = QUIET_STEP_S
) -> WorldState:
    """Return the world `dt_s` later, in steps as long as what goes on allows.

    `quiet_step_s` is the longest while nothing but float and charge goes on.
    """
    end_s = state.t_s + dt_s
    while end_s - state.t_s > 1e-6:
        longest_s = quiet_step_s if _quiet(state) else STEP_S
        state = _step(world, state, min(longest_s, end_s - state.t_s))
    return state


@dataclass(frozen=True, slots=True)
class TrueHoldUp:
    """How long a system holds from a moment without supply, and what ends it. None: over the limit."""

    seconds: float | None
    bank_ends_s: Mapping[str, float]


def hold_up(world: WorldPlant, state: WorldState, system: str, *, limit_s: float = 4 * 3600.0) -> TrueHoldUp:
    """Return the true hold-up of one system if its supply went now, with no generator, by playing it out.

    While a system is on its banks already, this is the time it has left from here.
    """
    plant, now = world.systems[system], state.systems[system]
    nothing = Feed(FeedSource.NOTHING, 0.0, 0.0)
    ends: dict[str, float] = {}
    t_s = 0.0
    while t_s < limit_s:
        now = sets.after(plant, now, nothing, state.t_s + t_s + STEP_S, STEP_S)
        t_s += STEP_S
        for unit, unit_state in zip(plant.units, now.units, strict=True):
            if unit_state.mode is Mode.ENDED:
                ends.setdefault(unit.bank.id, t_s)
        if now.lost:
            return TrueHoldUp(t_s, ends)
    return TrueHoldUp(None, ends)
