"""How logs with a fault in them are judged: whether it is named, and whether the truth lies in the interval.

    python -m tests.bench.faulty_logs FOLDER [SET ...] [--only WORD]

FOLDER holds one folder per set as `tests.bench.discharge_sets` reads them (`develop` where none is named). Each fault is put
into every record, cut off at three depths of what the bank gave. Printed are the share that was judged, the truth inside the
90 % interval and its median width in points, and what was said, by code.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from statistics import fmean, median
from typing import Final

import numpy as np

from rules.battery.discharge.capacity import judge_discharge
from rules.battery.discharge.curve.voltage import course_of, early_offset_v
from rules.battery.discharge.declared_otherwise import ODD_V
from rules.battery.discharge.record.clean_discharge import Battery, NotADischarge
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.log import clean
from tests.bench.capacity_accuracy import battery_for
from tests.bench.discharge_sets import Record, read_set

DEPTHS: Final = (0.3, 0.6, 1.0)
AFTER_S: Final = 60.0
"""How long a whole run goes on behind its end."""

Spoil = Callable[[DischargeLog, Battery], tuple[DischargeLog, Battery]]


def stuck(column: str, first: float, last: float) -> Spoil:
    """Return a column that stands from one share of its rows to another."""

    def spoil(log: DischargeLog, battery: Battery) -> tuple[DischargeLog, Battery]:
        values = getattr(log, column).copy()
        a, b = int(first * (len(values) - 1)), int(last * len(values))
        values[a:b] = values[a]
        return log.with_columns(**{column: values}), battery

    return spoil


def times(column: str, factor: float, plus: float = 0.0, first: float = 0.0) -> Spoil:
    """Return a column in another scale, from a share of its rows on."""

    def spoil(log: DischargeLog, battery: Battery) -> tuple[DischargeLog, Battery]:
        values = getattr(log, column).copy()
        since = int(first * len(values))
        values[since:] = factor * values[since:] + plus
        return log.with_columns(**{column: values}), battery

    return spoil


def row(share: float, **factors: float) -> Spoil:
    """Return one row in which columns are multiplied."""

    def spoil(log: DischargeLog, battery: Battery) -> tuple[DischargeLog, Battery]:
        at = np.arange(len(log.t_s)) == int(share * (len(log.t_s) - 1))
        changed = {
            name: np.where(at, f * getattr(log, name), getattr(log, name)) for name, f in factors.items()
        }
        return log.with_columns(**changed), battery

    return spoil


def cells(factor: float) -> Spoil:
    """Return the log beside another number of cells."""
    return lambda log, battery: (log, replace(battery, cells=round(battery.cells * factor)))


def strings(declared: int, real: int) -> Spoil:
    """Return the log of so many strings beside another number of them."""

    def spoil(log: DischargeLog, battery: Battery) -> tuple[DischargeLog, Battery]:
        drawn = log.with_columns(
            bank_current_a=log.bank_current_a * real, output_power_w=log.output_power_w * real
        )
        return drawn, replace(battery, strings=declared)

    return spoil


ROW = {"bank_voltage_v": 0.0, "bank_current_a": 0.0, "output_power_w": 0.0}
FAULTS: Final[dict[str, Spoil]] = {
    "none": lambda log, battery: (log, battery),
    "current 0 throughout": times("bank_current_a", 0.0),
    "current 0 from the middle on": times("bank_current_a", 0.0, first=0.5),
    "current stands throughout": stuck("bank_current_a", 0.3, 1.0),
    "current stands from the middle on": stuck("bank_current_a", 0.5, 1.0),
    "volts stand throughout": stuck("bank_voltage_v", 0.0, 1.0),
    "volts stand from the middle on": stuck("bank_voltage_v", 0.5, 1.0),
    "volts stand in the middle third": stuck("bank_voltage_v", 0.33, 0.67),
    "volts stand in the first third": stuck("bank_voltage_v", 0.0, 0.33),
    "temperature times ten": times("temperature_c", 10.0),
    "temperature in degF": times("temperature_c", 1.8, 32.0),
    "temperature 0": times("temperature_c", 0.0),
    "a tenth of the cells too few": cells(0.9),
    "a tenth too many": cells(1.1),
    "a fifth too many": cells(1.2),
    "a fortieth too few": cells(0.975),
    "a fortieth too many": cells(1.025),
    "half the cells": cells(0.5),
    "blocks for cells": cells(1.0 / 6.0),
    "2 strings for 1": strings(2, 1),
    "3 strings for 1": strings(3, 1),
    "1 string for 2": strings(1, 2),
    "a stray voltage": row(0.5, bank_voltage_v=0.62),
    "a stray last voltage": row(1.0, bank_voltage_v=0.8),
    "a row of 0 A": row(0.5, bank_current_a=0.0),
    "a row of nothing": row(0.5, **ROW),
}


@dataclass
class Tally:
    """What came of one fault at one depth."""

    records: int = 0
    inside: list[bool] = field(default_factory=list)
    widths: list[float] = field(default_factory=list)
    silent: int = 0
    """Judged without a word, and the truth is outside by more than 12 points of the middle."""
    codes: Counter[str] = field(default_factory=Counter)

    def take(self, record: Record, spoil: Spoil, depth: float) -> None:
        """Judge one record with the fault in it."""
        self.records += 1
        upto_s = depth * record.end_s + (AFTER_S if depth >= 1.0 else 0.0)
        log, battery = spoil(record.log.until(upto_s), battery_for(record))
        found = judge_discharge(log, battery)
        said = (*found.because, *(() if found.cannot_tell is None else (found.cannot_tell,)))
        self.codes.update({why.code.value for why in said})
        low, high = found.capacity_fraction_low, found.capacity_fraction_high
        if found.cannot_tell is not None or low is None or high is None or record.health is None:
            return
        self.inside.append(low <= record.health <= high)
        self.widths.append(high - low)
        off = abs((found.capacity_fraction or 0.0) - record.health)
        self.silent += not said and not self.inside[-1] and off > 0.12

    def line(self) -> str:
        """Return it as a line."""
        if not self.inside:
            told = "none judged"
        else:
            told = f"{len(self.inside)} judged, {100 * fmean(self.inside):.0f} % inside, width {100 * median(self.widths):.0f}"
        named = ", ".join(f"{code.removeprefix('log_')} {n}" for code, n in self.codes.most_common())
        return f"{told}; {self.silent} silently wrong; {named or 'nothing said'}"


def offsets(records: Sequence[Record]) -> None:
    """Print how far early voltages lie off what products show, on banks as they are declared."""
    found = []
    for record in records:
        battery = battery_for(record)
        if battery.curve is None:
            continue
        try:
            discharge = clean(record.log.until(0.5 * record.end_s), battery)
        except NotADischarge:
            continue
        offset = early_offset_v(course_of(discharge, battery, battery.curve))
        if offset is not None:
            found.append(offset)
    at = np.quantile(found, (0.0, 0.05, 0.5, 0.95, 1.0))
    beyond = sum(abs(one) > ODD_V for one in found)
    print(
        f"off by, V per cell, of {len(found)} (least, 5, 50, 95 %, most): {np.round(at, 3)}; beyond {ODD_V:g}: {beyond}"
    )


def main(arguments: Sequence[str]) -> None:
    """Print a line for each fault and depth."""
    only = arguments[-1] if "--only" in arguments else ""
    folder, names = Path(arguments[0]), [*arguments[1 : -2 if only else None]] or ["develop"]
    records = [record for name in names for record in read_set(folder / name)]
    offsets(records)
    for name, spoil in FAULTS.items():
        if only not in name:
            continue
        for depth in DEPTHS:
            tally = Tally()
            for record in records:
                if record.table and record.health is not None:
                    tally.take(record, spoil, depth)
            print(f"{name:36} {depth:.1f} of {tally.records}: {tally.line()}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
