"""What the estimator adds to an ended discharge."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from rules.battery.assessment.evidence import capacity_evidence, judged, losses_from, tells
from rules.battery.discharge.estimate import EarlierLog, offset_v, with_estimate
from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.discharge.likelihood import moments
from rules.battery.discharge.record.clean_discharge import Battery
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.log import clean
from rules.battery.model.runtime_curve import curve_through
from rules.values.code import Code
from rules.values.verdict import Basis

TABLE = ((5.0, 66.0), (10.0, 43.0), (15.0, 33.0), (30.0, 19.5), (60.0, 11.2))
BATTERY = Battery(240, 1, 1.67, curve_through(TABLE, 1.67, Basis.TABLE), rated_capacity_ah=9.0)


def log(
    minutes: float, *, whole_run_min: float = 30.0, offset: float = 0.0, watts: float = 19.5
) -> DischargeLog:
    """Return a smooth discharge of 30 minutes at 19.5 W per cell, cut off after `minutes`."""
    t = np.arange(0.0, minutes * 60.0 + 1.0, 5.0)
    x = np.minimum(t / (whole_run_min * 60.0), 1.0)
    cell = 2.02 - 0.12 * x - 0.235 * x**8
    volts = 240.0 * cell + offset
    noise = 0.05 * np.sin(np.arange(len(t)) * 1.7)  # a card's last digit
    return DischargeLog.of(t, volts + noise, 240.0 * watts / volts, np.full(len(t), 25.0))


SHOWN = DischargeEvidence(datetime(2025, 1, 1, tzinfo=UTC), "outage", 1800.0, 4500.0, 1800.0, 0.5)


def test_a_full_run_is_known_without_inference() -> None:
    found = with_estimate(SHOWN, log(30.0), BATTERY)
    # 30 minutes at 19.5 W per cell is what the table prints
    assert found.ended
    assert found.fraction == pytest.approx(1.0, abs=0.03)
    assert found.taken_before is None


def test_a_partial_run_is_an_estimate_and_says_what_it_took_for_granted() -> None:
    found = with_estimate(SHOWN, log(12.0), BATTERY)
    assert found.fraction is not None
    assert found.low is not None
    assert found.high is not None
    assert found.low < found.fraction < found.high
    assert found.used == pytest.approx(0.4, abs=0.03)
    assert found.taken_before is not None


@pytest.mark.parametrize("minutes", [4.0, 6.0, 8.0])
def test_a_product_that_stands_higher_than_any_learnt_is_not_taken_for_a_better_bank(minutes: float) -> None:
    # 30 mV per cell higher throughout; it gives 22.5 of the 30 minutes that the table prints
    found = with_estimate(SHOWN, log(minutes, whole_run_min=22.5, offset=240 * 0.03), BATTERY)
    assert found.low is not None
    assert found.high is not None
    assert found.low < 0.75 < found.high


@pytest.mark.parametrize("seconds", [40.0, 45.0, 55.0])
def test_a_dip_of_seconds_does_not_tell_a_good_bank_from_a_product_that_stands_high(seconds: float) -> None:
    dip = with_estimate(SHOWN, log(seconds / 60.0, whole_run_min=22.5, offset=240 * 0.045), BATTERY)
    assert dip.likelihood is not None
    assert dip.low is not None
    assert dip.high is not None
    assert dip.low < 0.75 < dip.high
    assert not tells(dip)


def test_a_partial_run_keeps_what_its_rows_alone_say() -> None:
    partial, full = with_estimate(SHOWN, log(12.0), BATTERY), with_estimate(SHOWN, log(30.0), BATTERY)
    assert partial.likelihood is not None
    assert full.likelihood is None
    (fused,) = capacity_evidence([partial])
    assert fused.likelihood == partial.likelihood
    assert fused.fraction == pytest.approx(moments(partial.likelihood)[0])


def test_a_bank_that_failed_its_load_gets_no_estimate() -> None:
    assert with_estimate(replace(SHOWN, failed=True), log(12.0), BATTERY).fraction is None


def test_a_record_that_is_of_no_such_bank_says_nothing_whatever_arithmetic_made_of_its_end_voltage() -> None:
    """By 288 cells its volts lie under the end voltage from the first minute on: 1 % of capacity, for sure."""
    made = replace(SHOWN, fraction=0.01, low=0.0, high=0.02, ended=True)
    found = with_estimate(made, log(12.0), replace(BATTERY, cells=288))
    assert [why.code for why in found.doubts] == [Code.LOG_RUNS_ON_UNDER_END]
    assert (found.fraction, found.low, found.high, found.ended) == (None, None, None, False)
    assert capacity_evidence([found]) == ()
    assert not tells(found)
    assert judged(found).because == found.doubts


def test_too_short_a_discharge_stays_as_it_was() -> None:
    found = with_estimate(SHOWN, log(0.2), BATTERY)
    assert [why.code for why in found.doubts] == [Code.LOG_TOO_LITTLE_USED]
    assert replace(found, battery_power_w=None, doubts=()) == SHOWN


def test_battery_power_is_volts_times_amperes() -> None:
    assert with_estimate(SHOWN, log(12.0), BATTERY).battery_power_w == pytest.approx(240 * 19.5, rel=0.002)


def test_losses_are_learnt_from_discharges_at_different_loads() -> None:
    # 3 % of a 30 kW rating and 6 % of the output
    seen = [
        replace(SHOWN, output_power_w=w, battery_power_w=900.0 + 1.06 * w)
        for w in np.linspace(4000.0, 24000.0, 12)
    ]
    learnt = losses_from(seen, 30_000.0)
    assert learnt.learnt
    assert learnt.battery_power_w(15_000.0) == pytest.approx(900.0 + 1.06 * 15_000.0, rel=0.01)
    assert not losses_from([SHOWN], 30_000.0).learnt
    assert not losses_from(seen, None).learnt


def test_a_cell_gone_short_since_lies_two_volts_lower() -> None:
    found = with_estimate(SHOWN, log(12.0, offset=-2.0), BATTERY, recent=EarlierLog(log(15.0), BATTERY))
    assert found.offset_v == pytest.approx(-2.0, abs=0.3)
    assert found.offset_sd_v is not None
    assert 2.5 * found.offset_sd_v < 2.0


def test_the_same_bank_again_lies_where_it_lay() -> None:
    found = offset_v(clean(log(12.0), BATTERY), clean(log(20.0), BATTERY), BATTERY)
    assert found is not None
    assert found[0] == pytest.approx(0.0, abs=0.2)


def test_discharges_at_other_powers_are_not_compared() -> None:
    other = clean(log(12.0, watts=26.0), BATTERY)
    assert offset_v(other, clean(log(15.0), BATTERY), BATTERY) is None
    brief = clean(log(1.5), BATTERY)
    assert offset_v(brief, clean(log(15.0), BATTERY), BATTERY) is None


def test_what_was_taken_for_granted_is_divided_out_before_discharges_are_fused() -> None:
    # normal prior 0.82 +- 0.15 and a record of 0.95 +- 0.10: posterior by precision-weighted mean
    prior_mean, prior_sd, mean, sd = 0.82, 0.15, 0.95, 0.10
    precision = 1 / prior_sd**2 + 1 / sd**2
    posterior = (prior_mean / prior_sd**2 + mean / sd**2) / precision
    half = 1.645 * precision**-0.5
    seen = replace(
        SHOWN, fraction=posterior, low=posterior - half, high=posterior + half, taken_before=(0.82, 0.15)
    )
    (found,) = capacity_evidence([seen])
    assert found.fraction == pytest.approx(0.95, abs=0.002)
    assert found.sd == pytest.approx(0.10, abs=0.002)


def test_an_estimate_that_is_nothing_but_the_assumption_says_nothing() -> None:
    seen = replace(SHOWN, fraction=0.82, low=0.82 - 0.25, high=0.82 + 0.25, taken_before=(0.82, 0.15))
    (found,) = capacity_evidence([seen])
    assert found.sd >= 1.0
