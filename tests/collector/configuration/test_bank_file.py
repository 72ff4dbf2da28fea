"""The file of one bank."""

import re
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


ENTRY = """
[[bank]]
id = "bank-2"
feeds = ["core-2"]
halves = 2
voltage_reported = "half"
cells_in_series = 120
strings = 2
charging = "intermittent"
order_lead_days = 70

[[bank.fitted]]
from = 2012-02-15
until = 2021-02-15
type = "Older"
blocks = 80

[[bank.fitted]]
from = 2021-02-15
type = "Tarn 12-9 HR"
blocks = 80
rated_capacity_ah = 9.0
rated_hours = 20
constant_power = [[5, 66.0], [10, 43.0], [15, 33.0], [30, 19.5], [60, 11.2]]
"""


def unlined(told: str) -> str:
    return re.sub(r"\.toml:\d+: ", ".toml: ", told)


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
    assert fault in unlined(str(caught.value))


def test_a_file_that_is_not_there_is_one_fault(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="want a bank's file that can be read; got No such file"):
        load_bank(tmp_path / "none.toml")


def test_an_entry_of_an_estate_file_is_read_as_it_stands_there(tmp_path: Path) -> None:
    found = load_bank(written(tmp_path, ENTRY))
    assert (found.bank.id, found.bank.cells, found.bank.reported_cells, found.bank.strings) == (
        "bank-2",
        240,
        120,
        2,
    )
    assert (found.fitted.type, found.installed) == ("Tarn 12-9 HR", date(2021, 2, 15))
    assert found.fitted.constant_power[0].minutes_watts[0] == (5.0, 66.0)
    with_losses = ENTRY.replace("strings = 2", "strings = 2\ninverter_efficiency = 0.93")
    assert load_bank(written(tmp_path, with_losses)).inverter_efficiency == 0.93


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (
            ENTRY.replace("blocks = 80", "blocks = 81"),
            ":16: bank.bank-2.fitted#1.blocks: want all blocks of the bank",
        ),
        (
            ENTRY.replace("strings", "stringz"),
            ":2: bank.bank-2: want known settings only (nearest known: 'strings')",
        ),
        (
            ENTRY + ENTRY.replace("bank-2", "b3"),
            "bank: want one [[bank]] with its [[bank.fitted]]: copy it into a file",
        ),
        (
            ENTRY[:-40],
            "want the rest: line 24 is begun and not ended; got the end of the file (is it cut off?)",
        ),
        (
            ENTRY.replace("[[bank]]", "[[site]]").replace("[[bank.", "[[site."),
            "got an estate file without a bank",
        ),
        ("t_s,bank_voltage_v\n0,540\n", "bank.toml:1: line 1, column 4: want TOML"),
        ("\x00\x01", "file: want a bank's file, which is text in UTF-8; got a binary file"),
    ],
)
def test_a_cut_a_wrong_and_a_binary_file_are_told_with_place_and_remedy(
    text: str, fault: str, tmp_path: Path
) -> None:
    with pytest.raises(ConfigError) as caught:
        load_bank(written(tmp_path, text))
    told = str(caught.value.faults[0])
    assert told.startswith(f"{tmp_path}/bank.toml")
    assert fault in told
