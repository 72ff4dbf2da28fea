"""Steps of folding: what one is, what it will write, what it finds damaged, and which are passed over.

Damage stops nothing but what needs it. A step does what it can, leaves what it cannot read where it is, and
says so; what is left is passed over from then on, and looked at again after an hour.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from collector.storage.database import StoreFault, explained
from collector.storage.history.buckets import DAY_MS, HOUR_MS
from collector.storage.history.codec.hour_chunk import ChunkError
from collector.storage.history.places import DamageFound, Places, words

LOOK_AGAIN: Final = timedelta(hours=1)
"""Damage does not heal; but a read can fail once, and a step that finds damage may have read a month to find it."""
FROM_HOT: Final = frozenset({"hour", "past"})
"""Kinds of steps that take hot rows, of which those that can be read are taken and the others left."""

Commit = Callable[[sqlite3.Connection], None]
_Rows = tuple[tuple[int, ...], int, int]
"""Hot rows of some units (none: of all) from a moment to another (excluded)."""


class ChangedMeanwhileError(Exception):
    """Rows came in between reading and committing; the fold is to be made again."""


@dataclass(frozen=True, slots=True)
class Fold:
    """One step, of the days from `first` to `end` (excluded), or of the hour `first`; of `units`, or of all."""

    kind: str
    first: int
    end: int
    units: tuple[int, ...] = ()

    @property
    def span_ms(self) -> tuple[int, int]:
        """Return when its time begins and ends."""
        length_ms = HOUR_MS if self.kind == "hour" else DAY_MS
        return self.first * length_ms, self.end * length_ms


@dataclass(frozen=True, slots=True)
class Damage:
    """What cannot be read of a unit's time (None: of all units'), from `start_ms` to `end_ms` (excluded)."""

    unit: int | None
    start_ms: int
    end_ms: int
    what: str

    def finding(self, places: Places) -> DamageFound:
        """Return it in words."""
        if self.unit is None:
            where = f"all units, {words(self.start_ms)} to {words(self.end_ms)} UTC"
        elif self.end_ms == self.start_ms + 1:
            where = f"{places.unit(self.unit)}, the reading of {words(self.start_ms)} UTC"
        else:
            where = places.span(self.unit, self.start_ms, self.end_ms - self.start_ms)
        return DamageFound(where, self.what)


class Noted:
    """Goes on past what turns out to be damaged within: adds it to a list, as of some units (none: of all)."""

    def __init__(self, into: list[Damage], units: Sequence[int], span_ms: tuple[int, int]) -> None:
        self._into = into
        self._units = units
        self._span_ms = span_ms

    def __enter__(self) -> None:
        pass

    def __exit__(self, kind: object, error: BaseException | None, _: object) -> bool:
        if isinstance(error, sqlite3.DatabaseError) and is_damage(error):
            what = f"part of the file cannot be read ({error})"
        elif isinstance(error, ChunkError):
            what = str(error)
        else:
            return False
        self._into += [Damage(unit, *self._span_ms, what) for unit in self._units or (None,)]
        return True


def is_damage(error: sqlite3.DatabaseError) -> bool:
    """Return whether an error of sqlite3 says that the file is damaged."""
    return explained("", error).fault is StoreFault.CORRUPT


@dataclass(slots=True)
class Prepared:
    """What a fold will write, verified. `damaged` says what it leaves where it is, since it cannot be read."""

    commit: Commit | None
    damaged: list[Damage] = field(default_factory=list)


class UnlistedError(Exception):
    """Steps of one kind cannot be listed, for damage of the file."""

    def __init__(self, kind: str, what: str) -> None:
        self.kind = kind
        self.finding = DamageFound(
            "the file", f"part of it cannot be read ({what}), so {kind} are left as they are"
        )
        super().__init__(str(self.finding))


class PassedOver:
    """What was found damaged since a moment, and what does not settle and is left to the next round.

    Hot rows are passed over by unit and time, so that their unit's other rows go on; other steps as a whole.
    """

    def __init__(self, since: datetime) -> None:
        self.since = since
        self.damaged: dict[Damage, None] = {}
        self.unlisted: dict[str, DamageFound] = {}
        self.folds: dict[Fold, None] = {}
        """The steps that found damage, in the order they did."""
        self._damaged: set[Fold] = set()
        self._damaged_rows: set[_Rows] = set()
        self._busy: set[Fold] = set()

    def is_stale(self, now: datetime) -> bool:
        """Return whether it is time to look at everything again."""
        return not self.since <= now < self.since + LOOK_AGAIN

    def begin(self) -> None:
        """Begin a round: what did not settle in the last is tried again."""
        self._busy.clear()

    def add(self, fold: Fold, damaged: Sequence[Damage]) -> None:
        """Remember what a step found damaged."""
        self.damaged |= dict.fromkeys(damaged)
        if damaged:
            self.folds[fold] = None
        if fold.kind in FROM_HOT:
            self._damaged_rows |= {
                (() if d.unit is None else (d.unit,), d.start_ms, d.end_ms) for d in damaged
            }
        elif damaged:
            self._damaged.add(fold)

    def leave(self, fold: Fold) -> None:
        """Leave a step to the next round."""
        self._busy.add(fold)

    def __contains__(self, fold: Fold) -> bool:
        return fold in self._damaged or fold in self._busy

    def covers(self, unit: int, start_ms: int, end_ms: int) -> bool:
        """Return whether any of a unit's hot rows from `start_ms` to `end_ms` (excluded) is passed over."""
        return any(
            start_ms < end and begin < end_ms and (not units or unit in units)
            for units, begin, end in self._rows()
        )

    def beyond(self, at_ms: int) -> int:
        """Return from when on not all units' hot rows are passed over: `at_ms`, or the end of a span around it."""
        return max(
            (end for units, begin, end in self._rows() if not units and begin <= at_ms < end), default=at_ms
        )

    def _rows(self) -> Iterator[_Rows]:
        yield from self._damaged_rows
        for fold in self._busy:
            if fold.kind in FROM_HOT:
                yield fold.units, *fold.span_ms
