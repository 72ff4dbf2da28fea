"""Predictions beside the truth, misses included."""

from datetime import UTC, datetime, timedelta

import pytest

from rules.system.forecast_score import Outcome, Prediction, score

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)


def said(minutes: float, low: float, middle: float, high: float, system: str = "a") -> Prediction:
    return Prediction(system, NOON + timedelta(minutes=minutes), low, middle, high)


def came(minutes: float, truth_s: float | None, system: str = "a") -> Outcome:
    return Outcome(system, NOON + timedelta(minutes=minutes), truth_s)


def test_the_newest_prediction_before_the_outage_counts() -> None:
    got = score([said(0, 100, 200, 300), said(5, 500, 600, 700), said(11, 1, 2, 3)], [came(10, 660.0)])
    (line,) = got.lines
    assert line.prediction == said(5, 500, 600, 700)
    assert (line.inside, line.safe) == (True, True)
    assert line.error == pytest.approx(600 / 660 - 1)


def test_a_truth_under_the_low_end_is_unsafe_and_one_over_the_high_end_only_a_miss() -> None:
    got = score([said(0, 500, 600, 700)], [came(1, 450.0), came(2, 800.0), came(3, 650.0)])
    assert [(line.inside, line.safe) for line in got.lines] == [(False, False), (False, True), (True, True)]
    assert got.inside_share == pytest.approx(1 / 3)
    assert got.safe_share == pytest.approx(2 / 3)
    # errors are 1/3, 1/4 and 1/13: the middle one is a quarter
    assert got.median_error == pytest.approx(0.25)


def test_other_systems_and_later_predictions_do_not_count() -> None:
    got = score([said(0, 500, 600, 700, "b"), said(9, 500, 600, 700)], [came(5, 600.0)])
    assert got.lines[0].prediction is None
    assert (got.predicted, got.inside_share, got.median_error) == (0, None, None)


def test_a_prediction_that_cannot_tell_is_no_hit() -> None:
    unknown = Prediction("a", NOON, None, None, None)
    assert score([unknown], [came(1, 600.0)]).lines[0].inside is None
