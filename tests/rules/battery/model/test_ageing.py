"""How fast a bank ages, against what makers print and what the law says."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.battery.model.ageing import (
    MonthTemperature,
    age_curve,
    ageing_speed,
    capacity_left,
    life_prior,
)

START, TODAY = date(2015, 1, 1), date(2025, 1, 1)


def months(mean_c: float, years: int = 10, sd_c: float = 0.0) -> list[MonthTemperature]:
    return [MonthTemperature(date(2015 + y, m, 1), mean_c, sd_c) for y in range(years) for m in range(1, 13)]


def test_a_year_at_the_reference_temperature_is_a_year() -> None:
    assert float(ageing_speed(22.0)) == pytest.approx(1.0)


def test_ten_kelvin_double_the_speed() -> None:
    # a maker's manual with an Arrhenius curve: life halves for each 10 degC
    assert float(ageing_speed(30.0) / ageing_speed(20.0)) == pytest.approx(2.0, rel=0.03)


def test_five_kelvin_are_forty_percent_of_ageing() -> None:
    assert float(ageing_speed(27.0)) == pytest.approx(1.42, rel=0.02)


@pytest.mark.parametrize(("temperature_c", "years"), [(20.0, 10.0), (25.0, 7.0), (30.0, 5.0)])
def test_life_follows_a_makers_table_for_absorbed_glass_mat(temperature_c: float, years: float) -> None:
    # a maker's float-life table: 10, 7 and 5 years at 20, 25 and 30 degC
    assert 10.0 * float(ageing_speed(20.0) / ageing_speed(temperature_c)) == pytest.approx(years, rel=0.02)


@given(st.floats(-60.0, 90.0), st.floats(0.0, 10.0))
@settings(max_examples=100, deadline=None)
def test_warmer_never_ages_slower_and_the_speed_stays_finite(temperature_c: float, more: float) -> None:
    assert 0.0 < float(ageing_speed(temperature_c)) <= float(ageing_speed(temperature_c + more)) < 50.0


def test_effective_age_at_the_reference_is_calendar_age() -> None:
    curve = age_curve(START, TODAY, months(22.0))
    assert float(curve.at(TODAY.toordinal())) == pytest.approx(10.0, rel=1e-3)
    assert curve.mean_c == pytest.approx(22.0, abs=1e-6)
    assert curve.unmeasured_share == 0.0


def test_months_nobody_measured_take_the_declared_room() -> None:
    half = [m for m in months(22.0) if m.first_day >= date(2020, 1, 1)]
    curve = age_curve(START, TODAY, half, room_c=32.0)
    speed = float(ageing_speed(32.0))
    assert float(curve.at(TODAY.toordinal())) == pytest.approx(5.0 * speed + 5.0, rel=1e-3)
    assert curve.unmeasured_share == pytest.approx(speed / (speed + 1.0), rel=1e-3)
    assert curve.pace == pytest.approx(1.0)


def test_without_any_temperature_the_room_is_taken_as_22_degrees() -> None:
    curve = age_curve(START, TODAY, [])
    assert float(curve.at(TODAY.toordinal())) == pytest.approx(10.0, rel=1e-3)
    assert curve.unmeasured_share == 1.0


def test_a_room_that_swings_ages_a_bank_faster_than_its_mean() -> None:
    # mean of exp(b x) over a normal x is exp(b^2 sd^2 / 2): 0.070/K and 4 K give 4 %
    steady, swinging = age_curve(START, TODAY, months(22.0)), age_curve(START, TODAY, months(22.0, sd_c=4.0))
    assert float(swinging.at(TODAY.toordinal()) / steady.at(TODAY.toordinal())) == pytest.approx(
        1.04, abs=0.005
    )


def test_age_goes_on_after_today_at_the_pace_of_the_last_year() -> None:
    warm_year = [m for m in months(22.0) if m.first_day.year < 2024]
    warm_year += [MonthTemperature(date(2024, m, 1), 32.0) for m in range(1, 13)]
    curve = age_curve(START, TODAY, warm_year)
    later = curve.at(np.array([TODAY.toordinal(), TODAY.toordinal() + 365.25]))
    assert float(later[1] - later[0]) == pytest.approx(float(ageing_speed(32.0)))


def test_before_its_installation_a_bank_has_no_age() -> None:
    assert float(age_curve(START, TODAY, []).at(START.toordinal() - 100)) == 0.0


def test_a_bank_installed_today_has_an_age_curve() -> None:
    assert float(age_curve(TODAY, TODAY, []).at(TODAY.toordinal())) == 0.0


@given(st.floats(0.0, 0.15), st.floats(2.5, 11.0), st.floats(0.5, 1.2))
@settings(max_examples=100, deadline=None)
def test_capacity_falls_from_fresh_to_80_percent_of_it_over_a_service_life(
    linear: float, knee: float, fresh: float
) -> None:
    left = capacity_left(np.linspace(0.0, 2.0, 41), fresh=fresh, linear=linear, knee=knee)
    assert left[0] == pytest.approx(fresh)
    assert left[20] == pytest.approx(0.8 * fresh)
    assert np.all(np.diff(left) <= 0.0)
    assert np.all(left >= 0.0)


def test_after_80_percent_the_rest_goes_fast() -> None:
    # the knee: the fall in the quarter life after 80 % is several times that of the quarter before
    at = capacity_left(np.array([0.5, 0.75, 1.0, 1.25]))
    assert at[2] - at[3] > 2.0 * (at[1] - at[2]) > 2.0 * (at[0] - at[1])


def test_the_field_lives_about_two_thirds_of_its_design_life_without_a_second_derating() -> None:
    prior = life_prior(10.0, age_curve(START, TODAY, months(22.0)))
    assert np.exp(prior.ln_life) == pytest.approx(6.5)
    assert prior.ln_life_sd == pytest.approx(np.hypot(0.5, 0.0704 * 3.0), rel=0.01)


def test_what_is_not_known_widens_the_prior() -> None:
    measured = life_prior(10.0, age_curve(START, TODAY, months(22.0)))
    unmeasured = life_prior(10.0, age_curve(START, TODAY, []))
    undesigned = life_prior(None, age_curve(START, TODAY, []))
    assert measured.ln_life_sd < unmeasured.ln_life_sd < undesigned.ln_life_sd
    assert life_prior(10.0, age_curve(START, TODAY, []), generic_table=True).fresh_sd > measured.fresh_sd
