import numpy as np
import pytest

from rules.battery.model.inverter_losses import default_losses, learn_losses


def test_losses_are_recovered_from_many_loads() -> None:
    out = np.linspace(3000.0, 27000.0, 40)
    learnt = learn_losses(out, out + 600.0 + 0.05 * out, 30000.0)
    assert learnt.learnt
    assert learnt.fixed_w == pytest.approx(600.0, rel=0.12)
    assert learnt.share == pytest.approx(0.05, abs=0.005)


def test_one_load_moves_the_sum_towards_what_was_seen() -> None:
    before = default_losses(30000.0).battery_power_w(12000.0)
    after = learn_losses(np.full(30, 12000.0), np.full(30, 13500.0), 30000.0).battery_power_w(12000.0)
    assert before < after == pytest.approx(13500.0, rel=0.005)


def test_impossible_pairs_teach_nothing() -> None:
    learnt = learn_losses(np.array([10000.0, 10000.0]), np.array([9000.0, 30000.0]), 30000.0)
    assert learnt == default_losses(30000.0)


def test_a_lightly_loaded_unit_is_less_efficient() -> None:
    losses = default_losses(30000.0)
    assert 4500.0 / losses.battery_power_w(4500.0) < 27000.0 / losses.battery_power_w(27000.0)
