"""What the default store's housekeeping has to do next, oldest first.

hour      an hour of all units, where rows come thick, into hour chunks
day       a unit's complete day out of its hour chunks into a run
past      complete days of some units straight from hot rows into runs
stretch   a unit's complete stretch: short runs put together, summaries by the hour made
retire    a unit's run older than is asked for: summaries by the minute made, exact readings let go
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from collector.history.buckets import DAY_MS, HOUR_MS, MINUTE_MS
from collector.history.lookup import spans_in
from collector.history.tables import STRETCH_DAYS, stretch_of

GRACE_MS: Final = 2 * MINUTE_MS
"""How long after its end an hour may still get readings without being folded twice."""
HELD_ROWS: Final = 20_000
"""While fewer hot rows than this wait, hours are left until their day is complete: small chunks gain little."""
WAITING_ROWS: Final = 60_000
"""While fewer hot rows than this wait, complete days are left until their stretch is: sparse polls fold together."""
SPARSE_ROWS: Final = 60_000
"""A complete day with fewer hot rows than this (an imported past) is folded without going by hours."""
STEP_ROWS: Final = 20_000
"""Rows that one step takes in: what bounds its time and memory."""
_PART_DAYS: Final = 8
"""So many days, or half of them, are let go of a run of which not all days are old enough."""


@dataclass(frozen=True, slots=True)
class Fold:
    """One step, of the days from `first` to `end` (excluded), or of the hour `first`; of `units`, or of all."""

    kind: str
    first: int
    end: int
    units: tuple[int, ...] = ()


def next_fold(
    connection: sqlite3.Connection, now_ms: int, exact_ms: int | None, passed_over: frozenset[Fold]
) -> Fold | None:
    """Return the oldest step that is due, None when there is none but those passed over.

    `exact_ms`: how long exact readings are kept, None for ever.
    """
    complete = (now_ms - GRACE_MS) // DAY_MS
    for due in (
        _of_hot(connection, now_ms),
        _of_hours(connection, complete),
        _of_stretches(connection, complete),
    ):
        for fold in due:
            if fold not in passed_over:
                return fold
    if exact_ms is not None:
        for fold in _of_old(connection, (now_ms - exact_ms) // DAY_MS):
            if fold not in passed_over:
                return fold
    return None


def _of_hot(connection: sqlite3.Connection, now_ms: int) -> Iterable[Fold]:
    (oldest_ms,) = connection.execute("SELECT min(at) FROM hot").fetchone()
    if oldest_ms is None or (oldest_ms // HOUR_MS + 1) * HOUR_MS + GRACE_MS > now_ms:
        return
    day = int(oldest_ms) // DAY_MS
    complete = (now_ms - GRACE_MS) // DAY_MS
    if day >= complete:
        if _row_after(connection, oldest_ms, HELD_ROWS) is not None:
            yield Fold("hour", oldest_ms // HOUR_MS, oldest_ms // HOUR_MS + 1)
        return
    beyond_ms = _row_after(connection, oldest_ms, SPARSE_ROWS)
    if beyond_ms is not None and beyond_ms // DAY_MS <= day:
        yield Fold("hour", oldest_ms // HOUR_MS, oldest_ms // HOUR_MS + 1)
        return
    stretch_end = stretch_of(day) + STRETCH_DAYS
    waiting_ms = _row_after(connection, oldest_ms, WAITING_ROWS)
    if stretch_end <= complete or (waiting_ms is not None and waiting_ms < complete * DAY_MS):
        end = min(stretch_end, complete, complete if beyond_ms is None else beyond_ms // DAY_MS)
        yield Fold("past", day, end, _some_units(connection, day, end))


def _row_after(connection: sqlite3.Connection, oldest_ms: int, rows: int) -> int | None:
    row = connection.execute(
        "SELECT at FROM hot WHERE at >= ? ORDER BY at LIMIT 1 OFFSET ?", (oldest_ms, rows)
    ).fetchone()
    return None if row is None else int(row[0])


def _some_units(connection: sqlite3.Connection, day: int, end: int) -> tuple[int, ...]:
    """Return the first units with hot rows in some days, as many as one step can take."""
    chosen: list[int] = []
    rows = 0
    for unit, count in connection.execute(
        "SELECT unit, count(*) FROM hot WHERE at >= ? AND at < ? GROUP BY unit ORDER BY unit",
        (day * DAY_MS, end * DAY_MS),
    ):
        rows += count
        if chosen and rows > STEP_ROWS:
            break
        chosen.append(unit)
    return tuple(chosen)


def _of_hours(connection: sqlite3.Connection, complete: int) -> Iterable[Fold]:
    for unit, hour in connection.execute(
        "SELECT unit, min(hour) FROM hours WHERE hour < ? GROUP BY unit", (complete * 24,)
    ):
        yield Fold("day", hour // 24, hour // 24 + 1, (unit,))


def _of_stretches(connection: sqlite3.Connection, complete: int) -> Iterable[Fold]:
    rows = connection.execute(
        "SELECT DISTINCT unit, day / ? * ? AS first FROM folded WHERE summed = 0 AND day < ? ORDER BY first LIMIT 100",
        (STRETCH_DAYS, STRETCH_DAYS, stretch_of(complete)),
    )
    for unit, first in rows:
        yield Fold("stretch", first, first + STRETCH_DAYS, (unit,))


def _of_old(connection: sqlite3.Connection, limit: int) -> Iterable[Fold]:
    rows = connection.execute(
        "SELECT day, unit FROM folded WHERE retired = 0 AND day < ? ORDER BY day LIMIT 1000", (limit,)
    )
    for day, unit in rows:
        inside = spans_in(connection, "runs", unit, day, day + 1)
        first, end = (inside[0].first_day, inside[0].end_day) if inside else (day, day + 1)
        old = min(end, limit)
        if old == end or old - first >= min(_PART_DAYS, (end - first + 1) // 2):
            yield Fold("retire", first, old, (unit,))
