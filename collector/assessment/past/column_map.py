"""Which column of a file holds what: by its own name, or as somebody says it (`WHAT=COLUMN[:UNIT]`)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from collector.assessment.past.moments import MILLISECONDS, SECONDS
from collector.assessment.past.quantities import (
    APPARENT,
    AT,
    QUANTITIES,
    SOURCE,
    UNIT,
    UNITS_OF,
    GivenQuantity,
    GivenUnit,
)
from collector.configuration.faults import FaultList, nearest, shown

IGNORED: Final = frozenset({"silence", "origin", "agent_uptime_s", "card_alarms", "doubts", "test_detail"})
"""Columns of an export that an import has no use for. What a cabinet says of itself is of its nameplate, and of now."""


@dataclass(frozen=True, slots=True)
class MappedColumn:
    """One column: where it stands, what it holds, in which unit; `named`: whether somebody named the unit."""

    place: int
    header: str
    quantity: GivenQuantity
    unit: GivenUnit
    named: bool


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """The columns of a file. `unit`: None where all rows are of one unit, named beside."""

    at: int
    unit: int | None
    columns: tuple[MappedColumn, ...]
    silence: int | None = None
    since_1970: str | None = None

    def has(self, stem: str) -> bool:
        """Return whether a quantity is there, or any line of it."""
        names = {column.quantity.name for column in self.columns}
        return stem in names or any(name.rpartition("_")[0] == stem for name in names)


def column_map(header: Sequence[str], said: Sequence[str], notes: FaultList) -> ColumnMap | None:
    """Return the map of a file with a header, faults noted; None where there are any.

    `said`: what the caller names, each `WHAT=COLUMN` or `WHAT=COLUMN:UNIT`. Columns with names of ours need not be named;
    others that nobody named are passed over.
    """
    names = [cell.strip().lstrip("\ufeff") for cell in header]
    known = {UNIT, AT, *QUANTITIES}
    places: dict[str, tuple[int, str | None]] = {}
    for name in names:
        if name in known:
            if name in places:
                notes.fault("line 1", "each column once", f"{name} twice")
            places[name] = (names.index(name), None)
    for one in said:
        what, equals, column = (part.strip() for part in one.partition("="))
        if not equals or what not in known:
            notes.fault("column", f"WHAT=COLUMN[:UNIT], WHAT a quantity{nearest(what, known)}", shown(one))
            continue
        unit: str | None = None
        if column not in names and ":" in column:
            column, _, unit = column.rpartition(":")
        if column not in names:
            notes.fault("column", f"a column of the file for {what}{nearest(column, names)}", shown(column))
            continue
        places[what] = (names.index(column), unit)
    if AT not in places:
        notes.fault("line 1", "a column of times, `at`, or one named by --column at=COLUMN", "none")
    at, since_1970 = places.pop(AT, (0, None))
    if since_1970 not in {None, SECONDS, MILLISECONDS}:
        notes.fault("column", "at=COLUMN:s or :ms where times are numbers since 1970", shown(since_1970))
    of_unit = places.pop(UNIT, (None, None))[0]
    columns = tuple(_column(names[place], what, place, unit, notes) for what, (place, unit) in places.items())
    if not columns and not notes.faults:
        notes.fault("line 1", "a column with a quantity, named as in an export or by --column", "none")
    columns = tuple(column for column in columns if column is not None)
    _apparent(columns, notes)
    silence = names.index("silence") if "silence" in names else None
    return None if notes.faults else ColumnMap(at, of_unit, _ordered(columns), silence, since_1970)


def passed_over(header: Sequence[str], found: ColumnMap) -> list[str]:
    """Return the columns that nothing was made of, but for those of an export."""
    taken = {found.at, found.unit, *(column.place for column in found.columns)}
    own = (*IGNORED, "nameplate_")
    return [
        name
        for place, name in enumerate(header)
        if place not in taken and name not in IGNORED and not name.startswith(own[-1])
    ]


def _column(header: str, what: str, place: int, unit: str | None, notes: FaultList) -> MappedColumn:
    quantity = QUANTITIES[what]
    units = UNITS_OF[quantity.unit]
    if unit is not None and unit not in units:
        wanted = f"one of {', '.join(units)}" if units else "no unit"
        notes.fault("column", f"for {what} {wanted}", shown(unit))
        unit = None
    own = next(iter(units.values()), GivenUnit(""))
    return MappedColumn(place, header, quantity, own if unit is None else units[unit], unit is not None)


def _apparent(columns: Sequence[MappedColumn], notes: FaultList) -> None:
    names = {column.quantity.name for column in columns}
    for name in names:
        stem, _, line = name.rpartition("_")
        if stem == APPARENT:
            if f"output_voltage_v_{line}" not in names:
                notes.fault("column", f"output_voltage_v_{line} beside {name}", "none")
            if f"output_current_a_{line}" in names:
                notes.fault("column", f"output_current_a_{line} or {name}", "both")


def _ordered(columns: Sequence[MappedColumn]) -> tuple[MappedColumn, ...]:
    """Return the columns with volts before the volt-amperes that are divided by them, and the plainer word on what feeds first.

    Of two columns that tell the same the later one counts where its cell says something: `output_source` knows more
    than two answers.
    """
    last = {SOURCE: 2}
    return tuple(
        sorted(columns, key=lambda c: last.get(c.quantity.name, c.quantity.name.startswith(APPARENT)))
    )
