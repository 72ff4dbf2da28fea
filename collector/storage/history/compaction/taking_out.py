"""Takes the readings of one origin out of the default store again: an import that was wrong.

Piece by piece, each in a transaction of its own that leaves the store whole: what is left of a run, of an hour's chunk, of
the hot rows. Of days that lost a row the summaries by the hour are let go with it and made anew; until then they are
reckoned from the exact readings, as those of a day that is not summed up yet.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from functools import partial
from typing import Final

import numpy as np

from collector.storage.history import sums
from collector.storage.history.buckets import DAY_MS, HOUR_MS, MINUTE_MS
from collector.storage.history.codec import hour_chunk
from collector.storage.history.columns import PERIOD, START, Block
from collector.storage.history.compaction.run_files import cut, require_same
from collector.storage.history.rollup import Rollup
from collector.storage.history.store import IMPORTED
from collector.storage.history.tables import recent_rows as hot
from collector.storage.history.tables import runs
from collector.storage.history.tables.lookup import bundle_at, run_block, spans_in
from collector.storage.history.tables.names import sign_name
from collector.storage.history.tables.schema import GONE, LOOSE, STRETCH_DAYS, key_of, stretch_of

Piece = Callable[[sqlite3.Connection], frozenset[int]]
"""One transaction's work; gives the days (since 1970) that lost something."""
_SUMS: Final = (("hour_sums", HOUR_MS), ("minute_sums", MINUTE_MS))


def pieces(
    connection: sqlite3.Connection, unit: int, origin: str, first_day: int, end_day: int
) -> list[Piece]:
    """Return the work on a unit's rows of an origin (the program's run that its stamps name) within some days."""
    found = _text(connection, origin)
    if found is None:
        return []
    number: int = found
    spans = spans_in(connection, "runs", unit, first_day, end_day)
    hours = connection.execute(
        "SELECT hour FROM hours WHERE unit = ? AND hour >= ? AND hour < ? ORDER BY hour",
        (unit, first_day * 24, end_day * 24),
    ).fetchall()
    made: list[Piece] = [_of_run(unit, span.key, number) for span in spans]
    made += [_of_hour(unit, int(hour), number) for (hour,) in hours]
    return [*made, _of_hot(unit, number, (first_day * DAY_MS, end_day * DAY_MS))]


def of_summaries(connection: sqlite3.Connection, unit: int, first_day: int, end_day: int) -> list[Piece]:
    """Return the work on what stands for imported readings that were let go: they have no origin any more.

    So it is for days on which no other import of the unit lies.
    """
    found = _text(connection, IMPORTED)
    if found is None:
        return []
    number: int = found
    days = _gone(connection, unit, first_day, end_day)
    stretches = sorted({stretch_of(day) for day in days})
    return [
        _of_gone(unit, number, frozenset(d for d in days if stretch_of(d) == first)) for first in stretches
    ]


def first_kept(connection: sqlite3.Connection, unit: int) -> int | None:
    """Return when the oldest reading of a unit was made (ms), None where it has none; let go: the day's beginning."""
    found = []
    (at,) = connection.execute("SELECT min(at) FROM hot WHERE unit = ?", (unit,)).fetchone()
    found += [] if at is None else [int(at)]
    row = connection.execute(
        "SELECT chunk FROM hours WHERE unit = ? ORDER BY hour LIMIT 1", (unit,)
    ).fetchone()
    found += [] if row is None else [int(hour_chunk.decoded(row[0]).at[0])]
    row = connection.execute(
        "SELECT key FROM runs WHERE key >= ? AND key < ? ORDER BY key LIMIT 1",
        (key_of(unit, 0), key_of(unit + 1, 0)),
    ).fetchone()
    found += [] if row is None else [int(run_block(connection, row[0], frozenset()).at[0])]
    for question in (
        "SELECT min(day) FROM folded WHERE unit = ? AND retired = ?",
        "SELECT min(day) FROM days WHERE unit = ? AND 0 < ?",
    ):
        (day,) = connection.execute(question, (unit, GONE)).fetchone()
        found += [] if day is None else [int(day) * DAY_MS]
    return min(found, default=None)


def note_first(writer: sqlite3.Connection, unit: int) -> frozenset[int]:
    """Have a unit begin where its oldest reading is now; one that has none is as if it had never been read."""
    at = first_kept(writer, unit)
    if at is not None:
        writer.execute("UPDATE units SET first_at = ? WHERE id = ?", (at, unit))
        sign_name(writer, "units", unit)
    else:
        writer.execute("DELETE FROM kept WHERE unit = ?", (unit,))
        writer.execute("DELETE FROM units WHERE id = ?", (unit,))
    return frozenset()


def _text(connection: sqlite3.Connection, text: str) -> int | None:
    row = connection.execute(
        "SELECT id FROM texts WHERE kind = ? AND value = ?", hot.stored_text(text)
    ).fetchone()
    return None if row is None else int(row[0])


def _days(block: Block, rows: np.ndarray[tuple[int], np.dtype[np.intp]]) -> frozenset[int]:
    return frozenset(np.unique(block.at[rows] // DAY_MS).tolist())


def _of_run(unit: int, key: int, number: int) -> Piece:
    def work(writer: sqlite3.Connection) -> frozenset[int]:
        block = run_block(writer, key)
        ours = block.columns[START].values == number
        lost = _days(block, np.flatnonzero(ours))
        if not lost:
            return lost
        stays = block.taken(np.flatnonzero(~ours))
        _loosen(writer, unit, lost)
        writer.execute("DELETE FROM runs WHERE key = ?", (key,))
        for run in cut(stays):
            new = key_of(unit, run.first_day)
            writer.execute(
                "INSERT INTO runs (key, end_day, readings, chunk) VALUES (?, ?, ?, ?)",
                (new, run.end_day, run.readings, run.chunk),
            )
            require_same(writer, "runs", new, run.chunk)
        empty = lost - _days(stays, np.arange(len(stays)))
        writer.executemany(
            "DELETE FROM folded WHERE unit = ? AND day = ? AND retired != ?",
            [(unit, day, GONE) for day in empty],
        )
        return lost

    return work


def _of_hour(unit: int, hour: int, number: int) -> Piece:
    def work(writer: sqlite3.Connection) -> frozenset[int]:
        row = writer.execute("SELECT chunk FROM hours WHERE unit = ? AND hour = ?", (unit, hour)).fetchone()
        if row is None:
            return frozenset()
        block = hour_chunk.decoded(row[0])
        ours = block.columns[START].values == number
        if not ours.any():
            return frozenset()
        stays = block.taken(np.flatnonzero(~ours))
        if len(stays):
            stored = hour_chunk.encoded(stays)
            writer.execute("UPDATE hours SET chunk = ? WHERE unit = ? AND hour = ?", (stored, unit, hour))
            if not hour_chunk.decoded(stored).same_as(stays):
                raise hour_chunk.ChunkError("chunk does not decode to what was put in")
        else:
            writer.execute("DELETE FROM hours WHERE unit = ? AND hour = ?", (unit, hour))
        return frozenset({hour // 24})

    return work


def _of_hot(unit: int, number: int, span_ms: tuple[int, int]) -> Piece:
    def work(writer: sqlite3.Connection) -> frozenset[int]:
        where = "FROM hot WHERE at >= ? AND at < ? AND unit = ? AND start = ?"
        asked = (*span_ms, unit, number)
        days = writer.execute(f"SELECT DISTINCT at / {DAY_MS} {where}", asked).fetchall()
        writer.execute(f"DELETE {where}", asked)
        return frozenset(int(day) for (day,) in days)

    return work


def _loosen(writer: sqlite3.Connection, unit: int, days: frozenset[int]) -> None:
    """Let go of the summaries by the hour of the stretches of some days, but for days that have nothing else."""
    for first in {stretch_of(day) for day in days}:
        end = first + STRETCH_DAYS
        gone = _gone(writer, unit, first, end)
        _rewrite_sums(writer, "hour_sums", HOUR_MS, (unit, first, end), partial(_is_of, gone))
        writer.execute(
            "UPDATE folded SET summed = ? WHERE unit = ? AND day >= ? AND day < ? AND retired != ?",
            (LOOSE, unit, first, end, GONE),
        )


def _is_of(days: frozenset[int], _name: str, _set: int, day: int) -> bool:
    return day in days


def _of_gone(unit: int, number: int, days: frozenset[int]) -> Piece:
    span = (unit, min(days), max(days) + 1)

    def work(writer: sqlite3.Connection) -> frozenset[int]:
        lost: set[int] = set()
        kept: set[int] = set()
        for table, step_ms in _SUMS:
            own = _days_of_others(writer, table, step_ms, span, number)
            kept |= own

            def stays(name: str, of: int, day: int, own: frozenset[int] = own) -> bool:
                if of != number or day not in days:
                    return True
                lost.add(day)
                return (
                    name == PERIOD and day in own
                )  # the polls of a day are counted in one line, whosesoever they are

            _rewrite_sums(writer, table, step_ms, span, stays)
        for span_row in spans_in(writer, "runs", *span):
            kept |= _days(block := run_block(writer, span_row.key, frozenset()), np.arange(len(block)))
        writer.executemany(
            "DELETE FROM folded WHERE unit = ? AND day = ? AND retired = ?",
            [(unit, day, GONE) for day in lost - kept],
        )
        return frozenset(lost)

    return work


def _days_of_others(
    connection: sqlite3.Connection, table: str, step_ms: int, span: tuple[int, int, int], number: int
) -> frozenset[int]:
    found: set[int] = set()
    for first, _, of, part in _numbered(connection, table, span):
        if of != number:
            found |= {day for day, _ in _by_day(part, step_ms, first)}
    return frozenset(found)


def _numbered(
    connection: sqlite3.Connection, table: str, span: tuple[int, int, int]
) -> Iterator[tuple[int, str, int, Rollup]]:
    for row in spans_in(connection, table, *span):
        with bundle_at(connection, table, row.key) as bundle:
            for (name, of, _), part in runs.sums_in(bundle).items():
                yield row.first_day, name, of, part


def _by_day(part: Rollup, step_ms: int, first_day: int) -> Iterator[tuple[int, Rollup]]:
    days = np.unique(part.table[0] // (DAY_MS // step_ms)) + first_day
    yield from sums.lines_of_days(part, step_ms, first_day, frozenset(days.tolist()))


def _rewrite_sums(
    writer: sqlite3.Connection,
    table: str,
    step_ms: int,
    span: tuple[int, int, int],
    stays: Callable[[str, int, int], bool],
) -> None:
    """Keep of a table's summaries what `stays`, asked by object, number of the correction set and day."""
    for row in spans_in(writer, table, *span):
        left = sums.DaySums(row.first_day, step_ms)
        with bundle_at(writer, table, row.key) as bundle:
            found = runs.sums_in(bundle)
        for (name, of, _), part in found.items():
            for day, lines in _by_day(part, step_ms, row.first_day):
                if stays(name, of, day):
                    left.add(day, [((name, of), lines)])
        if not left:
            writer.execute(f"DELETE FROM {table} WHERE key = ?", (row.key,))  # noqa: S608
            continue
        stored = runs.sums_of(left.put_together())
        writer.execute(f"UPDATE {table} SET chunk = ? WHERE key = ?", (stored, row.key))  # noqa: S608
        require_same(writer, table, row.key, stored)


def _gone(connection: sqlite3.Connection, unit: int, first_day: int, end_day: int) -> frozenset[int]:
    rows = connection.execute(
        "SELECT day FROM folded WHERE unit = ? AND day >= ? AND day < ? AND retired = ?",
        (unit, first_day, end_day, GONE),
    )
    return frozenset(int(day) for (day,) in rows)
