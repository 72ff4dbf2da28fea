"""A maker's constant-power table as somebody pastes it, held to the same as the estate file's, and the lines for that file."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

from pydantic import ValidationError

from collector.configuration.faults import ConfigError, FaultList, note_validation, shown
from collector.configuration.impossible import check_blocks
from collector.configuration.loading import setting_names
from collector.configuration.plant.banks import BlocksTable
from rules.plant.estate import FittedBank

LONGEST: Final = 4000
"""Characters; a table of fifty rows has some five hundred."""
NAME: Final = "the table"
_NUMBER: Final = re.compile(r"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")
_ROW: Final = 2


def pasted_table(text: str, fitted: FittedBank, *, cells: int = 1) -> FittedBank:
    """Return the blocks with the table that a text holds, in minutes and watts per cell to their end voltage.

    `cells`: for how many cells its watts are, as of a block; what comes out is per cell to a tenth of a per cent. It may be the setting as it stands in an estate file, a pair a line, or a line of minutes above a line of watts. What was
    declared for other end voltages stays. Raises ConfigError with every fault.
    """
    notes = FaultList(NAME)
    rows = _rows(text, notes)
    if notes.faults:
        raise ConfigError(notes.faults)
    if cells != 1:
        rows = [(minutes, float(f"{watts / cells:.4g}")) for minutes, watts in rows]
    declared = {
        "rated_capacity_ah": fitted.rated_capacity_ah,
        "rated_hours": fitted.rated_hours,
        "end_voltage_per_cell_v": fitted.end_voltage_per_cell_v,
        "design_life_years": fitted.design_life_years,
        "constant_power": [list(row) for row in rows],
    }
    try:
        blocks = BlocksTable.model_validate(declared)
    except ValidationError as error:
        note_validation(notes, "", error, setting_names(BlocksTable))
        raise ConfigError(notes.faults) from None
    check_blocks(blocks, "", notes)
    if len(rows) < _ROW and not notes.faults:
        notes.fault("constant_power", "2 or more pairs of minutes and watts", str(len(rows)))
    if notes.faults:
        raise ConfigError(notes.faults)
    others = [t for t in fitted.constant_power if t.end_voltage_per_cell_v != fitted.end_voltage_per_cell_v]
    return replace(fitted, constant_power=(*blocks.power_tables(), *others))


def file_line(fitted: FittedBank) -> str:
    """Return the line for the estate file, below the blocks' `[[bank.fitted]]`."""
    own = next(t for t in fitted.constant_power if t.end_voltage_per_cell_v == fitted.end_voltage_per_cell_v)
    pairs = ", ".join(f"[{minutes:g}, {watts:g}]" for minutes, watts in own.minutes_watts)
    return f"constant_power = [{pairs}]"


def _rows(text: str, notes: FaultList) -> list[tuple[float, float]]:
    lines = [(n, line.partition("#")[0].strip()) for n, line in enumerate(text.splitlines(), 1)]
    lines = [(n, line) for n, line in lines if line]
    if "[" in text:
        return _setting(lines, notes)
    found = [(n, line, _numbers(line)) for n, line in lines]
    if len(found) == _ROW and len(found[0][2]) == len(found[1][2]) > _ROW:
        return list(zip(found[0][2], found[1][2], strict=True))
    rows = []
    for place, (n, line, numbers) in enumerate(found):
        if len(numbers) == _ROW:
            rows.append((numbers[0], numbers[1]))
        elif numbers or place:  # words alone above the first row are its head
            notes.fault(f"line {n}", "minutes and watts per cell", shown(line))
    return rows


def _setting(lines: list[tuple[int, str]], notes: FaultList) -> list[tuple[float, float]]:
    """Return the pairs of a setting as the estate file has it."""
    whole = " ".join(line for _, line in lines).partition("=")
    pairs = re.findall(r"\[([^\[\]]*)\]", whole[2] or whole[0])
    rows = []
    for number, pair in enumerate(pairs, 1):
        numbers = [float(one) for one in re.findall(r"[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?", pair)]
        if len(numbers) == _ROW:
            rows.append((numbers[0], numbers[1]))
        else:
            notes.fault(f"pair {number}", "minutes and watts per cell", shown(f"[{pair.strip()}]"))
    return rows


def _numbers(line: str) -> list[float]:
    """Return the numbers of a line; a comma within one is its decimal point, one between two parts them."""
    line = re.sub(r"(\d)\s+(?=h\b|hours?\b)", r"\1", line)  # an hour stays with its figure
    parts = re.split(r"[;|\t]|,\s+|\s+", line)
    if len(parts) == 1 and line.count(",") == 1:
        parts = line.split(",")
    found = []
    for part in parts:
        number = _NUMBER.match(part)
        if number is None:
            continue
        hours = part[number.end() :].lower().startswith("h")
        found.append(float(number.group().replace(",", ".")) * (60.0 if hours else 1.0))
    return found
