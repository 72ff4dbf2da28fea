"""What age and discharges say together: laws a fusion must keep, whatever the figures."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from rules.battery.assessment.fusion import CapacityEvidence, Lives, fuse, prior_lives
from rules.battery.model.ageing import LifePrior, age_curve, life_prior

START, TODAY = date(2018, 1, 1), date(2024, 1, 1)
ANCHOR_S = 3600.0
AGE = age_curve(START, TODAY, [], room_c=22.0)
PRIOR = life_prior(10.0, AGE)


def shown(
    on: date, fraction: float, sd: float = 0.03, least: float = 0.0, shared: float = 0.0
) -> CapacityEvidence:
    return CapacityEvidence(on, fraction, sd, ANCHOR_S, least, shared)


def test_without_evidence_age_alone_speaks() -> None:
    lives = fuse(AGE, PRIOR, [], ANCHOR_S, 1)
    assert lives.last_evidence is None
    # half of all lives are under 0.65 of the design life, early failures a little more
    assert np.mean(lives.life_years < 6.5) == pytest.approx(0.51, abs=0.03)
    assert np.array_equal(lives.life_years, prior_lives(AGE, PRIOR, ANCHOR_S, 1).life_years)


def test_the_same_evidence_and_seed_give_the_same_lives() -> None:
    evidence = [shown(date(2022, 6, 1), 0.9)]
    first, again = (fuse(AGE, PRIOR, evidence, ANCHOR_S, 7) for _ in range(2))
    assert np.array_equal(first.life_years, again.life_years)


def test_a_full_test_is_believed_within_its_error() -> None:
    lives = fuse(AGE, PRIOR, [shown(TODAY, 0.83, sd=0.015)], ANCHOR_S, 1)
    health = lives.health(TODAY)
    assert np.median(health) == pytest.approx(0.83, abs=0.02)
    assert np.std(health) < 0.04


def test_two_tests_of_one_error_pin_it_closer_than_one() -> None:
    # independent errors add as squares; a shared error does not average out
    one = [shown(TODAY, 0.85, sd=0.06)]
    four = [shown(TODAY - timedelta(days=d), 0.85, sd=0.06) for d in range(4)]
    alike = [replace(e, shared=0.95) for e in four]
    spread = [float(np.std(fuse(AGE, PRIOR, e, ANCHOR_S, 3).health(TODAY))) for e in (one, four, alike)]
    assert spread[1] < 0.75 * spread[0]
    assert spread[1] < 0.85 * spread[2]


def test_one_false_result_does_not_carry_the_day() -> None:
    sound = [shown(TODAY - timedelta(days=90 * k), 0.9) for k in range(5)]
    lives = fuse(AGE, PRIOR, [*sound, shown(TODAY, 0.45)], ANCHOR_S, 1)
    assert np.median(lives.health(TODAY)) > 0.8


def test_what_a_bank_has_carried_it_had() -> None:
    # it gave 0.75 of its published time and did not end; the estimate itself says little
    lives = fuse(AGE, PRIOR, [shown(TODAY, 0.6, sd=0.3, least=0.75)], ANCHOR_S, 1)
    assert np.mean(lives.health(TODAY) > 0.71) > 0.95


def test_a_test_at_a_high_rate_says_more_for_long_discharges_than_it_shows() -> None:
    # health falls with rate: 0.7 at ten minutes is more than 0.7 at an hour
    fast = fuse(AGE, PRIOR, [CapacityEvidence(TODAY, 0.7, 0.02, 600.0)], ANCHOR_S, 1)
    slow = fuse(AGE, PRIOR, [CapacityEvidence(TODAY, 0.7, 0.02, 3600.0)], ANCHOR_S, 1)
    assert np.median(fast.health(TODAY)) > np.median(slow.health(TODAY)) + 0.01
    assert np.median(fast.at_rate(fast.health(TODAY), 600.0)) == pytest.approx(0.7, abs=0.03)


def test_more_power_never_leaves_more_health() -> None:
    lives = prior_lives(AGE, PRIOR, ANCHOR_S, 1)
    health = lives.health(TODAY)
    assert np.all(lives.at_rate(health, 600.0) <= lives.at_rate(health, 1200.0))


def test_a_year_without_evidence_widens() -> None:
    lives = fuse(AGE, PRIOR, [shown(TODAY, 0.95, sd=0.015)], ANCHOR_S, 1)
    within = [float(np.std(lives.health_draws(TODAY + timedelta(days=d), 5))) for d in (0, 365, 700)]
    assert within[0] < within[1] < within[2]


def test_early_failures_stand_in_the_prior() -> None:
    lives = prior_lives(AGE, LifePrior(np.log(6.5), 0.05), ANCHOR_S, 1, count=20_000)
    assert np.mean(lives.life_years < 3.0) == pytest.approx(0.04, abs=0.005)


def _one_bank(rng: np.random.Generator, lives: Lives, k: int) -> tuple[list[CapacityEvidence], float]:
    """Return evidence of the life number k of the prior, and its true health today."""
    days = [START + timedelta(days=int(d)) for d in np.sort(rng.uniform(200, 2190, 5))]
    common = rng.normal(0.0, 0.04)
    evidence = []
    for day in days:
        true = float(lives.health(day)[k])
        seen = true + common + rng.normal(0.0, np.hypot(0.04, 0.02))
        evidence.append(CapacityEvidence(day, seen, float(np.hypot(0.04, 0.04)), ANCHOR_S, 0.0, 0.5))
    return evidence, float(lives.health(TODAY)[k])


@pytest.mark.slow
def test_truth_drawn_from_the_prior_falls_evenly_among_the_lives() -> None:
    """Simulation-based calibration (Talts et al., 2018): the rank of the truth is uniform."""
    rng = np.random.default_rng(11)
    worlds = prior_lives(AGE, PRIOR, ANCHOR_S, 5, count=120)
    ranks = []
    for k in range(120):
        evidence, truth = _one_bank(rng, worlds, k)
        lives = fuse(AGE, PRIOR, evidence, ANCHOR_S, k, count=600)
        health = lives.health(TODAY)
        ties = rng.random() * np.mean(health == truth)  # dead banks are all alike: no capacity at all
        ranks.append(float(np.mean(health < truth) + ties))
    assert np.mean(np.array(ranks) < 0.05) + np.mean(np.array(ranks) > 0.95) == pytest.approx(0.10, abs=0.07)
    assert np.mean(ranks) == pytest.approx(0.5, abs=0.08)  # sd of the mean of 120 uniform ranks is 0.026
