"""Runs give back what was put in, column by column, and damage costs no more than what it touches."""

from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.storage.history.codec.hour_chunk import ChunkError
from collector.storage.history.codec.run_bundle import bundled, opened, opened_bytes
from collector.storage.history.columns import POLL, Block, Column
from collector.storage.history.rollup import INTEGERS, NUMBERS, Rollup
from collector.storage.history.tables.runs import block_in, run_of, sums_in, sums_of, what_is_sound

WHOLE = st.integers(-(2**63), 2**63 - 1)
CELL = st.one_of(st.none(), WHOLE, st.integers(-3, 3))


def column(cells: list[int | None]) -> Column:
    present = np.array([cell is not None for cell in cells], dtype=np.bool_)
    values = np.array([cell or 0 for cell in cells], dtype=np.int64)
    return Column(values, None if present.all() else present)


def a_day() -> Block:
    """8640 polls: three lines of a voltage, a wattage that is noise, a temperature asked for every minute."""
    draw = np.random.default_rng(4)
    rows = 8640
    columns = {name: Column(np.full(rows, 3)) for name in POLL}
    for line in (1, 2, 3):
        steps = draw.choice([-1, 0, 1], size=rows, p=[0.1, 0.8, 0.1])
        columns[f"upsOutputVoltage.{line}"] = Column(2300 + np.cumsum(steps))
    columns["upsOutputPower.1"] = Column(np.rint(draw.normal(5000, 40, rows)).astype(np.int64))
    asked = np.arange(rows) % 6 == 0
    columns["upsBatteryTemperature"] = Column(np.where(asked, 24, 0), asked)
    return Block(np.arange(rows) * 10_000, columns)


@given(st.lists(st.tuples(CELL, CELL, st.integers(1, 2**40)), min_size=1, max_size=40))
@settings(max_examples=100, deadline=None)
def test_any_block_comes_back(rows: list[tuple[int | None, int | None, int]]) -> None:
    at = np.cumsum([gap for _, _, gap in rows])
    block = Block(at, {"one": column([a for a, _, _ in rows]), "Ω": column([b for _, b, _ in rows])})
    assert block_in(opened_bytes(run_of(block))).same_as(block)


def test_one_column_is_read_without_the_others() -> None:
    day = a_day()
    stored = run_of(day)
    fetched = []

    def fetch(place: int, size: int) -> bytes:
        fetched.append(size)
        return stored[place : place + size]

    found = block_in(opened(fetch, len(stored)), frozenset(("upsBatteryTemperature",)))
    assert np.array_equal(
        found.columns["upsBatteryTemperature"].values, day.columns["upsBatteryTemperature"].values
    )
    assert sum(fetched) < len(stored) / 5


def test_a_mask_that_columns_share_is_kept_once() -> None:
    asked = np.random.default_rng(6).random(8640) < 0.5
    columns = {f"upsObject{n}": Column(np.where(asked, n, 0), asked) for n in range(20)}
    many = len(run_of(Block(np.arange(8640) * 10, columns)))
    one = len(run_of(Block(np.arange(8640) * 10, {"upsObject0": columns["upsObject0"]})))
    assert many < one + 20 * 20


def test_a_damaged_segment_costs_its_own_columns_and_no_others() -> None:
    day = a_day()
    stored = bytearray(run_of(day))
    (hit,) = [s for s in opened_bytes(bytes(stored)).segments if "upsOutputPower.1" in s.names]
    stored[hit.place + hit.size // 2] ^= 4
    with pytest.raises(ChunkError):
        block_in(opened_bytes(bytes(stored)))
    sound, lost = what_is_sound(opened_bytes(bytes(stored)))
    assert {name for name, _ in lost} == set(hit.names)
    assert sound is not None
    assert sound.same_as(Block(day.at, {n: c for n, c in day.columns.items() if n not in hit.names}))


@given(st.data())
@settings(max_examples=200, deadline=None)
def test_a_flipped_bit_or_a_torn_end_is_noticed(data: st.DataObject) -> None:
    block = Block(
        np.arange(50) * 10_000, {"one": column([n % 7 for n in range(50)]), "two": column([5] * 50)}
    )
    stored = bytearray(run_of(block))
    if data.draw(st.booleans()):
        place = data.draw(st.integers(0, len(stored) * 8 - 1))
        stored[place // 8] ^= 1 << place % 8
    else:
        del stored[data.draw(st.integers(0, len(stored) - 1)) :]
    with suppress(ChunkError):
        assert block_in(opened_bytes(bytes(stored))).same_as(
            block
        )  # some bits of the compressed form carry nothing


@given(st.binary(max_size=200))
@settings(max_examples=100, deadline=None)
def test_any_bytes_end_in_one_error(content: bytes) -> None:
    for start in (b"", b"RTb1"):
        with pytest.raises(ChunkError):
            opened_bytes(start + content)


def test_entries_that_are_no_columns_end_in_one_error() -> None:
    stored = bundled({"rows": 5}, [("@at", b"\xff\xff"), ("@masks", b"\x00"), ("one", b"\x07")])
    with pytest.raises(ChunkError):
        block_in(opened_bytes(stored))


TABLE = st.lists(st.tuples(*[WHOLE] * 6), min_size=1, max_size=30)


@given(TABLE, st.sampled_from((INTEGERS, NUMBERS)))
@settings(max_examples=100, deadline=None)
def test_any_summaries_come_back(lines: list[tuple[int, ...]], form: int) -> None:
    table = np.array([(n, *line) for n, line in enumerate(lines)], dtype=np.int64).T
    parts = {
        ("upsOutputPower.1", 3, form): Rollup(form, table),
        ("t:odd name", 4, INTEGERS): Rollup(INTEGERS, table[:, :1]),
    }
    run = opened_bytes(sums_of(parts))
    found = sums_in(run)
    assert found.keys() == parts.keys()
    assert all(np.array_equal(found[key].table, parts[key].table) for key in parts)
    assert sums_in(run, frozenset(("t:odd name",))).keys() == {("t:odd name", 4, INTEGERS)}
