"""The file that describes one bank by itself, for judging a logged discharge (`capacity --bank`)."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationError

from collector.configuration.faults import ConfigError, ConfigFault, FaultList, note_validation
from collector.configuration.loading import setting_names
from collector.configuration.physics import check_blocks
from collector.configuration.plant import BlocksTable, Day, Number, Whole
from collector.configuration.secrets import where_in
from rules.estate import Bank, FittedBank, VoltageReported

UNKNOWN_DAY = date(2000, 1, 1)
"""The day of installation where the file gives none."""


class BankTable(BlocksTable):
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


@dataclass(frozen=True, slots=True)
class BankFile:
    """A bank as its file describes it. `installed` is None where the file does not say."""

    bank: Bank
    fitted: FittedBank
    installed: date | None = None
    inverter_efficiency: float | None = None


def load_bank(path: Path) -> BankFile:
    """Read a bank's file. Raises ConfigError with every fault."""
    notes = FaultList(path.name)
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise ConfigError(
            [ConfigFault(str(path), "file", "a bank's file that can be read", error.strerror or "an error")]
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        notes.fault(where_in(error), "TOML in UTF-8", "something else")
        raise ConfigError(notes.faults) from None
    try:
        found = BankTable.model_validate(table)
    except ValidationError as error:
        note_validation(notes, "", error, setting_names(BankTable))
        raise ConfigError(notes.faults) from None
    if found.halves == 1 and found.voltage_reported == "half":
        notes.fault("voltage_reported", "'whole', since halves = 1", "'half'")
    check_blocks(found, "", notes)
    if notes.faults:
        raise ConfigError(notes.faults)
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
