"""The running service takes on what was made ready: into the history where nothing was measured, and what follows from it.

Nothing that a card gave is overwritten: of a row that lies within a period of a measured reading, the measured one stands. Of
days whose exact readings were let go only hours of which nothing is known are filled. A stretch of rows goes in whole or not
at all, and one that is there already counts once; so a kill in the midst, and the same file again, change nothing.
"""

from __future__ import annotations

import asyncio
import logging
import sqlite3
from bisect import bisect_left
from collections.abc import Awaitable, Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import groupby
from pathlib import Path
from typing import Any, Final

from collector.assessment.past.found_discharges import discharges_in
from collector.assessment.past.prepared import BroughtFile, PreparedRows, opened_rows, waiting
from collector.process.clock import Clock
from collector.storage.database import StoreError
from collector.storage.history.store import IMPORTED, HistoryStore, WireReading
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Evidence, JournalLine, Snapshot
from rules.plant.estate import Estate

LOOK_EVERY_S: Final = 2.0
CHUNK_ROWS: Final = 1_500
MOST_DAYS: Final = 30
MOST_ROWS: Final = 20_000
"""A stretch is of so many days, or of so many rows where they are fewer days, but of a day at least."""
DAY: Final = timedelta(days=1)
REST: Final = 1.0
"""Rest after each piece, of the time it took, waiting included: half a core at most, and less on a busy machine."""
AROUND_DISCHARGE: Final = timedelta(minutes=15)
SNAPSHOT: Final = "imports"
SCHEMA: Final = "imports/1"
KIND: Final = "readings_imported"
LOOKED_AT: Final = "output_power_w"
_log = logging.getLogger(__name__)

Filled = Callable[[str, datetime, datetime], Awaitable[object]]
"""Told of which system there is a past now, stretch by stretch from when until when."""


@dataclass(slots=True)
class TakenRows:
    """What became of a file's rows."""

    taken: int = 0
    measured: int = 0
    there: int = 0


class TakesPast:
    """Takes on what waits in a folder, one file after the other, while nothing more urgent goes on."""

    def __init__(
        self,
        folder: Path,
        estate: Estate,
        history: HistoryStore,
        ledger: Ledger,
        clock: Clock,
        *,
        lively: Callable[[], bool] = lambda: False,
        filled: Filled | None = None,
        back: Callable[[], Awaitable[None]] | None = None,
    ) -> None:
        self._folder, self._estate, self._history, self._ledger = folder, estate, history, ledger
        self._clock, self._lively, self._filled, self._back = clock, lively, filled, back
        self._trouble = ""

    async def run(self) -> None:
        """Look for files and take them on, until cancelled. One that cannot be read, or moved, holds up nothing else."""
        while True:
            try:
                await self.once()
            except OSError as error:
                if str(error) != self._trouble:
                    _log.error("the past that waits in %s cannot be taken on: %s", self._folder, error)
                self._trouble = str(error)
            await self._clock.sleep_until(self._clock.monotonic_s() + LOOK_EVERY_S)

    async def once(self) -> None:
        """Take on what waits now, after what is asked back. A file that cannot be read is set aside, and said so."""
        if self._back is not None:
            await self._back()
        for path in await asyncio.to_thread(waiting, self._folder):
            try:
                about, rows = await asyncio.to_thread(opened_rows, path)
            except (sqlite3.Error, ValueError, KeyError, TypeError) as error:
                _log.error("%s is no file of past readings (%s); it is set aside", path, error)
                path.replace(path.with_suffix(".unreadable"))
                continue
            try:
                await self._take(about, rows)
            except StoreError as error:
                _log.warning("the past in %s is not taken on yet: %s", about.file, error)
                return  # the boundary: the stores say what ails them; the file waits
            finally:
                rows.close()
            path.unlink(missing_ok=True)

    async def _take(self, about: BroughtFile, rows: PreparedRows) -> None:
        done = TakenRows()
        for place, span in enumerate(about.units):
            if span.unit not in self._estate.units:
                continue  # the estate file was changed meanwhile
            first = await self._history.first(span.unit)
            days = min(max(int(MOST_ROWS * span.period_s / DAY.total_seconds()), 1), MOST_DAYS)
            for start, end in stretches(span.first, span.last, days):
                part = await asyncio.to_thread(_rows_of, rows, about, place, (start, end))
                await self._stretch(part, done, untouched=first is None or end <= first)
        found = await asyncio.to_thread(discharges_in, about, rows, self._estate)
        new = [line for line in found if not await self._is_known(line)]
        await self._keep(about, done, new)
        if self._filled is not None:
            await self._fill(about, self._filled)

    async def _fill(self, about: BroughtFile, filled: Filled) -> None:
        """Have what is made of the history made of the new past too."""
        units = [span.unit for span in about.units if span.unit in self._estate.units]
        first, last = min(s.first for s in about.units), max(s.last for s in about.units)
        for system in sorted({self._estate.units[unit].system for unit in units}):
            for start, end in stretches(first, last, MOST_DAYS):
                async with self._piece():
                    await filled(system, start, end)

    async def _stretch(self, part: Sequence[WireReading], done: TakenRows, *, untouched: bool) -> None:
        """Take the rows of one unit in a stretch of days. `untouched`: before it was ever read."""
        fresh = list(part)
        if part and not untouched:
            fresh = []
            for day, of_day in groupby(part, key=lambda row: row.at.date()):
                fresh += await self._unmeasured(part[0].unit, list(of_day), day, done)
        for place in range(0, len(fresh), CHUNK_ROWS):
            chunk = fresh[place : place + CHUNK_ROWS]
            async with self._piece():
                await self._history.append(chunk)
            done.taken += len(chunk)

    async def _unmeasured(
        self, unit: str, rows: Sequence[WireReading], day: date, done: TakenRows
    ) -> list[WireReading]:
        """Return the rows of a day that stand in no measured reading's place and are not there yet."""
        start = datetime.combine(day, time(), UTC)
        around = timedelta(seconds=rows[0].period_s)
        measured: list[datetime] = []
        there: set[datetime] = set()
        async for known in self._history.readings(unit, start - around, start + DAY + around):
            if known.corrections == IMPORTED:
                there.add(known.at)
            elif known.silence is None:
                measured.append(known.at)
        hours: set[datetime] = set()
        if not measured and not there:
            buckets = await self._history.series(
                unit, LOOKED_AT, line=1, start=start, end=start + DAY, points=24
            )
            hours = {bucket.start for bucket in buckets if bucket.good_count}
        found = []
        for row in rows:
            place = bisect_left(measured, row.at)
            near = [abs(at - row.at) for at in measured[max(place - 1, 0) : place + 1]]
            if near and min(near) < around:
                done.measured += 1
            elif row.at in there or row.at.replace(minute=0, second=0, microsecond=0) in hours:
                done.there += 1
            else:
                found.append(row)
        return found

    async def _is_known(self, line: Evidence) -> bool:
        """Return whether the bank has a record already of a time that a discharge touches, or this one in another file."""
        until = line.until or line.at
        return any(
            known.schema == line.schema
            and (known.id != line.id or known.author is None)
            and known.at <= until
            and (known.until or known.at) >= line.at
            for known in await self._ledger.evidence(line.bank)
        )

    async def _keep(self, about: BroughtFile, done: TakenRows, found: Sequence[Evidence]) -> None:
        for line in found:
            for unit in self._estate.banks[line.bank].feeds:
                start, end = line.at - AROUND_DISCHARGE, (line.until or line.at) + AROUND_DISCHARGE
                await self._history.keep_exact(unit, start, end, line.kind)
        kept = await self._ledger.snapshot(SNAPSHOT)
        body: dict[str, Any] = dict(kept.body) if kept is not None else {}
        again = about.id in body
        now = self._clock.now()
        body[about.id] = summary(about, now, done, found) if not again else body[about.id]
        async with self._ledger.transaction() as tx:
            for line in found:
                tx.save_evidence(line)
            tx.save_snapshot(Snapshot(SNAPSHOT, now, SCHEMA, body))
            if not again:
                text = f"{in_words_of(body[about.id])} Import {about.id}."
                tx.add_event(JournalLine(now, KIND, None, text, body={"import": about.id, **body[about.id]}))

    def _piece(self) -> Piece:
        return Piece(self._clock, self._lively)


def stretches(first: datetime, last: datetime, days: int) -> Iterator[tuple[datetime, datetime]]:
    """Yield stretches of so many days, from midnight (UTC) on, until the last moment lies in one."""
    start = first.replace(hour=0, minute=0, second=0, microsecond=0)
    while start <= last:
        yield start, start + days * DAY
        start += days * DAY


def _rows_of(
    rows: PreparedRows, about: BroughtFile, place: int, span: tuple[datetime, datetime]
) -> list[WireReading]:
    return list(rows.readings(about, place, *span))


class Piece:
    """A piece of work: not begun while something urgent goes on, and paid for by a rest."""

    def __init__(self, clock: Clock, lively: Callable[[], bool]) -> None:
        self._clock, self._lively, self._began_s = clock, lively, 0.0

    async def __aenter__(self) -> None:
        while self._lively():
            await self._clock.sleep_until(self._clock.monotonic_s() + LOOK_EVERY_S)
        self._began_s = self._clock.monotonic_s()

    async def __aexit__(self, *_: object) -> None:
        now_s = self._clock.monotonic_s()
        await self._clock.sleep_until(now_s + REST * (now_s - self._began_s))


def summary(
    about: BroughtFile, now: datetime, done: TakenRows, found: Sequence[Evidence]
) -> Mapping[str, Any]:
    """Return what is kept of an import, for people and programs."""
    return {
        "file": about.file,
        "by": about.author,
        "at": now.isoformat(),
        "taken": done.taken,
        "measured": done.measured,
        "there": done.there,
        "discharges": len(found),
        "found": [[line.id, line.bank] for line in found],
        "units": [
            {"unit": s.unit, "rows": s.rows, "from": s.first.isoformat(), "until": s.last.isoformat()}
            for s in about.units
        ],
    }


def in_words_of(body: Mapping[str, Any]) -> str:
    """Return an import as the journal says it."""
    units = body["units"]
    first = min(datetime.fromisoformat(one["from"]) for one in units)
    last = max(datetime.fromisoformat(one["until"]) for one in units)
    names = ", ".join(one["unit"] for one in units)
    words = f"{body['by']} imported {body['taken']:,} readings of {names} from {body['file']}"
    words += f", {first:%d %B %Y} to {last:%d %B %Y}"
    if body["measured"]:
        words += f"; {body['measured']:,} were left out, since readings of our own stand there"
    if body["discharges"]:
        words += f"; times on a bank found in them: {body['discharges']}"
    return words + "."


def known_imports(body: Mapping[str, Any] | None) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Yield the imports in a snapshot's body by id, oldest first."""
    yield from sorted((body or {}).items(), key=lambda one: str(one[1]["at"]))
