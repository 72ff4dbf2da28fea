"""Data that physics excludes, in one table of the estate file at a time."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from itertools import pairwise
from typing import Final, Protocol

from collector.configuration.faults import FaultList
from collector.configuration.plant.banks import BankTable, BlocksTable
from collector.configuration.plant.units import UnitTable

CELLS_IN_A_BLOCK: Final = (1, 2, 3, 4, 6)
"""Cells in one block: 2, 4, 6, 8 and 12 V are made."""

LEAST_VA: Final = 300.0
MOST_VA: Final = 4_000_000.0
"""No cabinet with a battery of its own is rated lower or higher; a figure outside is in kVA, or has zeros too many."""

_MOST_ENERGY: Final = 1.5
"""No table gives more than this times rated capacity times 2 V: the acid would not last."""


class _Dated(Protocol):
    @property
    def from_day(self) -> date: ...
    @property
    def until_day(self) -> date | None: ...


def check_unit(unit: UnitTable, place: str, notes: FaultList) -> None:
    """Note what cannot be: line orders that are none, more watts than volt-amperes, two cabinets at once."""
    if unit.line_order is not None:
        lines = unit.line_order
        if len(lines) != unit.output_lines or len(set(lines)) != len(lines) or not set(lines) <= {1, 2, 3}:
            notes.fault(
                f"{place}.line_order",
                f"{unit.output_lines} different board lines out of 1, 2 and 3",
                str(list(lines)),
            )
    for number, fitted in enumerate(unit.fitted, 1):
        if LEAST_VA <= fitted.rating_va < fitted.rating_w:
            notes.fault(
                f"{place}.fitted#{number}.rating_w",
                f"at most rating_va ({fitted.rating_va:g})",
                f"{fitted.rating_w:g}",
            )
    check_periods(unit.fitted, f"{place}.fitted", notes)


def check_bank(bank: BankTable, place: str, notes: FaultList) -> None:
    """Note what cannot be: cells that fill no blocks, a half that is not there, impossible tables."""
    if bank.halves == 1 and bank.voltage_reported == "half":
        notes.fault(f"{place}.voltage_reported", "'whole', since halves = 1", "'half'")
    for number, fitted in enumerate(bank.fitted, 1):
        here = f"{place}.fitted#{number}"
        cells = bank.cells_in_series * bank.halves * bank.strings
        if cells % fitted.blocks or cells // fitted.blocks not in CELLS_IN_A_BLOCK:
            possible = ", ".join(str(cells // n) for n in CELLS_IN_A_BLOCK if cells % n == 0)
            notes.fault(
                f"{here}.blocks",
                f"all blocks of the bank: {cells} cells (every string, both halves) make {possible} blocks",
                str(fitted.blocks),
            )
        check_blocks(fitted, here, notes)
    check_periods(bank.fitted, f"{place}.fitted", notes)


def check_blocks(blocks: BlocksTable, place: str, notes: FaultList) -> None:
    """Note constant-power tables that no battery can have."""
    tables = [(f"{place}.constant_power", blocks.constant_power)] if blocks.constant_power else []
    tables += [
        (f"{place}.constant_power_at#{n}.minutes_watts", table.minutes_watts)
        for n, table in enumerate(blocks.constant_power_at, 1)
    ]
    for where, rows in tables:
        _check_table(rows, blocks.rated_capacity_ah, where.removeprefix("."), notes)
    at = [t.end_voltage_per_cell_v for t in blocks.constant_power_at]
    if len(set(at)) != len(at) or (blocks.constant_power and blocks.end_voltage_per_cell_v in at):
        notes.fault(
            f"{place}.constant_power_at".removeprefix("."),
            "one table for each end voltage",
            "two for the same",
        )


def _check_table(
    rows: Sequence[tuple[float, float]], rated_ah: float | None, place: str, notes: FaultList
) -> None:
    if len(rows) < 2:
        notes.fault(place, "2 or more pairs of minutes and watts", str(len(rows)))
        return
    ordered = sorted(rows)
    for (short, high), (long, low) in pairwise(ordered):
        if short == long:
            notes.fault(place, f"one row for {short:g} minutes", "two")
        elif low >= high:
            notes.fault(place, f"fewer watts at {long:g} minutes than at {short:g} ({high:g})", f"{low:g}")
        elif low * long < high * short:
            notes.fault(
                place,
                f"watts times minutes that does not fall as the time grows (at least "
                f"{high * short / long:.4g} W at {long:g} minutes: a slower discharge gives no less energy)",
                f"{low:g}",
            )
    if rated_ah is not None:
        for minutes, watts in ordered:
            most = _MOST_ENERGY * rated_ah * 2.0
            if watts * minutes / 60.0 > most:
                notes.fault(
                    place,
                    f"at most {_MOST_ENERGY} x rated_capacity_ah x 2 V = {most:.4g} Wh per cell (watts are per cell: of a table "
                    "per block divide by its cells)",
                    f"{watts * minutes / 60.0:.4g} Wh at {minutes:g} minutes",
                )
                break


def check_periods(fitted: Sequence[_Dated], place: str, notes: FaultList) -> None:
    """Note periods that end before they begin, overlap, or are left open before the last."""
    for number, item in enumerate(fitted, 1):
        if item.until_day is not None and item.until_day <= item.from_day:
            notes.fault(f"{place}#{number}.until", f"a day after {item.from_day}", str(item.until_day))
        if item.until_day is None and number < len(fitted):
            notes.fault(f"{place}#{number}.until", "a day, since another follows", "nothing")
    for number, (earlier, later) in enumerate(pairwise(fitted), 2):
        end = earlier.until_day
        if end is not None and later.from_day < end:
            notes.fault(
                f"{place}#{number}.from",
                f"{end} or later: the place was taken till then",
                str(later.from_day),
            )
        elif end is None and later.from_day <= earlier.from_day:
            notes.fault(f"{place}#{number}.from", f"a day after {earlier.from_day}", str(later.from_day))
