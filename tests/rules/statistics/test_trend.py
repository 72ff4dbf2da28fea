"""Robust slopes against laws and hand-worked values."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.phrasing.reasons import said
from rules.statistics.trend import (
    crossing,
    mann_kendall,
    margin_trend,
    step_change,
    theil_sen,
    weighted_median,
)

points = st.lists(st.floats(-1e3, 1e3).map(lambda v: round(v, 2)), min_size=3, max_size=30)


def test_a_straight_line_is_found_exactly() -> None:
    line = theil_sen([0.0, 1.0, 2.0, 5.0], [1.0, 3.0, 5.0, 11.0])
    assert line is not None
    assert (line.per_unit, line.low, line.high) == (2.0, 2.0, 2.0)
    assert line.at(10.0) == pytest.approx(21.0)


def test_one_outlier_in_nine_does_not_bend_it() -> None:
    y = [float(k) for k in range(9)]
    y[4] = 500.0
    line = theil_sen(list(map(float, range(9))), y)
    assert line is not None
    assert line.per_unit == pytest.approx(1.0)


@settings(max_examples=80, deadline=None)
@given(points)
def test_the_slope_is_that_of_an_independent_implementation(y: list[float]) -> None:
    from scipy import stats  # a second to load, for which no other process of the tests is to wait

    t = np.arange(len(y), dtype=float)
    line = theil_sen(t, y)
    assert line is not None
    other = stats.theilslopes(y, t, alpha=0.9)
    assert line.per_unit == pytest.approx(other.slope, abs=1e-9)
    assert line.low <= other.low_slope + 1e-9  # ours is rounded outwards, never in
    assert line.high >= other.high_slope - 1e-9


def test_kendalls_s_by_hand() -> None:
    # pairs of 1 3 2 4: five rise, one falls. Var = 4 * 3 * 13 / 18 = 8.667; z = (4 - 1) / 2.944
    found = mann_kendall([1.0, 3.0, 2.0, 4.0])
    assert found.s == 4
    assert found.z == pytest.approx(3.0 / np.sqrt(156.0 / 18.0))


def test_ties_lower_the_variance() -> None:
    # five values, one pair of ties: (5 * 4 * 15 - 2 * 1 * 9) / 18
    found = mann_kendall([1.0, 2.0, 2.0, 3.0, 4.0])
    assert found.s == 9
    assert found.z == pytest.approx(8.0 / np.sqrt((300.0 - 18.0) / 18.0))


def test_equal_values_show_no_trend() -> None:
    assert mann_kendall([5.0] * 6).p == 1.0


@settings(max_examples=40, deadline=None)
@given(points, st.floats(-5.0, 5.0), st.floats(0.1, 10.0))
def test_a_trend_added_is_a_trend_found(y: list[float], add: float, scale: float) -> None:
    t = np.arange(len(y), dtype=float) * scale
    plain, tilted = theil_sen(t, y), theil_sen(t, np.asarray(y) + add * t)
    assert plain is not None
    assert tilted is not None
    assert tilted.per_unit == pytest.approx(plain.per_unit + add, abs=1e-6)


def test_precise_values_weigh_more() -> None:
    t = [0.0, 1.0, 2.0, 3.0]
    y = [0.0, 5.0, 2.0, 3.0]  # the second is far off the line of slope 1, and known to be poor
    line = theil_sen(t, y, sd=[0.1, 10.0, 0.1, 0.1])
    assert line is not None
    assert line.per_unit == pytest.approx(1.0)


def test_weighted_median() -> None:
    assert weighted_median(np.array([1.0, 2.0, 9.0]), np.array([1.0, 1.0, 5.0])) == 9.0
    assert weighted_median(np.array([1.0, 3.0]), np.array([1.0, 1.0])) == 2.0


def test_when_a_falling_line_meets_a_limit() -> None:
    line = theil_sen([0.0, 1.0, 2.0, 3.0], [10.0, 9.0, 8.0, 7.0])
    assert line is not None
    assert crossing(line, 2.0, 3.0) == (8.0, 8.0, 8.0)
    assert crossing(line, 8.0, 3.0) == (3.0, 3.0, 3.0)
    rising = theil_sen([0.0, 1.0, 2.0], [1.0, 2.0, 3.0])
    assert rising is not None
    assert crossing(rising, 0.0, 2.0) == (None, None, None)


def test_two_times_are_no_trend_and_wrong_lengths_are_refused() -> None:
    assert theil_sen([1.0, 1.0, 2.0], [1.0, 2.0, 3.0]) is None
    with pytest.raises(ValueError, match="as many"):
        theil_sen([1.0], [1.0, 2.0])
    with pytest.raises(ValueError, match="1000"):
        theil_sen(np.arange(1001.0), np.arange(1001.0))


def test_a_jump_is_found_where_it_is() -> None:
    found = step_change([1.0, 1.1, 0.9, 1.0, 1.05, 0.95, 5.0, 5.1, 4.9, 5.0, 5.05, 4.95])
    assert found is not None
    assert found.after == 5
    assert [found.before_value, found.after_value] == pytest.approx([1.0, 5.0])
    assert found.p < 0.05
    assert step_change([1.0, 2.0]) is None


def days(count: int, slope_w_a_year: float) -> list[tuple[date, float]]:
    start = date(2025, 1, 6)
    return [
        (start + timedelta(days=k), 4000.0 + slope_w_a_year * k / 365.25 + (2000.0 if k % 7 > 4 else 0.0))
        for k in range(count)
    ]


def test_a_margin_that_shrinks_by_a_kilowatt_a_year_is_gone_in_three() -> None:
    found = margin_trend(days(364, -1000.0))
    assert found.per_year_w == pytest.approx(-1000.0, rel=0.02)
    assert found.gone_expected is not None
    assert abs((found.gone_expected - date(2029, 1, 6)).days) < 30
    assert found.gone_earliest is not None
    assert found.gone_earliest <= found.gone_expected


def test_a_margin_that_grows_is_never_gone() -> None:
    found = margin_trend(days(200, 500.0))
    assert (found.gone_earliest, found.gone_expected) == (None, None)


def test_a_few_weeks_are_no_trend() -> None:
    found = margin_trend(days(30, -1000.0))
    assert found.per_year_w is None
    assert "8 are needed" in said(found.because)[0]


def test_theil_and_sen_find_a_slope_through_a_third_of_false_points() -> None:
    x = np.arange(30.0)
    y = 2.0 * x
    y[::4] += 100.0
    line = theil_sen(x, y)
    assert line is not None
    assert line.per_unit == pytest.approx(2.0, abs=0.2)
    assert theil_sen(np.zeros(5), np.arange(5.0)) is None
