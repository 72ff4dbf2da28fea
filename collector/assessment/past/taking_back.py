"""An import that was wrong is taken back: its readings, the discharges found in them, and the peaks that came of it.

Who asks for it leaves a note beside the files that wait; the running service does it, as it takes files on. Nothing that a
card gave is touched: peaks of the days that lost readings are made anew of what is left of them in the history, by the
quarter of an hour. Cut off at any moment it is done again from the note; the same file, put right or not, may be imported
afterwards.
"""

from __future__ import annotations

import asyncio
import json
import logging
import sqlite3
from collections.abc import Awaitable, Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from collector.assessment.past.prepared import FOLDER, give_to_owner, opened_rows, prepared_path
from collector.assessment.past.taking import MOST_DAYS, SCHEMA, SNAPSHOT, Piece, stretches
from collector.process.atomic_file import whole_file
from collector.process.clock import Clock
from collector.storage.database import FILE_MODE, FOLDER_MODE, StoreError
from collector.storage.history.store import HistoryStore, origin_of
from collector.storage.ledger import Ledger
from collector.storage.ledger.discharge_record import shown_id
from collector.storage.ledger.records import JournalLine, Snapshot
from rules.plant.estate import Estate

KIND: Final = "import_taken_back"
NOTE: Final = ".back"
"""The ending of a note that asks for an import back; its name is the import's id."""
DAY: Final = timedelta(days=1)
_log = logging.getLogger(__name__)

Anew = Callable[[str, Sequence[date]], Awaitable[object]]
"""Has the record of a system's load made anew for some days."""


@dataclass(frozen=True, slots=True)
class WrongImport:
    """An import that goes back: what of which unit, from when until when. `kept`: what the ledger has of it, if any."""

    id: str
    file: str
    author: str
    spans: tuple[tuple[str, datetime, datetime], ...]
    kept: Mapping[str, Any] | None


def note_path(folder: Path, name: str) -> Path:
    """Return where the note stands that asks for an import back."""
    return folder / FOLDER / f"{name}{NOTE}"


def ask_back(folder: Path, name: str, by: str, at: datetime) -> bool:
    """Leave the note that asks for an import back; return whether it is new. Raises OSError."""
    path = note_path(folder, name)
    if path.exists():
        return False
    path.parent.mkdir(mode=FOLDER_MODE, exist_ok=True)
    _write(path, {"by": by, "at": at.isoformat()})
    give_to_owner(path, folder)
    return True


class TakesBack:
    """Takes back what is asked for in a folder, one import after the other, while nothing more urgent goes on."""

    def __init__(
        self,
        folder: Path,
        estate: Estate,
        history: HistoryStore,
        ledger: Ledger,
        clock: Clock,
        *,
        lively: Callable[[], bool] = lambda: False,
        anew: Anew | None = None,
        ask: Callable[[str], None] = lambda _bank: None,
    ) -> None:
        self._folder, self._estate, self._history, self._ledger = folder, estate, history, ledger
        self._clock, self._lively, self._anew, self._ask = clock, lively, anew, ask

    async def once(self) -> None:
        """Take back what is asked for now. A store that cannot is asked again; a note that cannot be read is set aside."""
        for path in await asyncio.to_thread(_notes, self._folder):
            try:
                note = json.loads(await asyncio.to_thread(path.read_text, "utf-8"))
                author = str(note["by"])
            except (ValueError, KeyError, TypeError) as error:
                _log.error("%s is no note of an import to be taken back (%s); it is set aside", path, error)
                path.replace(path.with_suffix(".unreadable"))
                continue
            try:
                await self._back(path, note, author)
            except StoreError as error:
                _log.warning("the import %s is not taken back yet: %s", path.stem, error)

    async def _back(self, path: Path, note: dict[str, Any], author: str) -> None:
        snapshot = await self._ledger.snapshot(SNAPSHOT)
        body = dict(snapshot.body) if snapshot is not None else {}
        wrong = _wrong(self._folder, path.stem, body)
        if wrong is not None:
            if "days" not in note:
                note["days"] = await self._days(wrong)
                await asyncio.to_thread(_write, path, note)
            days = await self._out(wrong, body, note["days"])
            if self._anew is not None:
                for system, lost in self._by_system(days):
                    await self._anew(system, lost)
            await self._keep(wrong, body, author)
        await asyncio.to_thread(_done, self._folder, path)

    async def _days(self, wrong: WrongImport) -> dict[str, list[str]]:
        """Return by unit the days on which readings of an import stand, before the first of them goes."""
        found: dict[str, list[str]] = {}
        for unit, first, last in wrong.spans:
            days: set[date] = set()
            for start, end in stretches(first, last, MOST_DAYS):
                async with Piece(self._clock, self._lively):
                    async for reading in self._history.readings(unit, start, end):
                        if reading.stamp.start_id == origin_of(wrong.id):
                            days.add(reading.at.date())
            found[unit] = [day.isoformat() for day in sorted(days)]
        return found

    async def _out(
        self, wrong: WrongImport, body: Mapping[str, Any], noted: Mapping[str, Sequence[str]]
    ) -> dict[str, set[date]]:
        """Take the readings out; return by unit the days that lost any."""
        lost = {unit: {date.fromisoformat(day) for day in days} for unit, days in noted.items()}
        for unit, first, last in wrong.spans:
            alone = not any(
                _overlaps(other, unit, first, last) for name, other in body.items() if name != wrong.id
            )
            for start, end in stretches(first, last, MOST_DAYS):
                async with Piece(self._clock, self._lively):
                    gone = await self._history.take_out(unit, origin_of(wrong.id), start, end, let_go=alone)
                lost.setdefault(unit, set()).update(gone)
        return lost

    def _by_system(self, days: Mapping[str, Iterable[date]]) -> Iterator[tuple[str, list[date]]]:
        known = {unit: own for unit, own in days.items() if unit in self._estate.units}
        for system in sorted({self._estate.units[unit].system for unit in known}):
            lost = {
                d for unit, own in known.items() if self._estate.units[unit].system == system for d in own
            }
            if lost:
                yield system, sorted(lost)

    async def _keep(self, wrong: WrongImport, body: dict[str, Any], author: str) -> None:
        now = self._clock.now()
        found = tuple(wrong.kept.get("found", ())) if wrong.kept is not None else ()
        body.pop(wrong.id, None)
        async with self._ledger.transaction() as tx:
            for name, _ in found:
                tx.drop_evidence(name)
                tx.drop_evidence(shown_id(name))
            tx.save_snapshot(Snapshot(SNAPSHOT, now, SCHEMA, body))
            about = {"import": wrong.id, **(wrong.kept or {})}
            tx.add_event(JournalLine(now, KIND, None, taken_back_words(wrong, author), body=about))
        for _, bank in found:
            self._ask(bank)


def taken_back_words(wrong: WrongImport, author: str) -> str:
    """Return that an import was taken back, as the journal says it."""
    whose = "" if wrong.author == author else f", which {wrong.author} had made"
    words = f"{author} took back the import of {wrong.file}{whose}"
    if wrong.kept is None:
        return f"{words}, before all of it was taken on."
    readings = int(wrong.kept["taken"])
    words += f": {readings:,} readings of {', '.join(unit for unit, *_ in wrong.spans)} are gone"
    if wrong.kept["discharges"]:
        words += f", and times on a bank found in them: {wrong.kept['discharges']}"
    return f"{words}. What the cards gave is untouched."


def _wrong(folder: Path, name: str, body: Mapping[str, Any]) -> WrongImport | None:
    """Return the import with an id, from the ledger or else from the file that waits; None where there is neither."""
    kept = body.get(name)
    if kept is not None:
        spans = tuple(
            (one["unit"], datetime.fromisoformat(one["from"]), datetime.fromisoformat(one["until"]))
            for one in kept["units"]
        )
        return WrongImport(name, kept["file"], kept["by"], spans, kept)
    path = prepared_path(folder, name)
    with suppress(sqlite3.Error, ValueError, KeyError, TypeError):
        if path.exists():
            about, rows = opened_rows(path)
            rows.close()
            spans = tuple((span.unit, span.first, span.last) for span in about.units)
            return WrongImport(name, about.file, about.author, spans, None)
    return None


def _overlaps(other: Mapping[str, Any], unit: str, first: datetime, last: datetime) -> bool:
    return any(
        one["unit"] == unit
        and datetime.fromisoformat(one["from"]) - DAY <= last
        and datetime.fromisoformat(one["until"]) + DAY >= first
        for one in other["units"]
    )


def _notes(folder: Path) -> list[Path]:
    return sorted((folder / FOLDER).glob(f"*{NOTE}"))


def _done(folder: Path, note: Path) -> None:
    """Let go of a note that was done, and of the file itself where it still waits: it comes first, or it would be taken on."""
    prepared_path(folder, note.stem).unlink(missing_ok=True)
    note.unlink(missing_ok=True)


def _write(path: Path, note: Mapping[str, Any]) -> None:
    with whole_file(path) as part:
        part.touch(FILE_MODE)
        part.write_text(json.dumps(note), "utf-8")
