"""Spent and got back: the used fraction follows the energy, never the card's percent."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from rules.battery.model.charge_carried import BankMoment, carried_to
from rules.battery.model.health import BankBelief, belief_from_age
from rules.battery.model.recharge import PROMISED_CURRENT, missing_charge, used_after_recharge
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


def on_float(hours: float, *, every_h: float | None = None) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return what is still used of an empty bank after hours on a charger that nobody read."""
    now = replace(belief(), used=np.ones(200))
    steps = 1 if every_h is None else round(hours / every_h)
    for k in range(1, steps + 1):
        at = START + timedelta(hours=hours * k / steps)
        now = carried_to(now, BankMoment(at, False, 5000.0), 12.0)
    return now.used


def test_without_a_current_nine_tenths_are_counted_on_again_after_eight_hours_at_the_soonest_and_a_day_at_the_latest() -> (
    None
):
    """As makers declare it (EN 62040-3); these are the words that stand under a plan with a second outage."""
    assert float(np.mean(on_float(8.0) <= 0.1)) == pytest.approx(0.05, abs=0.06)
    assert float(np.mean(on_float(24.0) <= 0.1)) == pytest.approx(0.95, abs=0.06)
    assert float(np.median(on_float(96.0))) < 0.01


def test_a_recharge_followed_in_steps_is_the_one_followed_at_once() -> None:
    np.testing.assert_allclose(on_float(6.0, every_h=0.5), on_float(6.0), atol=1e-9)


@pytest.mark.parametrize("hours", [1.0, 4.0, 8.0, 16.0, 30.0])
def test_what_is_carried_forward_is_never_more_than_the_judgement_of_the_discharge_says(
    hours: float,
) -> None:
    judged = used_after_recharge(np.ones(2000), 0.6, hours, 1, draws=2000)
    carried, there = float(np.median(on_float(hours))), float(np.median(judged))
    assert there <= carried + 0.02, "never more is promised than is judged to be there"
    assert float(missing_charge(0.6, hours, current=PROMISED_CURRENT)) == pytest.approx(
        0.6 * carried, abs=0.03
    )


def test_a_measured_charging_current_gives_back_what_it_brings() -> None:
    empty = replace(belief(), used=np.ones(200))
    # 0.6 A into 12 Ah for an hour, of which 92 % is kept, is 4.6 % of the capacity: 1 / 13 of what was given
    moment = BankMoment(START + timedelta(hours=1), False, 5000.0, current_a=-0.6)
    np.testing.assert_allclose(carried_to(empty, moment, 12.0).used, 1.0 - 0.046 / 0.6)


def test_a_current_that_is_as_likely_float_as_charge_is_not_counted() -> None:
    empty = replace(belief(), used=np.ones(200))
    rounded = BankMoment(
        START + timedelta(hours=1), False, 5000.0, current_a=-0.2
    )  # under 2 % of 12 Ah an hour
    np.testing.assert_allclose(carried_to(empty, rounded, 12.0).used, on_float(1.0))


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
