"""Chunks give back what was put in, and notice when bits were changed."""

from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.storage.history.codec.hour_chunk import (
    ChunkError,
    decoded,
    decoded_column,
    encoded,
)
from collector.storage.history.columns import Block, Column, joined

WHOLE = st.integers(-(2**63), 2**63 - 1)
CELL = st.one_of(st.none(), WHOLE, st.integers(-3, 3))


def column(cells: list[int | None]) -> Column:
    present = np.array([cell is not None for cell in cells], dtype=np.bool_)
    values = np.array([cell or 0 for cell in cells], dtype=np.int64)
    return Column(values, None if present.all() else present)


@given(st.lists(st.tuples(CELL, CELL, st.integers(1, 2**40)), min_size=1, max_size=40))
@settings(max_examples=100, deadline=None)
def test_any_block_comes_back(rows: list[tuple[int | None, int | None, int]]) -> None:
    at = np.cumsum([gap for _, _, gap in rows])
    block = Block(at, {"one": column([a for a, _, _ in rows]), "Ω": column([b for _, b, _ in rows])})
    assert decoded(encoded(block)).same_as(block)


@given(st.data())
@settings(max_examples=100, deadline=None)
def test_a_flipped_bit_or_a_torn_end_is_noticed(data: st.DataObject) -> None:
    block = Block(np.arange(50) * 10_000, {"one": column([n % 7 for n in range(50)])})
    chunk = bytearray(encoded(block))
    if data.draw(st.booleans()):
        place = data.draw(st.integers(0, len(chunk) * 8 - 1))
        chunk[place // 8] ^= 1 << place % 8
    else:
        del chunk[data.draw(st.integers(0, len(chunk) - 1)) :]
    with suppress(ChunkError):
        assert decoded(bytes(chunk)).same_as(block)  # some bits of the compressed form carry nothing


@given(st.binary(max_size=200))
@settings(max_examples=100, deadline=None)
def test_any_bytes_end_in_one_error(content: bytes) -> None:
    with pytest.raises(ChunkError):
        decoded(content)
    with pytest.raises(ChunkError):
        decoded_column(content)


def test_of_two_rows_at_one_moment_the_earlier_block_wins() -> None:
    first = Block(np.array([0, 10]), {"one": column([1, 2])})
    second = Block(np.array([10, 20]), {"one": column([7, 3]), "two": column([8, 9])})
    whole = joined([first, second])
    assert whole.at.tolist() == [0, 10, 20]
    assert whole.columns["one"].values.tolist() == [1, 2, 3]
    assert whole.columns["two"].mask().tolist() == [False, False, True]
