"""Every bank of the demonstration, judged by its two years of past, beside what the plant truly is.

pytest -s tests/backtest/test_demonstration_banks.py    # a minute and a half; prints the table
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from collector.configuration import load
from collector.read_model.stored import StoredEstate
from collector.service.service import Service
from collector.simulation.estate import SimulatedEstate
from collector.simulation.past.episodes import steady_state
from collector.simulation.plant.supply import SupplyState
from collector.simulation.plant.truth import Truth
from collector.simulation.plant.world import WorldState
from collector.simulation.scenario.demonstration import BLOCKS, UNITS, Installed, SimScenario

LOSSES = 1.06
"""Watts from the bank for a watt of load, about: capacity differs by a point between 0.9 and 1.2 of it."""
WIDEST = 0.25
"""A bank with its own acceptance test and years of outages is known better than to so many points, end to end."""


@dataclass(frozen=True)
class Row:
    """A bank: capacity as it is, and as it is judged at the load that it carries."""

    bank: str
    truth: float
    judged: float
    low: float
    high: float

    def __str__(self) -> str:
        return f"{self.bank:18} {self.truth:6.1%} {self.judged:7.1%} {self.low:6.1%} {self.high:6.1%}"


async def _judged(kept: StoredEstate, scenario: SimScenario, installed: Installed, now: datetime) -> Row:
    bank = kept.estate.banks[installed.bank]
    judgement = await kept.judged(bank, now)
    assert judgement is not None
    plant = scenario.plant
    system = plant.systems[installed.system]
    load_w = float(np.sum(system.load.watts_at(np.array([now.timestamp()])))) / len(system.units)
    capacity = np.quantile(judgement.belief.health_at(load_w), (0.5, 0.05, 0.95))
    at_rest = {system.id: steady_state(scenario, system, now.timestamp())}
    truth = Truth(plant, WorldState(now.timestamp(), {system.supply: SupplyState()}, at_rest))
    so = truth.capacity_fraction(bank.id, LOSSES * load_w, BLOCKS[installed.block].constant_power)
    return Row(bank.id, so, *map(float, capacity))


@pytest.mark.parametrize("seed", [1, 2, 3])
async def test_every_bank_of_the_demonstration_lies_in_its_interval(tmp_path: Path, seed: int) -> None:
    async with SimulatedEstate(tmp_path / "plant", cues=(), seed=seed) as plant:
        configuration = load(plant.estate_file)
        async with Service(configuration, tmp_path / "data") as service:
            await plant.write_past(service.history, ledger=service.ledger, estate=service.estate)
    scenario = plant.scenario
    async with StoredEstate(configuration, tmp_path / "data") as kept:
        rows = [await _judged(kept, scenario, installed, scenario.now) for installed in UNITS]
    print(f"\nseed {seed}\nbank                truth  judged    low   high", *rows, sep="\n")
    assert [str(row) for row in rows if not row.low - 0.02 <= row.truth <= row.high + 0.02] == []
    assert [str(row) for row in rows if row.high - row.low > WIDEST] == []
