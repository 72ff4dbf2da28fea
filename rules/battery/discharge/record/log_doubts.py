"""What in a log cannot be as it stands: columns changed over, meters that stand still, degrees of another scale.

Each function takes a log and gives back what may be believed of it, with a reason in `notes` for every
mend. What cannot be mended turns into "not known", never into a number.
"""

from __future__ import annotations

from itertools import combinations
from typing import Final

import numpy as np

from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.model.runtime_curve import Floats
from rules.values.code import Code
from rules.values.constants import ZERO_C
from rules.values.reason import Reason, reason

CELL_V: Final = (1.3, 2.6)
"""What a lead-acid cell can show between deep discharge and boost charge."""


PROBE_K: Final = 1.0


UNKNOWN_K: Final = 7.0
"""Standard deviation of a bank's temperature about 25 degC where none is known: rooms lie rather under it than over."""


_RATIO: Final = (
    0.6,
    1.05,
)  # output over battery power: from a lightly loaded inverter to meters a little off


_FACTORS: Final = (1.0, 0.1, 10.0)


_BANK_C: Final = (-10.0, 55.0)


_TENTHS_C: Final = (110.0, 550.0)


_FAHRENHEIT: Final = (55.0, 110.0)


_KELVIN: Final = (273.0, 318.0)


_COLUMNS: Final = ("bank_voltage_v", "bank_current_a", "temperature_c", "output_power_w")


_STILL_V: Final = 0.0005


_LET_GO_V: Final = 0.01


_FALLS, _STAYS = 0.7, 0.2  # correlation with time


_LEAST_STILL: Final = 0.06  # of the published time


_LEAST_FALL_V: Final = 0.05  # V per cell and published time


_USUAL: Final = (0.05, 0.95)


_LEAST_LEVEL: Final = 10  # rows in which amperes stand


_LEAST_ALIVE: Final = 0.1  # of the rows that draw


_LEVEL_STEPS: Final = 3.0  # of the meter's own step: by so much the amperes had to move


_LEVEL_SHARE: Final = 0.02


def unswapped(log: DischargeLog, cells: int, notes: list[Reason]) -> DischargeLog:
    """Return the log with two columns changed back, where only that makes volts, amperes and watts agree."""
    if _agrees(log, cells, _FACTORS) and not _runs_backwards(log, cells):
        return log
    fits = []
    for one, other in combinations(_COLUMNS, 2):
        changed = log.with_columns(**{one: getattr(log, other), other: getattr(log, one)})
        if _agrees(changed, cells, (1.0,)) and not _rises(changed):
            fits.append((one, other, changed))
    if len(fits) != 1:
        return log
    one, other, changed = fits[0]
    notes.append(reason(Code.LOG_COLUMNS_SWAPPED, one=one, other=other))
    return changed


def _agrees(log: DischargeLog, cells: int, factors: tuple[float, ...]) -> bool:
    """Return whether the volts can be this many cells', and the output what an inverter makes of them."""
    volts = _middle(log.bank_voltage_v)
    if volts is None or not CELL_V[0] < volts / cells < CELL_V[1]:
        return False
    amps, watts = np.abs(log.bank_current_a), log.output_power_w
    both = (amps > 0.0) & (watts > 0.0)
    if np.count_nonzero(both) < 3:  # a bank in service is neither frozen nor boiling: changed with a meter?
        warm = _middle(log.temperature_c)
        return len(factors) > 1 or warm is None or _BANK_C[0] < warm < _BANK_C[1]
    ratio = float(np.median(watts[both] / (log.bank_voltage_v[both] * amps[both])))
    # One string's current, a cabinet's power: wrong in another way, but in the right columns.
    near = (_RATIO[0] / 6.0, 6.0 * _RATIO[1]) if len(factors) > 1 else _RATIO
    return near[0] < ratio < near[1] or any(_RATIO[0] < ratio / f < _RATIO[1] for f in factors)


def _runs_backwards(log: DischargeLog, cells: int) -> bool:
    """Return whether amperes that could be volts fall all the time, as only volts do, while the volts do not."""
    volts, amps = log.bank_voltage_v, np.abs(log.bank_current_a)
    both = amps > 0.0
    middle = _middle(amps)
    if np.count_nonzero(both) < 10 or middle is None or not CELL_V[0] < middle / cells < CELL_V[1]:
        return False
    t = log.t_s[both]
    return _together(amps[both], t) < -_FALLS and _together(volts[both], t) > -_STAYS


def _rises(log: DischargeLog) -> bool:
    """Return whether the volts rise all the time while amperes and watts flow: those are a constant load's amperes."""
    both = (np.abs(log.bank_current_a) > 0.0) & (log.output_power_w > 0.0)
    return bool(np.count_nonzero(both) >= 10) and _together(log.bank_voltage_v[both], log.t_s[both]) > _FALLS


def _together(one: Floats, other: Floats) -> float:
    """Return how far two columns go up and down together, -1 to 1; 0 where one stands still. A few stray rows weigh nothing."""
    one, other = (np.clip(values, *np.quantile(values, _USUAL)) for values in (one, other))
    if np.ptp(one) == 0.0 or np.ptp(other) == 0.0:
        return 0.0
    return float(np.corrcoef(one, other)[0, 1])


def _middle(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else None


def believed_temperature(log: DischargeLog, notes: list[Reason]) -> tuple[DischargeLog, float]:
    """Return the log with a temperature a bank can have, and the standard deviation it deserves, K."""
    warm = _middle(log.temperature_c)
    if warm is None:
        return log, UNKNOWN_K
    if not np.any(np.abs(log.temperature_c[np.isfinite(log.temperature_c)]) > 0.0):
        notes.append(reason(Code.LOG_TEMPERATURE_ZERO))
        return log.with_columns(temperature_c=np.full(log.t_s.shape, np.nan)), UNKNOWN_K
    if _BANK_C[0] <= warm <= _BANK_C[1]:
        return log, PROBE_K
    if _FAHRENHEIT[0] < warm < _FAHRENHEIT[1]:
        celsius = (log.temperature_c - 32.0) / 1.8
        notes.append(reason(Code.LOG_TEMPERATURE_FAHRENHEIT, read=warm, at_c=(warm - 32.0) / 1.8))
        return log.with_columns(temperature_c=celsius), 2.0 * PROBE_K
    if _TENTHS_C[0] <= warm <= _TENTHS_C[1]:
        celsius, doubt = log.temperature_c / 10.0, 2.0 * PROBE_K
        kelvin_c = warm - ZERO_C if _KELVIN[0] <= warm <= _KELVIN[1] else None
        if kelvin_c is not None:
            doubt = max(abs(warm / 10.0 - kelvin_c), doubt)
        notes.append(reason(Code.LOG_TEMPERATURE_TENTHS, read=warm, at_c=warm / 10.0, kelvin_c=kelvin_c))
        return log.with_columns(temperature_c=celsius), doubt
    notes.append(reason(Code.LOG_TEMPERATURE_NONE, read=warm))
    return log.with_columns(temperature_c=np.full(log.t_s.shape, np.nan)), UNKNOWN_K


def believed_current(log: DischargeLog, cells: int, notes: list[Reason]) -> DischargeLog:
    """Return the log without the amperes of a meter that stands still.

    0 A throughout, beside output power, is no current meter. 0 A for a while in which the voltage goes on
    falling is one that stopped; 0 A at a level voltage is a bank at rest. The same amperes on mains and
    while the bank carries are a value that got stuck.
    """
    amps, watts = log.bank_current_a, log.output_power_w
    known = np.isfinite(amps)
    if not known.any():
        return log
    nothing = np.full(log.t_s.shape, np.nan)
    usual_w = _middle(watts[watts > 0.0])
    if usual_w is not None:
        needed_a = usual_w / log.bank_voltage_v
        if np.all(np.abs(amps[known]) < 0.02 * needed_a[known]):
            notes.append(reason(Code.LOG_CURRENT_ZERO))
            return log.with_columns(bank_current_a=nothing)
    word = log.word
    if np.any(word[known] == 0.0) and np.any(word[known] == 1.0) and float(np.ptp(amps[known])) == 0.0:
        notes.append(reason(Code.LOG_CURRENT_STUCK, amps=float(amps[known][0])))
        return log.with_columns(bank_current_a=nothing)
    return _without_levels(_without_stops(log, cells, notes), notes)


def _without_levels(log: DischargeLog, notes: list[Reason]) -> DischargeLog:
    """Return the log without amperes that stand still while volts and output power say that they have to move.

    A load of constant power draws more amperes as the volts fall; a test at constant current draws less power.
    Amperes that stand through the one and the other are a meter's last word. The first of them is believed.
    """
    amps, volts, watts = log.bank_current_a.copy(), log.bank_voltage_v, log.output_power_w
    draws = np.isfinite(amps) & (amps > 0.0) & (watts > 0.0)
    if np.count_nonzero(draws) < _LEAST_LEVEL:
        return log
    steps = np.abs(np.diff(np.unique(np.round(amps[draws], 6))))
    step_a = float(np.min(steps)) if len(steps) else 0.0
    level = draws[1:] & draws[:-1] & (np.diff(amps) == 0.0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], level.astype(int), [0]))))
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if last - first < _LEAST_LEVEL:
            continue
        needed = watts[first : last + 1] / volts[first : last + 1]
        part = max(len(needed) // 5, 3)
        moved = abs(float(np.median(needed[-part:]) / np.median(needed[:part])) - 1.0)
        if moved * amps[first] < max(_LEVEL_STEPS * step_a, _LEVEL_SHARE * amps[first]):
            continue
        from_s, upto_s = float(log.t_s[first]), float(log.t_s[last])
        notes.append(reason(Code.LOG_CURRENT_STANDS, amps=float(amps[first]), from_s=from_s, upto_s=upto_s))
        amps[first + 1 : last + 1] = np.nan
    if np.count_nonzero(np.isfinite(amps) & draws) < _LEAST_ALIVE * np.count_nonzero(draws):
        amps[draws] = np.nan  # what is left is too little to hold the output power against
    return log.with_columns(bank_current_a=amps)


def _without_stops(log: DischargeLog, cells: int, notes: list[Reason]) -> DischargeLog:
    amps, volts = log.bank_current_a.copy(), log.bank_voltage_v
    still = np.abs(amps) < 0.02 * float(np.nanmax(np.abs(amps)))
    edges = np.flatnonzero(np.diff(np.concatenate(([0], still.astype(int), [0]))))
    stopped = 0
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        rows = volts[max(first - 1, 0) : after] / cells
        gives = np.any(log.output_power_w[first:after] > 0.0) and not np.any(log.word[first:after] == 0.0)
        falls = rows[0] - rows[-1] > 4.0 * _STILL_V and float(np.max(rows)) <= rows[0] + _LET_GO_V
        if first > 0 and gives and falls and rows[0] < 2.15:
            amps[first:after] = np.nan
            stopped += int(after - first)
    if not stopped:
        return log
    notes.append(reason(Code.LOG_CURRENT_STOPPED, rows=stopped))
    return log.with_columns(bank_current_a=amps)


def standing_still(cell_v: Floats, used: Floats, step_v: float) -> tuple[int, int] | None:
    """Return the first and last row of a stretch in which the voltage stands still though the bank is drawn on.

    After the dip at the start a cell falls by some 0.1 V over the whole of its published time, nowhere by
    less than half of that; a level that lasts longer than the meter's step explains is a meter, not a cell.
    """
    level = np.abs(np.diff(cell_v)) < 1e-9
    edges = np.flatnonzero(np.diff(np.concatenate(([0], level.astype(int), [0]))))
    longest: tuple[int, int] | None = None
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        drawn = float(used[last] - used[first])
        if last - first < 8 or drawn < max(_LEAST_STILL, 3.0 * step_v / _LEAST_FALL_V):
            continue
        if longest is None or drawn > float(used[longest[1]] - used[longest[0]]):
            longest = (int(first), int(last))
    return longest
