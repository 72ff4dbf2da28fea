"""The default store: one SQLite file that needs no set-up and survives a loss of power."""

from __future__ import annotations

import asyncio
import sqlite3
import time
from collections import Counter
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Final, Self, TypeVar

import numpy as np

from collector.storage.database import Database, StoreError, StoreFault
from collector.storage.history import rollup
from collector.storage.history.buckets import DAY_MS, HOUR_MS, MINUTE_MS, Grid, Sums
from collector.storage.history.codec.hour_chunk import ChunkError
from collector.storage.history.columns import PERIOD, milliseconds, moment, readings_of
from collector.storage.history.compaction.due import next_fold
from collector.storage.history.compaction.fold import prepared
from collector.storage.history.compaction.steps import (
    ChangedMeanwhileError,
    Damage,
    Fold,
    PassedOver,
    Prepared,
    UnlistedError,
)
from collector.storage.history.compaction.taking_out import Piece, note_first, of_summaries, pieces
from collector.storage.history.places import Places
from collector.storage.history.store import IMPORTED, Bucket, Meaning, QuantityUnknownError, WireReading
from collector.storage.history.tables import recent_rows as hot
from collector.storage.history.tables.lookup import StoredSums, blocks, newest_at, poll_columns, stored_sums
from collector.storage.history.tables.schema import STEPS, STRETCH_DAYS, Texts, stretch_of, unit_number
from collector.storage.partner import counted

T = TypeVar("T")

PAGE_BYTES: Final = 4096  # larger pages gain no speed, and leave more of themselves unused
FOLDING: Final = "folding"
REST_SHARE: Final = 0.25
LONGEST_REST_S: Final = 0.5
"""Rest after each step of folding: a share of what it took, at most so long."""
_TRIES: Final = 5


class SqliteHistory:
    """History in one SQLite file. Satisfies `HistoryStore`.

    Exact readings are kept for `exact_days` (None: for ever), and around what `keep_exact` named for ever.
    """

    def __init__(self, path: Path, meaning: Meaning, *, exact_days: int | None = 731) -> None:
        self.meaning = meaning
        self.exact_days = exact_days
        self.database = Database(path, STEPS, page_bytes=PAGE_BYTES)
        self.database.sealing = counted
        self._names = hot.Names()
        self.database.rolled_back = self._names.forget
        self._last: dict[str, WireReading] = {}
        self._over: PassedOver | None = None
        self._rewriting = asyncio.Lock()
        """Held by whoever writes again what stands: what was read for it is still so when it is written."""

    @property
    def path(self) -> Path:
        """Return the file."""
        return self.database.path

    @property
    def trouble(self) -> None:
        """Return None: what ails a local file is raised to whoever writes or tends."""

    async def __aenter__(self) -> Self:
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    async def append(self, batch: Sequence[WireReading]) -> None:
        """Keep a batch, all or nothing, and return when it is safe."""
        if not batch:
            return

        def work(connection: sqlite3.Connection) -> None:
            hot.insert(connection, self._names, batch)

        await self.database.write(work)
        for reading in batch:
            known = self._last.get(reading.unit)
            told = reading.silence is None and reading.corrections != IMPORTED
            if told and known is not None and known.at < reading.at:
                self._last[reading.unit] = reading

    async def series(
        self, unit: str, quantity: str, *, line: int | None, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        """Return at most `points` buckets that cover `start` to `end` (excluded)."""
        object_name = self.meaning.object_of(quantity, line)
        if object_name is None:
            raise QuantityUnknownError(quantity, line)
        grid = Grid.over(start, end, points)
        return (await self._read(lambda connection: self._several(connection, unit, (object_name,), grid)))[0]

    async def several(
        self, unit: str, quantities: Sequence[str], *, start: datetime, end: datetime, points: int
    ) -> tuple[tuple[Bucket, ...], ...]:
        """Return what `series` does of quantities that have no lines, by one look at what is kept."""
        names = [(one, self.meaning.object_of(one, None)) for one in quantities]
        for quantity, name in names:
            if name is None:
                raise QuantityUnknownError(quantity, None)
        objects = [name for _, name in names if name is not None]
        grid = Grid.over(start, end, points)
        return await self._read(lambda connection: self._several(connection, unit, objects, grid))

    def _several(
        self, connection: sqlite3.Connection, unit: str, names: Sequence[str], grid: Grid
    ) -> tuple[tuple[Bucket, ...], ...]:
        found = unit_number(connection, unit)
        if found is None or found[1] >= grid.end_ms:
            return (Sums(grid).buckets(None),) * len(names)  # nothing can be there, and nothing is looked for
        number, first_ms = found
        # exact readings that were let go leave summaries by the minute, and nothing finer
        objects = frozenset((PERIOD, *names))
        by_minute = stored_sums(
            connection, "minute_sums", number, objects, start_ms=grid.start_ms, end_ms=grid.end_ms
        )
        if by_minute and grid.step_ms < MINUTE_MS:
            grid = grid.coarser(MINUTE_MS)
        by_hour: Sequence[StoredSums] = ()
        if grid.step_ms % HOUR_MS == 0:
            by_hour = stored_sums(
                connection, "hour_sums", number, objects, start_ms=grid.start_ms, end_ms=grid.end_ms
            )
        several = [(name, Sums(grid)) for name in names]
        done: set[int] = set()  # the days of which there are summaries: of all objects, or of none
        for name, sums in several:
            hours = self._gather(sums, name, by_hour, HOUR_MS, set())
            done |= hours | self._gather(sums, name, by_minute, MINUTE_MS, hours)
        texts = Texts(connection)
        wanted = frozenset().union(*map(poll_columns, names))
        for start_ms, end_ms in _spans_without(done, grid.start_ms, grid.end_ms):
            for block in blocks(connection, number, start_ms, end_ms, wanted):
                for name, sums in several:
                    sums.add_block(block, name, self.meaning, texts)
        return tuple(sums.buckets(first_ms) for _, sums in several)

    def _gather(
        self, sums: Sums, object_name: str, found: Sequence[StoredSums], step_ms: int, done: set[int]
    ) -> set[int]:
        """Add the summaries of all days but those done, and return which days (ms) they were."""
        polls = [
            (part.start_ms + part.rollup.table[0] * step_ms, part)
            for part in found
            if part.object_name == PERIOD
        ]
        days = {int(day) * DAY_MS for at, _ in polls for day in np.unique(at // DAY_MS)} - done
        if not days:
            return days
        chosen = np.array(sorted(days))
        for at, part in polls:
            rows = np.isin(at // DAY_MS * DAY_MS, chosen)
            table = part.rollup.table[:, rows]
            sums.add_polls(at[rows], polls=table[1], heard=table[2], covered_ms=table[6])
        parts = []
        for part in found:
            if part.object_name == object_name:
                at = part.start_ms + part.rollup.table[0] * step_ms
                rows = np.isin(at // DAY_MS * DAY_MS, chosen)
                lines = rollup.Rollup(part.rollup.form, part.rollup.table[:, rows])
                parts.append((part.start_ms, part.corrections, lines))
        rollup.gather(sums, object_name, self.meaning, parts, step_ms)
        return days

    async def first(self, unit: str) -> datetime | None:
        """Return when a unit was first read, None where it never was."""
        found = await self._read(lambda connection: unit_number(connection, unit))
        return None if found is None else moment(found[1])

    async def last(self, unit: str) -> WireReading | None:
        """Return the newest reading of a unit that was neither a silence nor imported."""
        if unit not in self._last:
            found = await self._read(lambda connection: _newest(connection, unit))
            if found is None:
                return None
            known = self._last.get(unit)
            if known is None or known.at < found.at:
                self._last[unit] = found
        return self._last[unit]

    async def readings(self, unit: str, start: datetime, end: datetime) -> AsyncIterator[WireReading]:
        """Yield exact readings and silences, oldest first, from `start` to `end` (excluded)."""
        first_ms, end_ms = milliseconds(start), milliseconds(end)
        while first_ms < end_ms:
            next_ms = min((first_ms // HOUR_MS + 6) * HOUR_MS, end_ms)
            part = await self._read(
                lambda connection, a=first_ms, b=next_ms: _readings(connection, unit, a, b)  # type: ignore[misc]
            )
            for reading in part:
                yield reading
            first_ms = next_ms

    async def units(self) -> tuple[str, ...]:
        """Return the names of all units ever read."""
        return await self._read(
            lambda c: tuple(str(name) for (name,) in c.execute("SELECT name FROM units ORDER BY name"))
        )

    async def keep_exact(self, unit: str, start: datetime, end: datetime, why: str) -> None:
        """Keep the exact readings of a span for ever; of a unit never read there are none."""
        span = (milliseconds(start), milliseconds(end))
        number = await self._read(lambda connection: _to_keep(connection, unit, *span))
        if number is not None:
            await self.database.write(
                lambda c: c.execute("INSERT OR REPLACE INTO kept VALUES (?, ?, ?, ?)", (number, *span, why))
            )

    async def take_out(
        self, unit: str, origin: str, start: datetime, end: datetime, *, let_go: bool
    ) -> frozenset[date]:
        """Take a unit's imported readings of one origin out, whole days; return the days that lost any."""
        found = await self._read(lambda connection: unit_number(connection, unit))
        if found is None:
            return frozenset()
        number, first, last = found[0], milliseconds(start) // DAY_MS, -(-milliseconds(end) // DAY_MS)
        lost: set[int] = set()
        for stretch in range(stretch_of(first), last, STRETCH_DAYS):
            days = (max(stretch, first), min(stretch + STRETCH_DAYS, last))
            async with self._rewriting:
                lost |= await self._taken_out(lambda c, d=days: pieces(c, number, origin, *d))  # type: ignore[misc]
                if let_go:
                    lost |= await self._taken_out(lambda c, d=days: of_summaries(c, number, *d))  # type: ignore[misc]
            await asyncio.sleep(0)
        if lost:
            await self.database.write(lambda connection: self._begins_anew(connection, number))
        return frozenset(moment(day * DAY_MS).date() for day in lost)

    async def _taken_out(self, work: Callable[[sqlite3.Connection], list[Piece]]) -> set[int]:
        """Do the pieces of a piece of work one by one, with a rest after each; return the days that lost something."""
        lost: set[int] = set()
        for piece in await self._read(work):
            began_s = time.monotonic()
            try:
                lost |= await self.database.write(piece)
            except ChunkError as error:
                raise StoreError(self.path, StoreFault.CORRUPT, f"a chunk is {error}") from error
            await _rest(began_s)
        return lost

    def _begins_anew(self, connection: sqlite3.Connection, unit: int) -> None:
        note_first(connection, unit)
        self._names.forget()

    async def _read(self, work: Callable[[sqlite3.Connection], T]) -> T:
        try:
            return await self.database.read(work)
        except ChunkError as error:
            raise StoreError(self.path, StoreFault.CORRUPT, f"a chunk is {error}") from error

    async def tend(self, now: datetime, *, let_go: bool = True) -> tuple[str, ...]:
        """Fold what is old enough, in short steps off the loop; return what could not be read.

        With `let_go` also give up exact readings that are old enough, leaving summaries. What cannot be read stays
        where it is, and holds up nothing else; it is named at every call, though looked at again only after an hour.

        To be called every minute or so. Left undone or cut off, it goes on at the next call. After each step
        it rests for a share of the time that took, so that a long past to fold leaves room for others.
        Raises StoreError; what was not folded is still there.
        """
        if self._over is None or self._over.is_stale(now):
            self._over = await self._looked_again(now, self._over)
        over = self._over
        over.begin()
        met: Counter[Fold] = Counter()
        while True:
            began_s = time.monotonic()
            fold = await self._next(now, over, self.exact_days if let_go else None)
            if fold is None:
                return await self._in_words(over)
            over.add(fold, await self._step(fold))
            met[fold] += 1
            if met[fold] >= _TRIES:
                over.leave(fold)
            await _rest(began_s)

    async def _looked_again(self, now: datetime, before: PassedOver | None) -> PassedOver:
        """Return what is still damaged of what was, though the steps that found it may not be due now.

        The rows that such a step could not take are often too few to make it due, until many more wait with them.
        """
        over = PassedOver(now)
        for fold in () if before is None else before.folds:
            began_s = time.monotonic()
            ready = await self._prepared(fold)
            over.add(fold, ready.damaged)
            await _rest(began_s)
        return over

    async def _prepared(self, fold: Fold) -> Prepared:
        return await self.database.read(lambda c: prepared(c, fold, self.meaning), lane=FOLDING)

    async def _next(self, now: datetime, over: PassedOver, exact_days: int | None) -> Fold | None:
        now_ms = milliseconds(now)
        exact_ms = None if exact_days is None else exact_days * DAY_MS
        while True:
            try:
                return await self.database.read(lambda c: next_fold(c, now_ms, exact_ms, over), lane=FOLDING)
            except UnlistedError as error:
                over.unlisted[error.kind] = error.finding

    async def _step(self, fold: Fold) -> Sequence[Damage]:
        """Take one step, as far as what it needs can be read; return what cannot be, and stays as it is."""
        async with self._rewriting:
            return await self._rewritten(fold)

    async def _rewritten(self, fold: Fold) -> Sequence[Damage]:
        ready = await self._prepared(fold)
        if ready.commit is None:
            return ready.damaged
        try:
            await self.database.write(ready.commit)
        except ChangedMeanwhileError:
            return ()  # it is still due, and comes round again
        except StoreError as error:
            if error.fault is not StoreFault.CORRUPT:
                raise
            return [Damage(unit, *fold.span_ms, error.what) for unit in fold.units or (None,)]
        except ChunkError as error:
            raise StoreError(self.path, StoreFault.FAILING, f"while folding: {error}") from error
        return ready.damaged

    async def _in_words(self, over: PassedOver) -> tuple[str, ...]:
        if not over.damaged:
            return tuple(map(str, over.unlisted.values()))
        places = await self.database.read(Places, lane=FOLDING)
        return tuple(map(str, (*over.unlisted.values(), *(d.finding(places) for d in over.damaged))))

    async def close(self) -> None:
        """Finish what is under way and close. Safe to call twice."""
        await self.database.close()


async def _rest(began_s: float) -> None:
    """Rest for a share of the time since a moment of the monotonic clock."""
    await asyncio.sleep(min(REST_SHARE * (time.monotonic() - began_s), LONGEST_REST_S))


def _spans_without(days_ms: set[int], start_ms: int, end_ms: int) -> Iterator[tuple[int, int]]:
    """Yield the spans between `start_ms` and `end_ms` that lie in none of the days."""
    begin = start_ms
    for day_ms in sorted(days_ms):
        if begin < min(day_ms, end_ms):
            yield begin, min(day_ms, end_ms)
        begin = max(begin, day_ms + DAY_MS)
    if begin < end_ms:
        yield begin, end_ms


def _to_keep(connection: sqlite3.Connection, unit: str, start_ms: int, end_ms: int) -> int | None:
    """Return the number of a unit that has readings and of which the span is not kept yet."""
    found = unit_number(connection, unit)
    if found is None:
        return None
    covers = "SELECT 1 FROM kept WHERE unit = ? AND from_at <= ? AND until_at >= ?"
    kept = connection.execute(covers, (found[0], start_ms, end_ms)).fetchone()
    return found[0] if kept is None else None


def _newest(connection: sqlite3.Connection, unit: str) -> WireReading | None:
    found = unit_number(connection, unit)
    if found is None:
        return None
    number, first_ms = found
    texts = Texts(connection)
    newest_ms = newest_at(connection, number)
    span_ms = HOUR_MS
    while newest_ms is not None and newest_ms >= first_ms:
        for block in reversed(list(blocks(connection, number, newest_ms - span_ms, newest_ms + 1))):
            read = readings_of(unit, block, texts)
            heard = [r for r in read if r.silence is None and r.corrections != IMPORTED]
            if heard:
                return heard[-1]
        newest_ms -= span_ms
        span_ms = DAY_MS
    return None


def _readings(connection: sqlite3.Connection, unit: str, start_ms: int, end_ms: int) -> list[WireReading]:
    found = unit_number(connection, unit)
    if found is None:
        return []
    texts = Texts(connection)
    return [
        reading
        for block in blocks(connection, found[0], start_ms, end_ms)
        for reading in readings_of(unit, block, texts)
    ]
