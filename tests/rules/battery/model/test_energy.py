"""Spent and got back: the used fraction follows the energy, never the card's percent."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from rules.battery.model.energy import FULL_AFTER_S, BankMoment, carried_to
from rules.battery.model.health import BankBelief, belief_from_age
from rules.plant.estate import Bank, FittedBank, PowerTable

START = datetime(2026, 3, 1, tzinfo=UTC)
TABLE = PowerTable(1.67, ((5, 96.0), (10, 62.0), (15, 46.0), (30, 27.0), (60, 15.5)))
FITTED = FittedBank(date(2024, 1, 1), None, "VX 12", 40, 1.67, 12.0, 20, (TABLE,), 10)
BANK = Bank("B1", ("A1",), 240, 1, (FITTED,))


def belief() -> BankBelief:
    made = belief_from_age(BANK, FITTED, START.date(), 25.0, seed=1, draws=200, rating_w=10000.0)
    return replace(made, as_of=START)


def test_carrying_in_steps_uses_as_much_as_carrying_at_once() -> None:
    at_once = carried_to(belief(), BankMoment(START + timedelta(seconds=300), True, 5000.0), 12.0)
    in_steps = belief()
    for second in range(5, 301, 5):
        in_steps = carried_to(in_steps, BankMoment(START + timedelta(seconds=second), True, 5000.0), 12.0)
    np.testing.assert_allclose(in_steps.used, at_once.used, rtol=1e-9)
    assert float(np.min(at_once.used)) > 0.0


def test_time_left_falls_by_the_time_spent_at_a_constant_power() -> None:
    before = belief()
    after = carried_to(before, BankMoment(START + timedelta(seconds=120), True, 5000.0), 12.0)
    lasting = after.seconds_left(5000.0) > 0.0
    spent = before.seconds_left(5000.0) - after.seconds_left(5000.0)
    assert int(np.sum(lasting)) > 150
    np.testing.assert_allclose(spent[lasting], 120.0, rtol=1e-6)


def test_without_a_current_a_bank_counts_as_empty_until_a_day_has_passed() -> None:
    empty = replace(belief(), used=np.ones(200))
    half = carried_to(empty, BankMoment(START + timedelta(seconds=FULL_AFTER_S / 2), False, 5000.0), 12.0)
    np.testing.assert_allclose(half.used, 0.5)
    full = carried_to(half, BankMoment(START + timedelta(seconds=FULL_AFTER_S), False, 5000.0), 12.0)
    assert not np.any(full.used)


def test_a_measured_charging_current_gives_back_what_it_brings() -> None:
    empty = replace(belief(), used=np.ones(200))
    # 1.2 A into 12 Ah for an hour at 90 % is 9 % of the capacity; the slow rule would say 4.2 %
    moment = BankMoment(START + timedelta(hours=1), False, 5000.0, current_a=-1.2)
    np.testing.assert_allclose(carried_to(empty, moment, 12.0).used, 0.91)


@pytest.mark.parametrize(
    "moment",
    [
        BankMoment(START + timedelta(minutes=5), None, 5000.0),
        BankMoment(START + timedelta(minutes=5), True, None),
    ],
)
def test_what_is_not_known_neither_spends_nor_fills(moment: BankMoment) -> None:
    used = replace(belief(), used=np.full(200, 0.3))
    np.testing.assert_allclose(carried_to(used, moment, 12.0).used, 0.3)


def test_a_moment_before_the_belief_changes_nothing() -> None:
    before = belief()
    assert carried_to(before, BankMoment(START - timedelta(minutes=5), True, 5000.0), 12.0) is before
