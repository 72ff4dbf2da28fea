"""The file of one bank."""

from datetime import date
from pathlib import Path

import pytest

from collector.configuration import ConfigError
from collector.configuration.bank_file import load_bank

BANK = """
cells_in_series = 240
strings = 1
rated_capacity_ah = 12.0
rated_hours = 20
end_voltage_per_cell_v = 1.67
installed = 2021-03-01
design_life_years = 10
constant_power = [[5, 96.0], [10, 62.0], [15, 46.0], [30, 27.0], [60, 15.5]]
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "bank.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_bank_is_read_as_it_stands_in_its_file(tmp_path: Path) -> None:
    found = load_bank(written(tmp_path, BANK))
    assert (found.bank.cells, found.bank.strings, found.installed) == (240, 1, date(2021, 3, 1))
    (table,) = found.fitted.constant_power
    assert table.end_voltage_per_cell_v == 1.67
    assert table.minutes_watts[0] == (5.0, 96.0)
    assert found.inverter_efficiency is None


def test_a_split_bank_with_tables_at_several_end_voltages(tmp_path: Path) -> None:
    more = 'halves = 2\nvoltage_reported = "half"\ninverter_efficiency = 0.93\n'
    table = "[[constant_power_at]]\nend_voltage_per_cell_v = 1.75\nminutes_watts = [[5, 85.0], [60, 14.8]]\n"
    found = load_bank(written(tmp_path, BANK + more + table))
    assert (found.bank.cells, found.bank.reported_cells) == (480, 240)
    assert [t.end_voltage_per_cell_v for t in found.fitted.constant_power] == [1.67, 1.75]
    assert found.inverter_efficiency == 0.93


def test_cells_alone_are_a_bank_whose_references_must_tell_the_rest(tmp_path: Path) -> None:
    found = load_bank(written(tmp_path, "cells_in_series = 6\n"))
    assert (found.installed, found.fitted.rated_capacity_ah) == (None, None)


@pytest.mark.parametrize(
    ("right", "wrong", "fault"),
    [
        ("strings", "stringz", "bank.toml: file: want known settings only (nearest known: 'strings')"),
        ("cells_in_series = 240\n", "", "bank.toml: cells_in_series: want this setting; got nothing"),
        (
            "[30, 27.0]",
            "[30, 15.0]",
            "bank.toml: constant_power: want watts times minutes that does not fall",
        ),
        # 12 Ah x 2 V x 1.5 = 36 Wh; 60 minutes at 40 W are 40
        (
            "[60, 15.5]",
            "[120, 20.0]",
            "bank.toml: constant_power: want at most 1.5 x rated_capacity_ah x 2 V",
        ),
        (
            "strings = 1",
            'strings = 1\nvoltage_reported = "half"',
            "bank.toml: voltage_reported: want 'whole'",
        ),
        ("= 1.67", "= 400.8", "bank.toml: end_voltage_per_cell_v: want 1.9 or less; got 400.8"),
        ("= 240", "= ", "bank.toml: line 2, column"),
    ],
)
def test_a_fault_names_its_place(right: str, wrong: str, fault: str, tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        load_bank(written(tmp_path, BANK.replace(right, wrong, 1)))
    assert fault in str(caught.value)


def test_a_file_that_is_not_there_is_one_fault(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="want a bank's file that can be read; got No such file"):
        load_bank(tmp_path / "none.toml")
