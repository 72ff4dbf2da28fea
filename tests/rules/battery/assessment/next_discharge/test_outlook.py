"""The days to order after a discharge that was not made yet, where they can be reckoned by hand."""

from datetime import date

import numpy as np
import pytest

from rules.battery.assessment.fusion import CapacityEvidence, Lives, fuse
from rules.battery.assessment.next_discharge.outlook import LivesAhead, Trial
from rules.battery.assessment.next_discharge.record_error import RecordError
from rules.battery.assessment.replacement import MARGIN_DAYS
from rules.battery.model.ageing import AgeCurve, LifePrior

START, TODAY = date(2020, 1, 1), date(2026, 1, 1)
AGE = AgeCurve(
    np.array([float(START.toordinal()), float(TODAY.toordinal())]), np.array([0.0, 6.0]), 1.0, 0.0, 22.0
)
ON = date(2026, 3, 3)
LEAD = 56


def steady(health: np.ndarray[tuple[int], np.dtype[np.float64]]) -> Lives:
    """Return lives that have a health and keep it: no life comes to its end by age."""
    n = len(health)
    return Lives(AGE, 3600.0, np.full(n, 1e4), health, np.zeros(n), np.full(n, 6.0), np.zeros(n), START)


def test_a_record_without_error_tells_a_strong_bank_from_a_weak_one() -> None:
    # half of the lives give 0.7 and end after a year, half 1.0 and end after five
    health = np.repeat([0.7, 1.0], 500)
    now = float(TODAY.toordinal())
    ends = np.repeat([now + 365.0, now + 5 * 365.0], 500)
    ahead = LivesAhead(steady(health), ends, LEAD)
    found = ahead.outlook(Trial(ON, 0.5, 3600.0, RecordError(0.001, 0.02, 0.0)))
    before = LEAD + MARGIN_DAYS
    assert {round(d - now + before) for d in found.order_days} == {365, 1825}
    assert found.mean_after(now + 365.0 - before) == pytest.approx(0.5 * 4 * 365.0, rel=0.02)
    later, days = found.beyond(14.0, now + 365.0 - before)
    assert (later, days) == pytest.approx((0.5, 1460.0), rel=0.02)
    assert found.ends_probability == 0.0


def test_a_record_that_tells_nothing_moves_nothing() -> None:
    health = np.linspace(0.7, 1.0, 1000)
    now = float(TODAY.toordinal())
    ends = now + np.linspace(300.0, 3000.0, 1000)
    ahead = LivesAhead(steady(health), ends, LEAD)
    found = ahead.outlook(Trial(ON, 0.05, 3600.0, RecordError(3.0, 3.0, 0.0)))
    told = now + float(np.quantile(ends - now, 0.05)) - LEAD - MARGIN_DAYS
    assert found.mean_after(told) == pytest.approx(0.0, abs=8.0)
    assert found.strict_mean == pytest.approx(max(told, ON.toordinal()), abs=8.0)


def test_a_bank_that_ends_in_it_is_to_be_ordered_on_that_day() -> None:
    # 0.4 in place of what is asked of it: the lives end today; 0.5 is taken from it
    health = np.repeat([0.4, 1.0], [300, 700])
    now = float(TODAY.toordinal())
    ends = np.repeat([now + 10.0, now + 3000.0], [300, 700])
    found = LivesAhead(steady(health), ends, LEAD).outlook(
        Trial(ON, 0.5, 3600.0, RecordError(0.05, 0.05, 0.0))
    )
    assert found.ends_probability == pytest.approx(0.3)
    assert found.quantile(0.25) == float(ON.toordinal())
    assert found.quantile(0.35) > now + 2000.0


def test_what_is_foretold_stands_to_reason_the_mean_of_what_lives_say_stays() -> None:
    """The mean of the posterior means over all possible records is the mean before (the law of total expectation)."""
    prior = LifePrior(np.log(8.0), 0.4)
    lives = fuse(AGE, prior, [CapacityEvidence(date(2024, 1, 1), 0.95, 0.05, 1800.0)], 3600.0, 3)
    health = lives.at_rate(lives.health(ON), 1800.0)
    now = float(TODAY.toordinal())
    # the day a life ends is made its health, so that the day to order is a quantile of health
    ends = now + 4000.0 * health
    for depth_error in (0.02, 0.06, 0.15):
        found = LivesAhead(lives, ends, LEAD).outlook(
            Trial(ON, 0.0, 1800.0, RecordError(depth_error, depth_error, 0.0))
        )
        assert float(np.sum(found.probability)) == pytest.approx(1.0)
        spread = found.quantile(0.95) - found.quantile(0.05)
        assert 0.0 < spread < 4000.0 * 3.3 * float(np.std(health)) + 60.0
    sure = LivesAhead(lives, ends, LEAD).outlook(Trial(ON, 0.0, 1800.0, RecordError(0.02, 0.02, 0.0)))
    vague = LivesAhead(lives, ends, LEAD).outlook(Trial(ON, 0.0, 1800.0, RecordError(0.2, 0.2, 0.0)))
    assert sure.strict_mean > vague.strict_mean  # what is learnt is worth something, and more the surer it is


def test_a_record_beside_its_like_counts_for_less() -> None:
    prior = LifePrior(np.log(8.0), 0.4)
    shape = tuple(-0.5 * ((h - 0.9) / 0.1) ** 2 for h in np.linspace(0.3, 1.3, 41))
    lately = CapacityEvidence(date(2025, 12, 20), 0.9, 0.1, 1800.0, 0.3, 0.85, shape)
    lives = fuse(AGE, prior, [lately], 3600.0, 3)
    ends = float(TODAY.toordinal()) + 4000.0 * lives.health(ON)
    trial = Trial(date(2026, 1, 6), 0.3, 1800.0, RecordError(0.1, 0.1, 0.85))
    alone = LivesAhead(lives, ends, LEAD).outlook(trial)
    beside = LivesAhead(lives, ends, LEAD, [lately]).outlook(trial)
    spread = [o.quantile(0.95) - o.quantile(0.05) for o in (alone, beside)]
    assert spread[1] < 0.5 * spread[0]
