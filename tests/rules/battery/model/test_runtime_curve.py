import math
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.battery.model.runtime_curve import Beyond, curve_for, curve_through
from rules.plant.estate import FittedBank, PowerTable
from rules.values.verdict import Basis

POINTS = ((5.0, 96.0), (10.0, 62.0), (15.0, 46.0), (30.0, 27.0), (60.0, 15.5))


def bank(*tables: PowerTable, ah: float | None = None, end_v: float = 1.67) -> FittedBank:
    return FittedBank(
        date(2021, 3, 1), None, "T", 40, end_v, rated_capacity_ah=ah, rated_hours=20.0, constant_power=tables
    )


def test_the_curve_passes_through_every_printed_point() -> None:
    curve = curve_for(bank(PowerTable(1.67, POINTS)))
    for minutes, watts in POINTS:
        assert float(curve.seconds(watts)) == pytest.approx(minutes * 60.0)
        assert float(curve.watts(minutes * 60.0)) == pytest.approx(watts)
    assert curve.basis is Basis.TABLE


def test_a_peukert_battery_is_reproduced_between_and_beyond_its_points() -> None:
    """T = c p**-1.25 is a straight line in logarithms, which the curve must keep."""
    curve = curve_through(
        [(m, 100.0 * m ** (-1 / 1.25)) for m in (5.0, 12.0, 60.0, 300.0)], 1.75, Basis.TABLE
    )
    for minutes in (2.0, 8.0, 33.0, 250.0, 600.0):
        assert float(curve.seconds(100.0 * minutes ** (-1 / 1.25))) == pytest.approx(60.0 * minutes, rel=1e-9)
    assert float(curve.steepness(20.0)) == pytest.approx(1.25, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.05, 1.5), min_size=2, max_size=9),
    st.lists(st.floats(1.0, 2.4), min_size=9, max_size=9),
)
def test_more_power_never_lasts_longer(steps: list[float], exponents: list[float]) -> None:
    ln_w, ln_m = [0.0], [6.0]
    for step, exponent in zip(steps, exponents, strict=False):
        ln_w.append(ln_w[-1] + step)
        ln_m.append(ln_m[-1] - step * exponent)
    points = [(math.exp(m), math.exp(w)) for m, w in zip(ln_m, ln_w, strict=True)]
    curve = curve_through(points, 1.75, Basis.TABLE)
    seconds = curve.seconds(np.exp(np.linspace(ln_w[0] - 1.0, ln_w[-1] + 1.0, 400)))
    assert np.all(np.diff(seconds) < 1e-9)


def test_outside_the_table_the_side_is_named() -> None:
    curve = curve_for(bank(PowerTable(1.67, POINTS)))
    assert curve.beyond(100.0) is Beyond.ABOVE_LARGEST
    assert curve.beyond(10.0) is Beyond.BELOW_SMALLEST
    assert curve.beyond(96.0) is None
    assert curve.beyond(15.5) is None


def test_no_power_at_all_still_has_a_finite_answer() -> None:
    assert np.isfinite(curve_for(bank(PowerTable(1.67, POINTS))).seconds([0.0, -3.0])).all()


def test_midway_between_two_printed_end_voltages_the_power_is_the_mean() -> None:
    low = PowerTable(1.60, ((10.0, 50.0), (60.0, 12.0)))
    high = PowerTable(1.70, ((10.0, 44.0), (60.0, 11.0)))
    curve = curve_for(bank(low, high, end_v=1.65))
    assert float(curve.watts(600.0)) == pytest.approx(47.0)
    assert float(curve.watts(3600.0)) == pytest.approx(11.5)
    assert not curve.end_voltage_moved


def test_a_lone_table_for_a_lower_end_voltage_is_moved_down_and_marked() -> None:
    curve = curve_for(bank(PowerTable(1.60, POINTS), end_v=1.75))
    assert curve.end_voltage_moved
    assert float(curve.watts(300.0)) < 96.0
    assert float(curve.watts(3600.0)) / 15.5 > float(curve.watts(300.0)) / 96.0  # long runs lose less


def test_a_table_printed_warm_gives_less_at_25() -> None:
    warm = PowerTable(1.67, POINTS, temperature_c=27.0)
    assert float(curve_for(bank(warm)).watts(600.0)) == pytest.approx(62.0 / 1.018)


def test_without_a_table_the_rated_capacity_gives_a_marked_generic_curve() -> None:
    small, large = curve_for(bank(ah=9.0)), curve_for(bank(ah=18.0))
    assert small.basis is Basis.GENERIC
    assert float(large.watts(900.0)) == pytest.approx(2.0 * float(small.watts(900.0)))
    # a 100 Ah cell gives 485 to 490 W for ten minutes in the marked default
    assert float(curve_for(bank(ah=100.0)).watts(600.0)) == pytest.approx(490.0, rel=0.01)


def test_ampere_hours_at_ten_hours_count_for_more_than_at_twenty() -> None:
    at_10 = FittedBank(date(2021, 1, 1), None, "T", 40, 1.75, rated_capacity_ah=100.0, rated_hours=10.0)
    at_20 = FittedBank(date(2021, 1, 1), None, "T", 40, 1.75, rated_capacity_ah=100.0, rated_hours=20.0)
    assert float(curve_for(at_10).watts(3600.0)) > float(curve_for(at_20).watts(3600.0))


def test_nothing_known_is_said_so() -> None:
    assert curve_for(bank()).basis is Basis.NONE
