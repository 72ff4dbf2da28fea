"""What the estimator makes of one ended discharge, added to what plain arithmetic showed.

Also whether the bank lies a whole number of cells under one of its own recent discharges: a cell that has
gone short since then takes 2 V off at once, while ageing moves the voltage by little in some months.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rules.battery.discharge.capacity import ReferenceLog, judge_discharge
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.discharge.posterior import taken_before
from rules.battery.discharge.record.clean_discharge import (
    Battery,
    CleanDischarge,
    NotADischarge,
    mean_over_time,
)
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.log import clean
from rules.battery.discharge.record.times_on_bank import LOAD_V
from rules.battery.model.recharge import ABOUT_FULL, FULL, middle_of, nodes_of
from rules.battery.model.runtime_curve import Floats, RuntimeCurve
from rules.values.code import Code

ALIKE_POWER: Final = 0.15
ALIKE_KELVIN: Final = 4.0
_FROM, _UPTO = 0.04, 0.35  # of published time: after the dip at the start, before the knee
_POINTS: Final = 12
RECENT_DAYS: Final = 120
_RESISTANCE_DOUBT: Final = 0.02
_METER_V: Final = 0.3


@dataclass(frozen=True)
class EarlierLog:
    """An earlier discharge of the same blocks, at most `RECENT_DAYS` before: in that time ageing is slow."""

    log: DischargeLog
    battery: Battery


def with_estimate(
    shown: DischargeEvidence,
    log: DischargeLog,
    battery: Battery,
    references: Sequence[ReferenceLog] = (),
    *,
    recent: EarlierLog | None = None,
    seed: int = 0,
) -> DischargeEvidence:
    """Return what a discharge showed with capacity, resistance and voltage offset as far as they can be told.

    Costs some 20 ms, and as much again for each of what may have been missing when it began. A bank that
    failed its load keeps no estimate: what it gave is all there was.
    """
    missing = FULL if shown.missing is None else shown.missing
    began_full = max(missing, default=0.0) < ABOUT_FULL
    offset = _offset(log, battery, recent) if began_full else None
    found = shown if offset is None else replace(shown, offset_v=offset[0], offset_sd_v=offset[1])
    found = replace(found, battery_power_w=_battery_power_w(log, battery))
    if shown.failed:
        return found
    estimate = judge_discharge(log, battery, references, used_before=missing or None, seed=seed)
    why = estimate.cannot_tell
    silent = why is None or why.code is Code.LOG_TOO_LITTLE_USED
    doubts = estimate.because if why is None else (*estimate.because, why)
    found = replace(found, doubts=doubts)
    if estimate.cannot_tell is not None or estimate.capacity_fraction is None:
        # what plain arithmetic made of an end voltage counts no more than the record it was read off
        return found if silent else replace(found, fraction=None, low=None, high=None, ended=False)
    before = None if estimate.ended else taken_before(estimate.table_basis)
    own = (
        shown.by_itself if estimate.course is None else estimate.course.used_now - estimate.course.used_before
    )
    missing = nodes_of(estimate.used_draws - own)  # what the record itself says of it included
    return replace(
        found,
        published_s=estimate.at_published_time_s or shown.published_s,
        used=own + middle_of(missing),
        missing=missing,
        fraction=estimate.capacity_fraction,
        low=estimate.capacity_fraction_low,
        high=estimate.capacity_fraction_high,
        ended=shown.ended or estimate.ended,
        resistance_ohm=estimate.resistance_ohm if estimate.by_steps or began_full else None,
        by_steps=estimate.by_steps,
        taken_before=before,
        likelihood=estimate.likelihood or None,
    )


def _battery_power_w(log: DischargeLog, battery: Battery) -> float | None:
    """Return mean volts times amperes over the rows that discharge, None where fewer than three tell both."""
    volts = log.bank_voltage_v * battery.cells / battery.cells_read
    power = volts * log.bank_current_a
    known = np.isfinite(power) & (log.bank_current_a > 0.0)
    if np.count_nonzero(known) < 3:
        return None
    return mean_over_time(log.t_s[known], power[known])


def _offset(log: DischargeLog, battery: Battery, recent: EarlierLog | None) -> tuple[float, float] | None:
    if recent is None:
        return None
    try:
        now, then = clean(log, battery), clean(recent.log, recent.battery)
    except NotADischarge:
        return None
    return offset_v(now, then, battery)


def offset_v(now: CleanDischarge, then: CleanDischarge, battery: Battery) -> tuple[float, float] | None:
    """Return by how much a discharge lies over an earlier one at equal used fraction, V of the whole bank.

    With its standard deviation. None where the two are not alike in power (15 %) and temperature (4 K), or
    share too little of the early, flat part. A change of power is allowed for; the doubt of that, of the
    meter, and of 2 % of resistance is in the deviation.
    """
    curve = battery.curve
    if curve is None or abs(np.log(now.mean_power_w / then.mean_power_w)) > ALIKE_POWER:
        return None
    warm_now, warm_then = now.temperature_c, then.temperature_c
    if warm_now is not None and warm_then is not None and abs(warm_now - warm_then) > ALIKE_KELVIN:
        return None
    used_now, used_then = (_used(d, curve) for d in (now, then))
    upto = min(_UPTO, float(used_now[-1]), float(used_then[-1]))
    if upto < 2.0 * _FROM:
        return None
    at = np.linspace(_FROM, upto, _POINTS)
    per_cell = np.interp(at, used_now, now.voltage_v) - np.interp(at, used_then, then.voltage_v)
    power = np.interp(at, used_now, now.power_w) / np.interp(at, used_then, then.power_w)
    per_cell = per_cell + LOAD_V * np.log(power)
    cells = battery.cells
    current_drop_v = 0.12 * cells  # ohmic part of the fall from rest, roughly, at these rates
    sd = np.hypot(1.4826 * float(np.median(np.abs(per_cell - np.median(per_cell)))) * cells, _METER_V)
    sd = np.hypot(sd, _RESISTANCE_DOUBT * current_drop_v)
    sd = np.hypot(sd, 0.3 * LOAD_V * cells * float(np.abs(np.log(np.median(power)))))
    return float(np.median(per_cell)) * cells, float(sd)


def _used(discharge: CleanDischarge, curve: RuntimeCurve) -> Floats:
    """Return the used fraction at each row, at 25 degC (both discharges are about equally warm)."""
    rate = 1.0 / curve.seconds(discharge.power_w)
    steps = 0.5 * (rate[1:] + rate[:-1]) * np.diff(discharge.t_s)
    return np.concatenate([[0.0], np.cumsum(steps)])
