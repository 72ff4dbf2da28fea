"""The files of `ridethrough capacity`: logged discharges, and the banks they were taken from.

Every fault is found before any is reported, as FILE: place: want ...; got ...
"""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from collector.configuration.bank_file import BankFile, load_bank
from collector.configuration.faults import ConfigError, ConfigFault, FaultList, nearest, shown
from collector.configuration.toml_text import text_of
from rules.battery.discharge.capacity import ReferenceLog
from rules.battery.discharge.record.clean_discharge import Battery, battery_of
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.model.inverter_losses import Losses

COLUMNS: Final = (
    "t_s", "bank_voltage_v", "bank_current_a", "temperature_c", "output_power_w", "on_battery",
)  # fmt: skip
NEEDED: Final = ("t_s", "bank_voltage_v")
EMPTY: Final = frozenset({"", "nan", "na", "n/a", "null", "none", "-"})
WANTED: Final = f"{' and '.join(NEEDED)}, and bank_current_a or output_power_w"
_TOML: Final = re.compile(r"\s*(\[\[?[\w.]+\]|[\w]+\s*=|#)")
MOST_BYTES: Final = 200_000_000
_MOST_FAULTS: Final = 20


@dataclass(frozen=True)
class CapacityFiles:
    """What the command was given, read."""

    log: DischargeLog
    battery: Battery
    references: tuple[ReferenceLog, ...]


def read_files(log: Path, bank: Path, references: Sequence[Path]) -> CapacityFiles:
    """Return the log, its bank and the references. Raises ConfigError with every fault of every file."""
    faults: list[ConfigFault] = []
    described: BankFile | None = None
    rows: DischargeLog | None = None
    logs: list[tuple[Path, DischargeLog]] = []
    others: dict[Path, BankFile] = {}
    try:
        described = load_bank(bank)
    except ConfigError as error:
        faults += error.faults
    try:
        rows = read_log(log)
    except ConfigError as error:
        faults += error.faults
    for path in references:
        try:
            logs.append((path, read_log(path)))
            beside = path.with_suffix(".toml")
            if beside.exists():
                others[path] = load_bank(beside)
        except ConfigError as error:
            faults += error.faults
    if faults or described is None or rows is None:
        raise ConfigError(faults)
    target = battery_from(described)
    found = [ReferenceLog(r, _reference_battery(others.get(path), described, target)) for path, r in logs]
    return CapacityFiles(rows, target, tuple(found))


def battery_from(described: BankFile) -> Battery:
    """Return what judging needs of a described bank."""
    efficiency = described.inverter_efficiency
    losses = None if efficiency is None else Losses(0.0, 1.0 / efficiency - 1.0)
    return battery_of(described.bank, described.fitted, losses)


def _reference_battery(own: BankFile | None, described: BankFile, target: Battery) -> Battery:
    """Return a reference's bank: its own file's where there is one, read to the end voltage asked for.

    Without a table of its own it stands for the same type, scaled by rated capacity.
    """
    if own is None:
        return target
    end_v = described.fitted.end_voltage_per_cell_v
    battery = battery_from(replace(own, fitted=replace(own.fitted, end_voltage_per_cell_v=end_v)))
    if own.fitted.constant_power:
        return battery
    return replace(battery, curve=None, type=target.type)


def read_log(path: Path) -> DischargeLog:
    """Return a logged discharge. Raises ConfigError with its faults.

    Columns in any order and letter case, separated by comma, semicolon or tab; empty cells mean "not
    known"; columns of other names are passed over. `on_battery` is 1 in rows in which the unit says that its bank carries.
    """
    notes = FaultList(str(path))
    if path.is_file() and path.stat().st_size > MOST_BYTES:
        notes.fault("file", f"at most {MOST_BYTES // 1_000_000} MB", "more")
        raise ConfigError(notes.faults)
    text = text_of(path, "a log")
    lines = text.splitlines()
    first = next((number for number, line in enumerate(lines) if line.strip()), None)
    if first is None:
        raise ConfigError(
            [ConfigFault(str(path), "line 1", f"the names of the columns, {WANTED}", "an empty file", 1)]
        )
    if _TOML.match(lines[first]):
        notes.fault(
            "file",
            f"a table of values with the columns {WANTED}",
            "a TOML file: is it the bank's?",
            first + 1,
        )
        raise ConfigError(notes.faults)
    separator = max(",;\t", key=lines[first].count)
    places = _places(lines[first], separator, first + 1, notes)
    if notes.faults:
        raise ConfigError(notes.faults)
    widest = next(csv.reader([lines[first]], delimiter=separator))
    columns: dict[str, list[float]] = {name: [] for name in places}
    for number, row in enumerate(csv.reader(lines[first + 1 :], delimiter=separator), start=first + 2):
        if not any(cell.strip() for cell in row):
            continue
        if len(row) < len(widest) and number == len(lines) and not text.endswith("\n"):
            notes.fault(
                f"line {number}",
                f"{len(widest)} cells and the end of the line (delete the line, where the rest is lost)",
                f"{len(row)} and the end of the file: it is cut off",
                number,
            )
            break
        for name, place in places.items():
            cell = row[place].strip() if place < len(row) else ""
            columns[name].append(_number(cell, f"line {number}, {name}", separator, notes))
        if len(notes.faults) >= _MOST_FAULTS:
            break
    if not notes.faults and not columns["t_s"]:
        notes.fault(f"line {first + 2}", "rows of numbers", "none")
    if notes.faults:
        raise ConfigError(notes.faults)
    return DischargeLog.of(
        columns["t_s"],
        columns["bank_voltage_v"],
        columns.get("bank_current_a"),
        columns.get("temperature_c"),
        columns.get("output_power_w"),
        columns.get("on_battery"),
    )


def _places(line: str, separator: str, number: int, notes: FaultList) -> dict[str, int]:
    names = [name.strip().lower() for name in next(csv.reader([line], delimiter=separator))]
    places: dict[str, int] = {}
    for place, name in enumerate(names):
        if name not in COLUMNS:
            continue
        if name in places:
            notes.fault(f"line {number}", f"one column {name}", "two")
        places[name] = place
    for name in NEEDED:
        if name not in places:
            near = nearest(name, [n for n in names if n not in COLUMNS])
            like = near.replace(" (nearest known:", " (is it").replace(")", "?)")
            notes.fault(f"line {number}", f"a column {name}{like}", shown(line), number)
    if not {"bank_current_a", "output_power_w"} & places.keys():
        notes.fault(f"line {number}", "a column bank_current_a or output_power_w", shown(line), number)
    return places


def _number(cell: str, place: str, separator: str, notes: FaultList) -> float:
    if cell.lower() in EMPTY:
        return math.nan
    try:
        value = float(cell.replace(",", ".") if separator != "," else cell)
    except ValueError:
        notes.fault(place, "a number or an empty cell", shown(cell))
        return math.nan
    if math.isinf(value):
        notes.fault(place, "a finite number", shown(cell))
        return math.nan
    return value
