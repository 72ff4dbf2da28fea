"""Read a folder of discharge records with known truth: truth.json and one CSV per record."""

import csv
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rules.battery.discharge.record.columns import DischargeLog

COLUMNS = ("t_s", "bank_voltage_v", "bank_current_a", "temperature_c", "output_power_w")


@dataclass(frozen=True)
class Record:
    """One discharge and what is true of it; None where the set does not say."""

    file: str
    log: DischargeLog
    cells: int
    strings: int
    end_v: float
    end_s: float
    table: tuple[tuple[float, float], ...]
    rated_ah: float | None
    health: float | None
    load: str
    product: str
    block: str
    truth: dict[str, Any]


def read_log(path: Path) -> DischargeLog:
    """Return a log from a CSV with the usual columns; empty cells become NaN."""
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    columns = [[float(row[name]) if row.get(name) else np.nan for row in rows] for name in COLUMNS]
    return DischargeLog.of(*columns)


def read_set(folder: Path) -> list[Record]:
    """Return all records of a folder."""
    with (folder / "truth.json").open() as file:
        truths = json.load(file)["discharges"]
    return [_record(folder, truth) for truth in truths]


def _record(folder: Path, truth: dict[str, Any]) -> Record:
    table = tuple((float(m), float(w)) for m, w in truth.get("constant_power_min_w_per_cell", ()))
    return Record(
        file=truth["file"],
        log=read_log(folder / truth["file"]),
        cells=int(truth["cells_in_series"]),
        strings=int(truth.get("strings", 1)),
        end_v=float(truth["end_voltage_per_cell_v"]),
        end_s=float(truth["t_end_true_s"]),
        table=table,
        rated_ah=truth.get("rated_capacity_ah_20h"),
        health=truth.get("capacity_fraction_at_rate_25C"),
        load=truth.get("load_kind", "constant"),
        product=str(truth.get("design", truth.get("family", ""))),
        block=str(truth.get("block", truth["file"])),
        truth=truth,
    )
