"""Folding: hot rows into hour chunks and runs, runs into longer ones, and old ones into summaries alone.

`due` says which step comes next. Every step prepares on a thread of its own, from a consistent view: reads,
encodes, decodes again and compares. Then one short transaction on the writer puts the bundles in, checks
that no row came in between, and takes the sources out. Killed at any moment, a step has either happened or
not; the next call goes on from there.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from collector.storage.history import sums
from collector.storage.history.buckets import DAY_MS, HOUR_MS, MINUTE_MS
from collector.storage.history.columns import Block, joined
from collector.storage.history.compaction import hour_chunks as cooling
from collector.storage.history.compaction.run_files import (
    RUN_ROWS,
    Rewritten,
    Run,
    cut,
    rewrite_of,
)
from collector.storage.history.compaction.steps import Damage, Fold, Noted, Prepared
from collector.storage.history.store import Meaning
from collector.storage.history.tables import runs
from collector.storage.history.tables.lookup import (
    day_block,
    first_form_days,
    first_form_sums,
    folded_blocks,
    hours_stand,
    numbered_sums,
    run_block,
    spans_in,
)
from collector.storage.history.tables.schema import (
    EXACT,
    GONE,
    SPARSE,
    SUMMED,
    WHOLE,
    Texts,
    key_of,
)

SPARSE_AN_HOUR: Final = 12
"""Readings an hour up to which a stretch gets no summaries: they would take more room than what they sum up."""


def prepared(connection: sqlite3.Connection, fold: Fold, meaning: Meaning) -> Prepared:
    """Return what a step will write."""
    make = {
        "hour": cooling.of_hour,
        "past": cooling.of_past,
        "day": _day,
        "stretch": _stretch,
        "retire": _retire,
    }[fold.kind]
    damaged: list[Damage] = []
    with Noted(damaged, fold.units, fold.span_ms):
        return make(connection, fold, meaning)
    return Prepared(None, damaged)


def _day(connection: sqlite3.Connection, fold: Fold, _: Meaning) -> Prepared:
    return Prepared(rewrite_of(connection, fold.units[0], fold.first, fold.end, None).write)


def _stretch(connection: sqlite3.Connection, fold: Fold, meaning: Meaning) -> Prepared:
    unit, texts = fold.units[0], Texts(connection)
    if hours_stand(connection, unit, fold.first, fold.end):
        return Prepared(None)
    fates = _fates(connection, fold)
    let_go = frozenset(day for day, how in fates.items() if how == GONE)
    hourly = sums.DaySums(fold.first, HOUR_MS)
    _bring_lines(connection, fold, "hour_sums", let_go, hourly)
    gone: list[int] = []
    made: list[Run] = []
    group: list[tuple[int | None, int, int, Block]] = []

    def put_together() -> None:
        if len(group) == 1 and group[0][0] is not None:
            return
        made.extend(cut(joined([block for *_, block in group])))
        gone.extend(key for key, *_ in group if key is not None)

    sparse = not let_go and _is_sparse(connection, fold)
    for key, first, end, block in _pieces(connection, fold):
        if not sparse:
            hourly.add_block(_without(block, let_go), meaning, texts)
        if group and sum(len(part[3]) for part in group) + len(block) > RUN_ROWS:
            put_together()
            group = []
        group.append((key, first, end, block))
    if group:
        put_together()
    summed = SPARSE if sparse else SUMMED
    rewritten = Rewritten(
        unit, fold.first, fold.end, 0, tuple(gone), tuple(made), tuple(fates), summed=summed
    )
    if hourly:
        rewritten.sums.append(("hour_sums", fold.first, fold.end, runs.sums_of(hourly.put_together())))
    _bring_over_minutes(connection, fold, rewritten)

    def commit(writer: sqlite3.Connection) -> None:
        span = (unit, fold.first, fold.end)
        rewritten.write(writer)
        for table in ("hourly", "minutely"):
            writer.execute(f"DELETE FROM {table} WHERE unit = ? AND day >= ? AND day < ?", span)  # noqa: S608

    return Prepared(commit)


def _is_sparse(connection: sqlite3.Connection, fold: Fold) -> bool:
    """Return whether a stretch holds so few readings that summaries by the hour gain nothing."""
    span = (key_of(fold.units[0], fold.first), key_of(fold.units[0], fold.end))
    (readings,) = connection.execute(
        "SELECT ifnull(sum(readings), 0) FROM runs WHERE key >= ? AND key < ?", span
    ).fetchone()
    old = first_form_days(connection, fold.units[0], fold.first, fold.end)
    hours = 24 * len(_fates(connection, fold))
    return not old and readings <= SPARSE_AN_HOUR * hours


def _fates(connection: sqlite3.Connection, fold: Fold) -> dict[int, int]:
    rows = connection.execute(
        "SELECT day, retired FROM folded WHERE unit = ? AND day >= ? AND day < ? ORDER BY day",
        (fold.units[0], fold.first, fold.end),
    )
    return {int(day): int(how) for day, how in rows}


def _pieces(connection: sqlite3.Connection, fold: Fold) -> Iterable[tuple[int | None, int, int, Block]]:
    """Yield what is folded of a unit's days, one run or day of schema 1 (no key) at a time, in order."""
    unit = fold.units[0]
    spans: list[tuple[int, int, int | None]] = [
        (span.first_day, span.end_day, span.key)
        for span in spans_in(connection, "runs", unit, fold.first, fold.end)
    ]
    spans += [(day, day + 1, None) for day in first_form_days(connection, unit, fold.first, fold.end)]
    for first, end, key in sorted(spans, key=lambda span: span[0]):
        block = day_block(connection, unit, first) if key is None else run_block(connection, key)
        if block is not None:
            yield key, first, end, block


def _without(block: Block, days: frozenset[int]) -> Block:
    if not days:
        return block
    return block.taken(np.flatnonzero(~np.isin(block.at // DAY_MS, sorted(days))))


def _bring_lines(
    connection: sqlite3.Connection, fold: Fold, table: str, days: frozenset[int], into: sums.DaySums
) -> None:
    """Add the summaries that stand of days whose exact readings were let go."""
    if not days:
        return
    for first_day, name, corrections, part in numbered_sums(
        connection, table, fold.units[0], fold.first, fold.end
    ):
        for day, lines in sums.lines_of_days(part, into.step_ms, first_day, days):
            into.add(day, [((name, corrections), lines)])


def _bring_over_minutes(connection: sqlite3.Connection, fold: Fold, rewritten: Rewritten) -> None:
    old = list(first_form_sums(connection, "minute_sums", fold.units[0], fold.first, fold.end))
    if not old:
        return
    days = sorted({day for day, *_ in old})
    minutes = sums.DaySums(days[0], MINUTE_MS)
    for day, name, corrections, part in old:
        minutes.add(day, [((name, corrections), part)])
    stored = runs.sums_of(minutes.put_together())
    rewritten.sums.append(("minute_sums", days[0], days[-1] + 1, stored))


def _retire(connection: sqlite3.Connection, fold: Fold, meaning: Meaning) -> Prepared:
    unit = fold.units[0]
    if hours_stand(connection, unit, fold.first, fold.end):
        return Prepared(None)  # they belong to these days, and are in no run yet
    exact = [day for day, how in _fates(connection, fold).items() if how == EXACT]
    whole = joined(folded_blocks(connection, unit, fold.first, fold.end))
    old = _of_days(whole, exact)
    if (np.diff(old.at // MINUTE_MS) > 0).all():
        kept = [(WHOLE, unit, day) for day in exact]

        def leave(writer: sqlite3.Connection) -> None:
            writer.executemany("UPDATE folded SET retired = ? WHERE unit = ? AND day = ?", kept)

        return Prepared(leave)
    minutes = sums.DaySums(exact[0], MINUTE_MS)
    minutes.add_block(old, meaning, Texts(connection))
    spans = connection.execute(
        "SELECT from_at, until_at FROM kept WHERE unit = ? AND from_at < ? AND until_at > ?",
        (unit, fold.end * DAY_MS, fold.first * DAY_MS),
    ).fetchall()
    staying = joined([_without(whole, frozenset(exact)), *(old.between(start, end) for start, end in spans)])
    gone = tuple(span.key for span in spans_in(connection, "runs", unit, fold.first, fold.end))
    rewritten = Rewritten(unit, fold.first, fold.end, 0, gone, tuple(cut(staying)), ())
    rewritten.sums.append(("minute_sums", exact[0], exact[-1] + 1, runs.sums_of(minutes.put_together())))
    rewritten.retired = tuple((day, GONE) for day in exact)
    return Prepared(rewritten.write)


def _of_days(block: Block, days: Sequence[int]) -> Block:
    return block.taken(np.flatnonzero(np.isin(block.at // DAY_MS, days)))
