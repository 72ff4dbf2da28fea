"""Honest summaries of a span: smallest, mean and largest of what was good, and how much was.

Readings expected of a bucket are those that came, and for the time that none of them covers (each covers
its own poll period) as many as the poll period asks for. An object that is asked for less often than the
card is polled is expected in the share of polls in which it was asked for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.storage.history.columns import (
    CORRECTIONS,
    NOTHING,
    PERIOD,
    SILENCE,
    TEXT,
    Block,
    Ints,
    milliseconds,
    moment,
)
from collector.storage.history.store import Bucket, Meaning, Wire

Floats = npt.NDArray[np.float64]

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 3_600_000
DAY_MS: Final = 86_400_000


@dataclass(frozen=True, slots=True)
class Grid:
    """Buckets of `step_ms` from `start_ms`; the last may reach beyond `end_ms`."""

    start_ms: int
    end_ms: int
    step_ms: int

    @property
    def count(self) -> int:
        """Return how many buckets cover the span."""
        return -(-(self.end_ms - self.start_ms) // self.step_ms)

    @classmethod
    def over(cls, start: datetime, end: datetime, points: int) -> Grid:
        """Return the finest grid of at most `points` buckets.

        Buckets of a minute or an hour and longer begin on whole minutes or hours, so that they can be
        answered from summaries; the first then begins before `start` by less than that.
        Raises ValueError for an empty span or fewer than one point.
        """
        start_ms, end_ms = milliseconds(start), milliseconds(end)
        if end_ms <= start_ms or points < 1:
            raise ValueError("want a span that is not empty and at least one point")
        step = -(-(end_ms - start_ms) // points)
        if step < MINUTE_MS:
            return cls(start_ms, end_ms, step)
        return cls(start_ms, end_ms, step).coarser(HOUR_MS if step >= HOUR_MS else MINUTE_MS)

    def coarser(self, unit_ms: int) -> Grid:
        """Return this grid with buckets of whole units, not more in number."""
        start_ms = self.start_ms // unit_ms * unit_ms
        step = max(self.step_ms, -(-(self.end_ms - start_ms) // self.count))
        return Grid(start_ms, self.end_ms, -(-step // unit_ms) * unit_ms)


def values_of(
    block: Block, object_name: str, meaning: Meaning, texts: Mapping[int, Wire]
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return an object's value in every row (NaN: not known), and where it was asked for."""
    values = np.full(len(block), np.nan)
    asked = np.zeros(len(block), dtype=np.bool_)
    if not len(block):
        return values, asked
    in_force = block.columns[CORRECTIONS].values
    for name in (object_name, TEXT + object_name, NOTHING + object_name):
        column = block.columns.get(name)
        if column is None:
            continue
        mask = column.mask()
        asked |= mask
        if name.startswith(NOTHING):
            continue
        for number in np.unique(in_force[mask]).tolist():
            rows = mask & (in_force == number)
            values[rows] = _meant(
                column.values[rows],
                object_name,
                meaning,
                str(texts[number]),
                texts if name[1:2] == ":" else None,
            )
    return values, asked


def _meant(
    raws: Ints, object_name: str, meaning: Meaning, corrections: str, texts: Mapping[int, Wire] | None
) -> Floats:
    different, places = np.unique(raws, return_inverse=True)
    found = (
        meaning.value(object_name, raw if texts is None else texts[raw], corrections)
        for raw in different.tolist()
    )
    return np.array([np.nan if value is None else value for value in found], dtype=np.float64)[places]


def percentiles(buckets: Sequence[Bucket], shares: Sequence[float]) -> tuple[float | None, ...]:
    """Return the values that such shares (0 to 1) of the readings stay at or under, bucket by bucket.

    Each bucket counts with its mean, and weighs by its good readings: choose buckets as long as the load
    that matters (five minutes, say). None where nothing good was read.
    """
    known = sorted((b.mean, b.good_count) for b in buckets if b.mean is not None)
    if not known:
        return (None,) * len(shares)
    reached = np.cumsum([weight for _, weight in known])
    places = np.searchsorted(reached, np.asarray(shares) * reached[-1] - 1e-9)
    return tuple(known[min(int(place), len(known) - 1)][0] for place in places)


class Sums:
    """What has been gathered for each bucket of a grid."""

    def __init__(self, grid: Grid) -> None:
        self.grid = grid
        count = grid.count
        self._min: Floats = np.full(count, np.inf)
        self._max: Floats = np.full(count, -np.inf)
        self._total: Floats = np.zeros(count)
        self._good: Ints = np.zeros(count, dtype=np.int64)
        self._asked: Ints = np.zeros(count, dtype=np.int64)
        self._polls: Ints = np.zeros(count, dtype=np.int64)
        self._heard: Ints = np.zeros(count, dtype=np.int64)
        self._covered_ms: Ints = np.zeros(count, dtype=np.int64)

    def _places(self, at_ms: Ints) -> tuple[Ints, npt.NDArray[np.bool_]]:
        places = (at_ms - self.grid.start_ms) // self.grid.step_ms
        return places, (places >= 0) & (at_ms < self.grid.end_ms)

    def add_block(self, block: Block, object_name: str, meaning: Meaning, texts: Mapping[int, Wire]) -> None:
        """Gather exact readings."""
        if not len(block):
            return
        values, asked = values_of(block, object_name, meaning, texts)
        good = ~np.isnan(values)
        polls = np.ones(len(block), dtype=np.int64)
        silent = block.columns.get(SILENCE)
        heard = polls if silent is None else polls - silent.mask()
        self.add_polls(block.at, polls=polls, heard=heard, covered_ms=block.columns[PERIOD].values)
        self.add(
            block.at,
            low=values,
            high=values,
            total=np.where(good, values, 0.0),
            good=good.astype(np.int64),
            asked=asked.astype(np.int64),
        )

    def add_polls(self, at_ms: Ints, *, polls: Ints, heard: Ints, covered_ms: Ints) -> None:
        """Gather numbers of polls, of those answered, and the time that their periods cover."""
        places, within = self._places(at_ms)
        np.add.at(self._polls, places[within], polls[within])
        np.add.at(self._heard, places[within], heard[within])
        np.add.at(self._covered_ms, places[within], covered_ms[within])

    def add(self, at_ms: Ints, *, low: Floats, high: Floats, total: Floats, good: Ints, asked: Ints) -> None:
        """Gather summaries that begin at `at_ms`; `low` and `high` count where `good` is above zero."""
        places, within = self._places(at_ms)
        np.add.at(self._asked, places[within], asked[within])
        within &= good > 0
        places = places[within]
        np.minimum.at(self._min, places, low[within])
        np.maximum.at(self._max, places, high[within])
        np.add.at(self._total, places, total[within])
        np.add.at(self._good, places, good[within])

    def buckets(self, first_ms: int | None) -> tuple[Bucket, ...]:
        """Return the buckets. Nothing is expected before `first_ms`, when the unit was first read."""
        starts = self.grid.start_ms + self.grid.step_ms * np.arange(self.grid.count)
        expected = self._expected(starts, first_ms).tolist()
        good = self._good.tolist()
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = (self._total / self._good).tolist()
        lows, highs = self._min.tolist(), self._max.tolist()
        return tuple(
            Bucket(
                moment(start), lows[n], min(max(mean[n], lows[n]), highs[n]), highs[n], good[n], expected[n]
            )
            if good[n]
            else Bucket(moment(start), None, None, None, 0, expected[n])
            for n, start in enumerate(starts.tolist())
        )

    def _expected(self, starts: Ints, first_ms: int | None) -> Ints:
        if first_ms is None:
            return np.zeros(len(starts), dtype=np.int64)
        begins = np.maximum(starts, first_ms)
        lengths = np.maximum(np.minimum(starts + self.grid.step_ms, self.grid.end_ms) - begins, 0)
        known = self._polls > 0
        if not known.any():
            return np.zeros(len(starts), dtype=np.int64)
        # where nothing came, the period last in force still asks for readings
        places = np.where(known, np.arange(len(starts)), 0)
        places = np.maximum.accumulate(places)
        places = np.where(known[places], places, int(np.argmax(known)))
        period = self._covered_ms[places] / self._polls[places]
        missed = np.rint(np.maximum(lengths - self._covered_ms, 0) / np.maximum(period, 1.0))
        polls = self._polls + missed
        heard = self._heard.sum()
        share = min(1.0, self._asked.sum() / heard) if heard else 1.0
        expected: Ints = np.maximum(np.rint(polls * share).astype(np.int64), self._asked)
        return expected
