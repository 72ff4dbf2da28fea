"""The demonstration's estate: three sites of a regional water company. Every name is invented.

Marrowdale Water keeps an operations room at Ossenby (two cabinets in parallel and a generator), the filtration
controls at Brackmere (three in parallel, one of them on a bank past its years, and a generator that does not
always fire at once) and a yard at Tollwick (one single-phase cabinet and nothing behind it). Two cards
break the standard. What is declared in the estate file and what the simulation is made of come from the
same tables here, but the file knows nothing of wear, biases and what is about to happen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from typing import Final

import numpy as np

from collector.simulation.cards import faulty_cards as awkward
from collector.simulation.plant.battery import BankPlant, CellType, Wear, wear_at
from collector.simulation.plant.load import LoadShape
from collector.simulation.plant.supply import SetPlant, SupplyPlant
from collector.simulation.plant.system import SystemPlant
from collector.simulation.plant.unit import UnitPlant
from collector.simulation.plant.wander import seed_of
from collector.simulation.plant.world import WorldPlant
from collector.simulation.scenario.estate_text import FOOT, HEAD, LOAD_GROUPS, SYSTEMS
from rules.values.constants import SECONDS_A_YEAR

COMMUNITY: Final = "marrowdale"


@dataclass(frozen=True, slots=True)
class BlockType:
    """An invented 12 V block: its name, its nameplate, the cell inside and its printed table.

    The table (minutes, watts per cell, at 25 degC) is what `published_table` finds for the cell: a test
    holds them together.
    """

    name: str
    rated_capacity_ah: float
    design_life_years: float
    cell: CellType
    constant_power: tuple[tuple[float, float], ...]
    end_voltage_v: float = 1.67


def _table(text: str) -> tuple[tuple[float, float], ...]:
    """Return rows of minutes and watts from "5:97.5 8:71.7"."""
    return tuple(
        (float(minutes), float(watts)) for minutes, _, watts in (r.partition(":") for r in text.split())
    )


_GENERIC: Final = CellType(capacity_ah=34.0)


BLOCKS: Final[Mapping[str, BlockType]] = {
    b.name: b
    for b in (
        BlockType(
            "Cairn 12-18H",
            18.0,
            10.0,
            _GENERIC.scaled(18.4),
            _table(
                "5:132.3 8:96.8 10:82.1 15:60.4 20:48.7 30:36.3 45:27.3 60:22.3 90:16.7 120:13.4 180:9.7 300:6.2 480:4.1"
            ),
        ),
        BlockType(
            "Gritstone 17",
            17.0,
            10.0,
            CellType(34.0, 0.36, 2.6, 0.0017, knee_v=0.022).scaled(17.2),
            _table(
                "5:112.4 8:82.9 10:70.5 15:51.9 20:41.8 30:31.1 45:23.4 60:19.2 90:14.5 120:11.8 180:8.6 300:5.6 480:3.7"
            ),
        ),
    )
}


@dataclass(frozen=True, slots=True)
class Installed:
    """A unit of the scenario with its bank: what the file declares, and `quality`, which it does not know."""

    unit: str
    system: str
    model: str
    rating_va: float
    rating_w: float
    block: str
    cells: int
    age_days: int
    quality: float
    share_bias: float = 0.0
    line_order: tuple[int, ...] = (1, 2, 3)
    hold_off_s: float = 0.0
    lies: tuple[awkward.Lie, ...] = ()

    @property
    def bank(self) -> str:
        """Return the id of the bank's place."""
        return f"{self.unit}-bank"

    @property
    def card(self) -> str:
        """Return the id of the unit's card."""
        return f"{self.unit}-card"


_L = awkward.Lie


UNITS: Final = (
    Installed(
        "ossenby-1", "ossenby", "Tarnhow 30", 30e3, 27e3, "Cairn 12-18H", 240, 1170, 1.02, share_bias=0.02
    ),
    Installed(
        "ossenby-2", "ossenby", "Tarnhow 30", 30e3, 27e3, "Cairn 12-18H", 240, 1170, 0.93, hold_off_s=10.0
    ),
    Installed(
        "brackmere-1", "brackmere", "Tarnhow 20", 20e3, 18e3, "Cairn 12-18H", 192, 940, 1.0, share_bias=-0.015
    ),
    Installed(
        "brackmere-2",
        "brackmere",
        "Tarnhow 20",
        20e3,
        18e3,
        "Cairn 12-18H",
        192,
        940,
        0.97,
        share_bias=0.03,
        line_order=(2, 3, 1),
        hold_off_s=10.0,
        lies=(_L.OUTPUT_VOLTS_TENTHS, _L.CURRENT_REVERSED, _L.TEMPERATURE_TENTHS),
    ),
    Installed(
        "brackmere-3", "brackmere", "Tarnhow 20", 20e3, 18e3, "Gritstone 17", 192, 2920, 1.04, hold_off_s=20.0
    ),
    Installed(
        "tollwick-1",
        "tollwick",
        "Tarnhow 10 S",
        10e3,
        9e3,
        "Cairn 12-18H",
        96,
        520,
        1.0,
        line_order=(1,),
        lies=(_L.KILOVOLTAMPERES, _L.HERTZ_HUNDREDTHS, _L.MINUTES_CONSTANT, _L.TEXT_PADDED),
    ),
)


SITES: Final = (
    ("ossenby", "Ossenby operations room"),
    ("brackmere", "Brackmere filtration"),
    ("tollwick", "Tollwick yard"),
)


ROOMS: Final = {"ossenby": (21.0, 1.0), "brackmere": (23.5, 3.0), "tollwick": (19.0, 4.0)}


SETS: Final = {
    "ossenby": SetPlant("ossenby-set", 5.0, 3, 10.0, 10.0, 3.0, 8.0, 3.0),
    "brackmere": SetPlant("brackmere-set", 5.0, 3, 10.0, 10.0, 3.0, 10.0, 3.0),
}


_LOADS: Final[Mapping[str, tuple[tuple[float, ...], tuple[float, ...], float]]] = {
    # watts and power factor by board line, growth a year
    "ossenby": ((5300.0, 5900.0, 4800.0), (0.95, 0.93, 0.96), 0.03),
    "brackmere": ((8100.0, 9900.0, 7600.0), (0.92, 0.90, 0.94), 0.05),
    "tollwick": ((3300.0,), (0.94,), 0.01),
}


@dataclass(frozen=True)
class SimScenario:
    """The estate as it stands on the day `now`; everything follows from it and the seed."""

    seed: int
    now: datetime

    @cached_property
    def plant(self) -> WorldPlant:
        """Return what stands where, for the simulation."""
        supplies = {s: SupplyPlant(f"{s}-mains", SETS.get(s)) for s, _ in SITES}
        return WorldPlant(
            supplies={p.id: p for p in supplies.values()},
            systems={system: self.system(system) for system, _ in SITES},
            seed=self.seed,
        )

    def system(self, system: str) -> SystemPlant:
        """Return one system."""
        watts, power_factor, growth = _LOADS[system]
        load = LoadShape(
            system,
            self.seed,
            watts,
            power_factor,
            night_share=0.78,
            weekend_share=0.9,
            growth_per_year=growth,
            since_s=self.now.timestamp(),
        )
        room_c, swing_c = ROOMS[system]
        units = tuple(self.unit(u) for u in UNITS if u.system == system)
        return SystemPlant(system, f"{system}-mains", units, load, room_c=room_c, room_swing_c=swing_c)

    @staticmethod
    def unit(installed: Installed) -> UnitPlant:
        """Return one cabinet with its bank."""
        block = BLOCKS[installed.block]
        bank = BankPlant(
            installed.bank,
            block.cell,
            installed.cells,
            end_voltage_v=block.end_voltage_v,
            charge_limit_a=round(0.12 * block.rated_capacity_ah, 1),
        )
        return UnitPlant(
            installed.unit,
            bank,
            installed.rating_va,
            installed.rating_w,
            line_order=installed.line_order,
            share_bias=installed.share_bias,
            hold_off_s=installed.hold_off_s,
            model=installed.model,
        )

    def fitted_on(self, installed: Installed) -> date:
        """Return the day a bank was put in."""
        return (self.now - timedelta(days=installed.age_days)).date()

    def wear(self, installed: Installed, t_s: float) -> Wear:
        """Return a bank's wear at a moment: age, its room, and a quality of its own drawn by the seed."""
        fitted = datetime.combine(self.fitted_on(installed), datetime.min.time(), UTC).timestamp()
        draw = float(np.random.default_rng(seed_of(self.seed, installed.bank, "quality")).standard_normal())
        return wear_at(
            max(t_s - fitted, 0.0) / SECONDS_A_YEAR,
            mean_temperature_c=ROOMS[installed.system][0],
            design_life_years=BLOCKS[installed.block].design_life_years,
            quality=installed.quality * (1.0 + 0.03 * draw),
        )

    def estate_text(self, targets: Mapping[str, str], *, secrets_file: str = "secrets.toml") -> str:
        """Return the estate file; `targets` gives each card's address by its id."""
        parts = [HEAD, *(_site(s, name) for s, name in SITES)]
        parts += [_supply(s) for s, _ in SITES]
        parts += [_generator(s, plant) for s, plant in SETS.items()]
        parts += [SYSTEMS]
        parts += [self._unit_text(u, targets) for u in UNITS]
        parts += [self._bank_text(u) for u in UNITS]
        parts += [LOAD_GROUPS, FOOT.format(secrets=secrets_file)]
        return "\n".join(parts)

    @staticmethod
    def secrets_text() -> str:
        """Return the secrets file that goes with the estate file."""
        return f'# The simulated cards\' community. Nothing else listens to it.\n\n[cards]\ncommunity = "{COMMUNITY}"\n'

    def _unit_text(self, u: Installed, targets: Mapping[str, str]) -> str:
        plant = self.unit(u)
        return f"""
[[unit]]
id = "{u.unit}"
system = "{u.system}"
output_lines = {plant.lines}
line_order = {list(u.line_order)}
accept_s = {plant.accept_s:g}
hold_off_s = {u.hold_off_s:g}
walk_in_s = {plant.walk_in_s:g}

[[unit.fitted]]
from = {self.fitted_on(u) if u.age_days < 2000 else date(2016, 5, 12)}
model = "{u.model}"
rating_va = {u.rating_va:.0f}
rating_w = {u.rating_w:.0f}

[[card]]
id = "{u.card}"
target = "{targets[u.card]}"
secret = "cards"
covers = ["{u.unit}"]"""

    def _bank_text(self, u: Installed) -> str:
        block = BLOCKS[u.block]
        table = ", ".join(f"[{minutes:g}, {watts:g}]" for minutes, watts in block.constant_power)
        return f"""
[[bank]]
id = "{u.bank}"
feeds = ["{u.unit}"]
cells_in_series = {u.cells}
strings = 1
room_temperature_c = {ROOMS[u.system][0]:g}

[[bank.fitted]]
from = {self.fitted_on(u)}
type = "{u.block}"
blocks = {u.cells // 6}
rated_capacity_ah = {block.rated_capacity_ah:g}
rated_hours = 20
end_voltage_per_cell_v = {block.end_voltage_v:g}
constant_power = [{table}]   # minutes, watts per cell
design_life_years = {block.design_life_years:g}"""


def _site(site: str, name: str) -> str:
    return f'\n[[site]]\nid = "{site}-site"\nname = "{name}"\ntime_zone = "Europe/London"'


def _supply(site: str) -> str:
    generator = f'\ngenerator = "{SETS[site].id}"' if site in SETS else ""
    return f'\n[[supply]]\nid = "{site}-mains"\nsite = "{site}-site"{generator}'


def _generator(site: str, plant: SetPlant) -> str:
    rating_w = {"ossenby": 80_000, "brackmere": 100_000}[site]
    return f"""
[[generator]]
id = "{plant.id}"
rating_w = {rating_w}
detect_s = {plant.detect_s:g}
attempts = {plant.attempts}
crank_s = {plant.crank_s:g}
rest_s = {plant.rest_s:g}
start_s = {plant.start_s:g}
transfer_s = {plant.transfer_s:g}
hand_start_s = 540
fuel_hours = 18
evidence = "frequency\""""


def cards(units: Sequence[Installed] = UNITS) -> Mapping[str, Installed]:
    """Return the unit behind each card, by the card's id."""
    return {u.card: u for u in units}
