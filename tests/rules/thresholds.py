"""Every figure of the rules that rests on a source, met from below, at it and from above by the rule that uses it.

A row names the constant, the situation, three inputs and what the rule answers to each. Inputs and answers are written
in plain numbers from the source, never taken from the constant: who moves a constant must come here and say why.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import partial
from types import SimpleNamespace
from typing import cast

import numpy as np

from rules.alarms.quality import Occurrence, Quality, quality
from rules.battery.assessment.charging import ChargeHour, judge_charging
from rules.battery.assessment.faults import plan_tests
from rules.battery.assessment.replacement import time_share_of_criterion
from rules.battery.discharge.contradictions import believable
from rules.battery.discharge.posterior import ln_before
from rules.battery.discharge.record.clean_discharge import Battery, NotADischarge
from rules.battery.model.ageing import ageing_speed
from rules.battery.model.float_voltage import float_setpoint_v
from rules.battery.model.health import belief_from_age
from rules.battery.model.runtime_curve import curve_for
from rules.battery.model.temperature import time_per_kelvin
from rules.generator.outage_source import OutageSource, returned
from rules.generator.test_runs import SetRun, set_test
from rules.planning.programme.programme import Job, ServiceItem, programme
from rules.planning.sizing.bank import BankWanted, StatedBank, size_bank
from rules.planning.sizing.units import SizeWanted, altitude_factor, size_units
from rules.plant.estate import Bank, Charging, FittedBank, PowerTable
from rules.plant.reading import Reading
from rules.system.comparison import compare
from rules.system.hold_up.sampling import sharings
from rules.system.hold_up.sharing import overload_borne_s
from rules.system.hold_up.task import HoldUpTask
from rules.system.load.peaks import LineHistory
from rules.system.observation import unit_views
from rules.system.parallel import Parallel, together
from rules.system.state import FindingKind, Standing
from rules.values.severity import Severity
from tests.rules.sample_plants import NOON, estate, reading, view

DAY = date(2026, 1, 1)
TYPE = FittedBank(
    DAY, None, "one", 40, 1.67, 12.0, 20.0,
    (PowerTable(1.67, ((5.0, 96.0), (10.0, 62.0), (15.0, 46.0), (30.0, 27.0), (60.0, 15.5), (120.0, 8.6))),),
)  # fmt: skip
EIGHTY = replace(
    TYPE,
    constant_power=(PowerTable(1.67, ((5.0, 96.0), (10.0, 62.0), (14.0, 49.6), (60.0, 15.5), (120.0, 8.6))),),
)
"""With 80 % of its power for 10 minutes printed too: 14 minutes, and 10 of 14 are 0.714."""
ONE = StatedBank(TYPE, 240, 1)


@dataclass(frozen=True)
class Threshold:
    """One constant under one rule. `met`: inputs just below, at and just above; `answers`: what the rule says of each."""

    constant: str
    situation: str
    rule: Callable[[float], object]
    met: tuple[float, float, float]
    answers: tuple[object, object, object]


# --- alarms: EEMUA 191 and ISA-18.2 ---


def _figures(times_s: Sequence[float], *, stood_s: float = 60.0, days: float = 1.0) -> Quality:
    start = datetime(2026, 10, 1, tzinfo=UTC)
    came = [start + timedelta(seconds=s) for s in times_s]
    rows = [Occurrence(t, "a", "a", Severity.MINOR, t + timedelta(seconds=stood_s)) for t in came]
    return quality(rows, start, start + timedelta(days=days))


def _chatters(third_after_s: float) -> bool:
    return bool(_figures([0.0, 1.0, third_after_s]).chattering)


def _floods(count: float) -> int:
    return _figures([10.0 * k for k in range(int(count))]).floods


def _periods_in_flood(count_after: float) -> float:
    storm = [10.0 * k for k in range(11)]
    then = [600.0 + 10.0 * k for k in range(int(count_after))]
    return round(144 * (_figures([*storm, *then]).flood_fraction or 0.0))


def _stale(stood_s: float) -> bool:
    return bool(_figures([0.0], stood_s=stood_s, days=3.0).stale)


def _verdict(count: float) -> str:
    return _figures([100.0 * k for k in range(int(count))]).verdict


ALARMS = (
    Threshold("rules.alarms.lifecycle.course.CHATTER_WITHIN_S", "the third of an alarm within a minute", _chatters,
              (59.0, 60.0, 61.0), (True, False, False)),
    Threshold("rules.alarms.lifecycle.course.CHATTER_COUNT", "so many of an alarm, a second apart",
              lambda n: bool(_figures([float(k) for k in range(int(n))]).chattering),
              (2, 3, 4), (False, True, True)),
    Threshold("rules.alarms.quality.FLOOD_ABOVE", "so many alarms in ten minutes", _floods, (9, 10, 11), (0, 0, 1)),
    Threshold("rules.alarms.quality.FLOOD_OVER_BELOW", "periods in a flood, so many in the second",
              _periods_in_flood, (4, 5, 6), (1, 2, 2)),
    Threshold("rules.alarms.quality.STALE_AFTER", "an alarm that stood a day", _stale,
              (86_399.0, 86_400.0, 86_401.0), (False, False, True)),
    Threshold("rules.alarms.quality.ACCEPTABLE_PER_DAY", "alarms of one day", _verdict,
              (149, 150, 151), ("acceptable", "acceptable", "manageable")),
    Threshold("rules.alarms.quality.MANAGEABLE_PER_DAY", "alarms of one day", _verdict,
              (299, 300, 301), ("manageable", "manageable", "overloaded")),
)  # fmt: skip


# --- generator: NFPA 110, statutes on frequency ---


def _tested(for_s: float, load_w: float = 50_000.0) -> bool:
    return set_test([SetRun(NOON - timedelta(days=1), for_s, load_w)], 80_000.0, NOON).last is not None


def _by_frequency(off_hz: float) -> str:
    back = NOON + timedelta(seconds=18)
    seen = [(back + timedelta(seconds=5), 50.0 + off_hz)]
    return returned(NOON, back, frequency_hz={"A1": seen, "A2": seen}).source.value


GENERATOR = (
    Threshold("rules.generator.test_runs.TEST_LEAST_S", "a run on load, min 30", _tested,
              (1799.0, 1800.0, 1801.0), (False, True, True)),
    Threshold("rules.generator.test_runs.TEST_LEAST_LOAD", "half an hour at 30 % of 80 kW",
              lambda w: _tested(1800.0, w), (23_990.0, 24_000.0, 24_010.0), (False, True, True)),
    Threshold("rules.generator.outage_source.MAINS_BAND_HZ", "the input runs off 50 Hz after the return",
              _by_frequency, (0.4375, 0.5, 0.5625),
              (OutageSource.UNKNOWN.value, OutageSource.UNKNOWN.value, OutageSource.GENERATOR.value)),
)  # fmt: skip


# --- one bank: makers' float figures, IEEE 450 and 1188, IEC 60896-21, Arrhenius ---

NOW = datetime(2025, 6, 30, 12, tzinfo=UTC)


def _kept(volts: float, *, charging: Charging = Charging.FLOAT) -> tuple[str, ...]:
    hours = [ChargeHour(NOW - timedelta(hours=71 - k), volts, -0.1, 25.0) for k in range(72)]
    return tuple(f"{f.kind} {f.severity.value}" for f in judge_charging(hours, NOW, charging=charging)[1])


def _rested(days: float) -> bool:
    hours = [ChargeHour(NOW - timedelta(days=days), 2.30)]
    hours += [ChargeHour(NOW - timedelta(hours=k), 2.15) for k in (3, 2, 1)]
    return bool(judge_charging(hours, NOW, charging=Charging.INTERMITTENT)[1])


def _interval(years: float = 12.0, *, capacity: float = 1.0, life_share: float = 0.0) -> int:
    """Return the days from one capacity test to the next of a bank that is expected to live so long."""
    plan = plan_tests(
        date(2020, 1, 1),
        date(2024, 1, 1),
        capacity=capacity,
        life_share=life_share,
        expected_life_years=years,
    )
    return plan.interval_days


def _since_a_discharge(hours_ago: float) -> str:
    ended = ChargeHour(NOW - timedelta(hours=hours_ago), 2.0, 10.0, 25.0, discharged_s=600.0)
    low = [ChargeHour(NOW - timedelta(hours=k), 2.18, -1.0, 25.0) for k in (2, 1, 0)]
    return ", ".join(f.kind for f in judge_charging([ended, *low], NOW)[1])


def _believed(health: float) -> bool:
    try:
        believable(health, Battery(240, 1, 1.67, curve_for(TYPE)), [])
    except NotADischarge:
        return False
    return True


def _strings(output_w: float) -> int:
    # by the table a cell gives 46 W for 15 minutes at 25 degC; a unit of 1 W has losses of 0.04 and next to no fixed part
    wanted = BankWanted(output_w, 900.0, 1.0, 240, coldest_c=25.0)
    return size_bank(wanted, [ONE]).sizes[0].strings


def _charger_a(_: float) -> float | None:
    asked = size_bank(BankWanted(5000.0, 900.0, 10_000.0, 240), [ONE]).sizes[0].charger_a
    return None if asked is None else round(asked, 6)


def _before_a_record(health: float) -> float:
    """What a health above the printed table loses of its likelihood, ln, beside the two laws that hold everywhere."""
    near = np.exp(-0.5 * ((health - 0.78) / 0.17) ** 2) / 0.17
    wide = np.exp(-0.5 * ((health - 0.75) / 0.3) ** 2) / 0.3
    told = ln_before(np.array([health]), curve_for(TYPE))[0]
    return round(float(told - np.log(0.85 * near + 0.15 * wide)), 3) + 0.0


def _beyond(output_w: float) -> bool:
    # a unit of 10 kW: its bank gives 1.04 of the output and 150 W; twice the largest printed, 96 W, is 192 W a cell
    bank = Bank("B1", ("A1",), 240, 1, (TYPE,))
    return belief_from_age(bank, TYPE, DAY, 25.0, 1, draws=2, rating_w=10_000.0).beyond_reach(output_w)


BANK = (
    Threshold("rules.battery.discharge.posterior._MOST_PRINTED", "a maker's table is beaten by few percent", _before_a_record,
              (1.07, 1.08, 1.14), (0.0, 0.0, -0.5)),
    Threshold("rules.battery.model.health.REACH", "the load on a bank whose table ends at 96 W a cell", _beyond,
              (44_162.0, 44_163.4, 44_164.0), (False, False, True)),
    Threshold("rules.battery.assessment.charging.WATCH_V", "float above 2.25 V at 25 degC", _kept,
              (2.269, 2.269999, 2.271), ((), (), ("float_high warning",))),
    Threshold("rules.battery.assessment.charging.ALARM_V", "float above 2.25 V at 25 degC", _kept,
              (2.299, 2.2999, 2.301), (("float_high warning",), ("float_high warning",), ("float_high minor",))),
    Threshold("rules.battery.assessment.charging.ALARM_V", "float under 2.25 V at 25 degC", _kept,
              (2.199, 2.2001, 2.201), (("float_low minor",), ("float_low warning",), ("float_low warning",))),
    Threshold("rules.battery.model.float_voltage.OPEN_CIRCUIT_V", "no charger holds it", _kept,
              (2.169, 2.17, 2.171), (("charger_lost major",), ("float_low minor",), ("float_low minor",))),
    Threshold("rules.battery.assessment.charging.RESTED_LOW_V", "at rest between charges, never charged since",
              lambda v: _kept(v, charging=Charging.INTERMITTENT),
              (2.099, 2.1, 2.101), (("not_recharged major",), (), ())),
    Threshold("rules.battery.assessment.charging.REST_DAYS", "rested since its charge", _rested,
              (34.99, 35.0, 35.01), (False, False, True)),
    Threshold("rules.battery.assessment.charging.SETTLED_H", "low so long after a discharge", _since_a_discharge,
              (23.9, 24.0, 24.1), ("recharge_slow", "float_low", "float_low")),
    Threshold("rules.battery.assessment.charging.RECHARGE_H", "low at eight tenths of a day", _since_a_discharge,
              (19.1, 19.2, 19.3), ("", "", "recharge_slow")),
    Threshold("rules.battery.assessment.faults.TWO_YEARS", "a quarter of the expected life, in years", _interval,
              (7.96, 8.0, 8.04), (727, 730, 730)),
    Threshold("rules.battery.assessment.faults.YEARLY", "a worn bank's quarter of its life, in years",
              lambda years: _interval(years, capacity=0.8), (3.96, 4.0, 4.04), (362, 365, 365)),
    Threshold("rules.battery.assessment.faults.WEAK", "capacity at the last test",
              lambda capacity: _interval(capacity=capacity), (0.89, 0.9, 0.91), (365, 730, 730)),
    Threshold("rules.battery.assessment.faults.LATE_IN_LIFE", "share of the expected life that is over",
              lambda share: _interval(life_share=share), (0.84, 0.85, 0.86), (730, 730, 365)),
    Threshold("rules.battery.model.float_voltage.FLOAT_AT_25_C", "setpoint about 25 degC, mV",
              lambda c: round(1000.0 * float_setpoint_v(c)), (24.0, 25.0, 26.0), (2253, 2250, 2247)),
    Threshold("rules.battery.model.float_voltage.PER_KELVIN", "3 mV a kelvin, from 5 degC on, mV",
              lambda c: round(1000.0 * float_setpoint_v(c)), (4.0, 5.0, 6.0), (2310, 2310, 2307)),
    Threshold("rules.battery.model.float_voltage.PER_KELVIN", "3 mV a kelvin, up to 40 degC, mV",
              lambda c: round(1000.0 * float_setpoint_v(c)), (39.0, 40.0, 41.0), (2208, 2205, 2205)),
    Threshold("rules.battery.model.health.MOST_HEALTH", "more than any maker's table understates", _believed,
              (1.39, 1.4, 1.41), (True, True, False)),
    Threshold("rules.battery.model.ageing.ACTIVATION_J_PER_MOL", "a year ages about twice as much 10 K warmer, about 25 degC",
              lambda c: round(float(ageing_speed(c, reference_c=25.0)), 2), (15.0, 25.0, 35.0), (0.49, 1.0, 1.95)),
    Threshold("rules.battery.model.ageing.REFERENCE_C", "effective years are counted at 22 degC",
              lambda c: float(ageing_speed(c)) > 1.0, (21.9, 22.0, 22.1), (False, False, True)),
    Threshold("rules.battery.model.temperature._PER_KELVIN", "time lost per kelvin at 10 h, 3 h and 1 h (IEC 60896-21 rounds up)",
              lambda s: round(float(time_per_kelvin(s)), 4), (36_000.0, 10_800.0, 5400.0), (0.006, 0.007, 0.008)),
    Threshold("rules.battery.model.ageing.END_OF_LIFE", "80 % of the time from one hour on; below, more of the rate",
              lambda w: round(time_share_of_criterion(curve_for(EIGHTY), w), 3), (12.0, 15.49, 49.6), (0.8, 0.8, 0.714)),
)  # fmt: skip


# --- sizing: IEEE 485, IEEE 1184, IEC 62040-3 ---


def _tight(line_w: float) -> tuple[bool, ...]:
    lines = [LineHistory(1, line_w, line_w, line_w, line_w)]
    wanted = SizeWanted(1, 0, growth_per_year=0.0, reserve=0.0, output_lines=1)
    return tuple(s.enough for s in size_units(lines, wanted).sizes)


def _set_bears(set_w: float) -> bool | None:
    lines = [LineHistory(n, 4000.0, 5500.0, 7400.0, 7400.0 / 0.95) for n in (1, 2, 3)]
    wanted = SizeWanted(2, 1, growth_per_year=0.02, reserve=0.10, set_rating_w=set_w)
    return next(s.within_set for s in size_units(lines, wanted).sizes if s.rating_w == 36_000.0)


def _least_rating(asked_va: float) -> float:
    lines = [LineHistory(1, 1000.0, 1000.0, 1000.0, asked_va)]
    wanted = SizeWanted(1, 0, growth_per_year=0.0, reserve=0.0, output_lines=1)
    return min(s.rating_va for s in size_units(lines, wanted).sizes if s.enough)


def _standing_loss_kwh(rating_va: float) -> int:
    lines = [LineHistory(1, 1000.0, 1000.0, 1000.0, rating_va)]
    wanted = SizeWanted(1, 0, growth_per_year=0.0, reserve=0.0, output_lines=1)
    sizes = size_units(lines, wanted).sizes
    return next(round(s.standing_loss_kwh_a_year) for s in sizes if s.rating_va == rating_va)


SIZING = (
    Threshold("rules.planning.sizing.units.USUAL_KVA", "the least usual rating that is enough", _least_rating,
              (79_999.0, 80_000.0, 80_001.0), (80_000.0, 80_000.0, 100_000.0)),
    Threshold("rules.planning.sizing.units.NO_LOAD_LOSS", "3 % of 9, 13.5 and 18 kW through 8766 h",
              _standing_loss_kwh, (10_000.0, 15_000.0, 20_000.0), (2367, 3550, 4734)),
    # 46 W a cell * 240 cells / 1.25 (ageing) / 1.10 (reserve) / (1 + 0.04) of losses = 7720.3 W
    Threshold("rules.planning.sizing.bank.AGEING", "one string old, cells by the table", _strings,
              (7719.0, 7720.0, 7722.0), (1, 1, 2)),
    Threshold("rules.battery.model.size_factors.DESIGN_MARGIN", "two strings old, cells by the table", _strings,
              (15_439.0, 15_440.0, 15_443.0), (2, 2, 3)),
    Threshold("rules.planning.sizing.bank.CHARGER_PER_AH", "a string of 12 Ah; the load does not matter", _charger_a,
              (1.0, 2.0, 3.0), (1.2, 1.2, 1.2)),
    Threshold("rules.planning.sizing.units.DERATED_PER_KM", "rating left above 1000 m",
              lambda m: round(altitude_factor(m), 4), (1500.0, 2000.0, 3000.0), (0.975, 0.95, 0.9)),
    Threshold("rules.planning.sizing.units.DERATED_ABOVE_M", "rating left about 1000 m",
              lambda m: round(altitude_factor(m), 5), (999.0, 1000.0, 1001.0), (1.0, 1.0, 0.99995)),
    Threshold("rules.planning.sizing.units.SET_OVER_UNITS", "a set of 1.5 times the one unit left of two, 36 kW",
              _set_bears, (53_999.0, 54_000.0, 54_001.0), (False, True, True)),
)  # fmt: skip


# --- systems: trade practice on sharing, makers' overload times ---


def _compared(*readings: Reading, kind: FindingKind) -> bool:
    views = unit_views(view(estate(len(readings)), readings))
    return any(f.kind is kind for f in compare("A", views, together(views)))


def _apart(points: float) -> bool:
    """Two units of 27 kW, 60 % of rating in the mean, so many points above and below it."""
    up, down = 0.6 + points / 100.0, 0.6 - points / 100.0
    return _compared(
        reading("A1", (9000.0 * up,) * 3), reading("A2", (9000.0 * down,) * 3), kind=FindingKind.SHARE_REAL
    )


def _reactive(points: float) -> bool:
    """The same watts, and reactive power of 30 kVA so many points about 30 %."""

    def at(unit: str, part: float) -> Reading:
        var, watts = 10_000.0 * part, 4000.0
        return reading(unit, (watts,) * 3, power_factor=watts / (watts**2 + var**2) ** 0.5)

    one, other = at("A1", 0.3 + points / 100.0), at("A2", 0.3 - points / 100.0)
    return _compared(one, other, kind=FindingKind.SHARE_REACTIVE)


def _lines_apart(percent: float) -> bool:
    off = percent / 100.0
    lines = (4000.0 * (1.0 + off), 4000.0 * (1.0 - off / 2.0), 4000.0 * (1.0 - off / 2.0))
    return _compared(reading("A1", lines), reading("A2", lines), kind=FindingKind.PHASES)


def _odd_power_factor(under: float) -> bool:
    odd = reading("A3", (4000.0,) * 3, power_factor=0.95 - under)
    same = [reading(n, (4000.0,) * 3, power_factor=0.95) for n in ("A1", "A2")]
    return _compared(*same, odd, kind=FindingKind.CIRCULATING)


def _odd_volts(percent: float) -> bool:
    odd = reading("A3", voltage_v=230.0 * (1.0 + percent / 100.0))
    return _compared(reading("A1"), reading("A2"), odd, kind=FindingKind.VOLTAGE)


def _odd_hertz(hz: float) -> bool:
    odd = reading("A3", frequency_hz=50.0 + hz)
    return _compared(reading("A1"), reading("A2"), odd, kind=FindingKind.FREQUENCY)


def _judges_share(mean_of_rating: float) -> bool:
    views = unit_views(view(estate(2), [reading(n, (9000.0 * mean_of_rating,) * 3) for n in ("A1", "A2")]))
    return together(views).shares[0].deviation_fraction is not None


def _rests(watts: float) -> str:
    plant = estate(2)
    units = tuple(replace(u, may_rest=True) for u in plant.units.values())
    readings = [reading("A1", (watts / 3.0,) * 3), reading("A2", (9000.0 / 100.0,) * 3)]
    found: Parallel = together(unit_views(view(estate(2, units=units), readings)))
    return found.standing_of("A1").value


def _sharing_sd(units: float) -> float:
    task = cast("HoldUpTask", SimpleNamespace(units=range(int(units))))
    return round(float(np.std(sharings(1, task, "B1", 200_000))), 4)


SYSTEM = (
    Threshold("rules.system.hold_up.sampling.SHARING_SD", "one unit has nobody to share with; two and three do",
              _sharing_sd, (1, 2, 3), (0.0, 0.025, 0.025)),
    Threshold("rules.system.parallel.SHARE_OFF", "watts apart, points of rating", _apart, (9.9, 9.999, 10.1),
              (False, False, True)),
    Threshold("rules.system.parallel.SHARE_OFF", "reactive power apart, points of rating", _reactive,
              (9.9, 9.999, 10.1), (False, False, True)),
    Threshold("rules.system.comparison.BOUNDS", "a line over the mean, %", _lines_apart, (29.9, 29.999, 30.1),
              (False, False, True)),
    Threshold("rules.system.comparison.BOUNDS", "power factor under the siblings'", _odd_power_factor,
              (0.149, 0.1499, 0.151), (False, False, True)),
    Threshold("rules.system.comparison.BOUNDS", "volts apart, %", _odd_volts, (1.99, 1.9999, 2.01),
              (False, False, True)),
    Threshold("rules.system.comparison.BOUNDS", "hertz apart", _odd_hertz, (0.19, 0.1999, 0.21),
              (False, False, True)),
    Threshold("rules.system.parallel.ENOUGH_LOAD_TO_JUDGE_SHARE", "so little of rating that sharing is noise",
              _judges_share, (0.149, 0.1501, 0.151), (False, True, True)),
    Threshold("rules.system.parallel.NO_LOAD_FRACTION", "a unit of 27 kW that may rest, W", _rests,
              (539.0, 540.0, 541.0), (Standing.RESTING.value, Standing.RESTING.value, Standing.CARRYING.value)),
    Threshold("rules.system.hold_up.sharing.OVERLOAD_BORNE", "up to rating for ever", lambda f: float(overload_borne_s(f)),
              (0.99, 1.0, 1.01), (float("inf"), float("inf"), 600.0)),
    Threshold("rules.system.hold_up.sharing.OVERLOAD_BORNE", "10 % over, 10 min", lambda f: round(float(overload_borne_s(f))),
              (1.09, 1.10, 1.11), (600, 600, 515)),
    Threshold("rules.system.hold_up.sharing.OVERLOAD_BORNE", "25 % over, 1 min", lambda f: round(float(overload_borne_s(f))),
              (1.24, 1.25, 1.26), (70, 60, 56)),
    Threshold("rules.system.hold_up.sharing.OVERLOAD_BORNE", "half over, 10 s", lambda f: round(float(overload_borne_s(f)), 1),
              (1.49, 1.50, 1.51), (10.7, 10.0, 0.0)),
)  # fmt: skip


# --- programme: IEEE 1188, NFPA 110, trade habit ---


def _due_in(job: Job, years: float) -> bool:
    """Whether a job last done so many years ago is overdue."""
    done = DAY - timedelta(days=round(years * 365.25))
    found = programme(estate(1), (), DAY, service=[ServiceItem(job, "A1", "S", done)])
    return any(row.job is job and row.overdue for row in found.rows)


def _unit_overdue(days_after: float) -> bool:
    """A cabinet put in place on 2020-01-01, so many days after twelve years."""
    today = date(2032, 1, 1) + timedelta(days=days_after)
    return any(row.job is Job.REPLACE_UNIT and row.overdue for row in programme(estate(1), (), today).rows)


PROGRAMME = (
    Threshold("rules.plant.estate.UNIT_LIFE_YEARS", "a cabinet after twelve years, days", _unit_overdue,
              (-1, 0, 1), (False, False, True)),
    *(
    Threshold("rules.planning.programme.programme.USUAL_YEARS", f"{job.value}, years ago",
              partial(_due_in, job), (usual - 0.02, usual, usual + 0.02), (False, False, True))
    for job, usual in ((Job.FANS, 5.0), (Job.CAPACITORS, 7.0), (Job.VISIT, 1.0), (Job.GENERATOR_TEST, 1.0 / 12.0))
    ),
)  # fmt: skip


THRESHOLDS = (*ALARMS, *GENERATOR, *BANK, *SIZING, *SYSTEM, *PROGRAMME)

ELSEWHERE = {
    "rules.values.constants.GAS_CONSTANT": "tests/rules/values/test_constants.py: a mole of gas at the ice point",
    "rules.values.constants.Z_90": "tests/rules/values/test_constants.py: by the error function",
    "rules.values.constants.SD_90": "tests/rules/values/test_constants.py: by the error function",
    "rules.alarms.catalogue.CARD_ALARMS": "a list of names, held in tests/rules/alarms/test_catalogue.py",
    "rules.battery.model.recharge.PROMISED_SPREAD": "tests/rules/battery/model/test_charge_carried.py: nine tenths in 8 to 24 h",
    "rules.battery.assessment.next_discharge.advice.OWN_TEST": "a name, no limit",
    "rules.system.parallel._SAYS_WHY": "a list of names, no limit",
}
"""Cited constants that are no limit of a rule, with where they are held."""
