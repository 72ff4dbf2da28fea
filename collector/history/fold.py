"""Folding: hot rows into hour chunks and runs, runs into longer ones, and old ones into summaries alone.

`due` says which step comes next. Every step prepares on a thread of its own, from a consistent view: reads,
encodes, decodes again and compares. Then one short transaction on the writer puts the bundles in, checks
that no row came in between, and takes the sources out. Killed at any moment, a step has either happened or
not; the next call goes on from there.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from collector.history import chunk, hot, runs, sums
from collector.history.buckets import DAY_MS, HOUR_MS, MINUTE_MS
from collector.history.columns import Block, joined
from collector.history.due import STEP_ROWS, Fold
from collector.history.lookup import (
    day_block,
    first_form_days,
    first_form_sums,
    folded_blocks,
    hour_block,
    numbered_sums,
    run_block,
    spans_in,
)
from collector.history.store import Meaning
from collector.history.tables import (
    EXACT,
    GONE,
    LOOSE,
    SPARSE,
    SUMMED,
    WHOLE,
    Texts,
    key_of,
    layouts,
    stretch_of,
)

RUN_ROWS: Final = 16_384
"""Days are put together into runs of at most so many readings."""

SPARSE_AN_HOUR: Final = 12
"""Readings an hour up to which a stretch gets no summaries: they would take more room than what they sum up."""

Commit = Callable[[sqlite3.Connection], None]


class ChangedMeanwhileError(Exception):
    """Rows came in between reading and committing; the fold is to be made again."""


@dataclass(slots=True)
class Prepared:
    """What a fold will write, verified. `damaged` names sources that cannot be read, which stay."""

    commit: Commit | None
    damaged: list[str] = field(default_factory=list)


def prepared(connection: sqlite3.Connection, fold: Fold, meaning: Meaning) -> Prepared:
    """Return what a step will write."""
    if fold.kind == "hour":
        return _hour(connection, fold.first)
    if fold.kind == "past":
        return _past(connection, fold)
    one = {"day": _day, "stretch": _stretch, "retire": _retire}[fold.kind]
    try:
        return one(connection, fold, meaning)
    except chunk.ChunkError as error:
        return Prepared(None, [f"days {fold.first} to {fold.end} of unit number {fold.units[0]}: {error}"])


ALL_UNITS: Final = (-(2**62), 2**62)


def _hot_blocks(
    connection: sqlite3.Connection, start_ms: int, end_ms: int, units: tuple[int, int] = ALL_UNITS
) -> tuple[dict[int, Block], int]:
    """Return the hot rows of a span by unit, and how many they are. `units`: the lowest and the highest."""
    counts = dict(
        connection.execute(
            "SELECT unit, count(*) FROM hot WHERE at >= ? AND at < ? AND unit >= ? AND unit <= ? GROUP BY unit",
            (start_ms, end_ms, *units),
        ).fetchall()
    )
    known = layouts(connection)
    found: dict[int, Block] = {}
    waiting = sorted(counts)
    while waiting:  # some units at a time, so that a busy hour does not fill the memory
        group: list[int] = []
        while waiting and (not group or sum(counts[u] for u in group) + counts[waiting[0]] <= STEP_ROWS):
            group.append(waiting.pop(0))
        found |= hot.blocks(connection, known, (start_ms, end_ms), (group[0], group[-1]))
    return found, sum(counts.values())


def _hour(connection: sqlite3.Connection, hour: int) -> Prepared:
    start_ms, end_ms = hour * HOUR_MS, (hour + 1) * HOUR_MS
    hot_rows, count = _hot_blocks(connection, start_ms, end_ms)
    chunks: dict[int, bytes] = {}
    damaged: list[str] = []
    for unit, block in hot_rows.items():
        try:
            known = hour_block(connection, unit, hour)
            whole = block if known is None else joined([known, block])
            chunks[unit] = _checked(whole)
        except chunk.ChunkError as error:
            damaged.append(f"hour {hour} of unit number {unit}: {error}")
    if damaged:
        return Prepared(None, damaged)

    def commit(writer: sqlite3.Connection) -> None:
        _require_hot(writer, (start_ms, end_ms, *ALL_UNITS), count)
        writer.executemany(
            "INSERT OR REPLACE INTO hours (unit, hour, chunk) VALUES (?, ?, ?)",
            [(unit, hour, chunks[unit]) for unit in chunks],
        )
        for unit, expected in chunks.items():
            row = writer.execute(
                "SELECT chunk FROM hours WHERE unit = ? AND hour = ?", (unit, hour)
            ).fetchone()
            if row[0] != expected:
                raise chunk.ChunkError("an hour's chunk did not read back as written")
        writer.execute("DELETE FROM hot WHERE at >= ? AND at < ?", (start_ms, end_ms))

    return Prepared(commit)


def _checked(block: Block) -> bytes:
    stored = chunk.encoded(block)
    if not chunk.decoded(stored).same_as(block):
        raise chunk.ChunkError("chunk does not decode to what was put in")
    return stored


_OF_UNITS: Final = "FROM hot WHERE at >= ? AND at < ? AND unit >= ? AND unit <= ?"


def _require_hot(writer: sqlite3.Connection, span: tuple[int, int, int, int], count: int) -> None:
    (now,) = writer.execute(f"SELECT count(*) {_OF_UNITS}", span).fetchone()
    if now != count:
        raise ChangedMeanwhileError


def _past(connection: sqlite3.Connection, fold: Fold) -> Prepared:
    units = (fold.units[0], fold.units[-1])
    span = (fold.first * DAY_MS, fold.end * DAY_MS, *units)
    hot_rows, count = _hot_blocks(connection, span[0], span[1], units)
    rewritten = []
    damaged = []
    for unit, block in hot_rows.items():
        try:
            rewritten.append(_rewritten(connection, unit, fold.first, fold.end, block))
        except chunk.ChunkError as error:
            damaged.append(f"days {fold.first} to {fold.end} of unit number {unit}: {error}")
    if damaged:
        return Prepared(None, damaged)

    def commit(writer: sqlite3.Connection) -> None:
        _require_hot(writer, span, count)
        for part in rewritten:
            part.write(writer)
        writer.execute(f"DELETE {_OF_UNITS}", span)

    return Prepared(commit)


def _day(connection: sqlite3.Connection, fold: Fold, _: Meaning) -> Prepared:
    return Prepared(_rewritten(connection, fold.units[0], fold.first, fold.end, None).write)


@dataclass(frozen=True, slots=True)
class _Run:
    """One row of `runs`, ready to be written."""

    first_day: int
    end_day: int
    readings: int
    chunk: bytes


@dataclass(slots=True)
class _Rewritten:
    """What takes the place of all that is folded of some days of one unit."""

    unit: int
    first: int
    end: int
    hours: int
    gone: tuple[int, ...]
    runs: tuple[_Run, ...]
    days: tuple[int, ...]
    summed: int = LOOSE
    sums: list[tuple[str, int, int, bytes]] = field(default_factory=list)
    retired: tuple[tuple[int, int], ...] = ()

    def write(self, writer: sqlite3.Connection) -> None:
        """Put the runs in and take out what they are made of, within the caller's transaction."""
        hours = (self.unit, self.first * 24, self.end * 24)
        (count,) = writer.execute(
            "SELECT count(*) FROM hours WHERE unit = ? AND hour >= ? AND hour < ?", hours
        ).fetchone()
        if count != self.hours:
            raise ChangedMeanwhileError
        writer.executemany("DELETE FROM runs WHERE key = ?", [(key,) for key in self.gone])
        for run in self.runs:
            key = key_of(self.unit, run.first_day)
            writer.execute(
                "INSERT INTO runs (key, end_day, readings, chunk) VALUES (?, ?, ?, ?)",
                (key, run.end_day, run.readings, run.chunk),
            )
            _require_same(writer, "runs", key, run.chunk)
        for table, first, end, stored in self.sums:
            key = key_of(self.unit, first)
            writer.execute(
                f"INSERT OR REPLACE INTO {table} (key, end_day, chunk) VALUES (?, ?, ?)",  # noqa: S608
                (key, end, stored),
            )
            _require_same(writer, table, key, stored)
        writer.executemany(
            "INSERT INTO folded (unit, day, retired, summed) VALUES (?, ?, 0, 0)"
            " ON CONFLICT (unit, day) DO UPDATE SET summed = ?",
            [(self.unit, day, self.summed) for day in self.days],
        )
        writer.executemany(
            "UPDATE folded SET retired = ? WHERE unit = ? AND day = ?",
            [(how, self.unit, day) for day, how in self.retired],
        )
        span = (self.unit, self.first, self.end)
        writer.execute("DELETE FROM days WHERE unit = ? AND day >= ? AND day < ?", span)
        writer.execute("DELETE FROM hours WHERE unit = ? AND hour >= ? AND hour < ?", hours)


def _require_same(writer: sqlite3.Connection, table: str, key: int, stored: bytes) -> None:
    row = writer.execute(f"SELECT chunk FROM {table} WHERE key = ?", (key,)).fetchone()  # noqa: S608
    if row[0] != stored:
        raise chunk.ChunkError("a bundle did not read back as written")


def _rewritten(
    connection: sqlite3.Connection, unit: int, first: int, end: int, hot_rows: Block | None
) -> _Rewritten:
    """Return what is folded of some days of a unit together with its hour chunks and some hot rows."""
    hours = connection.execute(
        "SELECT chunk FROM hours WHERE unit = ? AND hour >= ? AND hour < ? ORDER BY hour",
        (unit, first * 24, end * 24),
    ).fetchall()
    parts = [
        *folded_blocks(connection, unit, first, end),
        *(chunk.decoded(stored) for (stored,) in hours),
        *([] if hot_rows is None else [hot_rows]),
    ]
    whole = joined(parts)
    return _Rewritten(
        unit,
        first,
        end,
        len(hours),
        tuple(span.key for span in spans_in(connection, "runs", unit, first, end)),
        tuple(_cut(whole)),
        tuple(np.unique(whole.between(first * DAY_MS, end * DAY_MS).at // DAY_MS).tolist()),
    )


def _cut(block: Block) -> Iterable[_Run]:
    """Yield a block as runs of whole days, each of as many readings as a run holds and of one stretch."""
    if not len(block):
        return
    days, firsts = np.unique(block.at // DAY_MS, return_index=True)
    ends = [*firsts[1:].tolist(), len(block)]
    begin = 0
    for n, (day, end) in enumerate(zip(days.tolist(), ends, strict=True)):
        last = n + 1 == len(ends)
        if (
            last
            or ends[n + 1] - int(firsts[begin]) > RUN_ROWS
            or stretch_of(int(days[n + 1])) != stretch_of(day)
        ):
            yield _run(int(days[begin]), day + 1, block.taken(np.arange(int(firsts[begin]), end)))
            begin = n + 1


def _run(first_day: int, end_day: int, block: Block) -> _Run:
    return _Run(first_day, end_day, len(block), runs.run_of(block))


def _stretch(connection: sqlite3.Connection, fold: Fold, meaning: Meaning) -> Prepared:
    unit, texts = fold.units[0], Texts(connection)
    fates = _fates(connection, fold)
    let_go = frozenset(day for day, how in fates.items() if how == GONE)
    hourly = sums.Gathered(fold.first, HOUR_MS)
    _bring_lines(connection, fold, "hour_sums", let_go, hourly)
    gone: list[int] = []
    made: list[_Run] = []
    group: list[tuple[int | None, int, int, Block]] = []

    def put_together() -> None:
        if len(group) == 1 and group[0][0] is not None:
            return
        made.extend(_cut(joined([block for *_, block in group])))
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
    rewritten = _Rewritten(
        unit, fold.first, fold.end, 0, tuple(gone), tuple(made), tuple(fates), summed=summed
    )
    if hourly:
        rewritten.sums.append(("hour_sums", fold.first, fold.end, runs.sums_of(hourly.put_together())))
    _bring_over_minutes(connection, fold, rewritten)

    def commit(writer: sqlite3.Connection) -> None:
        span = (unit, fold.first, fold.end)
        (hours,) = writer.execute(
            "SELECT count(*) FROM hours WHERE unit = ? AND hour >= ? AND hour < ?",
            (unit, fold.first * 24, fold.end * 24),
        ).fetchone()
        if hours:
            raise ChangedMeanwhileError
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
    connection: sqlite3.Connection, fold: Fold, table: str, days: frozenset[int], into: sums.Gathered
) -> None:
    """Add the summaries that stand of days whose exact readings were let go."""
    if not days:
        return
    for first_day, name, corrections, part in numbered_sums(
        connection, table, fold.units[0], fold.first, fold.end
    ):
        for day, lines in sums.lines_of_days(part, into.step_ms, first_day, days):
            into.add(day, [((name, corrections), lines)])


def _bring_over_minutes(connection: sqlite3.Connection, fold: Fold, rewritten: _Rewritten) -> None:
    old = list(first_form_sums(connection, "minute_sums", fold.units[0], fold.first, fold.end))
    if not old:
        return
    days = sorted({day for day, *_ in old})
    minutes = sums.Gathered(days[0], MINUTE_MS)
    for day, name, corrections, part in old:
        minutes.add(day, [((name, corrections), part)])
    stored = runs.sums_of(minutes.put_together())
    rewritten.sums.append(("minute_sums", days[0], days[-1] + 1, stored))


def _retire(connection: sqlite3.Connection, fold: Fold, meaning: Meaning) -> Prepared:
    unit = fold.units[0]
    exact = [day for day, how in _fates(connection, fold).items() if how == EXACT]
    rewritten = _rewritten(connection, unit, fold.first, fold.end, None)
    whole = joined(folded_blocks(connection, unit, fold.first, fold.end))
    old = _of_days(whole, exact)
    if (np.diff(old.at // MINUTE_MS) > 0).all():
        kept = [(WHOLE, unit, day) for day in exact]

        def leave(writer: sqlite3.Connection) -> None:
            writer.executemany("UPDATE folded SET retired = ? WHERE unit = ? AND day = ?", kept)

        return Prepared(leave)
    minutes = sums.Gathered(exact[0], MINUTE_MS)
    minutes.add_block(old, meaning, Texts(connection))
    spans = connection.execute(
        "SELECT from_at, until_at FROM kept WHERE unit = ? AND from_at < ? AND until_at > ?",
        (unit, fold.end * DAY_MS, fold.first * DAY_MS),
    ).fetchall()
    staying = joined([_without(whole, frozenset(exact)), *(old.between(start, end) for start, end in spans)])
    rewritten.runs = tuple(_cut(staying))
    rewritten.days = ()
    rewritten.sums.append(("minute_sums", exact[0], exact[-1] + 1, runs.sums_of(minutes.put_together())))
    rewritten.retired = tuple((day, GONE) for day in exact)
    return Prepared(rewritten.write)


def _of_days(block: Block, days: Sequence[int]) -> Block:
    return block.taken(np.flatnonzero(np.isin(block.at // DAY_MS, days)))
