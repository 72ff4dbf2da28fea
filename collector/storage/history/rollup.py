"""Summaries by the hour and by the minute, kept for ever, of the integers on the wire.

Smallest, largest, last and sum are those of the integers that were good under the correction set in force;
since a correction is affine, they turn into SI units on reading, and a correction unlearnt later still
repairs them. Values that are not integers on the wire are summarised as the floating-point numbers they
mean, bit for bit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from collector.storage.history.buckets import Floats, Sums, values_of
from collector.storage.history.codec.hour_chunk import ChunkError, opened
from collector.storage.history.columns import CORRECTIONS, NOTHING, TEXT, Block, Ints
from collector.storage.history.store import Meaning, Wire

FIELDS: Final = ("place", "asked", "good", "low", "high", "last", "total")
INTEGERS, NUMBERS = 0, 1
LARGEST: Final = 2**47


@dataclass(frozen=True, slots=True, eq=False)
class Rollup:
    """One line for each hour or minute of a day in which an object was asked for.

    `place` counts from the start of the day. `low`, `high`, `last` and `total` are integers as on the wire,
    or, in form NUMBERS, the bits of floating-point numbers.
    """

    form: int
    table: Ints  # a row for each of FIELDS

    def __len__(self) -> int:
        return int(self.table.shape[1])


def rollups(
    block: Block, object_name: str, meaning: Meaning, texts: Mapping[int, Wire], *, day_ms: int, step_ms: int
) -> dict[int, Rollup]:
    """Return the summaries of one object in a day's block, by correction set."""
    values, asked = values_of(block, object_name, meaning, texts)
    column = block.columns.get(object_name)
    as_integers = column is not None and TEXT + object_name not in block.columns
    raws = column.values if column is not None and as_integers else None
    if raws is not None and (np.abs(raws) >= LARGEST).any():
        raws = None  # an hour's sum might not fit 64 bits
    in_force = block.columns[CORRECTIONS].values
    found = {}
    for number in np.unique(in_force[asked]).tolist():
        rows = asked & (in_force == number)
        places = (block.at[rows] - day_ms) // step_ms
        good = ~np.isnan(values[rows])
        if raws is not None:
            found[number] = Rollup(INTEGERS, _table(places, good, raws[rows]))
        else:
            found[number] = Rollup(NUMBERS, _table(places, good, np.where(good, values[rows], 0.0)))
    return found


def _table(places: Ints, good: np.ndarray[tuple[int], np.dtype[np.bool_]], numbers: Ints | Floats) -> Ints:
    firsts = np.flatnonzero(np.diff(places, prepend=places[0] - 1))
    inverse = np.cumsum(np.diff(places, prepend=places[0]) != 0)
    count = len(firsts)
    asked = np.bincount(inverse, minlength=count)
    where, taken = inverse[good], numbers[good]
    goods = np.bincount(where, minlength=count)
    low, high, last, total = (np.zeros(count, dtype=numbers.dtype) for _ in range(4))
    if len(taken):
        starts = np.flatnonzero(np.diff(where, prepend=-1))
        filled = where[starts]
        low[filled] = np.minimum.reduceat(taken, starts)
        high[filled] = np.maximum.reduceat(taken, starts)
        total[filled] = np.add.reduceat(taken, starts)
        last[filled] = taken[np.append(starts[1:], len(taken)) - 1]
    bits = [part if part.dtype == np.int64 else part.view(np.int64) for part in (low, high, last, total)]
    return np.stack([places[firsts], asked, goods, *bits]).astype(np.int64)


def nearer(rollup: Rollup) -> Ints:
    """Return a rollup's table with largest, last and sum told from the smallest, which are smaller numbers.

    Sums wrap at 64 bits, and `restored` undoes that.
    """
    table = rollup.table.copy()
    if rollup.form == INTEGERS:
        good, low, high = table[2], table[3], table[4]
        table[6] -= low * good + ((high - low) * good >> 1)
        table[5] -= low
        table[4] = high - low
    return table


def restored(table: Ints) -> Ints:
    """Return the table that `nearer` was given."""
    table = table.copy()
    good, low, span = table[2], table[3], table[4]
    table[6] += low * good + (span * good >> 1)
    table[5] += low
    table[4] = span + low
    return table


def coarser(rollup: Rollup, lines: int) -> Rollup:
    """Return a rollup of which each line sums up `lines` of this one: 60 make hours of minutes."""
    if lines == 1 or not len(rollup):
        return rollup
    table = rollup.table[:, np.argsort(rollup.table[0], kind="stable")]
    if rollup.form == NUMBERS:
        low, high, last, total = (np.ascontiguousarray(table[n]).view(np.float64) for n in (3, 4, 5, 6))
    else:
        low, high, last, total = table[3:]
    places = table[0] // lines
    starts = np.flatnonzero(np.diff(places, prepend=places[0] - 1))
    ends = np.append(starts[1:], len(places))
    asked, good, totals = (np.add.reduceat(part, starts) for part in (table[1], table[2], total))
    lows, highs, lasts = (np.zeros(len(starts), dtype=low.dtype) for _ in range(3))
    for n, (start, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        known = start + np.flatnonzero(table[2, start:end])
        if len(known):
            lows[n], highs[n], lasts[n] = low[known].min(), high[known].max(), last[known[-1]]
    bits = [part if part.dtype == np.int64 else part.view(np.int64) for part in (lows, highs, lasts, totals)]
    return Rollup(rollup.form, np.stack([places[starts], asked, good, *bits]))


def joined(parts: Sequence[tuple[int, Rollup]]) -> Rollup:
    """Return rollups of one object, correction set and form as one. `parts`: lines to move each by, rollup."""
    tables = [rollup.table.copy() for _, rollup in parts]
    for table, (move, _) in zip(tables, parts, strict=True):
        table[0] += move
    return Rollup(parts[0][1].form, np.concatenate(tables, axis=1))


def decoded(chunk: bytes) -> Rollup:
    """Return the rollup in a chunk as schema 1 kept it. Raises ChunkError."""
    content = opened(chunk)
    if len(content) < 2 or content[1] not in (4, 8) or (len(content) - 2) % (content[1] * len(FIELDS)):
        raise ChunkError("torn summary")
    form, width = content[0], content[1]
    octets = np.frombuffer(content, dtype=np.uint8, offset=2).reshape(width, -1).T
    differences = np.ascontiguousarray(octets).view("<i4" if width == 4 else "<i8")
    table = differences.astype(np.int64).reshape(len(FIELDS), -1).cumsum(axis=1)
    if form == INTEGERS:
        table[4] += table[3]
        table[5] += table[3]
        table[6] += table[3] * table[2]
    return Rollup(form, table)


def gather(
    sums: Sums,
    object_name: str,
    meaning: Meaning,
    parts: Sequence[tuple[int, str, Rollup]],
    step_ms: int,
) -> None:
    """Add summaries to buckets. `parts`: start of the day (ms), correction set, rollup."""
    for form, corrections in sorted({(part[2].form, part[1]) for part in parts}):
        chosen = [part for part in parts if part[2].form == form and part[1] == corrections]
        table = np.concatenate([rollup.table for _, _, rollup in chosen], axis=1)
        days = np.repeat([day for day, _, _ in chosen], [len(rollup) for _, _, rollup in chosen])
        at = days.astype(np.int64) + table[0] * step_ms
        asked, good = table[1], table[2].copy()
        low, high, _, total = in_units(form, table, object_name, meaning, corrections)
        good[np.isnan(low)] = 0
        sums.add(at, low=low, high=high, total=total, good=good, asked=asked)


def in_units(
    form: int, table: Ints, object_name: str, meaning: Meaning, corrections: str
) -> tuple[Floats, Floats, Floats, Floats]:
    """Return smallest, largest, last and sum in the quantity's unit, NaN where the correction refuses them.

    Lines without a good value (`good` 0) mean nothing.
    """
    if form == NUMBERS:
        low, high, last, total = (np.ascontiguousarray(table[n]).view(np.float64) for n in (3, 4, 5, 6))
        return low, high, last, total
    raws = table[3:6]
    different, places = np.unique(raws, return_inverse=True)
    found = (meaning.value(object_name, raw, corrections) for raw in different.tolist())
    meant = np.array([np.nan if value is None else value for value in found], dtype=np.float64)
    at_low, at_high, last = meant[places.reshape(raws.shape)]
    good = np.maximum(table[2], 1)
    span = (raws[1] - raws[0]).astype(np.float64)
    share = np.divide(table[6] / good - raws[0], span, out=np.zeros(len(span)), where=span > 0)
    mean = at_low + share * (at_high - at_low)
    unknown = np.isnan(at_low) | np.isnan(at_high)
    low = np.where(unknown, np.nan, np.minimum(at_low, at_high))
    return low, np.maximum(at_low, at_high), last, mean * good


def objects_in(block: Block) -> tuple[str, ...]:
    """Return the names of the objects in a block, whatever form their values came in."""
    names = (n[2:] if n.startswith((TEXT, NOTHING)) else n for n in block.columns if "@" not in n)
    return tuple(dict.fromkeys(names))
