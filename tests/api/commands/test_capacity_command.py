import json
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from api.commands.main import main
from api.commands.reports.capacity import FIGURES
from collector.assessment.capacity_files import COLUMNS, read_log
from collector.configuration.bank_file import PastedBank, load_bank
from collector.configuration.loading import setting_names

DATA = Path(__file__).resolve().parents[2] / "data" / "discharges"
TRUTH: dict[str, dict[str, Any]] = {
    d["file"]: d for d in json.loads((DATA / "truth.json").read_text(encoding="utf-8"))["discharges"]
}


@pytest.fixture
def bank(tmp_path: Path) -> Path:
    truth = TRUTH["develop_02.csv"]
    path = tmp_path / "bank.toml"
    path.write_text(
        f"cells_in_series = {truth['cells_in_series']}\n"
        f"rated_capacity_ah = {truth['rated_capacity_ah_20h']}\nrated_hours = 20\n"
        f"end_voltage_per_cell_v = {truth['end_voltage_per_cell_v']}\n"
        f"constant_power = {truth['constant_power_min_w_per_cell']}\n",
        encoding="utf-8",
    )
    return path


def judged(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, dict[str, Any]]:
    code = main(["capacity", str(DATA / "develop_02.csv"), *arguments, "--json"])
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return code, found


def test_half_a_discharge_gives_every_figure(bank: Path, capsys: pytest.CaptureFixture[str]) -> None:
    end = TRUTH["develop_02.csv"]["t_end_true_s"]
    code, found = judged(capsys, "--bank", str(bank), "--until", str(0.5 * end))
    assert code == 0
    assert set(found) == {*FIGURES, "basis", "cannot_tell"}
    assert found["cannot_tell"] is None
    assert found["capacity_fraction_low"] < found["capacity_fraction"] < found["capacity_fraction_high"]
    assert found["end_of_discharge_low_s"] < found["end_of_discharge_s"] < found["end_of_discharge_high_s"]
    assert found["capacity_rate_adjusted_fraction"] > found["capacity_fraction"]
    assert found["end_voltage_v"] == pytest.approx(TRUTH["develop_02.csv"]["cells_in_series"] * 1.70)


def test_a_reference_of_the_type_is_counted(bank: Path, capsys: pytest.CaptureFixture[str]) -> None:
    reference = str(DATA / "develop_11.csv")
    _, found = judged(capsys, "--bank", str(bank), "--until", "300", "--reference", reference)
    assert "1 of the type" in found["basis"]


def test_when_it_cannot_tell_the_numbers_are_null_and_the_code_says_so(
    bank: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, found = judged(capsys, "--bank", str(bank), "--until", "5")
    assert code == 11
    assert found["cannot_tell"]
    assert all(found[name] is None for name in FIGURES)


def test_text_has_the_plot_and_the_svg_is_well_formed(
    bank: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    picture = tmp_path / "a.svg"
    log = str(DATA / "develop_02.csv")
    assert main(["capacity", log, "--bank", str(bank), "--until", "350", "--plot", str(picture)]) == 0
    out = capsys.readouterr().out
    assert re.search(r"Capacity \d+ % of the published time \(90 % interval \d+ to \d+ %\)", out)
    assert "measured" in out
    root = ET.fromstring(picture.read_text(encoding="utf-8"))
    assert root.tag.endswith("svg")
    assert "nan" not in picture.read_text(encoding="utf-8")


def test_a_wrong_file_is_named_with_place_and_wish(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bank.toml"
    bad.write_text("cells_in_serie = 240\nend_voltage_per_cell_v = 1.7\n", encoding="utf-8")
    assert main(["capacity", str(DATA / "develop_02.csv"), "--bank", str(bad)]) == 2
    error = capsys.readouterr().err
    assert "bank.toml: " in error
    assert "want" in error
    assert "cells_in_series" in error


def test_until_must_be_a_number_of_seconds(bank: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["capacity", str(DATA / "develop_02.csv"), "--bank", str(bank), "--until", "nan"]) == 2
    assert "--until" in capsys.readouterr().err


def test_help_names_the_columns_with_three_rows_and_the_settings_of_a_bank_that_work(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        main(["capacity", "--help"])
    told = capsys.readouterr().out
    for name in (*COLUMNS, *setting_names(PastedBank)):
        assert re.search(rf"\b{name}\b", told), name
    lines = [line.strip() for line in told.splitlines()]
    head = next(n for n, line in enumerate(lines) if line.startswith("t_s,"))
    log = tmp_path / "log.csv"
    log.write_text("\n".join(lines[head : head + 4]) + "\n", "utf-8")
    assert len(read_log(log).t_s) == 3
    bank = tmp_path / "bank.toml"
    bank.write_text("\n".join(line for line in lines if re.match(r"\w+ = ", line)), "utf-8")
    assert load_bank(bank).inverter_efficiency == 0.94


def test_a_bank_is_judged_alike_from_its_entry_in_an_estate_file(
    bank: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, alone = judged(capsys, "--bank", str(bank), "--until", "300")
    cells, rest = bank.read_text("utf-8").split("\n", 1)
    count = int(cells.partition("=")[2])
    entry = tmp_path / "entry.toml"
    entry.write_text(
        f'[[bank]]\nid = "b"\nfeeds = ["A1"]\n{cells}\n[[bank.fitted]]\nfrom = 2020-01-01\ntype = "bank"\n'
        f"blocks = {count // 6}\n{rest}",
        "utf-8",
    )
    _, pasted = judged(capsys, "--bank", str(entry), "--until", "300")
    assert pasted == alone
