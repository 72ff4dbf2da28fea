"""A file of past readings is read whole, judged as a file, and made ready for the service; or refused whole, with every fault."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise
from math import isnan
from pathlib import Path
from statistics import median
from typing import Any, Final

from collector.assessment.past.column_map import ColumnMap, MappedColumn, column_map, passed_over
from collector.assessment.past.found_discharges import SOURCE_KEY, discharges_in
from collector.assessment.past.judged_whole import odd_figures
from collector.assessment.past.moments import MomentError, WrittenMoments
from collector.assessment.past.prepared import (
    BroughtFile,
    DoubleRows,
    PreparedRows,
    UnitSpan,
    give_to_owner,
    opened_rows,
    prepared_path,
)
from collector.assessment.past.quantities import (
    APPARENT,
    BATTERY_NUMBER,
    given_number,
    in_words,
    says_nothing,
)
from collector.assessment.past.still_volts import StillVolts, standing_in
from collector.assessment.past.tables import Row, table
from collector.configuration.faults import ConfigError, ConfigFault, FaultList, nearest, shown
from collector.storage.history.columns import moment
from rules.plant.estate import Estate

MOST_FAULTS: Final = 20
TELL_EVERY: Final = 50_000
GAP_PERIODS: Final = 3.0
"""A step longer than so many of the usual ones is a gap."""
LONGEST_PERIOD_S: Final = 86_400.0

Progress = Callable[[int], None]
"""Told how many rows were read."""


@dataclass(frozen=True, slots=True)
class HowToRead:
    """What the caller says of a file: columns, the unit of all rows, the zone or form of its times."""

    columns: tuple[str, ...] = ()
    unit: str | None = None
    zone: tzinfo | None = None
    form: str | None = None

    def digest(self, path: Path) -> str:
        """Return a name made of the file's octets and of how it is read: the same again is the same import."""
        made = hashlib.sha256()
        with path.open("rb") as octets:
            while piece := octets.read(1 << 20):
                made.update(piece)
        made.update(json.dumps([sorted(self.columns), self.unit, str(self.zone), self.form]).encode())
        return made.hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class RowGap:
    """Time without rows of a unit."""

    unit: str
    start: datetime
    length: timedelta


@dataclass(slots=True)
class FileFindings:
    """What was found in a file, beside its readings."""

    rows: int = 0
    silent_rows: int = 0
    doubles: DoubleRows = field(default_factory=DoubleRows)
    gaps: list[RowGap] = field(default_factory=list)
    left_open: dict[str, int] = field(default_factory=dict)
    not_known: Counter[str] = field(default_factory=Counter)
    """By column, the cells that say nothing."""
    contradicted: int = 0
    """Rows whose two words on whether the bank carries are not one."""
    passed_over: list[str] = field(default_factory=list)
    odd: list[str] = field(default_factory=list)
    has: dict[str, bool] = field(default_factory=dict)
    discharges: int = 0
    still: tuple[StillVolts, ...] = ()


@dataclass(frozen=True, slots=True)
class MadeReady:
    """A file that was made ready under its name."""

    about: BroughtFile
    findings: FileFindings


def make_ready(  # noqa: PLR0917 - what, of whom, how, where
    path: Path,
    estate: Estate,
    how: HowToRead,
    folder: Path,
    author: str,
    now: datetime,
    *,
    keep: bool = True,
    progress: Progress | None = None,
) -> MadeReady:
    """Read a file and leave what is in it ready in a data folder; without `keep` only look.

    Raises ConfigError with every fault, `NotInstalledError`, OSError; nothing is left behind then.
    """
    name = how.digest(path)
    target = prepared_path(folder, name)
    part = target.with_suffix(".part")
    try:
        about, findings = _read(path, estate, how, part, (name, author, now), progress)
        opened, rows = opened_rows(part)
        try:
            found = discharges_in(opened, rows, estate)
            findings.discharges = len(found)
            findings.still = standing_in(opened, rows, found, estate)
        finally:
            rows.close()
        if keep:
            give_to_owner(part, folder)
            part.replace(target)
    finally:
        part.unlink(missing_ok=True)
    return MadeReady(about, findings)


def _read(  # noqa: PLR0917 - as `make_ready`
    path: Path,
    estate: Estate,
    how: HowToRead,
    part: Path,
    said: tuple[str, str, datetime],
    progress: Progress | None,
) -> tuple[BroughtFile, FileFindings]:
    notes = FaultList(str(path))
    with table(path) as (header, lines):
        found = column_map(header, how.columns, notes)
        if found is None:
            raise ConfigError(notes.faults)
        if found.unit is None and how.unit is None:
            notes.fault("unit", "a column `unit`, or the unit of all rows by --unit", "neither")
        if how.unit is not None and how.unit not in estate.units:
            notes.fault("unit", f"the id of a unit{nearest(how.unit, estate.units)}", shown(how.unit))
        if notes.faults:
            raise ConfigError(notes.faults)
        keys = tuple(dict.fromkeys(column.quantity.key for column in found.columns))
        ready = PreparedRows.new(part, keys)
        try:
            reader = _Rows(found, estate, how, notes, ready, said[2])
            for line in lines:
                reader.take(line)
                if progress is not None and reader.findings.rows % TELL_EVERY == 0:
                    progress(reader.findings.rows)
            findings = reader.done()
            findings.passed_over = passed_over(header, found)
            units = list(reader.units)
            for odd in odd_figures(ready, found, units, estate, said[2].date()) if not notes.faults else ():
                told = f"{odd.median}; want {odd.expected}"
                if odd.named:
                    findings.odd.append(f"{odd.what}: {told}")
                else:
                    notes.fault(odd.what, f"{odd.expected}, or the unit named: {odd.remedy}", odd.median)
            _refuse(str(path), notes)
            spans = tuple(_span(ready, place, unit, findings) for place, unit in enumerate(units))
            about = BroughtFile(said[0], path.name, said[1], said[2], keys, spans)
            ready.finish(about)
        except BaseException:
            ready.close()
            raise
    return about, findings


def _refuse(name: str, notes: FaultList) -> None:
    """Raise ConfigError where there are faults: the first of them, and how many more."""
    if notes.faults:
        left = len(notes.faults) - MOST_FAULTS
        more = [ConfigFault(name, "file", "what is above put right", f"{left} more faults")]
        raise ConfigError([*notes.faults[:MOST_FAULTS], *(more if left > 0 else ())])


def _is_nothing(cell: object) -> bool:
    """Return whether a cell says nothing, in whatever form a table has it."""
    if isinstance(cell, float):
        return isnan(cell)
    return cell is None or (isinstance(cell, str) and says_nothing(cell))


class _Rows:
    """Takes rows one by one."""

    def __init__(  # noqa: PLR0917 - what each row is held against
        self,
        found: ColumnMap,
        estate: Estate,
        how: HowToRead,
        notes: FaultList,
        ready: PreparedRows,
        now: datetime,
    ) -> None:
        self.findings = FileFindings()
        self.units: dict[str, int] = {}
        self._map, self._estate, self._how, self._notes, self._ready = found, estate, how, notes, ready
        self._moments = WrittenMoments(how.zone, how.form, found.since_1970)
        self._latest = now

    def take(self, row: Row) -> None:
        """Take one row: into the file, or as faults."""
        number, cells = row
        self.findings.rows += 1
        silence = self._map.silence
        if silence is not None and cells[silence]:
            self.findings.silent_rows += 1
            return
        unit = self._unit(number, cells)
        at = self._at(number, cells, unit or "")
        pairs = list(self._values(number, cells))
        values = dict(pairs)
        carries = {value == BATTERY_NUMBER for key, value in pairs if key == SOURCE_KEY}
        self.findings.contradicted += len(carries) - 1 if carries else 0
        if unit is not None and at is not None and values:
            self._ready.add(self.units.setdefault(unit, len(self.units)), at, values)

    def done(self) -> FileFindings:
        """Return what was found once all rows were taken."""
        found = self.findings
        if not self.units and not self._notes.faults:
            self._notes.fault("file", "one row or more with a figure", "none")
        found.doubles, found.left_open = self._ready.doubles, self._moments.left_open
        stems = ("output_power_w", "output_current_a", APPARENT, "battery_voltage_v", "battery_temperature_c")
        found.has = {stem: self._map.has(stem) for stem in stems}
        found.has["source"] = self._map.has("output_source") or self._map.has("on_battery")
        return found

    def _fault(self, number: int, column: str, want: str, got: object) -> None:
        if len(self._notes.faults) < 100 * MOST_FAULTS:  # a file of another kind is all faults
            self._notes.fault(f"line {number}, {column}", want, shown(got))

    def _unit(self, number: int, cells: Sequence[Any]) -> str | None:
        if self._map.unit is None or self._how.unit is not None:
            own = None if self._map.unit is None else str(cells[self._map.unit]).strip()
            if own not in {None, self._how.unit}:
                self._fault(number, "unit", f"{self._how.unit}, as --unit says", own)
            return self._how.unit
        unit = str(cells[self._map.unit]).strip()
        if unit in self._estate.units:
            return unit
        self._fault(number, "unit", f"the id of a unit{nearest(unit, self._estate.units)}", unit)
        return None

    def _at(self, number: int, cells: Sequence[Any], unit: str) -> datetime | None:
        cell = cells[self._map.at]
        try:
            at = self._moments.read(cell if isinstance(cell, datetime) else str(cell), unit)
        except MomentError as error:
            self._fault(number, "at", error.want, "nothing" if cell is None else str(cell))
            return None
        if at > self._latest:
            self._fault(number, "at", f"a time that is past ({self._latest:%Y-%m-%dT%H:%MZ})", str(cell))
            return None
        return at

    def _values(self, number: int, cells: Sequence[Any]) -> Iterator[tuple[str, int]]:
        volts: dict[str, float] = {}
        for column in self._map.columns:
            cell = cells[column.place]
            if _is_nothing(cell):
                self.findings.not_known[column.header] += 1
                continue
            if column.quantity.words is not None:
                word = in_words(column.quantity, str(cell))
                if word is None:
                    known = ", ".join(column.quantity.words)
                    self._fault(number, column.header, f"one of {known}", cell)
                else:
                    yield column.quantity.key, word
                continue
            value = self._number(number, column, cell)
            if value is None:
                continue
            line = column.quantity.name.rpartition("_")[2]
            if column.quantity.name.startswith("output_voltage_v"):
                volts[line] = value
            if column.quantity.name.startswith(APPARENT):
                if not volts.get(line):
                    continue  # volt-amperes of a line without volts: no amperes can be told
                value /= volts[line]
            yield column.quantity.key, column.quantity.number(value)

    def _number(self, number: int, column: MappedColumn, cell: object) -> float | None:
        value = float(cell) if isinstance(cell, int | float) else given_number(str(cell))
        if value is None:
            self._fault(number, column.header, "a number, or nothing", cell)
            return None
        return value * column.unit.factor + column.unit.offset


def _span(ready: PreparedRows, place: int, unit: str, findings: FileFindings) -> UnitSpan:
    """Return what the file has of a unit; note its gaps."""
    moments = ready.moments(place)
    steps = [(b - a) / 1000 for a, b in pairwise(moments)]
    period_s = min(max(median(steps), 1.0), LONGEST_PERIOD_S) if steps else 60.0
    findings.gaps += [
        RowGap(unit, moment(at), timedelta(seconds=step))
        for at, step in zip(moments, steps, strict=False)
        if step > GAP_PERIODS * period_s
    ]
    return UnitSpan(unit, len(moments), moment(moments[0]), moment(moments[-1]), period_s)
