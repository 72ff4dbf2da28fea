"""Summaries of days of exact readings, by the hour or by the minute, and their way into one row.

Beside the objects stands `PERIOD`: for each hour or minute how many polls there were ("asked"), how many were
answered ("good"), and the time their periods cover ("total"), from which gaps are told.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from collector.storage.history import rollup
from collector.storage.history.buckets import DAY_MS
from collector.storage.history.columns import CORRECTIONS, PERIOD, SILENCE, Block, Ints
from collector.storage.history.rollup import Rollup
from collector.storage.history.store import Meaning, Wire

Named = tuple[str, int]
"""Object and number of the correction set."""


class DaySums:
    """Summaries day by day, with lines counted from the first of `first_day`."""

    def __init__(self, first_day: int, step_ms: int) -> None:
        self.first_day = first_day
        self.step_ms = step_ms
        self._parts: dict[tuple[str, int, int], list[tuple[int, Rollup]]] = {}

    def add_block(self, block: Block, meaning: Meaning, texts: Mapping[int, Wire]) -> None:
        """Sum up whole days of exact readings."""
        if not len(block):
            return
        days, firsts = np.unique(block.at // DAY_MS, return_index=True)
        ends = np.append(firsts[1:], len(block))
        for day, first, end in zip(days.tolist(), firsts.tolist(), ends.tolist(), strict=True):
            self.add(day, _of_day(block.taken(np.arange(first, end)), meaning, texts, day, self.step_ms))

    def add(self, day: int, parts: Iterable[tuple[Named, Rollup]]) -> None:
        """Add summaries whose lines count from the start of a day."""
        lines = (day - self.first_day) * (DAY_MS // self.step_ms)
        for (name, corrections), part in parts:
            if len(part):
                self._parts.setdefault((name, corrections, part.form), []).append((lines, part))

    def __bool__(self) -> bool:
        return bool(self._parts)

    def put_together(self) -> dict[tuple[str, int, int], Rollup]:
        """Return all that was added, by object, correction set and form."""
        return {key: rollup.joined(parts) for key, parts in self._parts.items()}


def lines_of_days(
    part: Rollup, step_ms: int, first_day: int, days: frozenset[int]
) -> Iterable[tuple[int, Rollup]]:
    """Yield the lines that belong to some days, day by day, counted from the start of each."""
    lines = DAY_MS // step_ms
    for day in sorted(days):
        begin = (day - first_day) * lines
        chosen = part.table[:, (part.table[0] >= begin) & (part.table[0] < begin + lines)].copy()
        chosen[0] -= begin
        if chosen.shape[1]:
            yield day, Rollup(part.form, chosen)


def _of_day(
    block: Block, meaning: Meaning, texts: Mapping[int, Wire], day: int, step_ms: int
) -> Iterable[tuple[Named, Rollup]]:
    day_ms = day * DAY_MS
    for name in rollup.objects_in(block):
        found = rollup.rollups(block, name, meaning, texts, day_ms=day_ms, step_ms=step_ms)
        for corrections, part in found.items():
            yield (name, corrections), part
    yield _polls(block, day_ms, step_ms)


def _polls(block: Block, day_ms: int, step_ms: int) -> tuple[Named, Rollup]:
    silence = block.columns.get(SILENCE)
    heard = np.ones(len(block), dtype=np.int64) if silence is None else (~silence.mask()).astype(np.int64)
    places = (block.at - day_ms) // step_ms
    periods = block.columns[PERIOD].values
    starts = np.flatnonzero(np.diff(places, prepend=places[0] - 1))
    zero: Ints = np.zeros(len(starts), dtype=np.int64)
    counts = np.diff(np.append(starts, len(block)))
    table = [places[starts], counts, np.add.reduceat(heard, starts), zero, zero, zero]
    table.append(np.add.reduceat(periods, starts))
    # one line whatever the correction sets were: polls are not corrected
    number = int(block.columns[CORRECTIONS].values[0])
    return (PERIOD, number), Rollup(rollup.INTEGERS, np.stack(table))
