"""What a record itself says of health, kept as a shape, and how several of them count together."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from rules.battery.assessment.fusion import CapacityEvidence, fuse, prior_lives
from rules.battery.discharge.likelihood import HEALTHS, LEAST_LN, ln_at, moments, shape_of
from rules.battery.model.ageing import age_curve, life_prior
from rules.battery.model.runtime_curve import Floats

GRID = np.arange(0.25, 1.6, 0.01)
TODAY = date(2024, 1, 1)
AGE = age_curve(date(2018, 1, 1), TODAY, [], room_c=22.0)
PRIOR = life_prior(10.0, AGE)


def bell(middle: float, sd: float) -> tuple[Floats, Floats]:
    return GRID, -0.5 * ((GRID - middle) / sd) ** 2


def at_least(health: float) -> tuple[Floats, Floats]:
    """Return what a shallow discharge of an unfamiliar product says: not less than so much, and no more."""
    return GRID, -0.5 * (np.minimum(GRID - health, 0.0) / 0.04) ** 2


def evidence(part: tuple[Floats, Floats], on: date = TODAY) -> CapacityEvidence:
    shape = shape_of([part], 0.02)
    return CapacityEvidence(on, *moments(shape), 3600.0, shared=0.85, likelihood=shape)


def test_a_normal_likelihood_keeps_its_middle_and_its_width() -> None:
    mean, sd = moments(shape_of([bell(0.85, 0.06)], 0.002))
    assert mean == pytest.approx(0.85, abs=0.003)
    assert sd == pytest.approx(0.06, rel=0.03)


def test_meters_and_temperature_widen_it() -> None:
    # of 0.85, 8 % are 0.068: squares add to 0.091
    assert moments(shape_of([bell(0.85, 0.06)], 0.08))[1] == pytest.approx(0.091, rel=0.06)


def test_two_readings_of_one_record_both_stay() -> None:
    shape = shape_of([bell(0.7, 0.03), bell(1.0, 0.03)], 0.01)
    low, between, high = ln_at(shape, np.array([0.7, 0.85, 1.0]))
    assert low == pytest.approx(high, abs=0.1)
    assert between < low - 5.0


def test_beyond_its_ends_a_shape_never_rises() -> None:
    shape = shape_of([bell(0.9, 0.2)], 0.01)
    beyond = ln_at(shape, np.array([0.1, 0.2, HEALTHS[0], HEALTHS[-1], 1.5, 1.7]))
    assert beyond[0] < beyond[1] < beyond[2]
    assert beyond[3] > beyond[4] > beyond[5]


def test_what_was_used_without_an_end_is_ruled_out() -> None:
    grid = GRID[GRID > 0.6]
    shape = np.array(shape_of([(grid, np.zeros(len(grid)))], 0.01))
    assert np.all(shape[HEALTHS < 0.5] == pytest.approx(LEAST_LN))
    assert np.all(shape[HEALTHS > 0.65] == pytest.approx(0.0, abs=0.01))


def test_a_record_that_only_rules_out_low_healths_leaves_the_rest_to_age() -> None:
    """A normal curve with another divided out of it put such banks far over what any is."""
    by_age = prior_lives(AGE, PRIOR, 3600.0, 1).health(TODAY)
    fused = fuse(AGE, PRIOR, [evidence(at_least(0.85))], 3600.0, 1).health(TODAY)
    expected = np.median(by_age[by_age > 0.85])
    assert np.median(fused) == pytest.approx(expected, abs=0.03)


def test_alike_records_of_one_week_say_hardly_more_than_one() -> None:
    one = evidence(bell(0.85, 0.06))
    week = [replace(one, on=TODAY - timedelta(days=k)) for k in range(5)]
    years = [replace(one, on=TODAY - timedelta(days=400 * k)) for k in range(5)]
    spread = [float(np.std(fuse(AGE, PRIOR, e, 3600.0, 3).health(TODAY))) for e in ([one], week, years)]
    assert 0.8 * spread[0] < spread[1] < 1.1 * spread[0]
    assert spread[2] < 0.85 * spread[1]


def test_a_deep_record_is_not_drawn_away_by_shallow_ones_beside_it() -> None:
    deep, shallow = evidence(bell(0.8, 0.03)), evidence(bell(1.0, 0.1))
    alone = np.median(fuse(AGE, PRIOR, [deep], 3600.0, 3).health(TODAY))
    beside = np.median(fuse(AGE, PRIOR, [deep, *[shallow] * 4], 3600.0, 3).health(TODAY))
    assert beside == pytest.approx(alone, abs=0.015)


def test_a_false_record_does_not_carry_the_day() -> None:
    sound = [CapacityEvidence(TODAY - timedelta(days=90 * k), 0.9, 0.03, 3600.0) for k in range(5)]
    found = fuse(AGE, PRIOR, [*sound, evidence(bell(0.5, 0.03))], 3600.0, 1)
    assert np.median(found.health(TODAY)) > 0.8
