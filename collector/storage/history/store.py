"""What every store of readings must do, and the values that go in and come out.

A reading is kept as it came on the wire, with the id of the correction set in force; what it means in
SI units is worked out on reading, so a correction that is unlearnt repairs the past. The meaning is
given from outside (`Meaning`), so that no store knows a MIB.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Final, Protocol

from rules.plant.reading import Reading, Silence, Stamp

IMPORTED: Final = "imported"
"""The correction set of readings that no card gave us: they were brought in a file, and tell nothing of now."""


def origin_of(name: str) -> str:
    """Return what the stamps of the readings of an import name in place of a run of the program."""
    return f"{IMPORTED} {name}"


Wire = int | str | bytes | None
"""A value as it came on the wire. None: asked for, and the card had no such value."""


@dataclass(frozen=True, slots=True)
class WireReading:
    """One poll of one unit.

    `wire` maps object names to values: the RFC 1628 name, for a row with the line's index behind a
    point ("upsOutputPower.1"). A name that is not there was not asked for in this poll (slow objects
    are asked less often). `period_s` is the poll period in force, from which gaps are counted.
    `silence` says why nothing came; `wire` is then empty. Times are kept to the millisecond.
    """

    unit: str
    stamp: Stamp
    period_s: float
    corrections: str
    wire: Mapping[str, Wire] = field(default_factory=dict)
    silence: str | None = None

    @property
    def at(self) -> datetime:
        """Return when the reading was made (UTC)."""
        return self.stamp.at


class Meaning(Protocol):
    """What wire values mean."""

    def object_of(self, quantity: str, line: int | None) -> str | None:
        """Return the object behind a quantity ("output_power_w", line 1), None if there is none."""
        ...

    def value(self, object_name: str, raw: Wire, corrections: str) -> float | None:
        """Return the value in the quantity's unit; None for a sentinel or an impossible one.

        For one object and one correction set this is affine in the integers it accepts
        (scale, sign, offset), which is what lets a store summarise integers and convert the summary.
        """
        ...

    def reading(self, record: WireReading) -> Reading | Silence:
        """Return the whole reading in SI units."""
        ...


@dataclass(frozen=True, slots=True)
class Bucket:
    """What is known of one quantity from `start` to the next bucket's start.

    `min`, `mean`, `max` are None when nothing good was read. `good_count` readings had a value, of
    `expected_count` that the poll period asks for; the difference is the gap.
    """

    start: datetime = field(metadata={"json": "from"})
    min: float | None
    mean: float | None
    max: float | None
    good_count: int
    expected_count: int


class QuantityUnknownError(ValueError):
    """The caller asked for a quantity or a line that no reading has."""

    def __init__(self, quantity: str, line: int | None) -> None:
        self.quantity = quantity
        self.line = line
        where = "" if line is None else f" of line {line}"
        super().__init__(f"no reading holds {quantity!r}{where}")


class HistoryStore(Protocol):
    """A store of readings. Every method may raise `collector.storage.database.StoreError`."""

    @property
    def trouble(self) -> str | None:
        """Return what ails the store now, in a sentence, where it goes on by itself; None while all is well."""
        ...

    async def append(self, batch: Sequence[WireReading]) -> None:
        """Keep a batch, all or nothing, and return when it is safe.

        A reading of the same unit and moment that is there already counts once. Which of the two stays, should they
        differ, is the store's affair: the local file leaves the first as it is, a server may take the later.
        """
        ...

    async def series(
        self, unit: str, quantity: str, *, line: int | None, start: datetime, end: datetime, points: int
    ) -> tuple[Bucket, ...]:
        """Return at most `points` buckets of equal length that cover `start` to `end` (excluded).

        Raises QuantityUnknownError; ValueError for an empty span or fewer than one point.
        """
        ...

    async def several(
        self, unit: str, quantities: Sequence[str], *, start: datetime, end: datetime, points: int
    ) -> tuple[tuple[Bucket, ...], ...]:
        """Return what `series` does of quantities that have no lines, by one look at what is kept where that can be."""
        ...

    async def first(self, unit: str) -> datetime | None:
        """Return when a unit was first read, None where it never was: before that nothing need be asked for."""
        ...

    async def last(self, unit: str) -> WireReading | None:
        """Return the newest reading of a unit that was neither a silence nor imported."""
        ...

    def readings(self, unit: str, start: datetime, end: datetime) -> AsyncIterator[WireReading]:
        """Yield exact readings and silences, oldest first, from `start` to `end` (excluded)."""
        ...

    async def keep_exact(self, unit: str, start: datetime, end: datetime, why: str) -> None:
        """Keep the exact readings of a span (a power event, say) for ever."""
        ...

    async def take_out(
        self, unit: str, origin: str, start: datetime, end: datetime, *, let_go: bool
    ) -> frozenset[date]:
        """Take a unit's imported readings of one origin (`Stamp.start_id`) out, from `start` to `end`, whole days; return the days.

        Nothing else is touched, and a kill leaves the store whole. `let_go`: of days whose exact readings were let go
        also what was summed up of imported ones, which names no origin. Raises StoreError; what is out is out.
        """
        ...

    async def tend(self, now: datetime, *, let_go: bool = True) -> tuple[str, ...]:
        """Do the store's housekeeping in short steps off the loop; return what was found damaged.

        To be called every minute or so; cut off, it goes on at the next call. Nothing is given up for its age
        without `let_go`.
        """
        ...

    async def close(self) -> None:
        """Finish what is under way and let go of the files. Safe to call twice."""
        ...
