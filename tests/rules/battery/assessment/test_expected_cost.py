"""The day on which a bank costs least, where it can be reckoned by hand, and that it stands beside the 5 % rule."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from rules.battery.assessment.bank import judge_bank
from rules.battery.assessment.expected_cost import cheapest_day
from rules.battery.state import CheapestDay
from tests.rules.battery.assessment.next_discharge.test_advice import BANK, TESTED, evidence

SINCE, TODAY = date(2020, 1, 1), date(2024, 1, 1)
NOW = float(TODAY.toordinal())


def found(ends: np.ndarray[tuple[int], np.dtype[np.float64]], failure: float) -> CheapestDay:
    day = cheapest_day(
        ends, since=SINCE, seen=SINCE, today=TODAY, lead_days=56, price=1000.0, failure_cost=failure,
        told=TODAY + timedelta(days=365),
    )  # fmt: skip
    assert day is not None
    return day


def test_a_life_that_is_known_is_used_up_to_its_end() -> None:
    """All end ten years from the start: replaced just before, 1000 over ten years is 100 a year."""
    end = np.full(100, float(SINCE.toordinal()) + 3652.5)
    day = found(end, 10_000.0)
    assert date(2029, 12, 1) <= day.replace_by < date(2030, 1, 1)
    assert day.cost_per_year == pytest.approx(100.0, rel=0.01)
    assert day.fails_probability == 0.0
    # told for 2025, five years of life are used: 200 a year
    assert day.cost_per_year_as_told == pytest.approx(200.0, rel=0.01)


def test_it_is_that_of_age_replacement_for_ends_that_come_with_a_rising_rate() -> None:
    """Weibull ends of shape 2 from the start on: the optimum T solves h(T) int R - F(T) = price / failure (Barlow, Proschan)."""
    rng = np.random.default_rng(1)
    scale_days = 4000.0
    ends = float(TODAY.toordinal()) + scale_days * rng.weibull(2.0, 40_000)
    day = cheapest_day(
        ends, since=TODAY, seen=None, today=TODAY, lead_days=0, price=1.0, failure_cost=9.0, told=None
    )
    assert day is not None
    t = np.linspace(0.001, 3.0, 30_000)
    reliability = np.exp(-(t**2))
    left = 2.0 * t * np.cumsum(reliability) * (t[1] - t[0]) - (1.0 - reliability)
    optimum = float(t[int(np.argmax(left >= 1.0 / 9.0))]) * scale_days
    assert (day.replace_by - TODAY).days == pytest.approx(optimum, rel=0.1)
    assert day.cost_per_year_as_told is None


def test_a_dearer_failure_brings_the_day_on_and_a_cheap_one_lets_the_bank_wear_out() -> None:
    ends = NOW + np.linspace(200.0, 4000.0, 2000)
    dear, middle, cheap = (found(ends, cost) for cost in (50_000.0, 3_000.0, 1.0))
    assert dear.replace_by < middle.replace_by < cheap.replace_by
    assert dear.fails_probability < middle.fails_probability < cheap.fails_probability
    assert dear.replace_by >= TODAY + timedelta(days=56)


def test_it_is_told_where_both_prices_are_and_moves_no_date() -> None:
    priced = replace(BANK, replacement_cost=4_000.0, failure_cost=20_000.0)
    without, with_it = judge_bank(TESTED), judge_bank(replace(TESTED, bank=priced))
    assert without.state.by_cost is None
    by_cost = with_it.state.by_cost
    assert by_cost is not None
    assert by_cost.order_by == by_cost.replace_by - timedelta(days=BANK.order_lead_days)
    assert with_it.state.dates == without.state.dates
    assert with_it.state.rests_on == without.state.rests_on  # prices are no news of a bank
    half = replace(BANK, replacement_cost=4_000.0)
    assert judge_bank(replace(TESTED, bank=half)).state.by_cost is None
    assert judge_bank(evidence(bank=priced)).state.by_cost is None  # nothing was seen of it
