"""A logged discharge, made fit to be judged: which rows count, what they mean per cell, what was mended.

Cards repeat stale values, drop rows, count current with either sign, report tenths, or leave the current
out. What can be mended is mended and said; what cannot is left out; nothing absent turns into zero.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

import numpy as np

from rules.battery.discharge.columns import DischargeLog
from rules.battery.discharge.log_doubts import (
    CELL_V,
    PROBE_K,
    believed_current,
    believed_temperature,
    unswapped,
)
from rules.battery.discharge.times_on_bank import FLOAT_CELL_V, LOAD_V, TimeOnBank, times_on_bank
from rules.battery.model.inverter_losses import Losses
from rules.battery.model.runtime_curve import Floats, RuntimeCurve, curve_for
from rules.plant.estate import Bank, FittedBank
from rules.values.code import Code
from rules.values.reason import Reason, reason

__all__ = [
    "Battery",
    "CleanDischarge",
    "DischargeBeginning",
    "DischargeLog",
    "NotADischarge",
    "battery_of",
    "clean",
    "mean_over_time",
    "times_in",
]  # fmt: skip

STANDS_S: Final = 60.0
"""A voltage that has not moved by one step of its meter for so long, under load, is not being read."""
_OPENING_V: Final = 0.0022
_ETA: Final = 0.935  # the middle of double-conversion inverters at part load
_ETA_BELIEVED: Final = (0.87, 0.985)
_GAIN_WEIGHT: Final = 0.25  # a 1 % current sensor against a 1.7 % spread of efficiencies
_MOST_GAIN: Final = 0.01
_COPIED: Final = 1.02
_AGREE: Final = 0.1  # of ln(power): efficiencies at light load lie this far from the usual
_CONTRADICT: Final = 0.7
_ONE_STRING: Final = 0.08
_STRAY_FALL_V, _STRAY_FALLS = 0.12, 4.0
_LONG_GAP_S: Final = 600.0
_STEP_OF_LOAD: Final = 0.1
_NEAR_V: Final = 0.015


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
    `returned_ah`: charged since the one before; `charging_a`: into the bank just before the start.
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

    @property
    def mean_power_w(self) -> float:
        """Return the mean power over time, W per cell."""
        return mean_over_time(self.t_s, self.power_w)

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


def clean(log: DischargeLog, battery: Battery) -> CleanDischarge:
    """Return the discharge in a log; of several times on the bank, that which took the most energy.

    Raises NotADischarge where no voltage, no power or no discharging rows are left.
    """
    found = times_in(log, battery)
    taken = [float(np.trapezoid(d.power_w, d.t_s)) for d in found]
    return found[int(np.argmax(taken))]


def times_in(log: DischargeLog, battery: Battery) -> tuple[CleanDischarge, ...]:
    """Return every time on the bank in a log, each cleaned by itself, in order.

    Those that hold nothing to judge are left out. Raises NotADischarge where none is left.
    """
    notes: list[Reason] = []
    log = _in_order(log, notes)
    log = unswapped(log, battery.cells_read, notes)
    log = _scaled_voltage(log, battery, notes)
    log = _signed_current(log, battery, notes)
    log, probe_k = believed_temperature(log, notes)
    log = believed_current(log, battery.cells_read, notes)
    if not np.isfinite(log.bank_current_a).any() and not np.any(log.output_power_w > 0.0):
        raise NotADischarge(reason(Code.LOG_WITHOUT_POWER))
    cell_v = log.bank_voltage_v / battery.cells_read
    spans = times_on_bank(log.t_s, cell_v, log.bank_current_a, log.output_power_w, log.word)
    spans = tuple(span for span in spans if span.last - span.first >= 2)
    if not spans:
        raise NotADischarge(reason(Code.LOG_TOO_FEW_DISCHARGING))
    found: list[CleanDischarge] = []
    why = NotADischarge(reason(Code.LOG_NOTHING_DISCHARGING))
    for place, span in enumerate(spans, start=1):
        try:
            one = _cleaned(log, battery, span, tuple(notes))
        except NotADischarge as nothing:
            why = nothing
        else:
            since = 0 if place == 1 else spans[place - 2].last
            returned_ah, charging_a = _charged(log, since, span.first)
            found.append(
                replace(
                    one, place=place, times=len(spans), probe_k=probe_k, returned_ah=returned_ah,
                    charging_a=charging_a,
                )
            )  # fmt: skip
    if not found:
        raise why
    return tuple(found)


def _charged(log: DischargeLog, first: int, last: int) -> tuple[float | None, float | None]:
    """Return ampere-hours that went in between two rows, and the amperes just before the second; None: not known."""
    amps, t = log.bank_current_a[first : last + 1].copy(), log.t_s[first : last + 1]
    between = amps[1:-1]
    known = between[np.isfinite(between)]
    if not len(known) or not np.any(known < 0.0):  # a meter that shows discharge only says nothing of charge
        return None, None
    into = np.where(np.isfinite(amps), np.maximum(-amps, 0.0), 0.0)
    into[0] = into[-1] = 0.0
    return float(np.trapezoid(into, t)) / 3600.0, max(-float(np.median(known[-5:])), 0.0)


def _cleaned(
    log: DischargeLog, battery: Battery, span: TimeOnBank, said: tuple[Reason, ...]
) -> CleanDischarge:
    notes = list(said)
    rest = _rest_voltage(log, span.first, battery)
    temperature = _temperature_at(log, span.first)
    whole = log.rows(np.arange(span.first, span.last + 1))
    if float(np.ptp(whole.bank_voltage_v)) == 0.0 and whole.t_s[-1] - whole.t_s[0] > STANDS_S:
        raise NotADischarge(reason(Code.LOG_VOLTAGE_STANDS, volts=float(whole.bank_voltage_v[0])))
    step = _resolution(log.bank_voltage_v)
    whole = _scaled_current(whole, notes)
    whole = _without_stale_rows(whole, step, notes)
    whole = _without_spikes(whole, notes)
    whole = _without_stray_end(whole, battery.cells_read, notes)
    start = _start_of(log, whole, span, battery)
    power, doubt = _power_per_cell(whole, battery, notes)
    good = np.isfinite(power) & (power > 0.0)
    if np.count_nonzero(good) < 2:
        raise NotADischarge(reason(Code.LOG_WITHOUT_POWER))
    t, v = whole.t_s[good] - whole.t_s[0], whole.bank_voltage_v[good] / battery.cells_read
    power, current = power[good], whole.bank_current_a[good]
    if len(t) > 1 and float(np.max(np.diff(t))) > _LONG_GAP_S:
        notes.append(reason(Code.LOG_GAP, gap_s=float(np.max(np.diff(t)))))
    ended, upto = _end(t, v, battery.end_voltage_per_cell_v)
    return CleanDischarge(
        t_s=t[:upto],
        voltage_v=v[:upto],
        power_w=power[:upto],
        current_a=current[:upto],
        temperature_c=temperature,
        start_t_s=float(whole.t_s[0]),
        ended_s=ended,
        step_v=step / battery.cells_read,
        rest_voltage_v=rest,
        notes=tuple(notes),
        start=start,
        power_doubt=doubt,
    )


def _start_of(
    log: DischargeLog, whole: DischargeLog, span: TimeOnBank, battery: Battery
) -> DischargeBeginning:
    """Return what a log shows of a discharge's beginning.

    Rows before it show a bank that was not carrying. Without them the opening speaks: a rested bank falls
    fast in its first minute, by tens of millivolts a cell at usual rates and by three in a ten-hour
    discharge, and lies that much above the line through the minutes that follow. One taken up in the
    middle starts on that line.
    """
    t, usual_s = whole.t_s - whole.t_s[0], float(np.median(np.diff(whole.t_s)))
    if span.first > 0 and log.t_s[span.first] - log.t_s[span.first - 1] <= max(60.0, 3.0 * usual_s):
        return DischargeBeginning.AT_REST
    first = max(4, int(np.searchsorted(t, 60.0)))
    after = min(max(first + 6, int(np.searchsorted(t, 300.0))), len(t))
    if after - first < 4:
        return DischargeBeginning.NOT_SHOWN
    watts = np.any(whole.output_power_w > 0.0)
    load = whole.output_power_w if watts else whole.bank_current_a
    load = np.where(load > 0.0, load, np.nan)
    steps = np.nan_to_num(np.log(load / np.nanmedian(load))) if np.any(load > 0.0) else np.zeros(len(t))
    volts = whole.bank_voltage_v / battery.cells_read + LOAD_V * steps
    line = np.polyfit(t[first:after], volts[first:after], 1)
    scatter = float(np.std(volts[first:after] - np.polyval(line, t[first:after])))
    opening = float(volts[0] - line[1])
    return (
        DischargeBeginning.OPENING if opening > max(_OPENING_V, 4.0 * scatter) else DischargeBeginning.MIDDLE
    )


def _in_order(log: DischargeLog, notes: list[Reason]) -> DischargeLog:
    log = log.rows(np.isfinite(log.t_s) & np.isfinite(log.bank_voltage_v) & (log.bank_voltage_v > 0.0))
    if len(log.t_s) < 3:
        raise NotADischarge(reason(Code.LOG_TOO_FEW_ROWS))
    if np.any(np.diff(log.t_s) <= 0.0):
        notes.append(reason(Code.LOG_OUT_OF_ORDER))
        order = np.argsort(log.t_s, kind="stable")
        log = log.rows(order)
        log = log.rows(np.append(np.diff(log.t_s) > 0.0, True))
    if len(log.t_s) < 3:
        raise NotADischarge(reason(Code.LOG_TOO_FEW_TIMES))
    return log


def _scaled_voltage(log: DischargeLog, battery: Battery, notes: list[Reason]) -> DischargeLog:
    per_cell = float(np.median(log.bank_voltage_v)) / battery.cells_read
    for factor in (1.0, 0.1, 10.0, 0.01, 0.001):
        if CELL_V[0] < per_cell * factor < CELL_V[1]:
            if factor != 1.0:
                notes.append(reason(Code.LOG_VOLTAGE_SCALED, factor=factor, per_cell_v=per_cell))
            return log.with_columns(bank_voltage_v=log.bank_voltage_v * factor)
    raise NotADischarge(reason(Code.LOG_NOT_LEAD_ACID, per_cell_v=per_cell))


def _signed_current(log: DischargeLog, battery: Battery, notes: list[Reason]) -> DischargeLog:
    """Turn the sign so that discharge counts positive: discharging rows have the lower voltage."""
    current, volts = log.bank_current_a, log.bank_voltage_v
    known = np.isfinite(current)
    if not known.any():
        return log
    large = known & (np.abs(current) > 0.05 * np.nanmax(np.abs(current)))
    if not large.any():
        return log
    plus, minus = large & (current > 0.0), large & (current < 0.0)
    if minus.any() and plus.any():
        negative_is_discharge = float(np.mean(volts[minus])) < float(np.mean(volts[plus]))
    else:
        falls = float(np.mean(volts[large])) / battery.cells_read < FLOAT_CELL_V
        negative_is_discharge = bool(minus.any()) and falls
    if not negative_is_discharge:
        return log
    notes.append(reason(Code.LOG_SIGN_TURNED))
    return log.with_columns(bank_current_a=-current)


def _scaled_current(log: DischargeLog, notes: list[Reason]) -> DischargeLog:
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


def _resolution(values: Floats) -> float:
    distinct = np.unique(np.round(values[np.isfinite(values)], 4))
    if len(distinct) < 3:
        return 0.1
    return float(np.clip(np.quantile(np.diff(distinct), 0.1), 1e-4, 5.0))


def _without_stale_rows(log: DischargeLog, step: float, notes: list[Reason]) -> DischargeLog:
    """Drop rows of a card that repeats itself: a long level followed by a leap of several steps."""
    volts = log.bank_voltage_v
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
    if keep.all() or np.count_nonzero(keep) < 3:
        return log
    notes.append(reason(Code.LOG_ROWS_REPEAT, rows=int(np.count_nonzero(~keep))))
    return log.rows(keep)


def _without_spikes(log: DischargeLog, notes: list[Reason]) -> DischargeLog:
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
    notes.append(reason(Code.LOG_ROWS_STRAY, rows=int(np.count_nonzero(~keep))))
    return log.rows(keep)


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


def _power_per_cell(log: DischargeLog, battery: Battery, notes: list[Reason]) -> tuple[Floats, float]:
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


def _without_stray_end(log: DischargeLog, cells: int, notes: list[Reason]) -> DischargeLog:
    """Return the rows without a last one that falls as no bank does: a reading of the moment the unit let go."""
    if len(log.t_s) < 5:
        return log
    v = log.bank_voltage_v / cells
    falls = float(v[-2] - v[-1])
    if falls < _STRAY_FALL_V or falls < _STRAY_FALLS * max(float(v[-4] - v[-2]), 0.0):
        return log
    notes.append(reason(Code.LOG_LAST_ROW_STRAY, last_v=float(v[-1]), before_v=float(v[-2])))
    return log.rows(np.arange(len(v) - 1))


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
