from pathlib import Path

import numpy as np
import pytest

from collector.assessment.capacity_files import read_files, read_log
from collector.configuration.faults import ConfigError

BANK = """
cells_in_series = 100
rated_capacity_ah = 12.0
rated_hours = 20
end_voltage_per_cell_v = 1.67
constant_power = [[5, 96.0], [10, 62.0], [15, 46.0], [30, 27.0]]
"""


def write(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_columns_come_in_any_order_and_letter_case(tmp_path: Path) -> None:
    log = read_log(
        write(tmp_path, "a.csv", "Bank_Voltage_V,T_S,bank_current_a,colour\n200,0,5,red\n199,5,5,red\n")
    )
    np.testing.assert_array_equal(log.t_s, [0.0, 5.0])
    np.testing.assert_array_equal(log.bank_voltage_v, [200.0, 199.0])
    assert np.isnan(log.temperature_c).all()


def test_empty_cells_are_not_known_and_blank_lines_passed_over(tmp_path: Path) -> None:
    text = "t_s,bank_voltage_v,output_power_w\n0,200,\n\n5,,900\n10\n"
    log = read_log(write(tmp_path, "a.csv", text))
    np.testing.assert_array_equal(np.isnan(log.bank_voltage_v), [False, True, True])
    np.testing.assert_array_equal(np.isnan(log.output_power_w), [True, False, True])


@pytest.mark.parametrize("separator", [";", "\t"])
def test_other_separators_and_decimal_commas_are_read(tmp_path: Path, separator: str) -> None:
    rows = [["t_s", "bank_voltage_v", "bank_current_a"], ["0", "200,5", "5,1"], ["5", "200,1", "5,1"]]
    log = read_log(write(tmp_path, "a.csv", "\ufeff" + "\n".join(separator.join(row) for row in rows)))
    np.testing.assert_array_equal(log.bank_voltage_v, [200.5, 200.1])


def test_every_fault_is_named_with_its_line(tmp_path: Path) -> None:
    path = write(tmp_path, "a.csv", "t_s,bank_voltage_v,bank_current_a\n0,two hundred,5\n5,199,inf\n")
    with pytest.raises(ConfigError) as error:
        read_log(path)
    assert [str(fault) for fault in error.value.faults] == [
        f"{path}: line 2, bank_voltage_v: want a number or an empty cell; got 'two hundred'",
        f"{path}: line 3, bank_current_a: want a finite number; got 'inf'",
    ]


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("", "line 1"),
        ("a,b\n1,2\n", "line 1"),
        ("t_s,bank_voltage_v\n0,200\n", "line 1"),
        ("t_s,t_s,bank_voltage_v,bank_current_a\n0,0,200,1\n", "line 1"),
        ("t_s,bank_voltage_v,bank_current_a\n", "line 2"),
    ],
)
def test_what_cannot_be_a_log_is_refused(tmp_path: Path, text: str, place: str) -> None:
    with pytest.raises(ConfigError) as error:
        read_log(write(tmp_path, "a.csv", text))
    assert error.value.faults[0].place == place


def test_a_missing_file_and_one_that_is_not_text_are_faults(tmp_path: Path) -> None:
    (tmp_path / "b.csv").write_bytes(b"\xff\xfe\x00t")
    for name in ("none.csv", "b.csv"):
        with pytest.raises(ConfigError):
            read_log(tmp_path / name)


def test_faults_of_all_files_come_together(tmp_path: Path) -> None:
    log = write(tmp_path, "a.csv", "a,b\n")
    bank = write(tmp_path, "bank.toml", BANK.replace("strings", "strngs") + "\nstrngs = 2\n")
    with pytest.raises(ConfigError) as error:
        read_files(log, bank, [tmp_path / "none.csv"])
    assert {fault.file.rsplit("/", 1)[-1] for fault in error.value.faults} == {
        "a.csv",
        "bank.toml",
        "none.csv",
    }


LOG = "t_s,bank_voltage_v,bank_current_a\n" + "".join(f"{t},{200 - 0.01 * t},12\n" for t in range(0, 300, 5))


def test_a_reference_stands_for_the_same_bank_unless_its_own_file_says_otherwise(tmp_path: Path) -> None:
    log, bank = write(tmp_path, "a.csv", LOG), write(tmp_path, "bank.toml", BANK)
    same, other = write(tmp_path, "same.csv", LOG), write(tmp_path, "other.csv", LOG)
    write(
        tmp_path,
        "other.toml",
        "cells_in_series = 50\nrated_capacity_ah = 24.0\nrated_hours = 20\nend_voltage_per_cell_v = 1.75\n",
    )
    files = read_files(log, bank, [same, other])
    assert files.references[0].battery == files.battery
    assert files.references[1].battery.cells == 50
    assert files.references[1].battery.end_voltage_per_cell_v == 1.67  # read to the end voltage asked for
    assert files.references[1].battery.rated_capacity_ah == 24.0


def test_a_given_efficiency_turns_output_into_battery_power(tmp_path: Path) -> None:
    log = write(tmp_path, "a.csv", LOG)
    bank = write(tmp_path, "bank.toml", BANK + "inverter_efficiency = 0.9\n")
    assert read_files(log, bank, []).battery.losses.battery_power_w(900.0) == pytest.approx(1000.0)


@pytest.mark.parametrize(
    ("content", "want"),
    [
        (BANK.lstrip(), ":1: file: want a table of values with the columns t_s and bank_voltage_v"),
        ("seconds,volts,amps\n0,200,5\n", ":1: line 1: want a column t_s"),
        (
            "t_s,bank_voltage,bank_current_a\n0,200,5\n",
            "want a column bank_voltage_v (is it 'bank_voltage'?)",
        ),
        (
            "t_s,bank_voltage_v,bank_current_a\n0,200,5\n5,19",
            ":3: line 3: want 3 cells and the end of the line",
        ),
        (b"t_s,bank_voltage_v\n\xc3", "the file is cut off"),
        (b"PK\x03\x04\x00\x00", "file: want a log, which is text in UTF-8; got an archive or a spreadsheet"),
        (b"\x00\x01", "file: want a log, which is text in UTF-8; got a binary file"),
    ],
)
def test_a_cut_a_wrong_and_a_binary_log_are_told_with_place_and_remedy(
    content: str | bytes, want: str, tmp_path: Path
) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(ConfigError) as error:
        read_log(path)
    told = str(error.value.faults[0])
    assert told.startswith(str(path))
    assert want in told
