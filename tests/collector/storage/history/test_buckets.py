"""Buckets cover a span, begin where summaries do, and weigh as much as was read."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.storage.history.buckets import HOUR_MS, MINUTE_MS, Grid, percentiles
from collector.storage.history.store import Bucket

START = datetime(2026, 3, 1, 2, 14, 7, tzinfo=UTC)


@given(st.integers(0, 10**9), st.integers(1, 4 * 365 * 86_400_000), st.integers(1, 10_000))
@settings(max_examples=100, deadline=None)
def test_any_grid_covers_its_span_with_at_most_the_points_asked_for(
    begin: int, length: int, points: int
) -> None:
    start = START + timedelta(milliseconds=begin)
    grid = Grid.over(start, start + timedelta(milliseconds=length), points)
    assert 1 <= grid.count <= points
    assert grid.start_ms + grid.count * grid.step_ms >= grid.end_ms
    assert grid.start_ms + (grid.count - 1) * grid.step_ms < grid.end_ms
    whole = HOUR_MS if grid.step_ms >= HOUR_MS else MINUTE_MS if grid.step_ms >= MINUTE_MS else 1
    assert grid.step_ms % whole == 0
    assert grid.start_ms % whole == 0


def bucket(mean: float | None, count: int) -> Bucket:
    return Bucket(START, mean, mean, mean, count, 10)


def test_percentiles_weigh_by_what_was_read() -> None:
    day = [bucket(float(n), 10) for n in range(1, 101)]
    assert percentiles(day, (0.05, 0.5, 0.95, 1.0)) == (5.0, 50.0, 95.0, 100.0)
    assert percentiles([bucket(1.0, 90), bucket(9.0, 10), bucket(None, 0)], (0.5, 0.9, 0.95)) == (
        1.0,
        1.0,
        9.0,
    )


@pytest.mark.parametrize("buckets", [[], [bucket(None, 0)]])
def test_percentiles_of_nothing_are_not_known(buckets: list[Bucket]) -> None:
    assert percentiles(buckets, (0.5, 0.95)) == (None, None)
