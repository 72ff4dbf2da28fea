"""A logged discharge, made fit to be judged: which rows count, what they mean per cell, what was mended.

Cards repeat stale values, drop rows, count current with either sign, report tenths, or leave the current
out. What can be mended is mended and said; what cannot is left out; nothing absent turns into zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.battery.losses import Losses
from rules.battery.runtime import Floats, RuntimeCurve, curve_for
from rules.estate import Bank, FittedBank

_CELL_V: Final = (1.3, 2.6)  # what a lead-acid cell can show between deep discharge and boost charge
_FLOAT_CELL_V: Final = 2.2
_ETA: Final = 0.935  # the middle of double-conversion inverters at part load
_ETA_BELIEVED: Final = (0.87, 0.985)
_GAIN_WEIGHT: Final = 0.25  # a 1 % current sensor against a 1.7 % spread of efficiencies
_MOST_GAIN: Final = 0.01
_LONG_GAP_S: Final = 600.0
_NEAR_V: Final = 0.015


class NotADischarge(ValueError):  # noqa: N818 - says what the log is, and is always caught
    """The log holds nothing that can be judged; the message is for the reader of the log."""


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
class DischargeLog:
    """Rows as logged: seconds, volts of the bank, amperes of the bank, degC, watts out. NaN: not known."""

    t_s: Floats
    bank_voltage_v: Floats
    bank_current_a: Floats
    temperature_c: Floats
    output_power_w: Floats

    @classmethod
    def of(
        cls,
        t_s: ArrayLike,
        bank_voltage_v: ArrayLike,
        bank_current_a: ArrayLike | None = None,
        temperature_c: ArrayLike | None = None,
        output_power_w: ArrayLike | None = None,
    ) -> DischargeLog:
        """Return a log from columns; a column that is None is not known anywhere."""
        t = np.asarray(t_s, dtype=np.float64)

        def column(values: ArrayLike | None) -> Floats:
            return np.full(t.shape, np.nan) if values is None else np.asarray(values, dtype=np.float64)

        return cls(
            t,
            column(bank_voltage_v),
            column(bank_current_a),
            column(temperature_c),
            column(output_power_w),
        )

    def rows(self, keep: ArrayLike) -> DischargeLog:
        """Return the rows that `keep` (a mask or row numbers) names."""
        k = np.asarray(keep)
        return DischargeLog(
            self.t_s[k],
            self.bank_voltage_v[k],
            self.bank_current_a[k],
            self.temperature_c[k],
            self.output_power_w[k],
        )

    def until(self, t_s: float) -> DischargeLog:
        """Return the rows earlier than or at `t_s`."""
        return self.rows(self.t_s <= t_s)


@dataclass(frozen=True)
class Discharge:
    """One discharge, cleaned. Times in s from its first discharging row.

    `voltage_v` per cell, `power_w` per cell on the battery side, `current_a` of the whole bank (NaN where
    not known). `ended_s`: when the end voltage was reached (or would be, within 1 % of the run), else None. `step_v`: the voltage's
    resolution per cell. `rest_voltage_v` per cell just before, if the log shows it.
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
    notes: tuple[str, ...] = ()

    @property
    def mean_power_w(self) -> float:
        """Return the mean power over time, W per cell."""
        return mean_over_time(self.t_s, self.power_w)

    @property
    def power_now_w(self) -> float:
        """Return the mean power of the last minute, W per cell."""
        last = self.t_s >= self.t_s[-1] - 60.0
        return float(np.mean(self.power_w[last]))


def mean_over_time(t_s: Floats, values: Floats) -> float:
    """Return the mean of `values` over time; of one row, that row's."""
    if len(t_s) < 2 or t_s[-1] <= t_s[0]:
        return float(np.mean(values))
    return float(np.trapezoid(values, t_s) / (t_s[-1] - t_s[0]))


def clean(log: DischargeLog, battery: Battery) -> Discharge:
    """Return the discharge in a log.

    Raises NotADischarge where no voltage, no power or no discharging rows are left.
    """
    notes: list[str] = []
    log = _in_order(log, notes)
    log = _scaled_voltage(log, battery, notes)
    log = _signed_current(log, battery, notes)
    log = _scaled_current(log, notes)
    log = _without_stale_rows(log, notes)
    log = _without_spikes(log, notes)
    first, last = _discharging(log, battery)
    rest = _rest_voltage(log, first, battery)
    temperature = _temperature_at(log, first)
    whole = log.rows(np.arange(first, last + 1))
    power = _power_per_cell(whole, battery, notes)
    good = np.isfinite(power) & (power > 0.0)
    if np.count_nonzero(good) < 2:
        raise NotADischarge("neither battery current nor output power is known")
    t, v = whole.t_s[good] - whole.t_s[0], whole.bank_voltage_v[good] / battery.cells_read
    power, current = power[good], whole.bank_current_a[good]
    if len(t) > 1 and float(np.max(np.diff(t))) > _LONG_GAP_S:
        notes.append(f"a gap of {float(np.max(np.diff(t))):.0f} s: its power is taken from its two ends")
    ended, upto = _end(t, v, battery.end_voltage_per_cell_v)
    return Discharge(
        t_s=t[:upto],
        voltage_v=v[:upto],
        power_w=power[:upto],
        current_a=current[:upto],
        temperature_c=temperature,
        start_t_s=float(whole.t_s[0]),
        ended_s=ended,
        step_v=_resolution(log.bank_voltage_v) / battery.cells_read,
        rest_voltage_v=rest,
        notes=tuple(notes),
    )


def _in_order(log: DischargeLog, notes: list[str]) -> DischargeLog:
    log = log.rows(np.isfinite(log.t_s) & np.isfinite(log.bank_voltage_v) & (log.bank_voltage_v > 0.0))
    if len(log.t_s) < 3:
        raise NotADischarge("fewer than three rows with a time and a bank voltage")
    if np.any(np.diff(log.t_s) <= 0.0):
        notes.append("rows were out of order or repeated a time")
        order = np.argsort(log.t_s, kind="stable")
        log = log.rows(order)
        log = log.rows(np.append(np.diff(log.t_s) > 0.0, True))
    if len(log.t_s) < 3:
        raise NotADischarge("fewer than three different times")
    return log


def _scaled_voltage(log: DischargeLog, battery: Battery, notes: list[str]) -> DischargeLog:
    per_cell = float(np.median(log.bank_voltage_v)) / battery.cells_read
    for factor in (1.0, 0.1, 10.0, 0.01, 0.001):
        if _CELL_V[0] < per_cell * factor < _CELL_V[1]:
            if factor != 1.0:
                notes.append(f"voltage taken times {factor:g}: otherwise {per_cell:.2f} V per cell")
            return _with(log, bank_voltage_v=log.bank_voltage_v * factor)
    raise NotADischarge(f"{per_cell:.3f} V per cell cannot be a lead-acid cell: do voltage and cells agree?")


def _signed_current(log: DischargeLog, battery: Battery, notes: list[str]) -> DischargeLog:
    """Turn the sign so that discharge counts positive: discharging rows have the lower voltage."""
    current, volts = log.bank_current_a, log.bank_voltage_v
    known = np.isfinite(current)
    if not known.any():
        return log
    large = known & (np.abs(current) > 0.05 * np.nanmax(np.abs(current)))
    plus, minus = large & (current > 0.0), large & (current < 0.0)
    if minus.any() and plus.any():
        negative_is_discharge = float(np.mean(volts[minus])) < float(np.mean(volts[plus]))
    else:
        falls = float(np.mean(volts[large])) / battery.cells_read < _FLOAT_CELL_V
        negative_is_discharge = bool(minus.any()) and falls
    if not negative_is_discharge:
        return log
    notes.append("current is counted negative while discharging: sign turned")
    return _with(log, bank_current_a=-current)


def _scaled_current(log: DischargeLog, notes: list[str]) -> DischargeLog:
    """Mend a current in tenths or tens, where the output power gives it away."""
    both = (log.bank_current_a > 0.0) & (log.output_power_w > 0.0)
    if np.count_nonzero(both) < 3:
        return log
    battery_w = log.bank_voltage_v[both] * log.bank_current_a[both]
    ratio = float(np.median(log.output_power_w[both] / battery_w))
    for factor in (0.1, 10.0):
        if 0.6 < ratio / factor < 1.05:
            notes.append(f"current taken times {factor:g}: otherwise output is {ratio:.2f} of battery power")
            return _with(log, bank_current_a=log.bank_current_a * factor)
    return log


def _resolution(values: Floats) -> float:
    distinct = np.unique(np.round(values[np.isfinite(values)], 4))
    if len(distinct) < 3:
        return 0.1
    return float(np.clip(np.quantile(np.diff(distinct), 0.1), 1e-4, 5.0))


def _without_stale_rows(log: DischargeLog, notes: list[str]) -> DischargeLog:
    """Drop rows of a card that repeats itself: a long level followed by a leap of several steps."""
    volts = log.bank_voltage_v
    step = _resolution(volts)
    starts = np.flatnonzero(np.append(True, np.abs(np.diff(volts)) > 1e-9))
    lengths = np.diff(np.append(starts, len(volts)))
    keep = np.ones(len(volts), dtype=bool)
    for start, length in zip(starts, lengths, strict=True):
        after = start + length
        if length < 4 or after >= len(volts):
            continue
        same_current = log.bank_current_a[start:after]
        alive = np.isfinite(same_current).all() and np.ptp(same_current) > 0.0
        if not alive and volts[start] - volts[after] > 3.5 * step:
            keep[start + 1 : after] = False
    if keep.all():
        return log
    notes.append(f"{int(np.count_nonzero(~keep))} rows that only repeat the one before are left out")
    return log.rows(keep)


def _without_spikes(log: DischargeLog, notes: list[str]) -> DischargeLog:
    """Drop single rows far from both neighbours; a load step stays, since it persists."""
    volts = log.bank_voltage_v
    if len(volts) < 5:
        return log
    before, after = volts[:-2], volts[2:]
    away = np.minimum(np.abs(volts[1:-1] - before), np.abs(volts[1:-1] - after))
    same_side = (volts[1:-1] - before) * (volts[1:-1] - after) > 0.0
    limit = 0.03 * float(np.median(volts)) + 3.0 * np.abs(after - before)
    keep = np.ones(len(volts), dtype=bool)
    keep[1:-1] = ~(same_side & (away > limit))
    if keep.all():
        return log
    notes.append(f"{int(np.count_nonzero(~keep))} rows with a stray voltage are left out")
    return log.rows(keep)


def _discharging(log: DischargeLog, battery: Battery) -> tuple[int, int]:
    """Return the first and last row of the discharge that took the most charge."""
    current, t = log.bank_current_a, log.t_s
    known = np.isfinite(current)
    if np.count_nonzero(known) < max(3, len(t) // 20):
        return _discharging_by_voltage(log, battery)
    amps = np.interp(t, t[known], current[known])
    on = amps > max(0.02 * float(np.max(amps)), 1e-3)
    if np.count_nonzero(on) < 3:
        raise NotADischarge("no rows in which the bank discharges")
    edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(int), [0]))))
    runs = [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
    joined = [runs[0]]
    for first, last in runs[1:]:  # a dropped reading in the middle does not end a discharge
        if t[first] - t[joined[-1][1]] <= 30.0 and first - joined[-1][1] <= 3:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    first, last = max(joined, key=lambda r: float(np.trapezoid(amps[r[0] : r[1] + 1], t[r[0] : r[1] + 1])))
    if last - first < 2:
        raise NotADischarge("fewer than three rows in which the bank discharges")
    return first, last


def _discharging_by_voltage(log: DischargeLog, battery: Battery) -> tuple[int, int]:
    if not np.any(log.output_power_w > 0.0):
        raise NotADischarge("neither battery current nor output power is known")
    per_cell = log.bank_voltage_v / battery.cells_read
    last = int(np.argmin(per_cell))
    on_float = np.flatnonzero(per_cell[: last + 1] > _FLOAT_CELL_V)
    fell = np.flatnonzero(per_cell[: last + 1] < _FLOAT_CELL_V - 0.02)
    if len(fell) < 3:
        raise NotADischarge("the voltage does not fall: no discharge")
    first = int(on_float[-1]) + 1 if len(on_float) and on_float[-1] < last - 2 else 0
    return first, last


def _rest_voltage(log: DischargeLog, first: int, battery: Battery) -> float | None:
    if first == 0:
        return None
    before = log.bank_voltage_v[max(first - 5, 0) : first]
    return float(np.median(before)) / battery.cells_read


def _temperature_at(log: DischargeLog, first: int) -> float | None:
    """Return the bank's temperature as the discharge begins; its own warmth comes later."""
    t = log.t_s
    near = (t >= t[first] - 600.0) & (t <= t[first] + 120.0) & np.isfinite(log.temperature_c)
    if near.any():
        return float(np.median(log.temperature_c[near]))
    known = log.temperature_c[np.isfinite(log.temperature_c)]
    return float(known[0]) if len(known) else None


def _power_per_cell(log: DischargeLog, battery: Battery, notes: list[str]) -> Floats:
    """Return W per cell on the battery side, from whichever of current and output power is known.

    Where both are, the current's calibration is drawn a little towards what an inverter of the usual
    efficiency would need; a ratio no inverter has (say, output copied from the battery) is not believed.
    """
    per_cell_v = log.bank_voltage_v / battery.cells_read
    from_current = per_cell_v * log.bank_current_a / battery.strings
    from_current = np.where(from_current > 0.0, from_current, np.nan)
    cells = battery.cells * battery.strings
    out = np.where(log.output_power_w > 0.0, log.output_power_w, np.nan)
    from_output = (out * (1.0 + battery.losses.share) + battery.losses.fixed_w) / cells
    both = np.isfinite(from_current) & np.isfinite(from_output)
    if np.count_nonzero(both) >= 3:
        needed = float(np.median(from_output[both] / from_current[both]))
        implied = float(np.median(out[both] / cells / from_current[both]))
        if _ETA_BELIEVED[0] < implied < _ETA_BELIEVED[1]:
            gain = float(np.clip(_GAIN_WEIGHT * np.log(needed), -_MOST_GAIN, _MOST_GAIN))
            from_current = from_current * np.exp(gain)
        from_output = from_output * float(np.median(from_current[both] / from_output[both]))
    elif not np.isfinite(from_current).any():
        notes.append("no battery current: battery power reckoned from the output")
    power = np.where(np.isfinite(from_current), from_current, from_output)
    known = np.isfinite(power)
    if known.any() and not known.all():
        missing = int(np.count_nonzero(~known))
        notes.append(f"{missing} rows without current or output power: taken from their neighbours")
        power = np.interp(log.t_s, log.t_s[known], power[known])
    return np.asarray(power)


def _end(t: Floats, v: Floats, end_v: float) -> tuple[float | None, int]:
    """Return when the end voltage was crossed for good, and how many rows lie before.

    A record that stops within a hundredth of its run of the end voltage is carried on to it.
    """
    below = v <= end_v
    nearly = _nearly_ended(t, v, end_v)
    if nearly is not None and not below.any():
        return nearly, len(t)
    lasting = below & np.append(below[1:], True)
    lasting[: min(3, len(lasting))] = False
    if not lasting.any():
        return None, len(t)
    j = int(np.argmax(lasting))
    drop = float(v[j - 1] - v[j])
    share = float(np.clip((v[j - 1] - end_v) / drop, 0.0, 1.0)) if drop > 0.0 else 1.0
    return float(t[j - 1] + share * (t[j] - t[j - 1])), max(j, 2)


def _nearly_ended(t: Floats, v: Floats, end_v: float) -> float | None:
    late = t >= t[-1] - 0.03 * (t[-1] - t[0])
    above = float(v[-1]) - end_v
    if above > _NEAR_V or np.count_nonzero(late) < 4:
        return None
    slope = float(np.polyfit(t[late] - t[-1], v[late], 1)[0])
    left = -above / slope if slope < 0.0 else np.inf
    return float(t[-1] + left) if left < 0.01 * (t[-1] - t[0]) else None


def _with(log: DischargeLog, **columns: Floats) -> DischargeLog:
    values = {name: getattr(log, name) for name in DischargeLog.__dataclass_fields__}
    return DischargeLog(**(values | columns))
