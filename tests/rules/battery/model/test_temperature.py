import numpy as np
import pytest

from rules.battery.model.runtime_curve import curve_through
from rules.battery.model.temperature import correction_sd, seconds_at, time_factor, time_per_kelvin
from rules.values.verdict import Basis

CURVE = curve_through(
    [(m, 100.0 * m ** (-1 / 1.3)) for m in (5.0, 15.0, 60.0, 300.0, 1200.0)], 1.75, Basis.TABLE
)


def test_at_25_degrees_nothing_is_corrected() -> None:
    power = CURVE.watts([300.0, 900.0, 3600.0, 36000.0])
    np.testing.assert_allclose(seconds_at(CURVE, power, 25.0), CURVE.seconds(power), rtol=1e-9)
    np.testing.assert_allclose(seconds_at(CURVE, power, None), CURVE.seconds(power))


def test_long_discharges_follow_iec_60896_21() -> None:
    """0.006 per kelvin at the 10 h to 20 h rate, on time."""
    assert float(time_factor(CURVE, CURVE.watts(36000.0), 15.0)) == pytest.approx(0.94)


def test_short_discharges_are_corrected_on_the_power() -> None:
    """With T ~ p**-n and power factor K, the time falls by K**n."""
    power = CURVE.watts(480.0)
    k = 1.0 - 0.013 / 1.3 * 10.0
    assert float(time_factor(CURVE, power, 15.0)) == pytest.approx(k**1.3, rel=1e-4)


def test_the_two_forms_agree_where_they_meet() -> None:
    for temperature in (5.0, 15.0, 32.0):
        below, above = (float(time_factor(CURVE, CURVE.watts(s), temperature)) for s in (3599.0, 3601.0))
        assert below == pytest.approx(above, abs=0.006)


def test_colder_is_shorter_and_never_beyond_the_bounds() -> None:
    power = CURVE.watts(1800.0)
    times = [float(seconds_at(CURVE, power, t)) for t in (-40.0, -10.0, 0.0, 10.0, 20.0, 25.0, 35.0)]
    assert times == sorted(times)
    assert float(time_factor(CURVE, CURVE.watts(7200.0), -60.0)) == 0.5
    assert float(time_factor(CURVE, CURVE.watts(7200.0), 60.0)) == 1.15


def test_the_shorter_the_discharge_the_more_a_kelvin_costs() -> None:
    per_kelvin = time_per_kelvin([300.0, 900.0, 3600.0, 36000.0])
    assert np.all(np.diff(per_kelvin) < 0.0)
    assert correction_sd(600.0, 25.0) > correction_sd(7200.0, 25.0)
