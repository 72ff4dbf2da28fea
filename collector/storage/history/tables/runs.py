"""Readings and summaries of one unit over a day or more as one bundle.

A run of exact readings has the entries "@at" (their times), "@masks" (which rows the columns that are not in
every row are in; many columns share one mask) and one for each column; what belongs to the poll, without
which no reading can be told, stands apart. A run of summaries has one entry for
each object, correction set and form: the seven fields of a `Rollup`, side by side.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from collector.storage.history.codec.column_coding import (
    CodingError,
    Reader,
    coded_all,
    coded_times,
    decoded,
    decoded_times,
    varint,
)
from collector.storage.history.codec.hour_chunk import AT, ChunkError
from collector.storage.history.codec.run_bundle import Bundle, bundled, opened_bytes
from collector.storage.history.columns import POLL, Block, Bools, Column
from collector.storage.history.rollup import FIELDS, INTEGERS, Rollup, nearer, restored

MASKS: Final = "@masks"
QUIET_BYTES: Final = 48
"""Columns of fewer bytes hardly ever change, and stand apart: damage of a lively one does not touch them."""
Key = tuple[str, int, int]
"""Object, number of the correction set, form."""


def run_of(block: Block) -> bytes:
    """Return a block as a bundle, decoded again and compared. Raises ChunkError where they differ."""
    masks: dict[bytes, tuple[int, Bools]] = {}
    places, dense = [], []
    for column in block.columns.values():
        if column.present is None:
            places.append(0)
            dense.append(column.values)
        else:
            number, _ = masks.setdefault(column.present.tobytes(), (len(masks) + 1, column.present))
            places.append(number)
            dense.append(column.values[column.present])
    coded = zip(block.columns, places, coded_all(dense), strict=True)
    entries = [(name, varint(place) + part) for name, place, part in coded]
    stored = bundled(
        {"rows": len(block)},
        [
            (AT, coded_times(block.at)),
            (MASKS, _coded_masks([mask for _, mask in masks.values()])),
            *(entry for entry in entries if entry[0] in POLL),
        ],
        [entry for entry in entries if entry[0] not in POLL and len(entry[1]) <= QUIET_BYTES],
        [entry for entry in entries if entry[0] not in POLL and len(entry[1]) > QUIET_BYTES],
    )
    if not block_in(opened_bytes(stored)).same_as(block):
        raise ChunkError("chunk does not decode to what was put in")
    return stored


def _coded_masks(masks: list[Bools]) -> bytes:
    rows = [np.flatnonzero(mask) for mask in masks]
    gaps = coded_all([np.diff(row, prepend=np.int64(0)) for row in rows])
    return varint(len(masks)) + b"".join(varint(len(r)) + g for r, g in zip(rows, gaps, strict=True))


def block_in(run: Bundle, wanted: frozenset[str] | None = None) -> Block:
    """Return the rows of a run with all columns or the wanted ones. Raises ChunkError."""
    names = None if wanted is None else wanted | {AT, MASKS}
    return _block(run, run.entries(names))


def what_is_sound(run: Bundle) -> tuple[Block | None, list[tuple[str, str]]]:
    """Return the rows of a run with the columns that can be read (None: times are lost), and what is lost."""
    entries: dict[str, bytes] = {}
    lost: list[tuple[str, str]] = []
    for segment in run.segments:
        try:
            entries |= run.within(segment)
        except ChunkError as error:
            lost += [(name, str(error)) for name in segment.names]
    if AT not in entries or MASKS not in entries:
        return None, lost
    return _block(run, entries), lost


def _block(run: Bundle, entries: Mapping[str, bytes]) -> Block:
    try:
        count = int(run.head["rows"])
        at = decoded_times(Reader(entries[AT]), count)
        masks = _masks(Reader(entries[MASKS]), count)
        columns = {
            name: _column(Reader(part), masks, count)
            for name, part in entries.items()
            if name not in {AT, MASKS}
        }
    except (CodingError, KeyError, TypeError, ValueError, IndexError) as error:
        raise ChunkError(f"damaged: {error}") from error
    return Block(at, columns)


def _masks(reader: Reader, count: int) -> list[Bools]:
    found = []
    for _ in range(reader.varint()):
        mask = np.zeros(count, dtype=np.bool_)
        mask[np.cumsum(decoded(reader, reader.varint()))] = True
        found.append(mask)
    return found


def _column(reader: Reader, masks: list[Bools], count: int) -> Column:
    place = reader.varint()
    if not place:
        return Column(decoded(reader, count))
    mask = masks[place - 1]
    values = np.zeros(count, dtype=np.int64)
    values[mask] = decoded(reader, int(mask.sum()))
    return Column(values, mask)


def sums_of(parts: Mapping[Key, Rollup]) -> bytes:
    """Return summaries as a bundle, decoded again and compared. Raises ChunkError where they differ."""
    names = [f"{form} {corrections} {name}" for name, corrections, form in parts]
    fields = [field for part in parts.values() for field in nearer(part)]
    coded = coded_all(fields)
    entries = [
        (name, varint(len(part)) + b"".join(coded[n * len(FIELDS) : (n + 1) * len(FIELDS)]))
        for n, (name, part) in enumerate(zip(names, parts.values(), strict=True))
    ]
    stored = bundled({}, entries)
    again = sums_in(opened_bytes(stored))
    if again.keys() != parts.keys() or not all(
        np.array_equal(part.table, parts[key].table) for key, part in again.items()
    ):
        raise ChunkError("summary does not decode to what was put in")
    return stored


def sums_in(run: Bundle, wanted: frozenset[str] | None = None) -> dict[Key, Rollup]:
    """Return the summaries in a run, of all objects or the wanted ones. Raises ChunkError."""
    keys = {name: name.split(" ", 2) for name in run.names}
    asked = frozenset(name for name, key in keys.items() if wanted is None or key[2] in wanted)
    found = {}
    for name, part in run.entries(asked).items():
        form, corrections, object_name = keys[name]
        found[object_name, int(corrections), int(form)] = Rollup(int(form), _table(part, int(form)))
    return found


def _table(part: bytes, form: int) -> np.ndarray[tuple[int, int], np.dtype[np.int64]]:
    reader = Reader(part)
    try:
        count = reader.varint()
        table = np.stack([decoded(reader, count) for _ in FIELDS])
    except CodingError as error:
        raise ChunkError(f"torn summary: {error}") from error
    return restored(table) if form == INTEGERS else table
