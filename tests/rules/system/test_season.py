"""Growth told apart from seasons, on loads whose growth and season are known."""

from __future__ import annotations

from datetime import date, timedelta
from math import cos, pi

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.phrasing.reasons import said
from rules.statistics.trend import theil_sen
from rules.system.load.season import load_growth, monthly, seasonal_trend
from rules.values.constants import DAYS_A_YEAR

START = date(2024, 1, 1)  # a Monday


def swinging(count: int, *, growth_w: float, swing_w: float, start: date = START) -> list[tuple[date, float]]:
    """Return days of a load that is highest at the end of July, grows by steps each January, and has no noise."""
    found = []
    for k in range(count):
        day = start + timedelta(days=k)
        monday = day - timedelta(days=day.weekday())
        season = -cos(2.0 * pi * (monday.month - 1) / 12.0)
        found.append((day, 10_000.0 + growth_w * (monday.year - 2024) + swing_w * season))
    return found


def test_growth_under_a_season_is_found_exactly() -> None:
    found = seasonal_trend(swinging(731, growth_w=300.0, swing_w=2000.0))
    assert (found.per_year_w, found.low_w, found.high_w) == pytest.approx((300.0, 300.0, 300.0))
    assert found.clear
    assert found.months == 24
    assert max(found.season_w, key=lambda item: item[1])[0] == 7


def test_a_season_without_growth_is_what_stands_above_the_year_s_mean() -> None:
    found = seasonal_trend(swinging(731, growth_w=0.0, swing_w=2000.0))
    assert found.level_w == pytest.approx(10_000.0)
    assert dict(found.season_w)[7] == pytest.approx(2000.0)
    assert dict(found.season_w)[1] == pytest.approx(-2000.0)
    assert any("highest in July, 20 % over" in text for text in said(found.because))


def test_a_load_that_is_the_same_all_year_is_said_to_have_hardly_a_season() -> None:
    assert any(
        "hardly a season" in text
        for text in said(seasonal_trend(swinging(731, growth_w=0.0, swing_w=50.0)).because)
    )


def test_half_a_year_of_rising_summer_is_no_growth_though_a_straight_line_says_so() -> None:
    half = swinging(182, growth_w=0.0, swing_w=2000.0)
    line = theil_sen([(day - START).days / DAYS_A_YEAR for day, _ in half], [w for _, w in half])
    assert line is not None
    assert line.low > 4000.0  # watts a year, of nothing but summer
    found = seasonal_trend(half)
    assert (found.per_year_w, found.clear) == (None, False)
    assert "cannot be told apart" in said(found.because)[0]
    assert load_growth(half) == 0.0


@pytest.mark.parametrize(("days", "told"), [(365, False), (425, False), (470, True)])
def test_growth_is_told_only_once_three_months_have_come_round_again(days: int, told: bool) -> None:
    assert (seasonal_trend(swinging(days, growth_w=300.0, swing_w=2000.0)).per_year_w is not None) is told


def test_the_interval_and_the_test_by_hand() -> None:
    # Twelve months twice, ten of them up by 100 W and two down by 50: S = 8, variance 12 (n = 2: 2 * 1 * 9 / 18
    # each), z = 7 / sqrt(12). Ranks 12 -+ 1.645 sqrt(12), halved: 3.15 and 8.85, outwards: 3rd and 10th difference.
    first = swinging(365, growth_w=0.0, swing_w=0.0, start=date(2025, 1, 6))
    second = [
        (day + timedelta(days=364), load_w - 50.0 if day.month in {3, 4} else load_w + 100.0)
        for day, load_w in first
    ]
    months = monthly(first + second)
    found = seasonal_trend(first + second)
    assert len(months) >= 23
    assert found.per_year_w == pytest.approx(100.0)
    assert found.low_w == pytest.approx(100.0)
    assert found.p < 0.05


def test_chance_alone_is_clear_growth_in_no_more_than_its_share() -> None:
    rng = np.random.default_rng(4)
    said = 0
    for _ in range(60):
        days = [
            (day, w + float(rng.normal(0.0, 400.0)))
            for day, w in swinging(1000, growth_w=0.0, swing_w=1500.0)
        ]
        said += seasonal_trend(days).clear
    assert said <= 15  # 6 expected of 60 at 90 %; more than 15 has a chance under 0.001


@settings(max_examples=25, deadline=None)
@given(st.floats(-1000.0, 1000.0), st.floats(0.0, 3000.0), st.integers(500, 1400))
def test_no_season_bends_the_slope(growth_w: float, swing_w: float, days: int) -> None:
    # more than that, and a January of this load is a fifth over the one before: a step
    found = seasonal_trend(swinging(days, growth_w=growth_w, swing_w=swing_w))
    assert found.per_year_w == pytest.approx(growth_w, abs=1e-6)


def test_a_month_with_two_weeks_on_record_does_not_count() -> None:
    assert monthly(swinging(14, growth_w=0.0, swing_w=0.0)) == {}
    assert seasonal_trend([]).level_w is None
    assert seasonal_trend([]).growth(100.0) is None


def rising(count: int, slope_w_a_year: float) -> list[tuple[date, float]]:
    """Return days of a load of 6 kW at the week-end's peak and 4 kW on others, and its growth."""
    start = date(2025, 1, 6)
    return [
        (start + timedelta(days=k), 4000.0 + slope_w_a_year * k / 365.25 + (2000.0 if k % 7 > 4 else 0.0))
        for k in range(count)
    ]


def test_a_load_that_grows_by_a_known_share_is_seen_to() -> None:
    # 6 kW at the week-end's peak and 300 W a year more; after two years that is 300 of 6600
    assert load_growth(rising(728, 300.0)) == pytest.approx(300.0 / 6600.0, rel=0.05)
    assert load_growth(rising(728, -300.0)) == pytest.approx(-300.0 / 5400.0, rel=0.05)


def test_seasons_chance_and_few_weeks_are_no_growth() -> None:
    rng = np.random.default_rng(1)
    start = date(2025, 1, 6)
    level = [(start + timedelta(days=k), 5000.0 + float(rng.normal(0.0, 200.0))) for k in range(700)]
    assert abs(load_growth(level)) < 0.01  # one interval in ten leaves zero out by chance, and then by little
    assert load_growth(rising(100, 900.0)) == 0.0
    assert load_growth([]) == 0.0


def test_growth_is_held_within_what_a_site_can_do() -> None:
    assert load_growth(rising(728, 5000.0)) == 0.15
