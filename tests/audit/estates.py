"""Whole estates with a known truth, drawn by a seed: plants wider than a judge may assume, and what a site declares of them.

One or two systems stand at a site, on one supply or on two, with a generator or without. Only what a site would know is
declared: no wear, no bias, no weak cell. The blocks are the simulation's own two technologies in any size, so that no
table has to be measured for each estate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from collector.cards.snmp.target import CardTarget
from collector.configuration import card_tables, settings_tables
from collector.configuration.loading import CardAccess, Configuration
from collector.configuration.people.people import People
from collector.configuration.people.tables import PersonTable
from collector.configuration.secrets import CommunitySecret
from collector.simulation.cards.card import Meters
from collector.simulation.plant import world as worlds
from collector.simulation.plant.battery import BankPlant, Wear, wear_at, with_weak_cells
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.load import LoadShape
from collector.simulation.plant.published import runtime_s
from collector.simulation.plant.supply import SetPlant, SupplyPlant, SupplyState
from collector.simulation.plant.system import SimSystem, SystemPlant
from collector.simulation.plant.unit import Mode, SimUnit, UnitPlant
from collector.simulation.plant.world import WorldPlant, WorldState
from collector.simulation.scenario.demonstration import BLOCKS, BlockType
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.model.inverter_losses import default_losses
from rules.battery.model.runtime_curve import curve_for
from rules.battery.model.temperature import seconds_at
from rules.plant import estate as declared
from rules.values.constants import DAYS_A_YEAR

SITE: Final = "fell"
RATINGS_VA: Final = (10_000.0, 20_000.0, 30_000.0, 60_000.0)
ORDERS: Final = ((1, 2, 3), (1, 2, 3), (2, 3, 1), (3, 1, 2))
DESIGN_YEARS: Final = 10.0


@dataclass(frozen=True)
class AuditEstate:
    """A plant at `now`, what is declared of it, and the tests of its banks that are on record."""

    seed: int
    now: datetime
    plant: WorldPlant
    state: WorldState
    estate: declared.Estate
    meters: Mapping[str, Meters]
    tests: Mapping[str, DischargeEvidence]
    ages_years: Mapping[str, float]
    qualities: Mapping[str, float]
    weak: frozenset[str]
    """Banks with a block that became weak since their test, which nothing has shown yet."""

    def configuration(self, folder: Path) -> Configuration:
        """Return what an estate file of this estate comes to, with default settings and one desk that is told of all."""
        estate = self.estate
        desk = PersonTable.model_validate(
            {"name": "Night desk", "reach": [{"channel": "desk"}], "tell": [{"severity": "warning"}]}
        )
        polling = card_tables.PollingTable()
        secret = CommunitySecret(community="public")  # type: ignore[arg-type]  # the table makes a secret of it
        return Configuration(
            path=folder / "estate.toml",
            estate=estate,
            cards={
                card: CardAccess(card, CardTarget(f"127.9.0.{n + 1}", 161), "cards", secret, "2c", polling)
                for n, card in enumerate(estate.cards)
            },
            secrets={"cards": secret},
            channels={},
            people=People((desk,), "UTC"),
            polling=polling,
            listen=settings_tables.ListenTable(),
            notifications=settings_tables.NotificationsTable(),
            history=settings_tables.HistoryTable(),
            delivery=settings_tables.DeliveryTable(),
            alarms={},
            planned_work=(),
            calendars=(),
        )


def estate_of(seed: int) -> AuditEstate:
    """Return the estate of a seed: the same for the same seed."""
    return Drawing(seed).drawn()


class Drawing:
    """One estate on its way: the dice, and what was drawn so far."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.dice = np.random.default_rng([seed, 17])
        self.now = datetime(2026, 1, 5, tzinfo=UTC) + timedelta(hours=float(self.dice.uniform(0.0, 8000.0)))
        self.now = self.now.replace(microsecond=0)
        self.states: dict[str, SimSystem] = {}
        self.tests: dict[str, DischargeEvidence] = {}
        self.ages: dict[str, float] = {}
        self.qualities: dict[str, float] = {}
        self.weak: set[str] = set()

    def drawn(self) -> AuditEstate:
        """Return an estate of one or two systems."""
        dice = self.dice
        count = 1 if dice.random() < 0.8 else 2
        names = ("works", "depot")[:count]
        one_supply = count == 1 or dice.random() < 0.4
        supplies = ("mains",) if one_supply else ("mains", "feeder")
        with_set = dice.random() < 0.75
        generator = self.standby_set() if with_set else None
        system_on = {name: supplies[min(n, len(supplies) - 1)] for n, name in enumerate(names)}
        systems = {name: self.system(name, system_on[name]) for name in names}
        plants = {
            s: SupplyPlant(s, replace(generator, id=f"{s}-set") if generator else None) for s in supplies
        }
        return self.estate(plants, systems)

    def estate(
        self, supplies: Mapping[str, SupplyPlant], systems: Mapping[str, tuple[SystemPlant, BlockType]]
    ) -> AuditEstate:
        """Return the estate of these supplies and systems, as it stands now."""
        plant = WorldPlant(supplies, {n: p for n, (p, _) in systems.items()}, self.seed)
        start = WorldState(self.now.timestamp() - 1.0, {s: SupplyState() for s in supplies}, self.states)
        return AuditEstate(
            self.seed,
            self.now,
            plant,
            worlds.after(plant, start, 1.0),
            self._declared(supplies, systems),
            {u.id: Meters.of(self.seed, u.id) for _, _, u in plant.units()},
            self.tests,
            self.ages,
            self.qualities,
            frozenset(self.weak),
        )

    def standby_set(self) -> SetPlant:
        """Return a generator as it may be found."""
        dice = self.dice
        return SetPlant(
            "set",
            detect_s=float(dice.choice((2.0, 5.0))),
            attempts=int(dice.integers(1, 4)),
            crank_s=float(dice.choice((6.0, 10.0))),
            rest_s=float(dice.choice((5.0, 10.0))),
            fires_after_s=3.0,
            start_s=float(dice.choice((6.0, 10.0))),
            transfer_s=float(dice.choice((2.0, 3.0))),
            steady_s=float(dice.choice((30.0, 60.0))),
        )

    def system(self, name: str, supply: str, units: int | None = None) -> tuple[SystemPlant, BlockType]:
        """Return a system on a supply and the blocks of its banks; of so many `units`, drawn where None."""
        dice = self.dice
        drawn = int(dice.choice((1, 2, 2, 2, 3)))
        count = units or drawn
        rating_va = float(dice.choice(RATINGS_VA))
        rating_w = rating_va * float(dice.choice((0.8, 0.9, 1.0)))
        load_w = rating_w * max(count - 1, 0.8) * float(dice.uniform(0.35, 1.02))
        lines = load_w / 3.0 * (1.0 + dice.uniform(-0.12, 0.12, 3))
        factors = tuple(float(f) for f in dice.uniform(0.88, 0.98, 3))
        load = LoadShape(
            name,
            self.seed,
            tuple(lines.tolist()),
            factors,
            night_share=1.0,
            weekend_share=1.0,
            noise=float(dice.uniform(0.004, 0.015)),
            since_s=self.now.timestamp(),
        )
        cells = int(dice.choice((180, 192, 240)))
        block = self._block(load_w / count, rating_w, cells)
        room_c = float(dice.uniform(15.0, 28.0))
        age = float(dice.uniform(0.3, 9.0))
        tested = dice.random() < 0.8
        made, states = [], []
        for number in range(1, count + 1):
            bank = BankPlant(
                f"{name}-{number}-bank", block.cell, cells, charge_limit_a=0.12 * block.rated_capacity_ah
            )
            unit = UnitPlant(
                f"{name}-{number}",
                bank,
                rating_va,
                rating_w,
                line_order=tuple(ORDERS[int(dice.integers(0, len(ORDERS)))]),
                share_bias=float(np.clip(dice.normal(0.0, 0.012), -0.03, 0.03)),
                fixed_loss=float(dice.uniform(0.008, 0.026)),
                linear_loss=float(dice.uniform(0.02, 0.05)),
                square_loss=float(dice.uniform(0.0, 0.025)),
                accept_s=float(dice.choice((5.0, 10.0, 15.0))),
                hold_off_s=10.0 * (number - 1),
                walk_in_s=float(dice.choice((5.0, 10.0, 15.0))),
                model="Tarn 60",
            )
            states.append(self._unit_state(unit, block, room_c, age, tested=tested))
            made.append(unit)
        self.states[name] = SimSystem(tuple(states))
        return SystemPlant(name, supply, tuple(made), load, room_c=room_c, room_swing_c=0.0), block

    def _block(self, unit_w: float, rating_w: float, cells: int) -> BlockType:
        """Return a block sized to hold its share of the load for 8 to 45 minutes, with its maker's table."""
        dice = self.dice
        base = tuple(BLOCKS.values())[int(dice.integers(0, len(BLOCKS)))]
        wanted_min = float(np.exp(dice.uniform(np.log(8.0), np.log(45.0))))
        minutes, watts = (np.array(column) for column in zip(*base.constant_power, strict=True))
        gives_w = float(np.exp(np.interp(np.log(wanted_min), np.log(minutes), np.log(watts))))
        ratio = (unit_w * 1.045 + 0.018 * rating_w) / cells / gives_w
        flatters = float(dice.uniform(0.97, 1.03))
        return BlockType(
            f"block {self.seed}",
            round(base.rated_capacity_ah * ratio, 2),
            DESIGN_YEARS,
            base.cell.scaled(base.cell.capacity_ah * ratio),
            tuple((m, round(w * ratio * flatters, 2)) for m, w in base.constant_power),
        )

    def _unit_state(
        self, unit: UnitPlant, block: BlockType, room_c: float, age: float, *, tested: bool
    ) -> SimUnit:
        dice = self.dice
        quality = float(np.exp(dice.normal(0.0, 0.2)))
        self.ages[unit.bank.id], self.qualities[unit.bank.id] = age, quality

        def wear(years: float) -> Wear:
            return wear_at(years, mean_temperature_c=room_c, design_life_years=DESIGN_YEARS, quality=quality)

        if tested:
            years_ago = float(dice.uniform(0.05, min(0.9, age)))
            self.tests[unit.bank.id] = self._full_test(unit, block, wear(age - years_ago), years_ago, room_c)
        bank = new_bank(unit.bank, wear=wear(age), temperature_c=room_c)
        if dice.random() < 0.08:
            bank = with_weak_cells(unit.bank, bank, cells=6, capacity=float(dice.uniform(0.75, 0.95)))
            self.weak.add(unit.bank.id)
        return SimUnit(Mode.NORMAL, bank)

    def _full_test(
        self, unit: UnitPlant, block: BlockType, wear: Wear, years_ago: float, room_c: float
    ) -> DischargeEvidence:
        """Return what a discharge to the end showed, reckoned as any reader of its log would."""
        output_w = unit.rating_w * float(self.dice.uniform(0.35, 0.6))
        seconds = runtime_s(
            unit.bank,
            new_bank(unit.bank, wear=wear, temperature_c=room_c),
            output_w + unit.loss_w(output_w),
            step_s=5.0,
        )
        fitted = self._fitted(block, unit.bank.cells)
        losses, curve = default_losses(unit.rating_w), curve_for(fitted)
        per_cell = (output_w * (1.0 + losses.share) + losses.fixed_w) / unit.bank.cells
        fraction = seconds / float(seconds_at(curve, per_cell, room_c))
        return DischargeEvidence(
            at=self.now - timedelta(days=DAYS_A_YEAR * years_ago),
            kind="test",
            seconds=seconds,
            output_power_w=output_w,
            published_s=float(curve.seconds(per_cell)),
            used=fraction,
            fraction=fraction,
            low=fraction - 0.05,
            high=fraction + 0.05,
            ended=True,
        )

    # --- what is declared --------------------------------------------------------------------------------

    def _fitted(self, block: BlockType, cells: int, age: float = 0.0) -> declared.FittedBank:
        return declared.FittedBank(
            (self.now - timedelta(days=DAYS_A_YEAR * age)).date(),
            None,
            block.name,
            cells // 6,
            block.end_voltage_v,
            rated_capacity_ah=block.rated_capacity_ah,
            rated_hours=20.0,
            constant_power=(declared.PowerTable(block.end_voltage_v, block.constant_power),),
            design_life_years=block.design_life_years,
        )

    def _declared(
        self, supplies: Mapping[str, SupplyPlant], systems: Mapping[str, tuple[SystemPlant, BlockType]]
    ) -> declared.Estate:
        generators = {
            s.generator.id: self._declared_set(s.generator) for s in supplies.values() if s.generator
        }
        hand = any(g.hand_start_s for g in generators.values())
        units, cards, banks, groups = {}, {}, {}, {}
        found = {}
        for name, (plant, block) in systems.items():
            for u in plant.units:
                fitted = declared.FittedUnit(
                    (self.now - timedelta(days=DAYS_A_YEAR * self.ages[u.bank.id])).date(),
                    None,
                    u.model,
                    u.rating_va,
                    u.rating_w,
                )
                units[u.id] = declared.Unit(
                    u.id, name, u.lines, u.line_order, (fitted,),
                    accept_s=u.accept_s, hold_off_s=u.hold_off_s, walk_in_s=u.walk_in_s,
                )  # fmt: skip
                cards[f"{u.id}-card"] = declared.Card(f"{u.id}-card", (u.id,))
                banks[u.bank.id] = declared.Bank(
                    u.bank.id, (u.id,), u.bank.cells, 1,
                    (self._fitted(block, u.bank.cells, self.ages[u.bank.id]),),
                    room_temperature_c=round(plant.room_c),
                )  # fmt: skip
            if self.dice.random() < 0.5:
                for importance, share in ((5, 0.1), (3, 0.25)):
                    watts = tuple(round(w * share) for w in plant.load.watts)
                    group = f"{name}-group-{importance}"
                    groups[group] = declared.LoadGroup(group, name, watts, importance)
            found[name] = declared.System(
                name, name.title(), SITE, plant.supply,
                spare_units=1 if len(plant.units) > 1 else 0,
                requirements=self._requirements(with_set=supplies[plant.supply].generator is not None, hand=hand),
            )  # fmt: skip
        return declared.Estate(
            sites={SITE: declared.Site(SITE, "Fellbeck", "UTC")},
            supplies={
                s.id: declared.Supply(s.id, SITE, s.generator.id if s.generator else None)
                for s in supplies.values()
            },
            generators=generators,
            systems=found,
            units=units,
            cards=cards,
            banks=banks,
            load_groups=groups,
            watch_power=declared.WatchPower(*(next(iter(systems)),) * 3),
        )

    def _declared_set(self, plant: SetPlant) -> declared.Generator:
        return declared.Generator(
            plant.id, 200_000.0, plant.detect_s, plant.attempts, plant.crank_s, plant.rest_s,
            plant.start_s, plant.transfer_s,
            hand_start_s=None if self.dice.random() < 0.3 else float(self.dice.choice((180.0, 420.0))),
            evidence=declared.GeneratorEvidence.FREQUENCY if self.dice.random() < 0.5 else declared.GeneratorEvidence.PERSON,
        )  # fmt: skip

    def _requirements(self, *, with_set: bool, hand: bool) -> tuple[declared.Requirement, ...]:
        found = []
        if with_set:
            found.append(declared.Requirement("set", declared.Purpose.GENERATOR_START, None))
            if hand:
                found.append(declared.Requirement("hand", declared.Purpose.MANUAL_GENERATOR_START, None))
        if not with_set or self.dice.random() < 0.3:
            time_s = float(self.dice.choice((300.0, 600.0, 1200.0)))
            found.append(declared.Requirement("close", declared.Purpose.ORDERLY_SHUTDOWN, time_s))
        return tuple(found)
