"""The simulated bank obeys the laws it claims: charge is conserved, the kinetic closed form holds."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.simulation.plant.battery import (
    BankPlant,
    CellType,
    Wells,
    at_room,
    capacity_at_ah,
    charge_fraction,
    discharge,
    full_wells,
    source_of,
    wear_at,
    wells_after,
    with_weak_cells,
)
from collector.simulation.plant.charging import charge, float_setpoint_v, new_bank
from collector.simulation.plant.published import published_table, runtime_s

CELL = CellType(capacity_ah=30.0)
PLANT = BankPlant("b", CELL, cells=192, charge_limit_a=3.0)


def integrate(wells: Wells, current_a: float, dt_s: float, c: float, k_per_h: float) -> Wells:
    """Integrate the model's two differential equations in small steps: the definition, not the formula."""
    y1, y2 = wells
    steps = 20_000
    h = dt_s / steps / 3600.0
    k = k_per_h * c * (1 - c)
    for _ in range(steps):
        flow = k * (y2 / (1 - c) - y1 / c)
        y1, y2 = y1 + h * (flow - current_a), y2 - h * flow
    return Wells(y1, y2)


@pytest.mark.parametrize(("current_a", "dt_s"), [(20.0, 600.0), (2.0, 7200.0), (-3.0, 3600.0), (0.0, 1800.0)])
def test_the_closed_form_agrees_with_the_differential_equations(current_a: float, dt_s: float) -> None:
    start = Wells(8.0, 15.0)
    got = wells_after(start, current_a, dt_s, available_share=0.38, rate_per_h=3.0)
    want = integrate(start, current_a, dt_s, 0.38, 3.0)
    assert got.available_ah == pytest.approx(want.available_ah, abs=2e-3)
    assert got.bound_ah == pytest.approx(want.bound_ah, abs=2e-3)


@settings(max_examples=60, deadline=None)
@given(st.floats(-5, 60), st.floats(1, 5000), st.floats(0.1, 0.9))
def test_two_short_steps_equal_a_long_one_and_charge_is_conserved(
    current: float, dt: float, cut: float
) -> None:
    start = Wells(10.0, 18.0)
    whole = wells_after(start, current, dt, available_share=0.38, rate_per_h=3.0)
    part = wells_after(start, current, dt * cut, available_share=0.38, rate_per_h=3.0)
    both = wells_after(part, current, dt * (1 - cut), available_share=0.38, rate_per_h=3.0)
    assert both.available_ah == pytest.approx(whole.available_ah, abs=1e-9)
    assert whole.charge_ah == pytest.approx(start.charge_ah - current * dt / 3600.0, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.2, 50), st.floats(1.1, 3.0))
def test_capacity_falls_as_the_rate_rises(current_a: float, factor: float) -> None:
    assert capacity_at_ah(current_a * factor, CELL) < capacity_at_ah(current_a, CELL) <= CELL.capacity_ah


def test_capacity_at_a_current_is_manwell_and_mcgowans_formula() -> None:
    # q(I) = q_max k c t / (1 - e^-kt + c (kt - 1 + e^-kt)), with t the time it lasts (1993, eq. for q_max(I)).
    current_a = 25.0
    got = capacity_at_ah(current_a, CELL)
    kt = CELL.rate_per_h * got / current_a
    c = CELL.available_share
    want = CELL.capacity_ah * kt * c / (1 - math.exp(-kt) + c * (kt - 1 + math.exp(-kt)))
    assert got == pytest.approx(want, rel=1e-6)


def test_full_wells_stand_level() -> None:
    wells = full_wells(CELL, capacity_ah=30.0)
    assert wells.available_ah / 0.38 == pytest.approx(wells.bound_ah / 0.62)
    assert wells_after(wells, 0.0, 1e5, available_share=0.38, rate_per_h=3.0) == pytest.approx(wells)


def test_a_discharge_gives_the_power_asked_and_takes_the_charge_it_says() -> None:
    state = new_bank(PLANT)
    taken_ah = 0.0
    before = state.groups[0].wells.charge_ah
    for _ in range(300):
        state, held = discharge(PLANT, state, 15_000.0, 1.0)
        assert held
        assert state.voltage_v * state.current_a == pytest.approx(15_000.0, rel=1e-9)
        taken_ah += state.current_a / 3600.0
    assert before - state.groups[0].wells.charge_ah == pytest.approx(taken_ah, rel=1e-9)


def test_energy_given_is_less_than_electromotive_force_times_charge() -> None:
    state = new_bank(PLANT)
    for _ in range(200):
        emf, resistance = source_of(PLANT, state)
        state, _ = discharge(PLANT, state, 12_000.0, 1.0)
        lost_w = state.current_a**2 * resistance
        assert emf * state.current_a == pytest.approx(12_000.0 + lost_w, rel=1e-9)


def test_the_first_seconds_dip_and_recover() -> None:
    state = new_bank(PLANT)
    volts = []
    for _ in range(120):
        state, _ = discharge(PLANT, state, 8_000.0, 1.0)
        volts.append(state.voltage_v)
    trough = volts.index(min(volts[:60]))
    assert 3 < trough < 60
    assert max(volts[trough:]) > volts[trough] + 0.2
    assert volts[0] > max(volts[trough:])  # surface charge


def test_half_the_power_gives_more_than_twice_the_time() -> None:
    full = new_bank(PLANT)
    assert runtime_s(PLANT, full, 10_000.0) > 2.0 * runtime_s(PLANT, full, 20_000.0)


def test_cold_age_and_weak_cells_each_shorten_the_time() -> None:
    power = 15_000.0
    sound = runtime_s(PLANT, new_bank(PLANT), power)
    worn = wear_at(8.0, mean_temperature_c=22.0, design_life_years=10.0)
    assert runtime_s(PLANT, new_bank(PLANT, temperature_c=10.0), power) < sound
    assert runtime_s(PLANT, new_bank(PLANT, wear=worn), power) < sound
    weak = with_weak_cells(PLANT, new_bank(PLANT), cells=12, capacity=0.6)
    assert runtime_s(PLANT, weak, power) < sound


def test_strings_in_parallel_share_the_power() -> None:
    double = replace(PLANT, strings=2)
    assert runtime_s(double, new_bank(double), 30_000.0) == pytest.approx(
        runtime_s(PLANT, new_bank(PLANT), 15_000.0), abs=1.0
    )


def test_a_parted_string_floats_like_a_sound_one_and_gives_nothing() -> None:
    sound = new_bank(PLANT)
    parted = charge(PLANT, replace(sound, opens_after_s=0.0), 60.0)
    assert parted.voltage_v == pytest.approx(sound.voltage_v, abs=0.1)
    assert not discharge(PLANT, parted, 100.0, 1.0).held


def test_a_link_that_parts_under_load_ends_the_bank_there() -> None:
    state = replace(new_bank(PLANT), opens_after_s=40.0)
    assert runtime_s(PLANT, state, 5_000.0) == pytest.approx(40.0, abs=1.0)


def test_charging_is_constant_current_then_constant_voltage_until_full() -> None:
    state = new_bank(PLANT)
    for _ in range(400):
        state, _ = discharge(PLANT, state, 15_000.0, 1.0)
    first = charge(PLANT, state, 60.0)
    assert first.current_a == pytest.approx(-3.0)
    assert first.voltage_v < float_setpoint_v(PLANT, 25.0)
    later = charge(PLANT, first, 6 * 3600.0)
    assert 0.0 < -later.current_a < 3.0
    assert later.voltage_v == pytest.approx(float_setpoint_v(PLANT, later.temperature_c))
    assert charge_fraction(PLANT, first) < charge_fraction(PLANT, later) <= 1.0
    assert charge_fraction(PLANT, charge(PLANT, later, 48 * 3600.0)) > 0.99


def test_charge_returned_never_exceeds_what_the_charger_gave() -> None:
    state = new_bank(PLANT)
    for _ in range(300):
        state, _ = discharge(PLANT, state, 15_000.0, 1.0)
    given_ah = 0.0
    start_ah = state.groups[0].wells.charge_ah
    for _ in range(240):
        state = charge(PLANT, state, 60.0)
        given_ah += -state.current_a / 60.0
        assert state.groups[0].wells.charge_ah - start_ah <= given_ah + 1e-9


def test_float_falls_three_millivolts_per_cell_and_kelvin() -> None:
    assert float_setpoint_v(PLANT, 20.0) - float_setpoint_v(PLANT, 25.0) == pytest.approx(192 * 5 * 0.003)
    assert float_setpoint_v(PLANT, 60.0) == float_setpoint_v(PLANT, 40.0)


def test_the_bank_follows_its_room() -> None:
    state = at_room(new_bank(PLANT, temperature_c=25.0), 15.0, 4 * 3600.0)
    assert state.temperature_c == pytest.approx(15.0 + 10.0 * math.exp(-1.0))
    assert charge_fraction(PLANT, state) == pytest.approx(1.0)


def test_life_halves_in_nine_kelvin_and_ends_at_four_fifths() -> None:
    at_20 = wear_at(10.0, mean_temperature_c=20.0, design_life_years=10.0)
    at_29 = wear_at(5.0, mean_temperature_c=29.0, design_life_years=10.0)
    assert at_20.capacity == pytest.approx(0.80, abs=0.002)
    assert at_29.capacity == pytest.approx(at_20.capacity, abs=0.002)


def test_a_published_table_is_what_the_new_cell_does() -> None:
    minutes = (5.0, 10.0, 30.0, 120.0)
    table = published_table(CELL, end_voltage_v=1.67, minutes=minutes)
    watts = [w for _, w in table]
    assert watts == sorted(watts, reverse=True)
    energy = [m * w for m, w in table]
    assert energy == sorted(energy)
    assert max(energy) / 60.0 <= 1.5 * 30.0 * 2.0
    one = BankPlant("one", CELL, cells=1)
    assert runtime_s(one, new_bank(one), watts[1], step_s=1.0) == pytest.approx(600.0, rel=0.02)
