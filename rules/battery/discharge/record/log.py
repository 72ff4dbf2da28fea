"""A logged discharge, made fit to be judged: which rows count, what they mean per cell, what was mended.

Cards repeat stale values, drop rows, count current with either sign, report tenths, or leave the current
out. What can be mended is mended and said; what cannot is left out; nothing absent turns into zero.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from rules.battery.discharge.record.bank_power import power_per_cell, scaled_current
from rules.battery.discharge.record.clean_discharge import (
    Battery,
    CleanDischarge,
    DischargeBeginning,
    NotADischarge,
)
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.log_doubts import (
    CELL_V,
    believed_current,
    believed_temperature,
    unswapped,
)
from rules.battery.discharge.record.times_on_bank import FLOAT_CELL_V, LOAD_V, TimeOnBank, times_on_bank
from rules.battery.model.runtime_curve import Floats
from rules.values.code import Code
from rules.values.reason import Reason, reason

STANDS_S: Final = 60.0
"""A voltage that has not moved by one step of its meter for so long, under load, is not being read."""


_OPENING_V: Final = 0.0022


_STRAY_FALL_V, _STRAY_FALLS = 0.12, 4.0


_LONG_GAP_S: Final = 600.0


_NEAR_V: Final = 0.015


_RESTS: Final = 0.02  # of the largest current


_RUNS_ON_ROWS, _RUNS_ON_S, _SAME_POWER = 5, 60.0, 0.7


_CARRIES_V: Final = 1.93
"""About what a cell shows in the middle of a discharge of a quarter of an hour to an hour."""


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
    _bridged(whole, notes)
    whole = scaled_current(whole, notes)
    whole = _without_stale_rows(whole, step, notes)
    whole = _without_spikes(whole, notes)
    whole = _without_stray_end(whole, battery.cells_read, notes)
    start = _start_of(log, whole, span, battery)
    power, doubt = power_per_cell(whole, battery, notes)
    good = np.isfinite(power) & (power > 0.0)
    if np.count_nonzero(good) < 2:
        raise NotADischarge(reason(Code.LOG_WITHOUT_POWER))
    t, v = whole.t_s[good] - whole.t_s[0], whole.bank_voltage_v[good] / battery.cells_read
    power, current = power[good], whole.bank_current_a[good]
    if len(t) > 1 and float(np.max(np.diff(t))) > _LONG_GAP_S:
        notes.append(reason(Code.LOG_GAP, gap_s=float(np.max(np.diff(t)))))
    ended, upto = _end(t, v, battery.end_voltage_per_cell_v)
    _ended_for_good(t, v, power, ended, battery)
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
    known = np.isfinite(log.t_s) & np.isfinite(log.bank_voltage_v)
    nothing = int(np.count_nonzero(known & (log.bank_voltage_v <= 0.0)))
    if nothing:
        notes.append(reason(Code.LOG_ROWS_WITHOUT_VOLTS, rows=nothing))
    log = log.rows(known & (log.bank_voltage_v > 0.0))
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


def _bridged(log: DischargeLog, notes: list[Reason]) -> None:
    """Say in how many rows of a discharge a meter or the unit's word has the bank at rest, while its voltage runs on."""
    amps = log.bank_current_a
    rests = log.word == 0.0
    if np.isfinite(amps).any():
        rests = rests | (np.abs(amps) < _RESTS * float(np.nanmax(np.abs(amps))))
    rows = int(np.count_nonzero(rests))
    if rows:
        notes.append(reason(Code.LOG_ROWS_BRIDGED, rows=rows))


def _ended_for_good(t: Floats, v: Floats, power: Floats, ended: float | None, battery: Battery) -> None:
    """Raise NotADischarge where a bank carries on under its end voltage for longer than it took to come there.

    From its end voltage on a bank falls ever faster, and a unit lets go of it. One that goes on at the same power
    has fewer cells than are declared, and never was at its end.
    """
    if ended is None:
        return
    after = t > ended
    beyond_s = float(t[-1]) - ended
    if np.count_nonzero(after) < _RUNS_ON_ROWS or beyond_s < max(ended, _RUNS_ON_S):
        return
    if float(np.median(power[after])) < _SAME_POWER * float(np.max(power[~after])):
        return
    per_cell = float(np.median(v[: max(len(v) // 2, 3)]))
    fit = battery.cells_read * per_cell / _CARRIES_V
    raise NotADischarge(
        reason(
            Code.LOG_RUNS_ON_UNDER_END, end_v=battery.end_voltage_per_cell_v, for_s=beyond_s, cells=battery.cells_read,
            fit=fit,
        )
    )  # fmt: skip


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
