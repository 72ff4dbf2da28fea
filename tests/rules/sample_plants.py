"""Small plants and readings for tests of parallel systems."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np

from rules.battery.model.health import BankBelief, belief_from_age
from rules.plant.estate import (
    Bank,
    Card,
    Estate,
    FittedBank,
    FittedUnit,
    Generator,
    LoadGroup,
    PowerTable,
    Purpose,
    Requirement,
    Site,
    Supply,
    System,
    Unit,
    in_place,
)
from rules.plant.reading import (
    BatteryReading,
    BypassLine,
    BypassReading,
    InputLine,
    InputReading,
    Nameplate,
    OutputLine,
    OutputReading,
    OutputSource,
    Reading,
    SelfTest,
    Stamp,
)
from rules.system.load.peaks import NO_PEAKS, LinePeak, Peaks
from rules.system.observation import SystemView
from rules.values.verdict import Basis

NOON = datetime(2026, 11, 24, 12, 0, tzinfo=UTC)
NOW = Stamp(NOON, 1000.0, "run")
TABLE = PowerTable(1.67, ((5.0, 96.0), (10.0, 62.0), (15.0, 46.0), (30.0, 27.0), (60.0, 15.5)))
BLOCKS = FittedBank(date(2024, 1, 1), None, "type one", 40, 1.67, 12.0, 20.0, (TABLE,), 10.0)
SET = Generator(
    "G1",
    rating_w=80_000.0,
    detect_s=5.0,
    attempts=3,
    crank_s=15.0,
    rest_s=15.0,
    start_s=12.0,
    transfer_s=3.0,
    hand_start_s=375.0,
)
START = Requirement("start", Purpose.GENERATOR_START, None)
BY_HAND = Requirement("by hand", Purpose.MANUAL_GENERATOR_START, None)


def estate(
    count: int = 2,
    *,
    rating_va: float = 30_000.0,
    rating_w: float = 27_000.0,
    spare_units: int = 1,
    requirements: Sequence[Requirement] = (START,),
    units: Sequence[Unit] = (),
    cards: Sequence[Card] = (),
    banks: Sequence[Bank] = (),
    generator: Generator | None = SET,
    load_groups: Sequence[LoadGroup] = (),
) -> Estate:
    """Return one site with one system of `count` equal units, each with its own card and bank."""
    fitted = (FittedUnit(date(2020, 1, 1), None, "cabinet", rating_va, rating_w),)
    names = [f"A{n}" for n in range(1, count + 1)]
    made = tuple(units) or tuple(
        Unit(n, "A", 3, (1, 2, 3), fitted, hold_off_s=10.0 * i) for i, n in enumerate(names)
    )
    carded = tuple(cards) or tuple(Card(f"card {u.id}", (u.id,)) for u in made)
    banked = tuple(banks) or tuple(Bank(f"bank {u.id}", (u.id,), 240, 1, (BLOCKS,)) for u in made)
    system = System("A", "Control centre", "S", "mains", None, spare_units, None, tuple(requirements))
    return Estate(
        sites={"S": Site("S", "Works", "Europe/London")},
        supplies={"mains": Supply("mains", "S", None if generator is None else generator.id)},
        generators={} if generator is None else {generator.id: generator},
        systems={"A": system},
        units={u.id: u for u in made},
        cards={c.id: c for c in carded},
        banks={b.id: b for b in banked},
        load_groups={g.id: g for g in load_groups},
    )


def reading(
    unit: str,
    watts: Sequence[float] = (3000.0, 3000.0, 3000.0),
    *,
    power_factor: float = 0.95,
    source: OutputSource = OutputSource.NORMAL,
    at_s: float = -2.0,
    on_battery_s: float | None = None,
    alarms: tuple[str, ...] = (),
    frequency_hz: float = 50.0,
    voltage_v: float = 230.0,
    nameplate: Nameplate | None = None,
) -> Reading:
    """Return a reading of `unit`, `at_s` from now, with `watts` by its own lines."""
    lines = tuple(
        OutputLine(n, voltage_v, w / power_factor / voltage_v, w, None) for n, w in enumerate(watts, start=1)
    )
    count = len(watts)
    stamp = replace(NOW, at=NOON + timedelta(seconds=at_s), monotonic_s=NOW.monotonic_s + at_s)
    return Reading(
        unit=unit,
        stamp=stamp,
        battery=BatteryReading(on_battery_s=on_battery_s, temperature_c=22.0),
        input=InputReading(0, tuple(InputLine(n + 1, 50.0, 230.0) for n in range(count))),
        output=OutputReading(source, frequency_hz, lines),
        bypass=BypassReading(50.0, tuple(BypassLine(n + 1, 230.0) for n in range(count))),
        card_alarms=alarms,
        test=SelfTest(),
        nameplate=nameplate or Nameplate(),
    )


def view(plant: Estate, readings: Sequence[Reading], **more: object) -> SystemView:
    """Return what is seen of system A now."""
    seen: Mapping[str, Reading] = {r.unit: r for r in readings}
    return replace(SystemView(plant, "A", seen, {}, NOW), **more)  # type: ignore[arg-type]


def known_banks(plant: Estate, health: float = 0.95, sd: float = 0.03) -> dict[str, BankBelief]:
    """Return what is believed of banks that tests have shown to be about alike, full and at 22 degC."""
    day = NOON.date()
    found = {}
    for seed, bank in enumerate(plant.banks.values()):
        aged = belief_from_age(bank, in_place(bank.fitted, day), day, 22.0, seed, rating_w=27_000.0)
        draws = np.random.default_rng(seed).normal(health, sd, aged.draws)
        found[bank.id] = replace(
            aged, health=draws, health_slope=np.full(aged.draws, 0.02), basis=Basis.TESTED
        )
    return found


def month(*watts: float, power_factor: float = 0.95) -> Peaks:
    """Return 30 days of record whose peak by line is `watts`, and whose 95th percentile is 0.9 of it."""
    lines = tuple(
        LinePeak(n, w, w / power_factor, 0.9 * w, 0.9 * w / power_factor, NOON)
        for n, w in enumerate(watts, 1)
    )
    return Peaks(lines, 30.0, NOON - timedelta(days=30)) if watts else NO_PEAKS


def paired(plant: Estate) -> Estate:
    """Return a plant with a second system beside system A, of two units like its own; each must take the other."""
    other = replace(plant.systems["A"], id="B", name="Hall B", partner="A")
    units = {f"B{n}": replace(plant.units["A1"], id=f"B{n}", system="B") for n in (1, 2)}
    return replace(
        plant,
        systems={"A": replace(plant.systems["A"], partner="B"), "B": other},
        units={**plant.units, **units},
        cards={**plant.cards, **{f"card {u}": Card(f"card {u}", (u,)) for u in units}},
        banks={**plant.banks, **{f"bank {u}": Bank(f"bank {u}", (u,), 240, 1, (BLOCKS,)) for u in units}},
    )
