"""Random systems with a known truth: what a judge of hold-up is tried on.

Each trial is a system of one to four units, every one with a bank of its own, drawn wider than a judge
may assume: losses, sharing, drift of the load, block technology, makers' tables that flatter or
understate, temperature, ageing, weak cells. The estate beside it declares only what a site would know.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np

from collector.simulation.cards.card import Meters
from collector.simulation.plant import world as worlds
from collector.simulation.plant.battery import BankPlant, CellType, Wear, wear_at, with_weak_cells
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.load import LoadShape
from collector.simulation.plant.published import published_table, runtime_s
from collector.simulation.plant.supply import SupplyPlant, SupplyState
from collector.simulation.plant.system import SimSystem, SystemPlant
from collector.simulation.plant.unit import Mode, SimUnit, UnitPlant
from collector.simulation.plant.world import WorldPlant, WorldState
from rules.plant.estate import (
    Bank,
    Card,
    Estate,
    FittedBank,
    FittedUnit,
    PowerTable,
    Site,
    Supply,
    System,
    Unit,
)
from rules.values.constants import DAYS_A_YEAR, SECONDS_A_YEAR

SYSTEM: Final = "trial"
_MINUTES: Final = (5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0, 180.0)


@dataclass(frozen=True)
class FullTest:
    """A discharge to the end that was made of a bank: when, at what output, and how long it gave it."""

    at: datetime
    output_w: float
    seconds: float


@dataclass(frozen=True)
class RandomTrial:
    """A random system at `now`: how it is, and what is declared of it."""

    seed: int
    now: datetime
    plant: WorldPlant
    state: WorldState
    estate: Estate
    meters: tuple[Meters, ...]
    tests: tuple[FullTest, ...]

    @property
    def system(self) -> SystemPlant:
        """Return the one system."""
        return self.plant.systems[SYSTEM]

    @property
    def load_w(self) -> float:
        """Return the load at this moment."""
        return sum(self.system.load.at(self.now.timestamp()))

    def hold_up_s(self) -> float | None:
        """Return the true hold-up, by playing the loss of the mains; None beyond four hours."""
        return worlds.hold_up(self.plant, self.state, SYSTEM).seconds


def trial(seed: int) -> RandomTrial:
    """Return the random system of a seed: the same for the same seed."""
    dice = np.random.default_rng(seed)
    now = datetime(2026, 6, 1, tzinfo=UTC) + timedelta(hours=float(dice.uniform(0.0, 4000.0)))
    count = int(dice.integers(1, 5))
    rating_va = float(dice.choice((10_000.0, 20_000.0, 30_000.0, 60_000.0)))
    rating_w = rating_va * float(dice.choice((0.8, 0.9, 1.0)))
    load_w = rating_w * max(count - 1, 0.8) * dice.uniform(0.35, 0.85)
    cells = int(dice.choice((180, 192, 240)))
    cell, table = _block(dice, load_w / count, rating_w, cells)
    room_c = float(dice.uniform(15.0, 28.0))
    age_years = float(dice.uniform(0.3, 8.0))
    lines = load_w / 3.0 * (1.0 + dice.uniform(-0.12, 0.12, 3))
    load = LoadShape(
        SYSTEM,
        seed,
        tuple(lines.tolist()),
        (0.94, 0.93, 0.95),
        night_share=1.0,
        weekend_share=1.0,
        noise=0.01,
        # a drift of up to 8 % in an hour either way
        growth_per_year=float(dice.uniform(-0.08, 0.08)) * SECONDS_A_YEAR / 3600.0,
        since_s=now.timestamp(),
    )
    units, states, tests = [], [], []
    for number in range(1, count + 1):
        bank = BankPlant(f"bank-{number}", cell, cells, charge_limit_a=0.12 * cell.capacity_ah)
        unit = _unit(dice, f"unit-{number}", bank, rating_va, rating_w)
        quality = float(np.exp(dice.normal(0.0, 0.2)))
        state, test = _bank_history(dice, unit, now, room_c, age_years, quality)
        units.append(unit)
        states.append(state)
        tests.append(test)
    system = SystemPlant(SYSTEM, "mains", tuple(units), load, room_c=room_c, room_swing_c=0.0)
    plant = WorldPlant({"mains": SupplyPlant("mains")}, {SYSTEM: system}, seed)
    start = WorldState(now.timestamp() - 1.0, {"mains": SupplyState()}, {SYSTEM: SimSystem(tuple(states))})
    fitted_on = now - timedelta(days=DAYS_A_YEAR * age_years)
    return RandomTrial(
        seed,
        now,
        plant,
        worlds.after(plant, start, 1.0),
        _declared(system, table, cell, fitted_on, room_c),
        tuple(Meters.of(seed, u.id) for u in units),
        tuple(tests),
    )


def _block(
    dice: np.random.Generator, unit_w: float, rating_w: float, cells: int
) -> tuple[CellType, tuple[tuple[float, float], ...]]:
    """Return a cell sized to hold its share of the load for 8 to 50 minutes, and its maker's table."""
    technology = CellType(
        34.0,
        available_share=float(dice.uniform(0.34, 0.43)),
        rate_per_h=float(dice.uniform(2.2, 3.8)),
        resistance_ohm=0.0015 * float(dice.uniform(0.75, 1.3)),
        emf_fall_v=float(dice.uniform(0.11, 0.15)),
    )
    table = published_table(technology, end_voltage_v=1.67, minutes=_MINUTES)
    wanted_min = float(np.exp(dice.uniform(np.log(8.0), np.log(50.0))))
    minutes, watts = (np.array(column) for column in zip(*table, strict=True))
    at_34_ah = float(np.exp(np.interp(np.log(wanted_min), np.log(minutes), np.log(watts))))
    needed_w = (unit_w * 1.045 + 0.018 * rating_w) / cells
    ratio = needed_w / at_34_ah
    flatters = float(dice.uniform(0.97, 1.03))
    printed = tuple((m, round(w * ratio * flatters, 1)) for m, w in table)
    return technology.scaled(34.0 * ratio), printed


def _unit(
    dice: np.random.Generator, name: str, bank: BankPlant, rating_va: float, rating_w: float
) -> UnitPlant:
    return UnitPlant(
        name,
        bank,
        rating_va,
        rating_w,
        share_bias=float(np.clip(dice.normal(0.0, 0.025), -0.06, 0.06)),
        fixed_loss=float(dice.uniform(0.008, 0.026)),
        linear_loss=float(dice.uniform(0.02, 0.05)),
        square_loss=float(dice.uniform(0.0, 0.025)),
        model="trial",
    )


def _bank_history(  # noqa: PLR0917 - a bank's circumstances, drawn one after the other
    dice: np.random.Generator, unit: UnitPlant, now: datetime, room_c: float, age_years: float, quality: float
) -> tuple[SimUnit, FullTest]:
    """Return a unit with its bank as it is now, and a full test made at some time of the bank's life."""
    tested_at = float(dice.uniform(0.3, 0.95))
    output_w = unit.rating_w * float(dice.uniform(0.3, 0.6))

    def wear(years: float) -> Wear:
        return wear_at(years, mean_temperature_c=room_c, design_life_years=10.0, quality=quality)

    then = new_bank(unit.bank, wear=wear(age_years * tested_at), temperature_c=room_c)
    seconds = runtime_s(unit.bank, then, output_w + unit.loss_w(output_w))
    bank = new_bank(unit.bank, wear=wear(age_years), temperature_c=room_c)
    if dice.random() < 0.1:
        bank = with_weak_cells(unit.bank, bank, cells=6, capacity=float(dice.uniform(0.75, 0.95)))
    when = now - timedelta(days=DAYS_A_YEAR * age_years * (1.0 - tested_at))
    return SimUnit(Mode.NORMAL, replace(bank, drawn_ah=0.0)), FullTest(when, output_w, seconds)


def _declared(
    system: SystemPlant,
    table: tuple[tuple[float, float], ...],
    cell: CellType,
    fitted_on: datetime,
    room_c: float,
) -> Estate:
    """Return what the site would declare."""
    day = fitted_on.date()
    units = {
        u.id: Unit(
            u.id,
            SYSTEM,
            u.lines,
            u.line_order,
            (FittedUnit(day, None, u.model, u.rating_va, u.rating_w),),
        )
        for u in system.units
    }
    blocks = FittedBank(
        day,
        None,
        "trial block",
        system.units[0].bank.cells // 6,
        1.67,
        rated_capacity_ah=round(0.97 * cell.capacity_ah, 1),
        rated_hours=20.0,
        constant_power=(PowerTable(1.67, table),),
        design_life_years=10.0,
    )
    banks = {
        u.bank.id: Bank(
            u.bank.id, (u.id,), u.bank.cells, u.bank.strings, (blocks,), room_temperature_c=round(room_c)
        )
        for u in system.units
    }
    return Estate(
        sites={"site": Site("site", "Trial site", "UTC")},
        supplies={"mains": Supply("mains", "site")},
        generators={},
        systems={SYSTEM: System(SYSTEM, "Trial", "site", "mains", spare_units=max(len(units) - 1, 0) and 1)},
        units=units,
        cards={f"{u}-card": Card(f"{u}-card", (u,)) for u in units},
        banks=banks,
    )
