import csv
import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rules.battery.discharge.capacity import ReferenceLog, judge_discharge
from rules.battery.discharge.capacity_estimate import CapacityEstimate, belief_from_posterior
from rules.battery.discharge.discharge_end import current_is_held
from rules.battery.discharge.record.clean_discharge import Battery
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.log import clean
from rules.battery.model.inverter_losses import Losses
from rules.battery.model.runtime_curve import curve_through, generic_curve
from rules.values.code import Code
from rules.values.verdict import Basis

DATA = Path(__file__).resolve().parents[3] / "data" / "discharges"
TRUTH: dict[str, dict[str, Any]] = {
    d["file"]: d for d in json.loads((DATA / "truth.json").read_text(encoding="utf-8"))["discharges"]
}
PARTIAL = ["develop_02.csv", "develop_06.csv", "develop_21.csv", "develop_11.csv", "validate_00.csv"]
NOW = datetime(2026, 1, 1, tzinfo=UTC)


def read(name: str) -> DischargeLog:
    with (DATA / name).open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    columns = "t_s bank_voltage_v bank_current_a temperature_c output_power_w".split()
    return DischargeLog.of(*([float(row[c]) for row in rows] for c in columns))


def battery(name: str, **changes: Any) -> Battery:
    truth = TRUTH[name]
    end_v = float(truth["end_voltage_per_cell_v"])
    curve = curve_through([(m, w) for m, w in truth["constant_power_min_w_per_cell"]], end_v, Basis.TABLE)
    return replace(Battery(int(truth["cells_in_series"]), 1, end_v, curve), **changes)


def judged(name: str, depth: float, **options: Any) -> CapacityEstimate:
    upto = depth * float(TRUTH[name]["t_end_true_s"])
    return judge_discharge(read(name), battery(name), until_s=upto, **options)


@pytest.mark.parametrize("name", PARTIAL)
def test_a_whole_discharge_tells_the_capacity(name: str) -> None:
    """Simulated records; the truth comes with them. Temperature and meters leave a few points of doubt."""
    truth = TRUTH[name]
    end = float(truth["t_end_true_s"])
    log = read(name)
    log = DischargeLog.of(  # one row at the true end, in case the record stops a row before
        np.append(log.t_s[log.t_s < end], [end + 1.0, end + 2.0]),
        np.append(log.bank_voltage_v[log.t_s < end], 2 * [log.bank_voltage_v[log.t_s < end][-1] * 0.97]),
        np.append(log.bank_current_a[log.t_s < end], 2 * [log.bank_current_a[-2]]),
        np.append(log.temperature_c[log.t_s < end], 2 * [log.temperature_c[-1]]),
        np.append(log.output_power_w[log.t_s < end], 2 * [log.output_power_w[-2]]),
    )
    found = judge_discharge(log, battery(name))
    assert found.ended
    assert found.depth_fraction == pytest.approx(1.0, abs=0.02)
    assert found.capacity_fraction == pytest.approx(float(truth["capacity_fraction_at_rate_25C"]), abs=0.045)


@pytest.mark.parametrize("name", PARTIAL)
def test_half_a_discharge_brackets_the_capacity_and_the_end(name: str) -> None:
    found = judged(name, 0.5)
    truth = float(TRUTH[name]["capacity_fraction_at_rate_25C"])
    assert found.capacity_fraction_low is not None
    assert found.capacity_fraction_high is not None
    assert found.capacity_fraction_low - 0.06 < truth < found.capacity_fraction_high + 0.06
    assert found.capacity_fraction_high - found.capacity_fraction_low < 0.4


def test_the_interval_narrows_as_the_discharge_goes_on() -> None:
    widths = []
    for depth in (0.1, 0.3, 0.6, 0.9):
        found = judged("develop_02.csv", depth)
        assert found.end_of_discharge_high_s is not None
        assert found.end_of_discharge_low_s is not None
        widths.append(found.end_of_discharge_high_s - found.end_of_discharge_low_s)
    assert widths == sorted(widths, reverse=True)


def test_a_reference_of_the_type_narrows_the_interval() -> None:
    reference = ReferenceLog(read("validate_reference_00.csv"), battery("validate_reference_00.csv"))
    without = judged("validate_00.csv", 0.3)
    with_it = judged("validate_00.csv", 0.3, references=[reference])

    def width(found: CapacityEstimate) -> float:
        assert found.capacity_fraction_high is not None
        assert found.capacity_fraction_low is not None
        return found.capacity_fraction_high - found.capacity_fraction_low

    assert width(with_it) < width(without)
    assert with_it.basis["learnt"] == 1


def test_a_bank_of_twice_the_strings_and_current_is_judged_the_same() -> None:
    """Every quantity is per cell: doubling strings and current may change nothing."""
    name, log = "develop_02.csv", read("develop_02.csv")
    double = DischargeLog(
        log.t_s, log.bank_voltage_v, 2.0 * log.bank_current_a, log.temperature_c, 2.0 * log.output_power_w
    )
    upto = 0.4 * float(TRUTH[name]["t_end_true_s"])
    one = judge_discharge(log, battery(name), until_s=upto)
    two = judge_discharge(double, battery(name, strings=2), until_s=upto)
    assert one.capacity_fraction == pytest.approx(two.capacity_fraction)
    assert one.resistance_ohm is not None
    assert two.resistance_ohm == pytest.approx(one.resistance_ohm / 2.0)


def test_depth_is_what_was_used_over_what_the_bank_gives() -> None:
    found = judged("develop_02.csv", 0.5)
    here = float(np.median(found.health_here))
    assert found.used_fraction is not None
    assert found.depth_fraction == pytest.approx(found.used_fraction / here)


def test_rate_adjusted_capacity_is_power_used_over_power_published_for_the_time_reached() -> None:
    """IEEE 450/1188 rate-adjusted form. For T ~ p**-n it is health**(1/n): milder than the time fraction."""
    exponent = 1.25
    table = [(m, 3000.0 * m ** (-1 / exponent)) for m in (5.0, 20.0, 60.0, 600.0)]
    name = "develop_02.csv"
    peukert = battery(name, curve=curve_through(table, 1.70, Basis.TABLE))
    found = judge_discharge(read(name), peukert, until_s=600.0)
    assert found.capacity_fraction is not None
    assert found.capacity_rate_adjusted_fraction == pytest.approx(
        found.capacity_fraction ** (1 / exponent), rel=1e-4
    )


def test_the_judgement_repeats_from_its_seed() -> None:
    a, b = (judged("develop_02.csv", 0.4, seed=5) for _ in range(2))
    np.testing.assert_array_equal(a.health_draws, b.health_draws)


def test_nothing_later_than_until_is_looked_at() -> None:
    name, log = "develop_02.csv", read("develop_02.csv")
    spoilt = DischargeLog(
        log.t_s,
        np.where(log.t_s > 300.0, 1.0, log.bank_voltage_v),
        np.where(log.t_s > 300.0, -50.0, log.bank_current_a),
        log.temperature_c,
        log.output_power_w,
    )
    a = judge_discharge(log, battery(name), until_s=300.0)
    b = judge_discharge(spoilt, battery(name), until_s=300.0)
    np.testing.assert_array_equal(a.health_draws, b.health_draws)


def test_with_no_table_the_generic_curve_is_named_and_the_interval_wider() -> None:
    name = "develop_02.csv"
    generic = battery(name, curve=generic_curve(100.0, 1.70))
    found = judge_discharge(read(name), generic, until_s=400.0)
    assert found.basis["curve"] is Basis.GENERIC
    assert found.table_basis is Basis.GENERIC


def test_with_no_table_but_a_complete_reference_the_reference_is_the_table() -> None:
    """A bank judged against its own complete discharge gives what it gave: health near one."""
    name = "validate_reference_00.csv"
    log, end = read(name), float(TRUTH[name]["t_end_true_s"])
    bare = battery(name, curve=None)
    ended = DischargeLog.of(
        np.append(log.t_s[log.t_s < end], [end + 1.0, end + 2.0]),
        np.append(log.bank_voltage_v[log.t_s < end], [235.0, 230.0]),
        np.append(log.bank_current_a[log.t_s < end], 2 * [log.bank_current_a[-2]]),
    )
    found = judge_discharge(log, bare, [ReferenceLog(ended, bare, own=True)], until_s=0.6 * end)
    assert found.table_basis is Basis.TESTED
    assert found.capacity_fraction == pytest.approx(1.0, abs=0.05)
    assert found.end_of_discharge_s == pytest.approx(end, rel=0.05)


def test_with_neither_table_nor_rating_nor_reference_it_cannot_tell() -> None:
    found = judge_discharge(read("develop_02.csv"), battery("develop_02.csv", curve=None))
    assert found.cannot_tell is not None
    assert found.capacity_fraction is None
    assert len(found.health_draws) == 0


def test_power_above_the_table_cannot_be_told() -> None:
    weak = battery("develop_02.csv")
    assert weak.curve is not None
    small = replace(weak.curve, ln_w=weak.curve.ln_w - 3.0)
    found = judge_discharge(read("develop_02.csv"), replace(weak, curve=small))
    assert found.cannot_tell is not None
    assert found.cannot_tell.code is Code.LOG_ABOVE_TABLE


def test_a_few_seconds_tell_nothing() -> None:
    found = judge_discharge(read("develop_02.csv"), battery("develop_02.csv"), until_s=15.0)
    assert found.cannot_tell is not None


def test_the_belief_of_a_running_discharge_gives_the_time_left_of_the_judgement() -> None:
    name = "develop_02.csv"
    found = judged(name, 0.5)
    lossless = replace(battery(name), losses=Losses(0.0, 0.0))
    belief = belief_from_posterior(found, bank="B1", battery=lossless, as_of=NOW)
    assert found.at_power_w_per_cell is not None
    output = found.at_power_w_per_cell * lossless.cells
    left = np.median(belief.seconds_left(output))
    assert found.end_of_discharge_s is not None
    upto = float(read(name).until(0.5 * float(TRUTH[name]["t_end_true_s"])).t_s[-1])
    assert float(left) == pytest.approx(found.end_of_discharge_s - upto, rel=0.06)


def test_the_belief_of_a_rested_bank_starts_full() -> None:
    found = judged("develop_02.csv", 0.5)
    belief = belief_from_posterior(
        found, bank="B1", battery=battery("develop_02.csv"), as_of=NOW, still_discharging=False
    )
    np.testing.assert_array_equal(belief.used, 0.0)
    np.testing.assert_array_equal(belief.health, found.health_draws)


def test_no_belief_without_a_judgement() -> None:
    found = judge_discharge(read("develop_02.csv"), battery("develop_02.csv", curve=None))
    with pytest.raises(ValueError, match=Code.LOG_WITHOUT_CURVE):
        belief_from_posterior(found, bank="B1", battery=battery("develop_02.csv"), as_of=NOW)


def test_a_bank_already_part_used_has_less_left() -> None:
    full, part = judged("develop_02.csv", 0.3), judged("develop_02.csv", 0.3, used_before=0.15)
    assert part.used_fraction is not None
    assert full.used_fraction is not None
    assert part.used_fraction == pytest.approx(full.used_fraction + 0.15)


def test_a_test_at_constant_current_is_told_from_a_constant_load() -> None:
    """At constant power the current rises as the voltage falls; on a test bench it may be held."""
    t = np.arange(0.0, 3600.0, 10.0)
    volts = 200.0 - 0.005 * t
    bank = Battery(100, 1, 1.70, None)
    assert current_is_held(clean(DischargeLog.of(t, volts, np.full(len(t), 12.0)), bank))
    assert not current_is_held(clean(DischargeLog.of(t, volts, 2400.0 / volts), bank))


def test_rows_in_which_the_meter_shows_no_current_say_nothing_of_what_was_held() -> None:
    """A card whose current is coarse or lags shows 0 A in rows whose power is known from the output."""
    t = np.arange(0.0, 3600.0, 10.0)
    volts = 200.0 - 0.005 * t
    bank = Battery(100, 1, 1.70, None)
    shown = np.arange(len(t)) % 6 != 3
    for amperes, held in ((np.full(len(t), 12.0), True), (2400.0 / volts, False)):
        discharge = replace(
            clean(DischargeLog.of(t, volts, amperes), bank), current_a=np.where(shown, amperes, 0.0)
        )
        assert current_is_held(discharge) is held
    nothing = replace(discharge, current_a=np.zeros(len(discharge.t_s)))
    assert not current_is_held(nothing)


def test_a_record_that_stops_just_above_its_end_voltage_counts_as_complete() -> None:
    t = np.arange(0.0, 1000.0, 5.0)
    bank = Battery(100, 1, 1.70, None)
    almost = clean(DischargeLog.of(t, 170.0 + 0.03 * (1000.0 - t), np.full(len(t), 20.0)), bank)
    assert almost.ended_s == pytest.approx(1000.0)
    half = clean(DischargeLog.of(t[:100], 170.0 + 0.03 * (1000.0 - t[:100]), np.full(100, 20.0)), bank)
    assert half.ended_s is None
