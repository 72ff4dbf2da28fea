"""What a file's figures say of themselves: a bank whose volts are ten times too many, watts that are kilowatts, Fahrenheit.

Looked at are medians, which no single odd row moves. A unit that nobody named and that the figures speak against is a fault
with the remedy; one that somebody named is told of and taken.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median
from typing import Final

from collector.assessment.past.column_map import ColumnMap
from collector.assessment.past.prepared import PreparedRows
from collector.assessment.past.quantities import GivenQuantity
from rules.plant.estate import Estate, in_place

CELL_V: Final = (1.5, 2.6)
"""A lead-acid cell's median voltage over any time lies between: from the end of a discharge to boost charge."""
WARMEST_C: Final = 45.0
LEAST_OF_RATING: Final = 0.002
"""A line whose median is less than this share of what it may carry, but not nothing, was hardly meant in watts."""
_SAMPLED: Final = 20_000


@dataclass(frozen=True, slots=True)
class OddFigures:
    """Figures that do not fit what they are said to be. `named`: somebody named the unit; `remedy`: as one would say it."""

    what: str
    median: str
    expected: str
    remedy: str
    named: bool


def odd_figures(
    rows: PreparedRows, found: ColumnMap, units: Sequence[str], estate: Estate, day: date
) -> Iterator[OddFigures]:
    """Yield what does not fit, unit by unit and column by column."""
    for place, unit in enumerate(units):
        for column in found.columns:
            middle = _median(rows, column.quantity, place)
            if middle is None:
                continue
            expected = _expected(estate, unit, column.quantity.name, day)
            if expected is None or expected[0] <= middle <= expected[1]:
                continue
            low, high = expected
            yield OddFigures(
                f"{column.header} as {column.quantity.name} of {unit}",
                f"half of its figures are over {middle:g} {column.quantity.unit}",
                f"{low:g} to {high:g}",
                _remedy(column.quantity, column.header, middle, expected),
                column.named,
            )


def _median(rows: PreparedRows, quantity: GivenQuantity, place: int) -> float | None:
    numbers = [number for _, number in rows.column(quantity.key, place)]
    thin = numbers[:: max(1, len(numbers) // _SAMPLED)]
    return median(thin) * quantity.step if thin else None


def _expected(estate: Estate, unit: str, name: str, day: date) -> tuple[float, float] | None:
    """Return between what a quantity's median lies, None where nothing is known of it."""
    if name == "battery_voltage_v":
        cells = [bank.reported_cells for bank in estate.banks_of(unit)]
        return (CELL_V[0] * min(cells), CELL_V[1] * max(cells)) if cells else None
    if name == "battery_temperature_c":
        return -20.0, WARMEST_C
    if name.startswith(("output_power_w", "output_apparent_va")):
        of = estate.units[unit]
        cabinet = in_place(of.fitted, day)
        cabinet = cabinet if cabinet is not None else of.fitted[-1]
        line_w = cabinet.rating_w / of.output_lines
        return LEAST_OF_RATING * line_w, 1.5 * line_w
    if name.startswith("output_voltage_v"):
        return 80.0, 800.0
    return None


_OTHERS: Final = {
    "V": (("dV", 0.1), ("cV", 0.01), ("mV", 0.001)),
    "W": (("kW", 1000.0), ("dW", 0.1)),
    "VA": (("kVA", 1000.0),),
}


def _remedy(quantity: GivenQuantity, header: str, middle: float, expected: tuple[float, float]) -> str:
    others = list(_OTHERS.get(quantity.unit, ()))
    fits = [word for word, factor in others if expected[0] <= middle * factor <= expected[1]]
    if quantity.unit == "degC":
        fits = [
            word
            for word, value in (("F", (middle - 32.0) * 5.0 / 9.0), ("dC", middle / 10.0))
            if expected[0] <= value <= 40.0
        ]
    word = fits[0] if fits else next(iter(quantity.unit.split()), "")
    return f"--column {quantity.name}={header}:{'C' if word == 'degC' else word}"
