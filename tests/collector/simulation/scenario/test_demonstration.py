"""The demonstration's estate file is a good one, and its tables are what its batteries do."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.configuration import load
from collector.simulation.plant.battery import BankPlant
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.published import runtime_s
from collector.simulation.scenario.demonstration import BLOCKS, UNITS, BlockType, SimScenario, cards

SCENARIO = SimScenario(7, datetime(2026, 11, 24, 12, tzinfo=UTC))


def written(folder: Path) -> Path:
    targets = {card: f"snmp://127.0.0.1:{16100 + i}" for i, card in enumerate(cards())}
    secrets = folder / "secrets.toml"
    secrets.touch(mode=0o600)
    secrets.write_text(SCENARIO.secrets_text())
    path = folder / "estate.toml"
    path.write_text(SCENARIO.estate_text(targets))
    return path


def test_the_estate_file_has_no_fault_and_no_open_question(tmp_path: Path) -> None:
    configuration = load(written(tmp_path))
    assert configuration.warnings == ()
    assert {s: len(configuration.estate.units_of(s)) for s in configuration.estate.systems} == {
        "ossenby": 2,
        "brackmere": 3,
        "tollwick": 1,
    }


def test_the_file_declares_what_the_simulation_is_made_of(tmp_path: Path) -> None:
    estate = load(written(tmp_path)).estate
    for system in SCENARIO.plant.systems.values():
        for plant in system.units:
            unit = estate.units[plant.id]
            (bank,) = estate.banks_of(plant.id)
            assert unit.line_order == plant.line_order
            assert unit.fitted[-1].rating_w == plant.rating_w
            assert (bank.cells, bank.strings) == (plant.bank.cells, plant.bank.strings)
            assert bank.fitted[-1].end_voltage_per_cell_v == plant.bank.end_voltage_v
            assert (unit.accept_s, unit.hold_off_s, unit.walk_in_s) == (
                plant.accept_s,
                plant.hold_off_s,
                plant.walk_in_s,
            )


@pytest.mark.parametrize("block", BLOCKS.values(), ids=lambda b: b.name)
def test_a_printed_table_is_what_the_new_cell_gives(block: BlockType) -> None:
    plant = BankPlant("one", block.cell, cells=1, end_voltage_v=block.end_voltage_v)
    for minutes, watts in block.constant_power:
        if minutes in {5.0, 15.0, 60.0, 180.0}:
            got_s = runtime_s(plant, new_bank(plant), watts, step_s=minutes / 5.0)
            assert got_s / 60.0 == pytest.approx(minutes, rel=0.02)


def test_two_cards_are_awkward_and_one_bank_is_past_its_best() -> None:
    assert len([u for u in UNITS if u.lies]) == 2
    now_s = SCENARIO.now.timestamp()
    capacities = {u.unit: SCENARIO.wear(u, now_s).capacity for u in UNITS}
    assert min(capacities, key=lambda unit: capacities[unit]) == "brackmere-3"
    assert capacities["brackmere-3"] < 0.88
    assert min(c for unit, c in capacities.items() if unit != "brackmere-3") > 0.9


def test_wear_only_grows_from_a_years_age_on() -> None:
    year_s = 365.25 * 86_400.0
    for unit in UNITS:
        fitted_s = SCENARIO.now.timestamp() - unit.age_days * 86_400.0
        capacity = [SCENARIO.wear(unit, fitted_s + n * year_s).capacity for n in (2, 4, 6, 8)]
        assert capacity == sorted(capacity, reverse=True)
