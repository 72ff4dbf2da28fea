from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from rules.battery.discharge.record.clean_discharge import Battery, NotADischarge, battery_of, mean_over_time
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.log import clean
from rules.battery.model.inverter_losses import Losses
from rules.battery.model.runtime_curve import curve_through
from rules.plant.estate import Bank, FittedBank
from rules.values.code import Code
from rules.values.reason import reason
from rules.values.verdict import Basis

CURVE = curve_through([(m, 100.0 * m ** (-1 / 1.3)) for m in (5.0, 15.0, 60.0, 300.0)], 1.7, Basis.TABLE)
BATTERY = Battery(100, 1, 1.70, CURVE, losses=Losses(0.0, 1.0 / 0.935 - 1.0))


def log(*, rows: int = 200, amps: float = 20.0, every_s: float = 5.0) -> DischargeLog:
    """A straight fall from 2.0 V to 1.8 V per cell at constant current, efficiency 0.935."""
    t = np.arange(rows) * every_s
    volts = np.round(200.0 - 20.0 * t / t[-1], 1)
    current = np.full(rows, amps)
    return DischargeLog.of(t, volts, current, np.full(rows, 23.0), volts * current * 0.935)


def changed(base: DischargeLog, **columns: object) -> DischargeLog:
    values = {name: getattr(base, name) for name in base.__dataclass_fields__}
    return DischargeLog.of(**(values | columns))


def test_a_plain_log_comes_through_per_cell() -> None:
    found = clean(log(), BATTERY)
    assert found.voltage_v[0] == pytest.approx(2.0)
    assert found.power_w[0] == pytest.approx(40.0)
    assert found.temperature_c == 23.0
    assert found.ended_s is None
    assert found.step_v == pytest.approx(0.001)
    assert found.notes == ()


def test_either_sign_of_current_is_a_discharge() -> None:
    base = log()
    turned = clean(changed(base, bank_current_a=-base.bank_current_a), BATTERY)
    np.testing.assert_allclose(turned.power_w, clean(base, BATTERY).power_w)
    assert Code.LOG_SIGN_TURNED in [note.code for note in turned.notes]


def test_a_recharge_after_the_discharge_is_not_taken_for_it() -> None:
    base = log()
    t = np.append(base.t_s, base.t_s[-1] + 5.0 * np.arange(1, 101))
    volts = np.append(base.bank_voltage_v, np.full(100, 225.0))
    current = np.append(-base.bank_current_a, np.full(100, 4.0))
    found = clean(DischargeLog.of(t, volts, current), BATTERY)
    assert found.t_s[-1] == pytest.approx(base.t_s[-1])
    assert found.power_w[0] == pytest.approx(40.0)


def test_rows_on_float_before_the_transfer_give_the_rest_voltage_and_the_temperature() -> None:
    base = log()
    t = np.append(np.arange(-60.0, 0.0, 5.0), base.t_s)
    volts = np.append(np.full(12, 225.0), base.bank_voltage_v)
    current = np.append(np.zeros(12), base.bank_current_a)
    warm = np.append(np.full(12, 21.0), np.linspace(21.0, 27.0, len(base.t_s)))
    found = clean(DischargeLog.of(t, volts, current, warm), BATTERY)
    assert found.start_t_s == 0.0
    assert found.rest_voltage_v == pytest.approx(2.25)
    assert found.temperature_c == pytest.approx(21.0, abs=0.5)


def test_without_current_the_output_and_the_losses_stand_in() -> None:
    base = log()
    found = clean(changed(base, bank_current_a=None), BATTERY)
    np.testing.assert_allclose(found.power_w, clean(base, BATTERY).power_w, rtol=1e-9)
    assert Code.LOG_POWER_BY_OUTPUT in [note.code for note in found.notes]


def test_without_current_float_rows_before_are_left_out() -> None:
    base = log()
    t = np.append(np.arange(-60.0, 0.0, 5.0), base.t_s)
    volts = np.append(np.full(12, 225.0), base.bank_voltage_v)
    out = np.append(np.full(12, 3740.0), base.output_power_w)
    assert clean(DischargeLog.of(t, volts, None, None, out), BATTERY).start_t_s == 0.0


def test_with_neither_current_nor_output_power_nothing_is_judged() -> None:
    base = log()
    with pytest.raises(NotADischarge, match=Code.LOG_WITHOUT_POWER):
        clean(changed(base, bank_current_a=None, output_power_w=None), BATTERY)


def test_missing_cells_are_bridged_and_said() -> None:
    base = log()
    current, out = base.bank_current_a.copy(), base.output_power_w.copy()
    current[50:60] = np.nan
    out[50:60] = np.nan
    found = clean(changed(base, bank_current_a=current, output_power_w=out), BATTERY)
    assert len(found.t_s) == 200
    assert reason(Code.LOG_ROWS_WITHOUT_POWER, rows=10) in found.notes


def test_a_gap_is_said_and_the_mean_power_is_over_time_not_rows() -> None:
    base = log()
    keep = np.r_[0:50, 180:200]
    found = clean(base.rows(keep), BATTERY)
    assert mean_over_time(found.t_s, found.power_w) == pytest.approx(
        mean_over_time(base.t_s, base.bank_voltage_v * 20.0 / 100.0), rel=0.005
    )
    assert Code.LOG_GAP in [note.code for note in found.notes]


def test_volts_in_tenths_are_recognised() -> None:
    base = log()
    found = clean(changed(base, bank_voltage_v=base.bank_voltage_v * 10.0, output_power_w=None), BATTERY)
    assert found.voltage_v[0] == pytest.approx(2.0)


def test_current_in_tenths_is_recognised_by_the_output_power() -> None:
    base = log()
    found = clean(changed(base, bank_current_a=base.bank_current_a * 10.0), BATTERY)
    assert found.power_w[0] == pytest.approx(40.0)


def test_volts_that_fit_no_number_of_cells_are_refused() -> None:
    base = log()
    with pytest.raises(NotADischarge, match=Code.LOG_NOT_LEAD_ACID):
        clean(changed(base, bank_voltage_v=base.bank_voltage_v * 3.3), BATTERY)


def test_a_card_that_repeats_itself_is_found_out() -> None:
    base = log(rows=400)
    volts, current = base.bank_voltage_v.copy(), base.bank_current_a
    volts[100:140] = volts[100]
    found = clean(changed(base, bank_voltage_v=volts, bank_current_a=current), BATTERY)
    at = found.t_s[(found.t_s > 505.0) & (found.t_s < 695.0)]
    assert len(at) == 0
    assert Code.LOG_ROWS_REPEAT in [note.code for note in found.notes]


def test_coarse_steps_of_voltage_are_not_taken_for_a_stuck_card() -> None:
    base = log(rows=400)
    coarse = changed(base, bank_voltage_v=np.round(base.bank_voltage_v))
    assert len(clean(coarse, BATTERY).t_s) == 400


def test_a_single_stray_voltage_is_left_out_and_a_load_step_stays() -> None:
    base = log()
    volts = base.bank_voltage_v.copy()
    volts[80] = 150.0
    assert len(clean(changed(base, bank_voltage_v=volts), BATTERY).t_s) == 199
    stepped = base.bank_voltage_v - np.where(np.arange(200) > 100, 6.0, 0.0)
    assert len(clean(changed(base, bank_voltage_v=stepped), BATTERY).t_s) == 200


def test_the_end_is_where_the_end_voltage_is_crossed_for_good() -> None:
    t = np.arange(0.0, 400.0, 5.0)
    volts = 200.0 - 0.1 * t  # 170 V, 1.70 V per cell, at 300 s
    found = clean(DischargeLog.of(t, volts, np.full(len(t), 20.0)), BATTERY)
    assert found.ended_s == pytest.approx(300.0)
    assert found.t_s[-1] < 300.0


def test_rows_out_of_order_are_sorted() -> None:
    base = log()
    order = np.arange(200)[::-1]
    np.testing.assert_allclose(clean(base.rows(order), BATTERY).t_s, base.t_s)


def test_half_a_bank_reported_gives_the_same_power_per_cell() -> None:
    base = log()
    half = Battery(200, 1, 1.70, CURVE, reported_cells=100)
    assert clean(changed(base, output_power_w=None), half).power_w[0] == pytest.approx(40.0)


def test_an_impossible_efficiency_moves_nothing() -> None:
    """Output copied from the battery side (ratio 1.0) is no evidence about the current meter."""
    base = log()
    found = clean(changed(base, output_power_w=base.bank_voltage_v * 20.0), BATTERY)
    assert found.power_w[0] == pytest.approx(40.0)


def test_without_learnt_losses_an_inverter_gives_93_5_percent_and_nothing_at_no_load() -> None:
    fitted = FittedBank(date(2026, 1, 1), None, "T", 40, 1.67, 12.0)
    bank = Bank("B1", ("A1",), 240, 2, (fitted,))
    found = battery_of(bank, fitted)
    assert found.losses.battery_power_w(9350.0) == pytest.approx(10_000.0)
    assert found.losses.battery_power_w(0.0) == 0.0
    assert (found.cells, found.strings, found.end_voltage_per_cell_v) == (240, 2, 1.67)
    assert found.curve is not None
    assert battery_of(bank, replace(fitted, rated_capacity_ah=None)).curve is None
