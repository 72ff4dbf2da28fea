"""How a bank is kept full: float voltage, charger, recharge, heat.

Works on hourly means, since a card's voltage is coarse (0.1 V on the whole bank) and its refresh slow.
A float voltage in its window says that the charger is right; it says nothing of capacity: in a study of
some 500 cells float voltage and capacity were not related (Feder, Croda, Champlin and Hlavac).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from rules.battery.model.float_voltage import (
    COLDEST_COMPENSATED_C,
    FLOAT_AT_25_C,
    HOTTEST_COMPENSATED_C,
    OPEN_CIRCUIT_V,
    PER_KELVIN,
    float_setpoint_v,
)
from rules.battery.model.runtime_curve import Floats
from rules.battery.state import BankFinding, ChargingVerdict, SiblingFigure
from rules.plant.estate import Charging
from rules.statistics.trend import theil_sen
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.severity import Severity
from rules.values.verdict import Verdict

WATCH_V: Final = 0.02
ALARM_V: Final = 0.05
SETTLED_H: Final = 24.0
RESTED_LOW_V: Final = 2.10
CHARGED_V: Final = 2.21
RECHARGE_H: Final = 24.0
REST_DAYS: Final = 35.0
_FEWEST_HOURS: Final = 3
_RECENT_H: Final = 6
_SWING_K: Final = 4.0
_MOST_DAYS: Final = 200

FLOAT_HIGH: Final = "float_high"
FLOAT_LOW: Final = "float_low"
COMPENSATION_ABSENT: Final = "compensation_absent"
COMPENSATION_WRONG: Final = "compensation_wrong"
CHARGER_LOST: Final = "charger_lost"
RECHARGE_SLOW: Final = "recharge_slow"
NOT_RECHARGED: Final = "not_recharged"
RUNAWAY: Final = "runaway_suspected"
DIFFERS: Final = "differs_from_siblings"


@dataclass(frozen=True, slots=True)
class ChargeHour:
    """One hour of one bank: means of what was read. Current positive while discharging; None: not known.

    `discharged_s`: seconds of that hour in which the bank carried load.
    """

    at: datetime
    voltage_per_cell_v: float | None
    current_a: float | None = None
    temperature_c: float | None = None
    discharged_s: float = 0.0


def _too_little(seen: Sequence[ChargeHour], now: datetime) -> Reason | None:
    """Return why hours in which the voltage was read are too few, or too old, to judge by; None where they are not.

    It is judged from whole hours, so a unit may well give its battery voltage at this moment.
    """
    if not seen:
        return reason(Code.VOLTAGE_NEVER_READ)
    if now - seen[-1].at > timedelta(hours=_RECENT_H):
        return reason(Code.VOLTAGE_NOT_READ_LATELY, within_s=_RECENT_H * 3600.0)
    if len(seen) < _FEWEST_HOURS:
        return reason(Code.VOLTAGE_READ_TOO_BRIEFLY, hours=len(seen), wanted=_FEWEST_HOURS)
    return None


def judge_charging(
    hours: Sequence[ChargeHour],
    now: datetime,
    *,
    charging: Charging = Charging.FLOAT,
    rated_ah: float | None = None,
    strings: int = 1,
    at_25_c: float = FLOAT_AT_25_C,
) -> tuple[ChargingVerdict, tuple[BankFinding, ...]]:
    """Return how a bank is kept, from its last weeks of hours (oldest first), and what is wrong."""
    seen = [h for h in hours if h.voltage_per_cell_v is not None and h.at <= now]
    why = _too_little(seen, now)
    if why is not None:
        return ChargingVerdict(Verdict.CANNOT_TELL, (why,)), ()
    last_v = float(np.mean([h.voltage_per_cell_v or 0.0 for h in seen[-_FEWEST_HOURS:]]))
    since_h = _hours_since_discharge(hours, now)
    if charging is Charging.INTERMITTENT:
        findings = _rested(seen, now, since_h)
    elif since_h is not None and since_h < SETTLED_H:
        findings = _recharging(seen, since_h, at_25_c)
    else:
        findings = _on_float(seen, since_h, at_25_c)
        runaway = runaway_suspected(seen, rated_ah=rated_ah, strings=strings)
        findings += [] if runaway is None else [runaway]
    bad = [f for f in findings if f.severity != Severity.WARNING]
    verdict = Verdict.INADEQUATE if bad else Verdict.ADEQUATE
    recharging = charging is Charging.FLOAT and since_h is not None and since_h < SETTLED_H
    if not findings and recharging:
        return ChargingVerdict(Verdict.CANNOT_TELL, (reason(Code.RECHARGING),), last_v), ()
    return ChargingVerdict(verdict, tuple(f.what for f in findings), last_v), tuple(findings)


def _hours_since_discharge(hours: Sequence[ChargeHour], now: datetime) -> float | None:
    """Return hours since the bank last carried load for more than ten seconds, None where it never did."""
    ends = [h.at for h in hours if h.discharged_s > 10.0 and h.at <= now]
    return None if not ends else max((now - ends[-1]).total_seconds() / 3600.0, 0.0)


def _deviations(hours: Sequence[ChargeHour], at_25_c: float) -> Floats:
    return np.array(
        [
            (h.voltage_per_cell_v or 0.0)
            - float_setpoint_v(25.0 if h.temperature_c is None else h.temperature_c, at_25_c=at_25_c)
            for h in hours
        ]
    )


def _settled(seen: Sequence[ChargeHour]) -> list[ChargeHour]:
    """Return the hours on float: a day or more after the last discharge before each."""
    found: list[ChargeHour] = []
    last: datetime | None = None
    for hour in seen:
        if hour.discharged_s > 10.0:
            last = hour.at
        elif last is None or hour.at - last >= timedelta(hours=SETTLED_H):
            found.append(hour)
    return found


def _on_float(seen: Sequence[ChargeHour], since_h: float | None, at_25_c: float) -> list[BankFinding]:
    settled = _settled(seen)
    recent = settled[-_FEWEST_HOURS:]
    if not recent:
        return []
    volts = float(np.mean([h.voltage_per_cell_v or 0.0 for h in recent]))
    if volts < OPEN_CIRCUIT_V:
        return [_charger_lost(volts, since_h)]
    wrong_slope = compensation(settled)
    off = _deviations(recent, at_25_c)
    if np.all(off > ALARM_V) or np.all(off < -ALARM_V):
        return [_outside(float(np.mean(off)), volts, recent, Severity.MINOR), *wrong_slope]
    if (np.all(off > WATCH_V) or np.all(off < -WATCH_V)) and not wrong_slope:
        return [_outside(float(np.mean(off)), volts, recent, Severity.WARNING)]
    return wrong_slope


def _outside(off: float, volts: float, recent: Sequence[ChargeHour], severity: Severity) -> BankFinding:
    known = [h.temperature_c for h in recent if h.temperature_c is not None]
    at_c = float(np.mean(known)) if known else None
    return BankFinding(
        FLOAT_HIGH if off > 0.0 else FLOAT_LOW,
        reason(Code.FLOAT_OUTSIDE, volts=volts, off_v=off, at_c=at_c),
        reason(Code.DO_CHECK_FLOAT_VOLTAGE),
        severity,
    )


def _charger_lost(volts: float, since_h: float | None) -> BankFinding:
    since_s = None if since_h is None else since_h * 3600.0
    return BankFinding(
        CHARGER_LOST,
        reason(Code.NOTHING_CHARGES, volts=volts, since_s=since_s),
        reason(Code.DO_LOOK_AT_CHARGER),
        Severity.MAJOR,
    )


def compensation(settled: Sequence[ChargeHour]) -> list[BankFinding]:
    """Return whether float voltage follows temperature as it should, where the bank has been warm and cold.

    Slope by Theil and Sen over daily means; needs a swing of 4 K within 5 to 40 degC. Voltage that rises
    with temperature is wrong; voltage that stays is not compensated.
    """
    by_day: dict[object, list[tuple[float, float]]] = {}
    for h in settled:
        if h.temperature_c is not None and COLDEST_COMPENSATED_C <= h.temperature_c <= HOTTEST_COMPENSATED_C:
            by_day.setdefault(h.at.date(), []).append((h.temperature_c, h.voltage_per_cell_v or 0.0))
    days = np.array([np.mean(pairs, axis=0) for pairs in by_day.values()])
    if len(days) < 5 or np.ptp(days[:, 0]) < _SWING_K:
        return []
    thinned = days[:: max(len(days) // _MOST_DAYS, 1)]
    line = theil_sen(thinned[:, 0], thinned[:, 1])
    if line is None:
        return []
    slope = line.per_unit
    if abs(slope - PER_KELVIN) < 0.002:
        return []
    absent = abs(slope) <= 0.001
    return [
        BankFinding(
            COMPENSATION_ABSENT if absent else COMPENSATION_WRONG,
            reason(Code.FLOAT_NOT_COMPENSATED, per_kelvin_v=None if absent else slope),
            reason(Code.DO_CHECK_COMPENSATION),
            Severity.WARNING if absent else Severity.MINOR,
        )
    ]


def _recharging(seen: Sequence[ChargeHour], since_h: float, at_25_c: float) -> list[BankFinding]:
    """Within a day of a discharge: is the bank being charged, and does the charge arrive?"""
    after = [h for h in seen if h.discharged_s <= 10.0][-2:]
    if since_h < 3.0 or len(after) < 2:
        return []
    volts = float(np.mean([h.voltage_per_cell_v or 0.0 for h in after]))
    charging = [h.current_a for h in after if h.current_a is not None]
    if volts < OPEN_CIRCUIT_V and (not charging or max(charging) > -0.05):
        return [_charger_lost(volts, since_h)]
    if since_h > 0.8 * RECHARGE_H and np.all(_deviations(after, at_25_c) < -ALARM_V):
        return [_slow(volts, since_h)]
    return []


def _slow(volts: float, since_h: float) -> BankFinding:
    return BankFinding(
        RECHARGE_SLOW,
        reason(Code.RECHARGE_TOO_SLOW, volts=volts, since_s=since_h * 3600.0),
        reason(Code.DO_CHECK_CURRENT_LIMIT),
        Severity.MINOR,
    )


def _rested(seen: Sequence[ChargeHour], now: datetime, since_h: float | None) -> list[BankFinding]:
    """Intermittent charging: the bank rests at open circuit; what counts is that it was recharged in time."""
    charged = [h.at for h in seen if (h.voltage_per_cell_v or 0.0) >= CHARGED_V]
    since_charge_h = None if not charged else (now - charged[-1]).total_seconds() / 3600.0
    span_h = (now - seen[0].at).total_seconds() / 3600.0
    volts = float(np.mean([h.voltage_per_cell_v or 0.0 for h in seen[-_FEWEST_HOURS:]]))
    after_discharge = (
        since_h is not None and since_h > 6.0 and (since_charge_h is None or since_charge_h > since_h)
    )
    if after_discharge and volts < OPEN_CIRCUIT_V:
        what = reason(Code.NOT_CHARGED_SINCE_LOAD, since_s=(since_h or 0.0) * 3600.0)
    elif volts < RESTED_LOW_V:
        what = reason(Code.RESTS_NOT_FULL, volts=volts)
    elif (since_charge_h if since_charge_h is not None else span_h) > REST_DAYS * 24.0:
        what = reason(Code.RESTS_UNCHARGED, longest_s=REST_DAYS * 86_400.0)
    else:
        return []
    return [BankFinding(NOT_RECHARGED, what, reason(Code.DO_CHECK_REST_PERIODS), Severity.MAJOR)]


def runaway_suspected(
    seen: Sequence[ChargeHour], *, rated_ah: float | None, strings: int = 1
) -> BankFinding | None:
    """Return the suspicion of thermal runaway: float current and temperature up together on a full bank.

    Against the bank's own last weeks: current at least doubled and over 0.5 % of its ampere-hours, and
    5 K warmer. A warm room alone raises both a little (float current doubles for about 10 K).
    """
    settled = [h for h in _settled(seen) if h.current_a is not None and h.temperature_c is not None]
    if len(settled) < 48:
        return None
    current = np.array([-(h.current_a or 0.0) for h in settled])
    warm = np.array([h.temperature_c or 0.0 for h in settled])
    usual, usual_c = float(np.median(current[:-6])), float(np.median(warm[:-6]))
    now, now_c = float(np.median(current[-3:])), float(np.median(warm[-3:]))
    least = 0.5 if rated_ah is None else max(0.005 * rated_ah * strings, 0.2)
    by_heat = max(usual, 0.1) * 2.0 ** ((now_c - usual_c) / 10.0)
    if now < least or now < 2.0 * max(usual, 0.05) or now < 1.5 * by_heat or now_c < usual_c + 5.0:
        return None
    return BankFinding(
        RUNAWAY,
        reason(Code.RUNAWAY_SUSPECTED, now_a=now, usual_a=usual, now_c=now_c, usual_c=usual_c),
        reason(Code.DO_STOP_CHARGE),
        Severity.CRITICAL,
    )


def differs_from_siblings(
    name: str, value: float, siblings: Sequence[float], *, what: SiblingFigure, least: float
) -> BankFinding | None:
    """Return a finding where one bank differs from those of the same type and age more than they among themselves.

    `least` is the smallest difference worth a word. Needs three siblings, or two that agree.
    """
    others = np.array(siblings)
    if len(others) < 2:
        return None
    middle = float(np.median(others))
    spread = max(1.4826 * float(np.median(np.abs(others - middle))), least / 4.0)
    if abs(value - middle) < max(4.0 * spread, least):
        return None
    return BankFinding(
        DIFFERS,
        reason(Code.APART_FROM_SIBLINGS, name, what=what, value=value, theirs=middle),
        reason(Code.DO_COMPARE_BLOCKS),
        Severity.WARNING,
    )
