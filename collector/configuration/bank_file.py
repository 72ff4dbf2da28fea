"""The file that describes one bank by itself, for judging a logged discharge (`capacity --bank`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field, TypeAdapter, ValidationError

from collector.configuration.faults import ConfigError, FaultList, note_validation, shown
from collector.configuration.impossible import check_bank, check_blocks
from collector.configuration.loading import setting_names
from collector.configuration.plant.banks import BankTable as EstateBank
from collector.configuration.plant.banks import BlocksTable
from collector.configuration.plant.values import Day, Number, Whole
from collector.configuration.toml_text import Lines, tables_of, text_of
from rules.plant.estate import Bank, FittedBank, VoltageReported

UNKNOWN_DAY = date(2000, 1, 1)
"""The day of installation where the file gives none."""


class PastedBank(BlocksTable):
    """One bank: its cells and its blocks."""

    cells_in_series: Whole = Field(ge=1, le=600, description="cells in series, of one half where split")
    strings: Whole = Field(default=1, ge=1, le=16, description="strings in parallel")
    installed: Day | None = Field(default=None, description="the day the blocks were installed")
    halves: Whole = Field(default=1, ge=1, le=2, description="2 for a bank split about its mid-point")
    voltage_reported: Literal["whole", "half"] = Field(
        default="whole", description="what the log's voltage stands for on a split bank"
    )
    inverter_efficiency: Number | None = Field(
        default=None, ge=0.5, le=1.0, description="output over battery power, where current is not logged"
    )


WANTED: Final = "cells_in_series and what else is known of the bank, or one [[bank]] of an estate file"
_NAMED: Final = 6
_EFFICIENCY: Final[TypeAdapter[float]] = TypeAdapter(
    Annotated[float, Field(strict=True, ge=0.5, le=1.0, allow_inf_nan=False)]
)
_OTHERS: Final = {
    "site": "an estate file without a bank",
    "system": "an estate file without a bank",
    "secrets": "an estate file without a bank",
    "fitted": "[[fitted]] alone: [[bank]] and its cells_in_series belong above it, as [[bank.fitted]] below it",
}


@dataclass(frozen=True, slots=True)
class BankFile:
    """A bank as its file describes it. `installed` is None where the file does not say."""

    bank: Bank
    fitted: FittedBank
    installed: date | None = None
    inverter_efficiency: float | None = None


def load_bank(path: Path) -> BankFile:
    """Read a bank's file: its settings alone, or one [[bank]] as it stands in an estate file.

    Of an entry's installations the last counts. Raises ConfigError with every fault.
    """
    notes = FaultList(str(path))
    text = text_of(path, "a bank's file")
    lines = Lines(text)
    table = tables_of(text, notes)
    try:
        return _entry(table, notes) if "bank" in table else _alone(table, path, notes)
    except _FaultyError:
        notes.with_lines(lines.of)
        raise ConfigError(notes.faults) from None


class _FaultyError(Exception):
    """The file has faults, and they are noted."""


def _entry(table: Mapping[str, object], notes: FaultList) -> BankFile:
    """Return the one bank that a text holds as an estate file does; its other tables are passed over."""
    banks = table["bank"]
    if not isinstance(banks, list) or len(banks) != 1 or not isinstance(banks[0], dict):
        named = (
            [str(b.get("id", "?")) for b in banks if isinstance(b, dict)] if isinstance(banks, list) else []
        )
        got = f"{len(named)}: {', '.join(named[:_NAMED])}" if named else shown(banks)
        notes.fault("bank", "one [[bank]] with its [[bank.fitted]]: copy it into a file of its own", got)
        raise _FaultyError
    entry = dict(banks[0])
    efficiency = entry.pop("inverter_efficiency", None)
    place = f"bank.{entry['id']}" if isinstance(entry.get("id"), str) else "bank#1"
    try:
        found = EstateBank.model_validate(entry)
        efficient = None if efficiency is None else _EFFICIENCY.validate_python(efficiency)
    except ValidationError as error:
        note_validation(notes, place, error, [*setting_names(EstateBank), "inverter_efficiency"])
        raise _FaultyError from None
    check_bank(found, place, notes)
    if notes.faults:
        raise _FaultyError
    bank = found.value()
    fitted = bank.fitted[-1]
    return BankFile(bank, fitted, fitted.from_day, efficient)


def _alone(table: Mapping[str, object], path: Path, notes: FaultList) -> BankFile:
    """Return the bank whose settings are the whole file."""
    other = next((what for name, what in _OTHERS.items() if name in table), None)
    if other is not None:
        notes.fault("file", f"a bank's file: {WANTED}", other)
        raise _FaultyError
    try:
        found = PastedBank.model_validate(table)
    except ValidationError as error:
        note_validation(notes, "", error, setting_names(PastedBank))
        raise _FaultyError from None
    if found.halves == 1 and found.voltage_reported == "half":
        notes.fault("voltage_reported", "'whole', since halves = 1", "'half'")
    check_blocks(found, "", notes)
    if notes.faults:
        raise _FaultyError
    fitted = FittedBank(
        from_day=found.installed or UNKNOWN_DAY,
        until_day=None,
        type=path.stem,
        blocks=0,
        end_voltage_per_cell_v=found.end_voltage_per_cell_v,
        rated_capacity_ah=found.rated_capacity_ah,
        rated_hours=found.rated_hours,
        constant_power=found.power_tables(),
        design_life_years=found.design_life_years,
    )
    bank = Bank(
        id=path.stem,
        feeds=(),
        cells_in_series=found.cells_in_series,
        strings=found.strings,
        fitted=(fitted,),
        halves=found.halves,
        voltage_reported=VoltageReported(found.voltage_reported),
    )
    return BankFile(bank, fitted, found.installed, found.inverter_efficiency)
