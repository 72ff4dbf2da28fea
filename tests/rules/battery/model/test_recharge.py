"""Filling a bank again: an energy balance."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.battery.model.recharge import (
    FULL,
    UNSEEN,
    Recharge,
    after_recharge,
    by_rest,
    later,
    missing_charge,
    nodes_of,
    used_after_recharge,
)


def test_the_charger_gives_its_limit_until_the_last_part() -> None:
    # 0.6 of the charge gone, 0.1 C of which 0.92 stay: after two hours 0.6 - 0.184 are missing
    assert float(missing_charge(0.6, 2.0)) == pytest.approx(0.416)
    assert float(missing_charge(0.6, 2.0, current=0.2, kept=1.0)) == pytest.approx(0.2)


def test_a_day_at_a_tenth_of_the_capacity_fills_an_empty_bank_to_within_a_few_percent() -> None:
    # trade rule: 0.1 C with float only, about 24 h to full
    assert 0.0 < float(missing_charge(1.0, 24.0)) < 0.03


@given(st.floats(0.0, 1.0), st.floats(0.0, 100.0), st.floats(0.0, 10.0))
@settings(max_examples=100, deadline=None)
def test_charge_only_comes_back(removed: float, hours: float, more: float) -> None:
    now, then = float(missing_charge(removed, hours)), float(missing_charge(removed, hours + more))
    assert 0.0 <= then <= now + 1e-12 <= removed + 2e-12


def test_measured_ampere_hours_win_over_the_usual_charger() -> None:
    used = used_after_recharge(0.8, 0.5, 3.0, 1, returned=0.25, draws=4000)
    # half came back, 0.92 of it stayed: 0.5 - 0.23 of the charge is missing, and at rest no more than that
    assert np.median(used) == pytest.approx(0.27, abs=0.01)


def test_a_dip_that_follows_at_once_finds_what_the_rate_left_unreached_still_out_of_reach() -> None:
    """0.8 of the published time used, 0.5 of the charge taken: an hour later only the charge is missing."""
    seconds = after_recharge(0.8, 0.5, Recharge(5.0 / 3600.0, 0.0, 5.0 / 3600.0), 1, draws=1000)
    assert np.median(seconds) == pytest.approx(0.8, abs=0.01)
    hours = after_recharge(0.8, 0.5, Recharge(4.0, 0.0, 4.0), 1, draws=1000)
    assert np.median(hours) == pytest.approx(0.5, abs=0.01)


def test_a_bank_that_was_seen_full_misses_nothing_and_one_that_nothing_charges_misses_all() -> None:
    assert np.all(after_recharge(0.8, 0.5, Recharge(2.0, full=True), 1, draws=9) == 0.0)
    idle = Recharge(80.0, 0.0, 1.0, off_float_v=-0.2, current_c=0.0)
    assert np.all(after_recharge(0.8, 0.5, idle, 1, draws=9) == pytest.approx(0.5))


def test_a_small_current_at_float_voltage_bounds_what_is_missing() -> None:
    """0.8 % of the rating per hour at the set point, hours after: the tail of a charge, some 2 h long."""
    tail = Recharge(10.0, None, off_float_v=0.0, current_c=0.008)
    assert np.quantile(after_recharge(0.8, 0.5, tail, 1, draws=1000), 0.95) < 0.05


def test_hours_nobody_saw_are_in_doubt() -> None:
    seen = after_recharge(0.8, 0.5, Recharge(2.0, 0.15, 2.0), 1, draws=4000)
    half = after_recharge(0.8, 0.5, Recharge(2.0, 0.075, 1.0), 1, draws=4000)
    assert np.std(half) > 1.5 * np.std(seen)


def test_what_a_bank_shows_just_before_a_transfer() -> None:
    full, tail = by_rest(0.0, 2.25, 0.001), by_rest(0.0, 2.25, 0.05)
    assert full == FULL
    assert list(tail) == pytest.approx([0.03, 0.055, 0.08, 0.12])
    assert max(by_rest(0.0, 2.25, None)) < 0.15  # at the set point without a current: at most the last tenth
    bulk = by_rest(-0.1, 2.15, 0.1)  # the charger still at its limit: anything may be missing
    assert [min(bulk), max(bulk)] == pytest.approx([0.1, 0.85])
    # open circuit: full at 2.13 V, and 0.17 V lower when empty
    assert np.median(by_rest(-0.205, 2.045, 0.0)) == pytest.approx(0.5, abs=0.01)
    assert by_rest(None, None, None) == UNSEEN


def test_values_that_hardly_differ_are_told_as_one() -> None:
    assert list(nodes_of(np.array([0.30, 0.302, 0.304]))) == pytest.approx([0.302])
    assert len(nodes_of(np.linspace(0.0, 0.5, 100))) == 9
    assert list(later(FULL, 0.1, 0.02)) == pytest.approx([0.076, 0.1, 0.124])


def test_an_unknown_charger_is_a_wide_guess_and_three_days_are_enough() -> None:
    used = used_after_recharge(0.8, 0.5, 3.0, 1, draws=4000)
    assert np.std(used) > 0.05
    assert np.all(used_after_recharge(0.8, 0.5, 72.0, 1, draws=10) == 0.0)
    assert np.all(used_after_recharge(0.8, 0.5, 0.0, 1, draws=10) == pytest.approx(0.8))
