"""What the default store's housekeeping has to do next, oldest first.

hour      an hour of all units, where rows come thick, into hour chunks
day       a unit's complete day out of its hour chunks into a run
past      complete days of some units straight from hot rows into runs
stretch   a unit's complete stretch: short runs put together, summaries by the hour made
retire    a unit's run older than is asked for: summaries by the minute made, exact readings let go

A day with hour chunks does not wait with sparse ones: as soon as it is complete what is left of it is folded, by hours
while that is many rows, then together with its chunks. Left to wait it would hold up the day's run, and all behind it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from itertools import groupby
from operator import itemgetter
from typing import Final

from collector.storage.history.buckets import DAY_MS, HOUR_MS, MINUTE_MS
from collector.storage.history.compaction.steps import Fold, PassedOver, UnlistedError, is_damage
from collector.storage.history.tables.lookup import first_form_days, hours_stand, readings_in, spans_in
from collector.storage.history.tables.schema import END_OF_DAYS, STRETCH_DAYS, stretch_of

GRACE_MS: Final = 2 * MINUTE_MS
"""How long after its end an hour may still get readings without being folded twice."""
HELD_ROWS: Final = 20_000
"""While fewer hot rows than this wait, hours are left until their day is complete: small chunks gain little."""
WAITING_ROWS: Final = 60_000
"""While fewer hot rows than this wait, complete days are left until their stretch is: sparse polls fold together."""
SPARSE_ROWS: Final = 60_000
"""A complete day with fewer hot rows than this (an imported past) is folded without going by hours."""
STEP_ROWS: Final = 20_000
"""Rows that one step takes in, new ones and those it writes again: what bounds its time and memory."""
_PART_DAYS: Final = 8
"""So many days, or half of them, are let go of a run of which not all days are old enough.

A run of sparse polls holds up to a stretch, and all of it is written again for each part that is let go. Day by
day that would be done thirty times over; so exact readings may stay up to a week longer than is asked for.
"""


def next_fold(
    connection: sqlite3.Connection, now_ms: int, exact_ms: int | None, over: PassedOver
) -> Fold | None:
    """Return the oldest step that is due, None when there is none but those passed over.

    `exact_ms`: how long exact readings are kept, None for ever. Raises UnlistedError.
    """
    complete = min((now_ms - GRACE_MS) // DAY_MS, END_OF_DAYS)
    sources: Mapping[str, Callable[[], Iterable[Fold]]] = {
        "readings of earlier days": lambda: _of_complete_days(connection, complete, over),
        "readings of today": lambda: _of_today(connection, now_ms, complete, over),
        "hours": lambda: _of_hours(connection, complete),
        "stretches of days": lambda: _of_stretches(connection, complete),
        "readings to be let go": lambda: (
            () if exact_ms is None else _of_old(connection, (now_ms - exact_ms) // DAY_MS)
        ),
    }
    for kind, due in sources.items():
        if kind in over.unlisted:
            continue
        try:
            for fold in due():
                if fold not in over:
                    return fold
        except sqlite3.DatabaseError as error:
            if not is_damage(error):
                raise
            raise UnlistedError(kind, str(error)) from error
    return None


def _of_today(connection: sqlite3.Connection, now_ms: int, complete: int, over: PassedOver) -> Iterable[Fold]:
    oldest_ms = _first_row(connection, complete * DAY_MS, (now_ms - GRACE_MS) // HOUR_MS * HOUR_MS, over)
    if oldest_ms is not None and _rows(connection, oldest_ms, 2**62, HELD_ROWS + 1) > HELD_ROWS:
        yield _hour_of(oldest_ms)


def _hour_of(at_ms: int) -> Fold:
    return Fold("hour", at_ms // HOUR_MS, at_ms // HOUR_MS + 1)


def _of_complete_days(connection: sqlite3.Connection, complete: int, over: PassedOver) -> Iterable[Fold]:
    by_hours: set[int] | None = None
    waiting: list[int] = []
    rows = 0
    for at_ms in _first_of_days(connection, complete, over):
        day = at_ms // DAY_MS
        count = _rows(connection, at_ms, (day + 1) * DAY_MS, SPARSE_ROWS + 1)
        if by_hours is None:
            by_hours = _days_by_hours(connection, complete)
        if count > (HELD_ROWS if day in by_hours else SPARSE_ROWS):
            yield _hour_of(at_ms)
            return
        if day in by_hours:
            yield from _past(connection, day, day + 1, over)
            return
        if waiting and stretch_of(day) != stretch_of(waiting[0]):
            break
        waiting.append(day)
        rows += count
        if rows > SPARSE_ROWS:
            break
    if waiting and (rows > WAITING_ROWS or stretch_of(waiting[0]) + STRETCH_DAYS <= complete):
        yield from _past(connection, waiting[0], waiting[-1] + 1, over)


def _days_by_hours(connection: sqlite3.Connection, complete: int) -> set[int]:
    rows = connection.execute("SELECT DISTINCT hour / 24 FROM hours WHERE hour < ?", (complete * 24,))
    return {int(day) for (day,) in rows}


def _first_of_days(connection: sqlite3.Connection, complete: int, over: PassedOver) -> Iterator[int]:
    """Yield the time of the first hot row of each complete day, of those not passed over."""
    start_ms = 0
    while (at_ms := _first_row(connection, start_ms, complete * DAY_MS, over)) is not None:
        yield at_ms
        start_ms = (at_ms // DAY_MS + 1) * DAY_MS


def _first_row(connection: sqlite3.Connection, start_ms: int, end_ms: int, over: PassedOver) -> int | None:
    start_ms = over.beyond(start_ms)
    for at_ms, unit in connection.execute(
        "SELECT at, unit FROM hot WHERE at >= ? AND at < ? ORDER BY at, unit", (start_ms, end_ms)
    ):
        if not (isinstance(at_ms, int) and isinstance(unit, int)):
            continue  # a damaged page can hold anything
        if over.beyond(at_ms) != at_ms:  # the rest may stand on a damaged page
            return _first_row(connection, at_ms, end_ms, over)
        if not over.covers(unit, at_ms, at_ms + 1):
            return int(at_ms)
    return None


def _rows(connection: sqlite3.Connection, start_ms: int, end_ms: int, most: int) -> int:
    """Return how many hot rows there are in a span, at most `most`."""
    (count,) = connection.execute(
        "SELECT count(*) FROM (SELECT 1 FROM hot WHERE at >= ? AND at < ? LIMIT ?)", (start_ms, end_ms, most)
    ).fetchone()
    return int(count)


def _past(connection: sqlite3.Connection, first: int, end: int, over: PassedOver) -> Iterable[Fold]:
    """Yield a step over the first units with hot rows in some days: as many units, or days of one, as it can take."""
    rows = connection.execute(
        "SELECT unit, at / ?, count(*) FROM hot WHERE at >= ? AND at < ?"
        " AND typeof(unit) = 'integer' AND typeof(at) = 'integer' GROUP BY 1, 2 ORDER BY 1, 2",
        (DAY_MS, first * DAY_MS, end * DAY_MS),
    ).fetchall()
    units: list[int] = []
    cost, last = 0, first
    for unit, days in groupby(rows, key=itemgetter(0)):
        counts = {day: count for _, day, count in days}
        unit_cost, unit_last = 0, first
        for day, more in _costs(connection, unit, counts, over):
            if unit_cost and cost + unit_cost + more > STEP_ROWS:
                if not units:
                    units, last = [unit], unit_last
                yield Fold("past", first, last, tuple(units))
                return
            unit_cost, unit_last = unit_cost + more, day + 1
        if units and cost + unit_cost > STEP_ROWS:
            break
        if unit_cost:
            units.append(unit)
            cost, last = cost + unit_cost, max(last, unit_last)
    if units:
        yield Fold("past", first, last, tuple(units))


def _costs(
    connection: sqlite3.Connection, unit: int, counts: Mapping[int, int], over: PassedOver
) -> Iterator[tuple[int, int]]:
    """Yield the days of a unit with hot rows (`counts`: how many) that are not all passed over, with what each costs.

    That is the rows it takes to fold it: the new ones, and those of runs they belong into, which are written again.
    """
    seen: set[int] = set()
    for day, count in counts.items():
        new = count
        span_ms = (day * DAY_MS, (day + 1) * DAY_MS)
        if over.covers(unit, *span_ms):
            at = connection.execute(
                "SELECT at FROM hot WHERE unit = ? AND at >= ? AND at < ?", (unit, *span_ms)
            )
            new = sum(not over.covers(unit, at_ms, at_ms + 1) for (at_ms,) in at)
        if new and first_form_days(connection, unit, day, day + 1):
            yield day, STEP_ROWS  # how many rows such a day holds is nowhere said
        elif new and hours_stand(connection, unit, day, day + 1):
            yield day, max(new, STEP_ROWS // 2)  # nor is it here; polled at 10 s, a day has nearly that many
        elif new:
            standing = readings_in(connection, unit, day)
            yield day, new + sum(readings for key, readings in standing.items() if key not in seen)
            seen |= standing.keys()


def _of_hours(connection: sqlite3.Connection, complete: int) -> Iterable[Fold]:
    for unit, day in connection.execute(
        "SELECT DISTINCT unit, hour / 24 AS day FROM hours WHERE hour < ? ORDER BY day, unit",
        (complete * 24,),
    ):
        yield Fold("day", day, day + 1, (unit,))


def _of_stretches(connection: sqlite3.Connection, complete: int) -> Iterable[Fold]:
    rows = connection.execute(
        "SELECT DISTINCT unit, day / ? * ? AS first FROM folded WHERE summed = 0 AND day < ? ORDER BY first, unit",
        (STRETCH_DAYS, STRETCH_DAYS, stretch_of(complete)),
    )
    for unit, first in rows:
        if not hours_stand(connection, unit, first, first + STRETCH_DAYS):
            yield Fold("stretch", first, first + STRETCH_DAYS, (unit,))


def _of_old(connection: sqlite3.Connection, limit: int) -> Iterable[Fold]:
    rows = connection.execute(
        "SELECT day, unit FROM folded WHERE retired = 0 AND day < ? ORDER BY day", (limit,)
    )
    for day, unit in rows:
        inside = spans_in(connection, "runs", unit, day, day + 1)
        first, end = (inside[0].first_day, inside[0].end_day) if inside else (day, day + 1)
        old = min(end, limit)
        is_enough = old == end or old - first >= min(_PART_DAYS, (end - first + 1) // 2)
        if is_enough and not hours_stand(connection, unit, first, old):
            yield Fold("retire", first, old, (unit,))
