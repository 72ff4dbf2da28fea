"""Filling a bank again: an energy balance."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.battery.recharge import missing_charge, used_after_recharge


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
    now, later = float(missing_charge(removed, hours)), float(missing_charge(removed, hours + more))
    assert 0.0 <= later <= now + 1e-12 <= removed + 2e-12


def test_measured_ampere_hours_win_over_the_usual_charger() -> None:
    used = used_after_recharge(0.8, 0.5, 3.0, 1, returned=0.25, draws=4000)
    # half came back, 0.92 of it stayed: 0.8 x (0.5 - 0.23) / 0.5
    assert np.median(used) == pytest.approx(0.432, abs=0.01)


def test_an_unknown_charger_is_a_wide_guess_and_three_days_are_enough() -> None:
    used = used_after_recharge(0.8, 0.5, 3.0, 1, draws=4000)
    assert np.std(used) > 0.05
    assert np.all(used_after_recharge(0.8, 0.5, 72.0, 1, draws=10) == 0.0)
    assert np.all(used_after_recharge(0.8, 0.5, 0.0, 1, draws=10) == pytest.approx(0.8))
