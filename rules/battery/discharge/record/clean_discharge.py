"""A discharge as it is judged, cleaned, and what of its bank has to be known for that; why a log holds none."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

import numpy as np

from rules.battery.discharge.record.log_doubts import PROBE_K
from rules.battery.model.inverter_losses import Losses
from rules.battery.model.runtime_curve import Floats, RuntimeCurve, curve_for
from rules.plant.estate import Bank, FittedBank
from rules.values.reason import Reason

_ETA: Final = 0.935  # the middle of double-conversion inverters at part load


_STEP_OF_LOAD: Final = 0.1


class DischargeBeginning(StrEnum):
    """What a log shows of a discharge's beginning."""

    AT_REST = "at rest"
    OPENING = "opening"
    MIDDLE = "middle"
    NOT_SHOWN = "not shown"


class NotADischarge(ValueError):  # noqa: N818 - says what the log is, and is always caught
    """The log holds nothing that can be judged; `why` is for the reader of the log."""

    def __init__(self, why: Reason) -> None:
        """Take why."""
        super().__init__(why.code)
        self.why = why


@dataclass(frozen=True)
class Battery:
    """What judging needs to know of a bank: cells, strings, end voltage and run time curve.

    `cells` of one string in series; `reported_cells` those behind the logged voltage. `curve` None where
    neither a table nor a rated capacity is known. `losses` turn output power into battery power.
    """

    cells: int
    strings: int
    end_voltage_per_cell_v: float
    curve: RuntimeCurve | None
    losses: Losses = field(default_factory=lambda: Losses(0.0, 1.0 / _ETA - 1.0))
    reported_cells: int | None = None
    rated_capacity_ah: float | None = None
    type: str = ""

    @property
    def cells_read(self) -> int:
        """Return the cells behind the logged voltage."""
        return self.reported_cells or self.cells


def battery_of(bank: Bank, fitted: FittedBank, losses: Losses | None = None) -> Battery:
    """Return what judging needs of a declared bank and the blocks in it."""
    known = bool(fitted.constant_power) or fitted.rated_capacity_ah is not None
    return Battery(
        cells=bank.cells,
        strings=bank.strings,
        end_voltage_per_cell_v=fitted.end_voltage_per_cell_v,
        curve=curve_for(fitted) if known else None,
        losses=losses or Losses(0.0, 1.0 / _ETA - 1.0),
        reported_cells=bank.reported_cells,
        rated_capacity_ah=fitted.rated_capacity_ah,
        type=fitted.type,
    )


@dataclass(frozen=True)
class CleanDischarge:
    """One discharge, cleaned. Times in s from its first discharging row.

    `voltage_v` per cell, `power_w` per cell on the battery side, `current_a` of the whole bank (NaN where
    not known). `ended_s`: when the end voltage was reached (or would be, within 1 % of the run), else None. `step_v`: the voltage's
    resolution per cell. `rest_voltage_v` per cell just before, if the log shows it. `start`: what the log
    shows of its beginning. `power_doubt`: standard deviation of ln(power) beyond the meters' usual gain;
    `probe_k` of the temperature. It is the log's time on the bank number `place` of `times`;
    `returned_ah`: charged since the one before; `charging_a`: into the bank just before the start. `drawn`: times and power of all
    rows, where some were left out for their voltage alone; None: none was.
    """

    t_s: Floats
    voltage_v: Floats
    power_w: Floats
    current_a: Floats
    temperature_c: float | None
    start_t_s: float
    ended_s: float | None
    step_v: float
    rest_voltage_v: float | None
    notes: tuple[Reason, ...] = ()
    start: DischargeBeginning = DischargeBeginning.AT_REST
    power_doubt: float = 0.0
    probe_k: float = PROBE_K
    place: int = 1
    times: int = 1
    returned_ah: float | None = None
    charging_a: float | None = None
    drawn: tuple[Floats, Floats] | None = None

    @property
    def mean_power_w(self) -> float:
        """Return the mean power over time, W per cell."""
        return mean_over_time(*(self.drawn or (self.t_s, self.power_w)))

    @property
    def power_now_w(self) -> float:
        """Return the mean power of the last minute, W per cell; where the load stepped within it, since then."""
        return float(np.mean(self.power_w[self.now]))

    @property
    def now(self) -> slice:
        """Return the rows of the last minute, without those before a step of load within it."""
        first = int(np.searchsorted(self.t_s, self.t_s[-1] - 60.0))
        apart = np.abs(np.log(self.power_w[first:-1] / np.median(self.power_w[-3:]))) > _STEP_OF_LOAD
        return slice(first + int(np.flatnonzero(apart)[-1]) + 1 if apart.any() else first, None)


def mean_over_time(t_s: Floats, values: Floats) -> float:
    """Return the mean of `values` over time; of one row, that row's."""
    if len(t_s) < 2 or t_s[-1] <= t_s[0]:
        return float(np.mean(values))
    return float(np.trapezoid(values, t_s) / (t_s[-1] - t_s[0]))
