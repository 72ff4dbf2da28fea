"""What is really so, for tests and for the score on the page; no rule may read it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import cached_property

import numpy as np

from collector.simulation.plant import world as worlds
from collector.simulation.plant.battery import BankPlant, SimBank, charge_fraction
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.published import runtime_s
from collector.simulation.plant.supply import FeedSource, SupplyPhase
from collector.simulation.plant.unit import Mode
from collector.simulation.plant.world import TrueHoldUp, WorldPlant, WorldState


@dataclass(frozen=True, slots=True)
class TrueBank:
    """A bank as it is. `charge` 0 to 1; `capacity` as a share of new, of its weakest cells."""

    charge: float
    capacity: float
    open: bool
    temperature_c: float


@dataclass(frozen=True, slots=True)
class TrueSupply:
    """A supply as it is: whether the mains stands, what the generator does, and what is on the busbar."""

    mains: bool
    set_phase: SupplyPhase
    attempt: int
    source: FeedSource


@dataclass(frozen=True)
class Truth:
    """The estate as it is at one moment."""

    plant: WorldPlant
    state: WorldState

    @property
    def at(self) -> datetime:
        """Return the moment, UTC."""
        return datetime.fromtimestamp(self.state.t_s, UTC)

    def hold_up(self, system: str) -> TrueHoldUp:
        """Return how long a system would hold from this moment without its supply, by playing it out."""
        return worlds.hold_up(self.plant, self.state, system)

    def supply(self, supply: str) -> TrueSupply:
        """Return one supply."""
        state = self.state.supplies[supply]
        return TrueSupply(state.mains, state.phase, state.attempt, state.source)

    def bank(self, bank: str) -> TrueBank:
        """Return one bank."""
        plant, state = self._bank(bank)
        capacity = min(g.wear.capacity for g in state.groups)
        return TrueBank(charge_fraction(plant, state), capacity, state.open, state.temperature_c)

    def capacity_fraction(self, bank: str, power_w: float, table: tuple[tuple[float, float], ...]) -> float:
        """Return what the contract calls `capacity_fraction`: time this bank gives over the table's time.

        Full, at 25 degC, at `power_w` from the bank. The table is read log-log between its rows.
        """
        plant, state = self._bank(bank)
        if state.open:
            return 0.0
        full = new_bank(plant)
        groups = tuple(
            type(g)(g.cells, type(g.wells)(*(w * g.wear.capacity for w in full.groups[0].wells)), g.wear)
            for g in state.groups
        )
        given_s = runtime_s(plant, SimBank(groups, 25.0), power_w)
        watts = power_w / plant.cells / plant.strings
        minutes = np.array([m for m, _ in table])
        table_w = np.array([w for _, w in table])
        published_min = np.exp(np.interp(-np.log(watts), -np.log(table_w), np.log(minutes)))
        return float(given_s / (60.0 * published_min))

    def mode(self, unit: str) -> Mode:
        """Return what feeds a unit's output."""
        return self.state.unit(self.plant.place_of[unit]).mode

    def load_w(self, system: str) -> float:
        """Return the watts that a system's units give."""
        return float(sum(sum(u.watts) for u in self.state.systems[system].units))

    def lost(self, system: str) -> bool:
        """Return whether a system's load is without supply."""
        return self.state.systems[system].lost

    def _bank(self, bank: str) -> tuple[BankPlant, SimBank]:
        place = self.plant.place_of_bank[bank]
        return self.plant.systems[place[0]].units[place[1]].bank, self.state.unit(place).bank


@dataclass
class TrueOutage:
    """An outage of one system: when its mains went, and what would have come without mains or generator."""

    system: str
    truth: Truth
    ended: datetime | None = None
    lost: bool = False
    bank_ends: Mapping[str, datetime] = field(default_factory=dict)

    @property
    def began(self) -> datetime:
        """Return when the mains was lost, UTC."""
        return self.truth.at

    @cached_property
    def hold_up(self) -> TrueHoldUp:
        """Return the true hold-up from its first moment. Takes a tenth of a second once."""
        return self.truth.hold_up(self.system)
