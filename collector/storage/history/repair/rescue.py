"""Saving what is sound of a damaged history.

Rows and chunks whose checksum does not fit, or that cannot be read at all (`sound_rows`), are left behind, and named.

Readings name texts and units by number. Where the names are lost and the readings are not, a sentence is put in
the place of each: without it nothing of those readings could be told, and the next text that is kept would get
the number, and with it a meaning it never had.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from collector.storage.history import rollup
from collector.storage.history.buckets import DAY_MS, HOUR_MS, MINUTE_MS
from collector.storage.history.codec import hour_chunk, run_bundle
from collector.storage.history.columns import CORRECTIONS, POLL, Block
from collector.storage.history.places import (
    NO_LAST_DAY,
    DamageFound,
    Places,
    are_numbers,
    days_in_words,
    entry_in_words,
    in_row,
    words,
)
from collector.storage.history.repair.sound_rows import Row, rows_of
from collector.storage.history.repair.verify import (
    BUNDLES,
    NAMELESS_UNITS,
    text_numbers,
    texts_missing,
    texts_of_block,
    texts_of_hot_row,
)
from collector.storage.history.sums import lines_of_days
from collector.storage.history.tables import recent_rows as hot
from collector.storage.history.tables import runs
from collector.storage.history.tables.lookup import day_block, numbered_sums
from collector.storage.history.tables.names import NAMED, unfit_names
from collector.storage.history.tables.schema import (
    EXACT,
    GONE,
    LOOSE,
    SUMMED,
    end_or_stretch,
    key_of,
    layouts,
    stretch_of,
    unit_and_day,
)

_POLL_COLUMNS: Final = frozenset(POLL)

_FIRST_READ: Final = """SELECT min(at) FROM (SELECT at FROM hot WHERE unit = ?
    UNION ALL SELECT hour * 3600000 FROM hours WHERE unit = ? UNION ALL SELECT day * 86400000 FROM folded WHERE unit = ?)"""
_SIDE: Final = {
    "units": "id, name, first_at",
    "layouts": "id, names",
    "objects": "id, name",
    "texts": "id, kind, value",
    "kept": "unit, from_at, until_at, why",
}


@dataclass(slots=True)
class _Rescue:
    """A rescue under way: where from, where to, what was left behind, and which texts are needed."""

    source: sqlite3.Connection
    target: sqlite3.Connection
    places: Places
    left: list[DamageFound] = field(default_factory=list)
    lost: list[str] = field(default_factory=list)
    needed: set[int] = field(default_factory=set)
    in_force: set[int] = field(default_factory=set)
    """Of the texts needed, those that are ids of correction sets."""

    def rows(self, table: str, columns: str, *key: str) -> Iterator[Row]:
        """Yield what can be read of a table."""
        return rows_of(self.source, table, columns, key, self.lost)

    def put(self, table: str, columns: str, row: Row, where: str) -> bool:
        """Write one row; return whether it could be. One that the table does not take is left behind."""
        marks = ", ".join("?" for _ in row)
        try:
            self.target.execute(f"INSERT INTO {table} ({columns}) VALUES ({marks})", row)  # noqa: S608
        except sqlite3.IntegrityError as error:  # damage can make anything of a number, a text or bytes
            self.leave(where, f"damaged ({error})")
            return False
        return True

    def leave(self, where: str, what: str) -> None:
        """Note what is left behind."""
        self.left.append(DamageFound(where, what))

    def need(self, block: Block) -> None:
        """Note the texts that a block's readings need."""
        self.needed |= texts_of_block(block)
        in_force = block.columns.get(CORRECTIONS)
        if in_force is not None:
            self.in_force.update(np.unique(in_force.values).tolist())


def saved(source: sqlite3.Connection, target: sqlite3.Connection) -> list[DamageFound]:
    """Copy all that is sound into the tables of an empty history; return what was left behind.

    Within the caller's transaction on `target`. Summaries that were lost are made again from the exact
    readings of their days by the store's next housekeeping, where those are sound; those by the hour of days
    whose exact readings were let go, from the summaries by the minute.
    """
    work = _Rescue(source, target, Places(source))
    for table, columns in _SIDE.items():
        unfit = _unfit(work, table)
        for row in work.rows(table, columns, "rowid"):
            where = f"table {table}, row {row[0]!r}"
            if row[0] in unfit:
                work.leave(where, "damaged")
            else:
                work.put(table, columns, row, where)
    for row in _sound_hot_rows(work):
        work.put("hot", hot.COLUMNS, row, f"{work.places.unit(row[1])}, the reading of {words(row[0])} UTC")
    _save_chunks(work)
    for key, end_day, stored in _bundles(work, "runs"):
        _save_run(work, key, end_day, stored)
    for key, end_day, stored in _bundles(work, "minute_sums"):
        kept, wrong = _sound_sums(stored)
        _keep_sums(work, "minute_sums", (key, end_day, stored if not wrong else None), kept, wrong)
    gone = _days_let_go(work)
    whole = set()
    for key, end_day, stored in _bundles(work, "hour_sums"):
        kept, wrong = _sound_sums(stored)
        if not wrong:
            whole.add(key)
            _keep_sums(work, "hour_sums", (key, end_day, stored), kept, wrong)
            continue
        kept, wrong = _hours_again(work, key, end_day, gone, (kept, wrong))
        _keep_sums(work, "hour_sums", (key, end_day, None), kept, wrong)
    _list_days(work, whole, gone)
    _put_names(work)
    for table, columns in NAMED.items():
        target.execute(f"UPDATE {table} SET check_sum = crc_of({columns})")  # noqa: S608
    return [*work.left, *(DamageFound("the file", what) for what in work.lost)]


def _unfit(work: _Rescue, table: str) -> frozenset[int]:
    """Return the rows of a table of names that do not fit their checksum, as far as they can be read."""
    found: set[int] = set()
    if table in NAMED:
        with suppress(sqlite3.DatabaseError):
            found.update(unfit_names(work.source, table))
    return frozenset(found)


def _sound_hot_rows(work: _Rescue) -> Iterator[Row]:
    known = layouts(work.target)
    for row in work.rows("hot", hot.COLUMNS, "at", "unit"):
        where = f"{work.places.unit(row[1])}, the reading of {words(row[0])} UTC"
        if not hot.is_sound(row):
            work.leave(where, "damaged")
        elif (needed := texts_of_hot_row(row, known)) is None:
            work.leave(where, "the list of its objects is lost")
        else:
            work.needed |= needed
            work.in_force.add(row[5])
            yield row


def _save_chunks(work: _Rescue) -> None:
    """Keep the hour chunks that can be read, and what stands as schema 1 kept it."""
    for table, columns, key, decode in (
        ("hours", "unit, hour, chunk", ("rowid",), hour_chunk.decoded),
        ("days", "unit, day, object, chunk", ("rowid",), hour_chunk.decoded_column),
        (
            "hourly",
            "unit, day, object, corrections, chunk",
            ("unit", "object", "day", "corrections"),
            rollup.decoded,
        ),
        ("minutely", "unit, day, object, corrections, chunk", ("rowid",), rollup.decoded),
    ):
        length_ms = HOUR_MS if table == "hours" else DAY_MS
        # a chunk whose bytes came to be called a text is whole
        for row in work.rows(table, columns.replace("chunk", "CAST(chunk AS BLOB)"), *key):
            if not are_numbers(row[:-1]):
                work.leave(f"table {table}", in_row(work.places, row[0]))
                continue
            try:
                found = decode(row[-1])
            except hour_chunk.ChunkError as error:
                what = "readings" if table == "hours" else work.places.object(row[2])
                work.leave(work.places.span(row[0], row[1] * length_ms, length_ms), f"{what}: {error}")
                continue
            if not work.put(table, columns, row, work.places.span(row[0], row[1] * length_ms, length_ms)):
                continue
            if isinstance(found, Block):
                work.need(found)
            elif table != "days":
                work.in_force.add(row[3])


def _bundles(work: _Rescue, table: str) -> Iterator[tuple[int, int, bytes]]:
    """Yield key, end and chunk of every row of runs or of sums that can be read."""
    for key, end_day, stored in work.rows(table, "key, end_day, CAST(chunk AS BLOB)", "key"):
        if not are_numbers((end_day,)):
            work.leave(days_in_words(work.places, key, end_day), NO_LAST_DAY)
        yield key, end_or_stretch(unit_and_day(key)[1], end_day), stored


def _save_run(work: _Rescue, key: int, end_day: int, stored: bytes) -> None:
    """Keep a run, or those of its columns that can be read."""
    where = days_in_words(work.places, key, end_day)
    try:
        block, lost = runs.what_is_sound(run_bundle.opened_bytes(stored))
    except hour_chunk.ChunkError as error:
        return work.leave(where, f"all readings: {error}")
    for name, wrong in lost:
        work.leave(where, f"{entry_in_words(name)}: {wrong}")
    if block is None or not len(block):
        return work.leave(where, "all readings: their times are lost")
    if not set(block.columns) >= _POLL_COLUMNS:
        return work.leave(where, "all readings: what belongs to each poll is lost")
    kept = runs.run_of(block) if lost else stored
    work.put("runs", "key, end_day, readings, chunk", (key, end_day, len(block), kept), where)
    return work.need(block)


Sums = dict[runs.Key, rollup.Rollup]
Wrong = dict[str, str]
"""What is wrong with an entry, by its name; "" stands for all of a row whose directory cannot be read."""


def _sound_sums(stored: bytes) -> tuple[Sums, Wrong]:
    """Return the summaries of a row that can be read, and what is wrong with the others."""
    sound: dict[str, bytes] = {}
    wrong: Wrong = {}
    try:
        found = run_bundle.opened_bytes(stored)
        for segment in found.segments:
            try:
                sound |= found.within(segment)
            except hour_chunk.ChunkError as error:
                wrong |= {name: str(error) for name in segment.names}
        return runs.sums_in(run_bundle.opened_bytes(run_bundle.bundled(found.head, sound.items()))), wrong
    except hour_chunk.ChunkError as error:
        return {}, {"": str(error)}


def _keep_sums(
    work: _Rescue, table: str, row: tuple[int, int, bytes | None], parts: Sums, wrong: Wrong
) -> None:
    """Keep a row of summaries, as it is stored where that is whole (else None)."""
    key, end_day, stored = row
    what, where = BUNDLES[table], days_in_words(work.places, key, end_day)
    for name, why in wrong.items():
        work.leave(where, f"{what}{entry_in_words(name) if name else 'all objects'}: {why}")
    if parts:
        work.put(table, "key, end_day, chunk", (key, end_day, stored or runs.sums_of(parts)), where)
        work.in_force |= {corrections for _, corrections, _ in parts}


Days = set[tuple[int, int]]


def _hours_again(
    work: _Rescue, key: int, end_day: int, gone: Days, row: tuple[Sums, Wrong]
) -> tuple[Sums, Wrong]:
    """Return damaged summaries by the hour with what the sound ones by the minute tell of days let go."""
    parts, wrong = row
    unit, first_day = unit_and_day(key)
    let_go = frozenset(day for day in range(first_day, end_day) if (unit, day) in gone)
    by_minute: dict[runs.Key, list[tuple[int, rollup.Rollup]]] = {}
    for first, name, corrections, part in numbered_sums(work.target, "minute_sums", unit, first_day, end_day):
        for day, lines in lines_of_days(part, MINUTE_MS, first, let_go):
            hours = rollup.coarser(lines, HOUR_MS // MINUTE_MS)
            by_minute.setdefault((name, corrections, part.form), []).append(((day - first_day) * 24, hours))
    again = {k: rollup.joined(found) for k, found in by_minute.items() if k not in parts}
    told = {f"{form} {corrections} {name}" for name, corrections, form in again}
    return parts | again, {
        name: why for name, why in wrong.items() if name not in told and (name or not told)
    }


def _days_let_go(work: _Rescue) -> Days:
    """Return the units and days whose exact readings were let go, as listed or as summaries by the minute tell."""
    listed = work.rows("folded", "unit, day, retired", "unit", "day")
    gone = {(unit, day) for unit, day, how in listed if how == GONE and are_numbers((unit, day))}
    gone |= set(work.target.execute("SELECT DISTINCT unit, day FROM minutely"))
    for key, stored in work.target.execute("SELECT key, chunk FROM minute_sums"):
        unit, first = unit_and_day(key)
        for part in runs.sums_in(run_bundle.opened_bytes(stored)).values():
            gone |= {(unit, first + int(n)) for n in np.unique(part.table[0] // (DAY_MS // MINUTE_MS))}
    return gone


def _list_days(work: _Rescue, whole: set[int], gone: Days) -> None:
    """Make the list of folded days from what was saved."""
    target = work.target
    there = gone | set(target.execute("SELECT DISTINCT unit, day FROM days"))
    for unit, day in sorted(there - gone):
        if day_block(target, unit, day) is None:
            work.leave(work.places.span(unit, day * DAY_MS, DAY_MS), "all readings: their times are lost")
            target.execute("DELETE FROM days WHERE unit = ? AND day = ?", (unit, day))
            there.discard((unit, day))
    for key, stored in target.execute("SELECT key, chunk FROM runs"):
        at = runs.block_in(run_bundle.opened_bytes(stored), frozenset()).at
        there |= {(unit_and_day(key)[0], int(day)) for day in np.unique(at // DAY_MS)}
    target.executemany(
        "INSERT OR REPLACE INTO folded (unit, day, retired, summed) VALUES (?, ?, ?, ?)",
        [
            (
                unit,
                day,
                GONE if (unit, day) in gone else EXACT,
                SUMMED if key_of(unit, stretch_of(day)) in whole else LOOSE,
            )
            for unit, day in there
        ],
    )


def _put_names(work: _Rescue) -> None:
    """Put a sentence in the place of every text, and a name in that of every unit, that is needed and lost."""
    target = work.target
    lost = sorted((work.needed | work.in_force) - text_numbers(target))
    target.executemany(
        "INSERT INTO texts (id, kind, value) VALUES (?, ?, ?)",
        [(number, *hot.stored_text(f"(text {number} was lost with a damaged store)")) for number in lost],
    )
    if lost:
        what = f"{texts_missing(lost)}; a sentence that says so stands in the place of each"
        if not work.in_force.isdisjoint(lost):
            what += ", and where it was a correction set, values are taken as the standard has them"
        work.leave("the side table", what)
    for (unit,) in target.execute(NAMELESS_UNITS).fetchall():
        (first_ms,) = target.execute(_FIRST_READ, (unit, unit, unit)).fetchone()
        name = f"unit number {unit} of a damaged store"
        target.execute("INSERT INTO units (id, name, first_at) VALUES (?, ?, ?)", (unit, name, first_ms))
        work.leave(f"unit number {unit}", f"its name is lost; its readings stand under {name!r}")
