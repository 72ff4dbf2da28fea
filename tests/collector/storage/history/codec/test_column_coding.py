"""Columns come back whatever they hold, and take little more room than information theory asks for."""

from contextlib import suppress
from math import e, log2, pi

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.storage.history.codec.column_coding import (
    CodingError,
    Reader,
    coded,
    coded_all,
    coded_times,
    decoded,
    decoded_times,
)
from collector.storage.history.codec.run_bundle import bundled, opened_bytes
from collector.storage.history.columns import Ints

WHOLE = st.one_of(st.integers(-(2**63), 2**63 - 1), st.integers(-300, 300), st.integers(-2, 2))


def deflated(content: bytes) -> int:
    return opened_bytes(bundled({}, [("column", content)])).segments[0].size


@given(st.lists(WHOLE, max_size=80))
@settings(max_examples=200, deadline=None)
def test_any_values_come_back(values: list[int]) -> None:
    reader = Reader(coded(np.array(values, dtype=np.int64)))
    assert decoded(reader, len(values)).tolist() == values
    assert reader.place == len(reader.content)


@given(st.integers(0, 2**32), st.sampled_from((0.3, 3.0, 80.0, 5000.0)), st.integers(17, 600))
@settings(max_examples=60, deadline=None)
def test_noise_comes_back_alone_and_among_others(seed: int, size: float, count: int) -> None:
    draw = np.random.default_rng(seed)
    columns: list[Ints] = [
        np.rint(5000 + draw.normal(0, size, count) + draw.normal(0, 0.5, count).cumsum()).astype(np.int64)
        for _ in range(9)
    ]
    together = coded_all(columns)
    assert together == [coded(column) for column in columns]
    for part, column in zip(together, columns, strict=True):
        assert np.array_equal(decoded(Reader(part), count), column)


def test_the_lowest_of_all_integers_comes_back_from_among_noise() -> None:
    """It is how -0.0 looks as an integer, and has no positive counterpart."""
    values: Ints = np.random.default_rng(3).integers(-1, 2, 200)
    values[99:102] = (1, -(2**63), 0)
    assert np.array_equal(decoded(Reader(coded(values)), 200), values)


@given(st.lists(st.integers(1, 10**8), min_size=1, max_size=80), st.integers(-(2**44), 2**44))
@settings(max_examples=100, deadline=None)
def test_any_times_come_back(gaps: list[int], first: int) -> None:
    at = first + np.cumsum(np.array(gaps, dtype=np.int64))
    assert np.array_equal(decoded_times(Reader(coded_times(at)), len(at)), at)


def test_a_slow_walk_takes_at_most_a_twentieth_more_than_its_entropy() -> None:
    chances = (0.145, 0.71, 0.145)
    steps = np.random.default_rng(1).choice([-1, 0, 1], size=86_400, p=chances)
    entropy_bits = -sum(p * log2(p) for p in chances)
    assert deflated(coded(np.cumsum(steps))) * 8 / 86_400 < 1.05 * entropy_bits


def test_noise_about_a_level_takes_little_more_than_the_noise_itself() -> None:
    size = 3.0
    values = np.rint(5000 + np.random.default_rng(2).normal(0, size, 86_400)).astype(np.int64)
    entropy_bits = log2(size * (2 * pi * e) ** 0.5)  # of a normal deviate rounded to whole numbers
    assert deflated(coded(values)) * 8 / 86_400 < 1.05 * entropy_bits


def test_polls_up_to_40_ms_late_take_little_more_than_how_late_they_were() -> None:
    draw = np.random.default_rng(3)
    at = np.arange(8640) * 10_000 + draw.integers(0, 41, 8640)
    assert deflated(coded_times(at)) * 8 / 8640 < 1.08 * log2(41)
    # a poll that was missed, and a change of period, cost some bytes and not the rest
    missed = np.delete(at, [100, 101, 5000])
    assert deflated(coded_times(missed)) < deflated(coded_times(at)) + 60


def test_a_rare_leap_does_not_cost_the_quiet_rest() -> None:
    values = np.repeat(np.array([0, 70_000, 3]), 3000)
    assert deflated(coded(values)) < 1000 + 60


@given(st.binary(max_size=60), st.integers(1, 50))
@settings(max_examples=200, deadline=None)
def test_any_bytes_are_a_column_or_one_error(content: bytes, count: int) -> None:
    for read in (decoded, decoded_times):
        with suppress(CodingError):
            assert len(read(Reader(content), count)) == count


@pytest.mark.parametrize("content", [b"", b"\x02", b"\x02\x80\x02\x09"])
def test_a_torn_column_says_so(content: bytes) -> None:
    with pytest.raises(CodingError):
        decoded(Reader(content), 5)
