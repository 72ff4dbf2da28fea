"""The three dates."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from rules.battery.assessment.fusion import CapacityEvidence, Lives, fuse
from rules.battery.assessment.replacement import (
    BankDemand,
    _crossing,
    asked_fraction,
    forecast,
    time_share_of_criterion,
)
from rules.battery.model.ageing import age_curve, life_prior
from rules.battery.model.health import BankBelief, belief_from_age
from rules.battery.model.runtime_curve import curve_through
from rules.plant.estate import Bank, FittedBank, PowerTable
from rules.values.verdict import Basis

START, TODAY = date(2018, 1, 1), date(2021, 1, 1)
TABLE = ((5.0, 66.0), (10.0, 43.0), (15.0, 33.0), (30.0, 19.5), (60.0, 11.2))
FITTED = FittedBank(START, None, "T", 40, 1.67, 9.0, 20.0, (PowerTable(1.67, TABLE),), 10.0)
BANK = Bank("b", ("A1",), 240, 1, (FITTED,))


def belief() -> BankBelief:
    made = belief_from_age(BANK, FITTED, TODAY, 25.0, 1)
    return replace(made, loss_fixed_w=0.0, loss_share=0.0)


def lives(*evidence: CapacityEvidence, seed: int = 1) -> Lives:
    age = age_curve(START, TODAY, [], room_c=22.0)
    return fuse(age, life_prior(10.0, age), evidence, 3600.0, seed)


GOOD = CapacityEvidence(TODAY, 0.95, 0.02, 3600.0)


def test_replacing_comes_the_lead_time_after_ordering() -> None:
    dates = forecast(lives(GOOD), belief(), TODAY, lead_days=56).dates
    assert dates.order_by is not None
    assert dates.replace_by == dates.order_by + timedelta(days=56)
    assert dates.expected_end is not None
    assert dates.expected_end > dates.replace_by


def test_ordering_on_the_last_day_leaves_five_percent_to_fail_within_lead_time_and_90_days() -> None:
    drawn = lives(GOOD)
    asked = BankDemand(600.0, 240 * 30.0, TODAY)
    found = forecast(drawn, belief(), TODAY, lead_days=56, asked=asked)
    assert found.dates.order_by is not None
    day = found.dates.order_by + timedelta(days=56 + 90)
    power = belief().power_w_per_cell(asked.output_power_w)
    published = float(belief().curve.seconds(power))
    needed = asked_fraction(belief(), asked, TODAY)
    ends = lives(GOOD).at_rate(drawn.health(day), published) < needed
    assert np.mean(ends) == pytest.approx(0.05, abs=0.01)


def test_where_nothing_is_asked_a_bank_ends_at_80_percent() -> None:
    found = forecast(lives(GOOD), belief(), TODAY, lead_days=56)
    assert found.dates.expected_end == found.under_80
    assert found.asked_fraction is None


def test_a_lighter_requirement_is_met_for_longer() -> None:
    hard = forecast(lives(GOOD), belief(), TODAY, lead_days=56, asked=BankDemand(780.0, 240 * 33.0, TODAY))
    light = forecast(lives(GOOD), belief(), TODAY, lead_days=56, asked=BankDemand(300.0, 240 * 33.0, TODAY))
    assert hard.asked_fraction == pytest.approx(780.0 / 900.0, rel=0.01)  # 33 W per cell: 15 minutes
    assert light.asked_fraction == pytest.approx(300.0 / 900.0, rel=0.01)
    assert hard.dates.expected_end is not None
    assert light.dates.expected_end is not None
    assert light.dates.expected_end > hard.dates.expected_end
    assert light.probability_met > hard.probability_met


def test_a_load_that_grows_brings_the_end_nearer_and_one_that_shrinks_puts_it_off() -> None:
    ends = []
    for growth in (-0.05, 0.0, 0.05):
        asked = BankDemand(600.0, 240 * 30.0, TODAY, growth)
        ends.append(forecast(lives(GOOD), belief(), TODAY, lead_days=56, asked=asked).dates.expected_end)
    assert None not in ends
    assert ends[0] > ends[1] > ends[2]  # type: ignore[operator]


def test_a_power_out_of_the_table_s_reach_cannot_be_promised_at_all() -> None:
    asked = BankDemand(30.0, 240 * 140.0, TODAY)  # over twice the 66 W that it prints
    found = forecast(lives(GOOD), belief(), TODAY, lead_days=56, asked=asked)
    assert found.probability_met == 0.0
    assert found.dates.replace_by == TODAY
    assert found.dates.expected_end == TODAY


def test_a_bank_that_failed_its_test_is_replaced_today() -> None:
    asked = BankDemand(600.0, 240 * 30.0, TODAY)
    failed = CapacityEvidence(TODAY, 0.4, 0.02, 1000.0)
    found = forecast(lives(failed), belief(), TODAY, lead_days=56, asked=asked)
    assert found.dates.replace_by == TODAY
    assert found.dates.expected_end == TODAY


def test_surviving_a_test_puts_the_dates_off() -> None:
    asked = BankDemand(600.0, 240 * 30.0, TODAY)
    unknown = forecast(lives(), belief(), TODAY, lead_days=56, asked=asked).dates
    known = forecast(lives(GOOD), belief(), TODAY, lead_days=56, asked=asked).dates
    assert unknown.order_by is not None
    assert known.order_by is not None
    assert known.order_by > unknown.order_by


def test_a_test_that_comes_sooner_may_be_waited_for_and_no_longer() -> None:
    asked = BankDemand(600.0, 240 * 30.0, TODAY)
    late = TODAY + timedelta(days=int(2.2 * 365))
    drawn = lives(CapacityEvidence(TODAY, 0.9, 0.05, 3600.0))
    without = forecast(drawn, belief(), TODAY, lead_days=200, asked=asked).dates.order_by
    assert without is not None
    soon = without + timedelta(days=30)
    with_test = forecast(drawn, belief(), TODAY, lead_days=200, asked=asked, next_test=soon).dates.order_by
    too_late = forecast(drawn, belief(), TODAY, lead_days=200, asked=asked, next_test=late).dates.order_by
    assert with_test == soon
    assert too_late == without


def test_80_percent_is_of_power_under_an_hour_and_of_time_from_an_hour_on() -> None:
    # on a Peukert line T ~ p**-1.25 80 % of the power is 0.8**1.25 of the time
    points = [(m, 40.0 * (m / 10.0) ** (-1 / 1.25)) for m in (5.0, 10.0, 20.0, 40.0, 90.0, 180.0)]
    curve = curve_through(points, 1.67, Basis.TABLE)
    assert time_share_of_criterion(curve, 40.0) == pytest.approx(0.8**1.25, rel=1e-3)
    assert time_share_of_criterion(curve, float(curve.watts(7200.0))) == 0.8


def test_a_bank_shown_to_be_over_was_due_on_the_day_that_showed_it() -> None:
    asked = BankDemand(600.0, 240 * 30.0, TODAY)
    failed = CapacityEvidence(TODAY - timedelta(days=40), 0.4, 0.02, 1000.0)
    for later in (0, 20):
        dates = forecast(
            lives(failed), belief(), TODAY + timedelta(days=later), lead_days=56, asked=asked
        ).dates
        assert dates.replace_by == failed.on
        assert dates.expected_end == failed.on


@pytest.mark.parametrize(
    ("margins", "day"),
    [
        (
            (3.0, 2.0, -1.0, -4.0),
            110.0 + 10.0 * 2.0 / 3.0,
        ),  # two thirds of the way from the 11th to the 21st day
        ((1.0, 1.0, 1.0, -3.0), 120.0 + 10.0 / 4.0),
        ((-1.0, -2.0, -3.0, -4.0), 100.0),  # gone from the first day on
        ((1.0, 0.0, -1.0, 5.0), 110.0),  # the first time counts; at nothing left it still holds
    ],
)
def test_a_margin_is_gone_on_the_straight_line_between_two_days(
    margins: tuple[float, ...], day: float
) -> None:
    days = np.array([100.0, 110.0, 120.0, 130.0])
    assert float(_crossing(days, np.array([margins]))[0]) == pytest.approx(day)


def test_a_margin_that_is_never_gone_has_no_day() -> None:
    assert float(_crossing(np.array([100.0, 110.0]), np.array([[1.0, 0.5]]))[0]) > 3_600_000
