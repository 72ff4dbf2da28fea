import numpy as np
import pytest

from rules.battery.discharge.curve.voltage import (
    KNOTS,
    Traits,
    course_of,
    deviation,
    features,
    hat_matrix,
    health_at_mean_rate,
    prior,
    rate_slope,
    traits_of,
)
from rules.battery.discharge.record.clean_discharge import Battery
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.discharge.record.log import clean
from rules.battery.model.runtime_curve import curve_through
from rules.values.verdict import Basis

CURVE = curve_through([(m, 100.0 * m ** (-1 / 1.3)) for m in (5.0, 15.0, 60.0, 300.0)], 1.7, Basis.TABLE)
BATTERY = Battery(100, 1, 1.70, CURVE)


def modelled(
    health: float, *, share: float = 1.0, offset_v: float = 0.0, minutes: float = 30.0
) -> DischargeLog:
    """A bank that behaves exactly as the mean of all products, at constant power and 25 degC."""
    power = float(CURVE.watts(minutes * 60.0))
    t = np.arange(0.0, 60.0 * minutes * health * share, 5.0)
    x = t / (60.0 * minutes * health)
    row = features(
        np.log(minutes / 60.0),
        health,
        temperature_c=25.0,
        end_v=1.70,
        traits=traits_of(CURVE, power, 1.70),
    )
    volts = 100.0 * (1.70 + offset_v + hat_matrix(x) @ (row @ prior().mean))
    return DischargeLog.of(t, volts, power * 100.0 / volts, np.full(len(t), 25.0))


def test_straight_lines_between_knots_are_kept() -> None:
    x = np.linspace(0.02, 0.99, 50)
    np.testing.assert_allclose(hat_matrix(x) @ (3.0 - 2.0 * KNOTS), 3.0 - 2.0 * x)


def test_the_learnt_mean_falls_along_the_discharge_and_ends_at_the_end_voltage() -> None:
    for ln_hours in (-1.5, 0.0, 1.5):
        row = features(ln_hours, 0.85, temperature_c=25.0, end_v=1.70, traits=Traits())
        curve = row @ prior().mean
        assert np.all(np.diff(curve[2:]) < 1e-3)
        assert abs(float(curve[-1])) < 0.02


def test_the_used_fraction_of_a_constant_discharge_is_time_over_published_time() -> None:
    log = modelled(0.8, share=0.5)
    course = course_of(clean(log, BATTERY), BATTERY, CURVE)
    assert course.used_now == pytest.approx(float(log.t_s[-1]) / 1800.0, rel=1e-6)
    assert course.time_factor == 1.0


def test_what_was_used_before_counts() -> None:
    discharge = clean(modelled(0.8, share=0.5), BATTERY)
    course = course_of(discharge, BATTERY, CURVE, used_before=0.2)
    assert course.used_now - course_of(discharge, BATTERY, CURVE).used_now == pytest.approx(0.2)


def test_a_complete_discharge_shows_its_health() -> None:
    t = np.arange(0.0, 1800.0, 5.0)
    volts = 200.0 - 30.0 * t / 1440.0  # reaches 1.70 V per cell at 1440 s
    power = float(CURVE.watts(1800.0))
    course = course_of(clean(DischargeLog.of(t, volts, power * 100.0 / volts), BATTERY), BATTERY, CURVE)
    assert health_at_mean_rate(course) == pytest.approx(0.8, rel=0.01)


def test_a_cold_bank_has_used_more_by_the_same_minute() -> None:
    log = modelled(0.8, share=0.5)
    cold = DischargeLog.of(log.t_s, log.bank_voltage_v, log.bank_current_a, np.full(len(log.t_s), 10.0))
    a, b = (course_of(clean(one, BATTERY), BATTERY, CURVE).used_now for one in (log, cold))
    assert b > 1.05 * a


def test_a_bank_like_the_mean_departs_from_it_nowhere() -> None:
    course = course_of(clean(modelled(0.8, share=0.98), BATTERY), BATTERY, CURVE)
    np.testing.assert_allclose(deviation(course, 0.8, prior())[2:28], 0.0, atol=1e-3)


def test_an_offset_is_recovered_as_a_departure() -> None:
    log = modelled(0.8, share=0.7, offset_v=0.03)
    course = course_of(clean(log, BATTERY), BATTERY, CURVE)
    np.testing.assert_allclose(deviation(course, 0.8, prior())[3:20], 0.03, atol=3e-3)


def test_health_falls_with_rate_only_where_something_is_lost() -> None:
    slope = rate_slope([1.05, 1.03, 0.8, 0.6])
    assert slope[0] == slope[1] == 0.0
    assert slope[3] > slope[2] > 0.0


def slowed_by_cold(exponent: float, *, volts_above_end: float = 0.3) -> float:
    """Return the share of time lost per kelvin by a table of this exponent, at a flat voltage above the end."""
    curve = curve_through([(m, 100.0 * m ** (-1 / exponent)) for m in (5.0, 60.0, 300.0)], 1.7, Basis.TABLE)
    battery, power = Battery(100, 1, 1.70, curve), float(curve.watts(1800.0))
    t = np.arange(0.0, 600.0, 5.0)
    volts = np.full(len(t), 100.0 * (1.70 + volts_above_end)) - t * 1e-3
    log = DischargeLog.of(t, volts, power * 100.0 / volts, np.full(len(t), 15.0))
    return course_of(clean(log, battery), battery, curve).per_kelvin


def test_a_steep_table_tells_of_a_bank_that_diffusion_limits_and_cold_slows() -> None:
    """Two products of the same time at the same power: of which it falls faster with power, it does with cold."""
    assert slowed_by_cold(1.5) == pytest.approx(slowed_by_cold(1.1) + 0.4 * 0.015, rel=0.1)
    assert slowed_by_cold(1.5) > 1.5 * slowed_by_cold(1.1)


def test_a_bank_close_to_its_end_voltage_loses_more_to_cold() -> None:
    assert slowed_by_cold(1.3, volts_above_end=0.1) > 1.5 * slowed_by_cold(1.3)
