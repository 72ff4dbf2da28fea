"""Logs that lie: each lie is noticed, said, and answered with a fitting width or "cannot tell"."""

import csv
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rules.battery.discharge.capacity import judge_discharge
from rules.battery.discharge.capacity_estimate import CapacityEstimate
from rules.battery.discharge.record.clean_discharge import Battery
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.model.runtime_curve import Floats, curve_through
from rules.phrasing.reasons import say
from rules.values.code import Code
from rules.values.verdict import Basis

DATA = Path(__file__).resolve().parents[4] / "data" / "discharges"
NAME = "develop_06.csv"
TRUTHS: dict[str, dict[str, Any]] = {
    d["file"]: d for d in json.loads((DATA / "truth.json").read_text(encoding="utf-8"))["discharges"]
}
TRUTH = TRUTHS[NAME]
CAPACITY = float(TRUTH["capacity_fraction_at_rate_25C"])


def read(part: float = 0.5) -> DischargeLog:
    """Return the first part of the record, in shares of what the bank gave."""
    with (DATA / NAME).open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    columns = "t_s bank_voltage_v bank_current_a temperature_c output_power_w".split()
    return DischargeLog.of(*([float(row[c]) for row in rows] for c in columns)).until(
        part * float(TRUTH["t_end_true_s"])
    )


STEADY = "develop_02.csv"
"""Half of it is a discharge at constant load."""


def steady() -> DischargeLog:
    with (DATA / STEADY).open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    columns = "t_s bank_voltage_v bank_current_a temperature_c output_power_w".split()
    return DischargeLog.of(*([float(row[c]) for row in rows] for c in columns)).until(400.0)


def its_bank() -> dict[str, Any]:
    """Return what is declared of the steady record's bank."""
    truth = TRUTHS[STEADY]
    end_v = float(truth["end_voltage_per_cell_v"])
    curve = curve_through([(m, w) for m, w in truth["constant_power_min_w_per_cell"]], end_v, Basis.TABLE)
    return {"cells": int(truth["cells_in_series"]), "curve": curve}


def battery(**changes: Any) -> Battery:
    end_v = float(TRUTH["end_voltage_per_cell_v"])
    curve = curve_through([(m, w) for m, w in TRUTH["constant_power_min_w_per_cell"]], end_v, Basis.TABLE)
    return replace(Battery(int(TRUTH["cells_in_series"]), 1, end_v, curve), **changes)


def judged(log: DischargeLog, **changes: Any) -> CapacityEstimate:
    return judge_discharge(log, battery(**changes))


def width(found: CapacityEstimate) -> float:
    assert found.capacity_fraction_low is not None
    assert found.capacity_fraction_high is not None
    return found.capacity_fraction_high - found.capacity_fraction_low


def holds(found: CapacityEstimate) -> bool:
    assert found.capacity_fraction_low is not None
    assert found.capacity_fraction_high is not None
    return found.capacity_fraction_low <= CAPACITY <= found.capacity_fraction_high


def codes(found: CapacityEstimate) -> set[Code]:
    return {note.code for note in found.because}


HONEST = judged(read())


def test_an_honest_log_is_told_without_a_word() -> None:
    assert holds(HONEST)
    assert HONEST.because == ()


def test_a_current_that_stands_at_0_beside_output_power_is_not_believed() -> None:
    log = read()
    found = judged(log.with_columns(bank_current_a=np.zeros(len(log.t_s))))
    assert holds(found)
    assert Code.LOG_CURRENT_ZERO in codes(found)


def test_a_current_that_stops_while_the_voltage_falls_on_ends_nothing() -> None:
    log = read()
    amps = log.bank_current_a.copy()
    half = len(amps) // 2
    amps[half : half + len(amps) // 4] = 0.0
    found = judged(log.with_columns(bank_current_a=amps))
    assert found.capacity_fraction == pytest.approx(HONEST.capacity_fraction, abs=0.02)
    assert Code.LOG_CURRENT_STOPPED in codes(found)


@pytest.mark.parametrize("part", [0, 2])
def test_a_current_that_stands_while_the_load_moves_it_is_not_believed(part: int) -> None:
    """From the start, or from the middle on: the volts fall and the power stays, so the amperes had to rise."""
    log = steady()
    plain = judged(log, **its_bank())
    amps = log.bank_current_a.copy()
    since = 0 if part == 0 else len(amps) // part
    amps[since:] = amps[since]
    found = judged(log.with_columns(bank_current_a=amps), **its_bank())
    assert [w["amps"] for w in found.because if w.code is Code.LOG_CURRENT_STANDS] == [amps[since]]
    assert found.capacity_fraction == pytest.approx(plain.capacity_fraction, abs=0.03)
    if part == 0:  # nothing is left to hold the output power against
        assert Code.LOG_POWER_BY_OUTPUT in codes(found)
        assert width(found) > width(plain)


def test_a_test_at_constant_current_is_no_meter_that_stands() -> None:
    log = steady()
    amps = np.full(len(log.t_s), 300.0)
    found = judged(
        log.with_columns(bank_current_a=amps, output_power_w=0.93 * amps * log.bank_voltage_v),
        **its_bank(),
    )
    assert Code.LOG_CURRENT_STANDS not in codes(found)


def test_an_opening_that_stands_still_says_nothing_of_how_full_the_bank_began() -> None:
    """A whole discharge whose card woke up after a third: what was drawn meanwhile counts all the same."""
    whole = read(2.0)
    plain = judged(whole)
    volts, third = whole.bank_voltage_v.copy(), len(whole.t_s) // 3
    volts[:third] = volts[0]
    found = judged(whole.with_columns(bank_voltage_v=volts))
    assert codes(found) == {Code.LOG_STANDS_STILL}
    assert found.capacity_fraction == pytest.approx(plain.capacity_fraction, abs=0.02)


def test_a_voltage_that_stands_still_throughout_tells_nothing() -> None:
    log = read()
    found = judged(log.with_columns(bank_voltage_v=np.full(len(log.t_s), log.bank_voltage_v[30])))
    assert found.cannot_tell is not None
    assert found.cannot_tell.code is Code.LOG_VOLTAGE_STANDS


def test_a_voltage_that_gets_stuck_is_left_out_from_there_on() -> None:
    """What is left is the first half of the log, so the interval is that of a quarter discharge."""
    log = read()
    volts, half = log.bank_voltage_v.copy(), len(log.t_s) // 2
    volts[half:] = volts[half]
    found = judged(log.with_columns(bank_voltage_v=volts))
    assert Code.LOG_STANDS_STILL in codes(found)
    assert holds(found)
    quarter = judged(log.until(float(log.t_s[half])))
    assert found.capacity_fraction == pytest.approx(quarter.capacity_fraction, abs=0.03)
    assert width(found) > width(HONEST)


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        (lambda c: 10.0 * c, Code.LOG_TEMPERATURE_TENTHS),
        (lambda c: 32.0 + 1.8 * c, Code.LOG_TEMPERATURE_FAHRENHEIT),
    ],
)
def test_a_temperature_of_another_scale_is_brought_back(changed: Any, code: Code) -> None:
    log = read()
    found = judged(log.with_columns(temperature_c=changed(log.temperature_c)))
    assert code in codes(found)
    assert found.temperature_c == pytest.approx(HONEST.temperature_c, abs=0.6)
    assert found.capacity_fraction == pytest.approx(HONEST.capacity_fraction, abs=0.02)
    assert width(found) > width(HONEST)


@pytest.mark.parametrize("degrees", [0.0, -40.0, 900.0])
def test_a_temperature_no_bank_has_is_not_known(degrees: float) -> None:
    log = read()
    found = judged(log.with_columns(temperature_c=np.full(len(log.t_s), degrees)))
    assert {Code.LOG_TEMPERATURE_ZERO, Code.LOG_TEMPERATURE_NONE} & codes(found)
    assert width(found) > width(HONEST)


@pytest.mark.parametrize("share", [0.9, 1.1])
def test_cells_declared_wrong_by_a_tenth_are_noticed(share: float) -> None:
    cells = round(battery().cells * share)
    found = judged(read(), cells=cells)
    assert found.cannot_tell is not None
    assert found.cannot_tell.code in {Code.LOG_CELLS_DO_NOT_FIT, Code.LOG_OFF_EVERY_PRODUCT}


@pytest.mark.parametrize("part", [0.6, 2.0])
def test_a_bank_that_carries_on_under_its_end_voltage_has_fewer_cells_than_are_declared(part: float) -> None:
    """230 for 192: by them it would have come to its end in its first minute, and capacity would be next to nothing."""
    found = judged(read(part), cells=230)
    assert found.cannot_tell is not None
    assert found.cannot_tell.code is Code.LOG_RUNS_ON_UNDER_END
    assert found.cannot_tell["fit"] == pytest.approx(192, abs=8)


def test_blocks_given_for_cells_are_not_taken_for_columns_changed_over() -> None:
    found = judged(read(), cells=32)
    assert found.cannot_tell is not None
    assert found.cannot_tell.code is Code.LOG_NOT_LEAD_ACID
    assert "A block of 6 cells shows that" in say(found.cannot_tell)


@pytest.mark.parametrize("part", [0.5, 2.0])
def test_a_string_that_lacks_or_was_never_there_is_named_and_the_interval_holds_both(part: float) -> None:
    found = judged(read(part), strings=2)
    (other,) = [why for why in found.because if why.code is Code.LOG_DECLARED_OTHERWISE]
    assert (other["strings"], other["fit_strings"]) == (2, 1)
    assert holds(found)
    assert found.capacity_fraction_low is not None
    assert found.capacity_fraction_low < 0.45
    assert found.likelihood == ()


def test_a_block_too_few_declared_is_named_where_no_product_looks_like_it() -> None:
    """180 for 192: 0.12 V a cell over. 186 is a block of six, hardly over what products differ by, and may be told."""
    named = judged(read(), cells=186)
    assert [
        why["fit_cells"]
        for why in named.because
        if why.code is Code.LOG_DECLARED_OTHERWISE and why["fit_strings"] == 1
    ][:1] in (
        [],
        [pytest.approx(192, abs=4)],
    )
    assert holds(named)


def test_cells_declared_wrong_show_on_float() -> None:
    """248 V before the transfer: 110 cells, not 90; 2.75 V per cell is no float voltage."""
    t = np.arange(0.0, 600.0, 5.0)
    volts = np.where(t < 60.0, 248.0, 212.0 - 0.01 * t)
    log = DischargeLog.of(t, volts, np.where(t < 60.0, 0.0, 20.0))
    found = judge_discharge(log, battery(cells=90))
    assert found.cannot_tell is not None
    assert found.cannot_tell["fit"] == pytest.approx(110.0, abs=0.5)


def test_half_the_strings_declared_is_more_than_any_table_gives() -> None:
    log = read()
    double = log.with_columns(
        bank_current_a=2.0 * log.bank_current_a, output_power_w=2.0 * log.output_power_w
    )
    found = judged(double)
    assert found.cannot_tell is not None or (width(found) > 2.0 * width(HONEST) and holds(found))


def test_the_current_of_one_string_is_taken_times_the_strings() -> None:
    log = read()
    both = log.with_columns(output_power_w=2.0 * log.output_power_w)
    found = judged(both, strings=2)
    assert Code.LOG_CURRENT_OF_ONE_STRING in codes(found)
    assert found.capacity_fraction == pytest.approx(HONEST.capacity_fraction, abs=0.02)


def test_meters_that_contradict_each_other_widen_the_answer_or_end_it() -> None:
    log = read()
    some = judged(log.with_columns(output_power_w=1.3 * log.output_power_w))
    assert Code.LOG_METERS_DISAGREE in codes(some)
    assert width(some) > 1.2 * width(HONEST)
    found = judged(log.with_columns(output_power_w=4.0 * log.output_power_w))
    assert found.cannot_tell is not None
    assert found.cannot_tell.code is Code.LOG_METERS_CONTRADICT


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("bank_voltage_v", "bank_current_a"),
        ("bank_current_a", "output_power_w"),
        ("temperature_c", "output_power_w"),
        ("bank_voltage_v", "output_power_w"),
    ],
)
def test_columns_that_were_changed_over_are_changed_back(one: str, other: str) -> None:
    log = read()
    swapped = log.with_columns(**{one: getattr(log, other), other: getattr(log, one)})
    found = judged(swapped)
    assert found.capacity_fraction == HONEST.capacity_fraction
    assert Code.LOG_COLUMNS_SWAPPED in codes(found)


def test_a_last_row_that_falls_as_no_bank_does_is_no_end() -> None:
    log = read()
    volts = log.bank_voltage_v.copy()
    volts[-1] = 0.6 * volts[-2]
    found = judged(log.with_columns(bank_voltage_v=volts))
    assert not found.ended
    assert found.capacity_fraction == pytest.approx(HONEST.capacity_fraction, abs=0.02)
    assert Code.LOG_LAST_ROW_STRAY in codes(found)


def test_one_stray_row_of_no_current_ends_no_discharge_at_any_cadence() -> None:
    log = read()
    minute = log.rows(np.arange(0, len(log.t_s), 12))
    amps = minute.bank_current_a.copy()
    amps[len(amps) // 2] = 0.0
    found = judged(minute.with_columns(bank_current_a=amps))
    plain = judged(minute)
    assert codes(found) & {Code.LOG_ROWS_BRIDGED, Code.LOG_CURRENT_STOPPED}
    assert found.used_fraction == pytest.approx(plain.used_fraction, rel=0.03)


def test_one_row_of_nothing_at_all_is_left_out_and_said() -> None:
    log = read()
    row = np.arange(len(log.t_s)) == len(log.t_s) // 2
    columns = ("bank_voltage_v", "bank_current_a", "output_power_w")
    found = judged(log.with_columns(**{name: np.where(row, 0.0, getattr(log, name)) for name in columns}))
    assert [w["rows"] for w in found.because if w.code is Code.LOG_ROWS_WITHOUT_VOLTS] == [1]
    assert found.capacity_fraction == pytest.approx(HONEST.capacity_fraction, abs=0.02)


def test_one_stray_voltage_changes_no_columns_over_where_amperes_could_be_volts() -> None:
    """290 A on 192 cells are 1.5 V a cell, and fall with the load as volts do."""
    log = read(0.3)
    volts = log.bank_voltage_v.copy()
    volts[len(volts) // 2] *= 0.62
    found = judged(log.with_columns(bank_voltage_v=volts))
    assert codes(found) == {Code.LOG_ROWS_STRAY}
    assert holds(found)


def in_two(log: DischargeLog, pause_s: float) -> DischargeLog:
    """Return a log with the mains back for a while after its first third: 2.27 V per cell, 5 A into the bank."""
    half = len(log.t_s) // 3
    t = np.arange(0.0, pause_s, 5.0) + log.t_s[half] + 5.0
    cells = battery().cells

    def joined(values: Floats, between: float) -> Floats:
        return np.concatenate([values[: half + 1], np.full(len(t), between), values[half + 1 :]])

    return DischargeLog.of(
        np.concatenate([log.t_s[: half + 1], t, log.t_s[half + 1 :] + pause_s]),
        joined(log.bank_voltage_v, 2.27 * cells),
        joined(log.bank_current_a, -5.0),
        joined(log.temperature_c, float(log.temperature_c[half])),
        joined(log.output_power_w, float(log.output_power_w[half])),
    )


def test_a_log_with_two_discharges_says_which_was_judged_and_counts_the_first() -> None:
    found = judged(in_two(read(), 60.0))
    assert [one["times"] for one in found.because if one.code is Code.LOG_HOLDS_SEVERAL] == [2]
    assert found.capacity_fraction == pytest.approx(HONEST.capacity_fraction, abs=0.05)
    assert found.used_fraction == pytest.approx(HONEST.used_fraction, abs=0.04)


def test_a_log_that_starts_in_the_middle_says_so_and_is_wide() -> None:
    log = read()
    rest = log.rows(np.arange(len(log.t_s) // 2, len(log.t_s)))
    found = judged(rest)
    assert Code.LOG_BEGINS_IN_THE_MIDDLE in codes(found)
    assert holds(found)
    assert width(found) > 1.5 * width(HONEST)


def test_a_bank_still_on_charge_before_the_transfer_was_not_full() -> None:
    log = read()
    t = np.concatenate([np.arange(-60.0, 0.0, 5.0), log.t_s + 5.0])
    cells = battery().cells

    def with_before(values: Floats, before: float) -> Floats:
        return np.concatenate([np.full(12, before), values])

    charged = DischargeLog.of(
        t,
        with_before(log.bank_voltage_v, 2.20 * cells),
        with_before(log.bank_current_a, -0.05 * float(log.bank_current_a[0])),
        with_before(log.temperature_c, 24.0),
        with_before(log.output_power_w, float(log.output_power_w[0])),
    )
    found = judged(charged)
    assert Code.LOG_STILL_CHARGING in codes(found)
    assert width(found) > width(HONEST)
