"""The power a cell gives in each row of a log, from whichever of current and output power is known."""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.battery.discharge.record.clean_discharge import Battery, NotADischarge
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.model.runtime_curve import Floats
from rules.values.code import Code
from rules.values.reason import Reason, reason

_ETA_BELIEVED: Final = (0.87, 0.985)


_GAIN_WEIGHT: Final = 0.25  # a 1 % current sensor against a 1.7 % spread of efficiencies


_MOST_GAIN: Final = 0.01


_COPIED: Final = 1.02


_AGREE: Final = 0.1  # of ln(power): efficiencies at light load lie this far from the usual


_CONTRADICT: Final = 0.7


_ONE_STRING: Final = 0.08


def scaled_current(log: DischargeLog, notes: list[Reason]) -> DischargeLog:
    """Mend a current in tenths or tens, where the output power gives it away."""
    both = (log.bank_current_a > 0.0) & (log.output_power_w > 0.0)
    if np.count_nonzero(both) < 3:
        return log
    battery_w = log.bank_voltage_v[both] * log.bank_current_a[both]
    ratio = float(np.median(log.output_power_w[both] / battery_w))
    for factor in (0.1, 10.0):
        if 0.6 < ratio / factor < 1.05:
            notes.append(reason(Code.LOG_CURRENT_SCALED, factor=factor, ratio=ratio))
            return log.with_columns(bank_current_a=log.bank_current_a * factor)
    return log


def power_per_cell(log: DischargeLog, battery: Battery, notes: list[Reason]) -> tuple[Floats, float]:
    """Return W per cell on the battery side, from whichever of current and output power is known, and its doubt.

    Where both are, the current's calibration is drawn a little towards what an inverter of the usual
    efficiency would need. A ratio no inverter has (output copied from the battery) is not believed; where
    the two meters contradict each other the power lies between them, and the doubt (of its logarithm) says so.
    """
    per_cell_v = log.bank_voltage_v / battery.cells_read
    from_current = per_cell_v * log.bank_current_a / battery.strings
    from_current = np.where(from_current > 0.0, from_current, np.nan)
    cells = battery.cells * battery.strings
    out = np.where(log.output_power_w > 0.0, log.output_power_w, np.nan)
    from_output = (out * (1.0 + battery.losses.share) + battery.losses.fixed_w) / cells
    both = np.isfinite(from_current) & np.isfinite(from_output)
    doubt = 0.0
    if np.count_nonzero(both) >= 3:
        needed = float(np.median(from_output[both] / from_current[both]))
        implied = float(np.median(out[both] / cells / from_current[both]))
        if battery.strings > 1 and abs(np.log(needed / battery.strings)) < _ONE_STRING:
            notes.append(reason(Code.LOG_CURRENT_OF_ONE_STRING, strings=battery.strings))
            from_current, needed, implied = (
                from_current * battery.strings,
                needed / battery.strings,
                implied / battery.strings,
            )
        if _ETA_BELIEVED[0] < implied < _ETA_BELIEVED[1]:
            gain = float(np.clip(_GAIN_WEIGHT * np.log(needed), -_MOST_GAIN, _MOST_GAIN))
            from_current = from_current * np.exp(gain)
        elif not _ETA_BELIEVED[1] <= implied <= _COPIED and abs(np.log(needed)) > _AGREE:
            doubt = _between(needed, implied, notes)
            from_current = from_current * needed**0.5
        from_output = from_output * float(np.median(from_current[both] / from_output[both]))
    elif not np.isfinite(from_current).any():
        notes.append(reason(Code.LOG_POWER_BY_OUTPUT))
    power = np.where(np.isfinite(from_current), from_current, from_output)
    known = np.isfinite(power)
    if known.any() and not known.all():
        notes.append(reason(Code.LOG_ROWS_WITHOUT_POWER, rows=int(np.count_nonzero(~known))))
        power = np.interp(log.t_s, log.t_s[known], power[known])
    return np.asarray(power), doubt


def _between(needed: float, implied: float, notes: list[Reason]) -> float:
    """Return the doubt of ln(power) where current and output power contradict each other. Raises NotADischarge."""
    if abs(np.log(needed)) > _CONTRADICT:
        raise NotADischarge(reason(Code.LOG_METERS_CONTRADICT, ratio=implied))
    notes.append(reason(Code.LOG_METERS_DISAGREE, ratio=implied))
    return 0.5 * abs(float(np.log(needed)))
