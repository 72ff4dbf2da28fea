"""Readings as columns of integers, which is the form they are summarised and compressed in.

A column is named for its object, with a mark in front where the integer is not the value itself:
"t:" the number of a text or byte string in the store's side table, "n:" asked for but not there.
"@" columns hold what belongs to the poll: clock offset, start, corrections, period.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

from collector.storage.history.store import Wire, WireReading
from rules.plant.reading import Stamp

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MILLISECOND: Final = timedelta(milliseconds=1)

TEXT: Final = "t:"
NOTHING: Final = "n:"
SILENCE: Final = "t:@silence"
OFFSET, START, CORRECTIONS, PERIOD = "@offset", "@start", "@corrections", "@period"
POLL: Final = (OFFSET, START, CORRECTIONS, PERIOD)


def milliseconds(at: datetime) -> int:
    """Return a moment as stores count it: whole milliseconds since 1970 UTC."""
    if at.tzinfo is None:
        raise ValueError(f"{at!r} names no time zone")
    return (at - EPOCH) // _MILLISECOND


def moment(at_ms: int) -> datetime:
    """Return the moment (UTC) of a number of milliseconds."""
    return EPOCH + timedelta(milliseconds=at_ms)


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """One integer a row. `present` None: in every row; where False, `values` is 0 and means nothing."""

    values: Ints
    present: Bools | None = None

    def taken(self, rows: npt.NDArray[np.intp]) -> Column:
        """Return some rows, in the order given."""
        present = None if self.present is None else self.present[rows]
        return Column(self.values[rows], present)

    def mask(self) -> Bools:
        """Return where the column has a value."""
        return np.ones(len(self.values), dtype=np.bool_) if self.present is None else self.present


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Rows of one unit in order of time, no two of the same millisecond."""

    at: Ints
    columns: Mapping[str, Column]

    def __len__(self) -> int:
        return len(self.at)

    def same_as(self, other: Block) -> bool:
        """Return whether two blocks hold the same rows to the last bit."""
        return (
            np.array_equal(self.at, other.at)
            and self.columns.keys() == other.columns.keys()
            and all(
                np.array_equal(a.values, b.values) and np.array_equal(a.mask(), b.mask())
                for a, b in ((self.columns[name], other.columns[name]) for name in self.columns)
            )
        )

    def between(self, start_ms: int, end_ms: int) -> Block:
        """Return the rows from `start_ms` to `end_ms` (excluded)."""
        first, last = np.searchsorted(self.at, (start_ms, end_ms))
        if first == 0 and last == len(self.at):
            return self
        rows = np.arange(first, last)
        return self.taken(rows)

    def taken(self, rows: npt.NDArray[np.intp]) -> Block:
        """Return some rows, in the order given."""
        taken = {name: column.taken(rows) for name, column in self.columns.items()}
        return Block(self.at[rows], {n: c for n, c in taken.items() if c.present is None or c.present.any()})


EMPTY: Final = Block(np.empty(0, dtype=np.int64), {})


def joined(blocks: Sequence[Block]) -> Block:
    """Return the rows of all blocks in order; of two at the same millisecond the earlier block's stays."""
    blocks = [block for block in blocks if len(block)]
    if len(blocks) <= 1:
        return blocks[0] if blocks else EMPTY
    at = np.concatenate([block.at for block in blocks])
    order = np.argsort(at, kind="stable")
    sorted_at = at[order]
    keep = np.ones(len(at), dtype=np.bool_)
    keep[1:] = sorted_at[1:] != sorted_at[:-1]
    rows = order[keep]
    columns: dict[str, Column] = {}
    for name in dict.fromkeys(name for block in blocks for name in block.columns):
        parts = [block.columns.get(name) for block in blocks]
        values = np.concatenate(
            [
                np.zeros(len(block), dtype=np.int64) if part is None else part.values
                for block, part in zip(blocks, parts, strict=True)
            ]
        )[rows]
        present = np.concatenate(
            [
                np.zeros(len(block), dtype=np.bool_) if part is None else part.mask()
                for block, part in zip(blocks, parts, strict=True)
            ]
        )[rows]
        if present.any():
            columns[name] = Column(values, None if present.all() else present)
    return Block(at[rows], columns)


def readings_of(unit: str, block: Block, texts: Mapping[int, Wire]) -> Iterator[WireReading]:
    """Yield the rows of a block as readings. `texts` gives the side table's entries by number."""
    poll = [block.columns[name].values for name in POLL]
    cells = [
        (name, column.values.tolist(), column.mask().tolist())
        for name, column in block.columns.items()
        if name not in POLL
    ]
    for row, at_ms in enumerate(block.at.tolist()):
        offset, start, corrections, period = (int(values[row]) for values in poll)
        wire: dict[str, Wire] = {}
        silence: str | None = None
        for name, values, present in cells:
            if not present[row]:
                continue
            if name == SILENCE:
                silence = str(texts[values[row]])
            elif name.startswith(TEXT):
                wire[name[2:]] = texts[values[row]]
            elif name.startswith(NOTHING):
                wire[name[2:]] = None
            else:
                wire[name] = values[row]
        yield WireReading(
            unit=unit,
            stamp=Stamp(moment(at_ms), (at_ms - offset) / 1000, str(texts[start])),
            period_s=period / 1000,
            corrections=str(texts[corrections]),
            wire=wire,
            silence=silence,
        )
