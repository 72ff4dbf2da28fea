"""What a column of a file of past readings may hold, in which units, and the whole numbers it is kept as.

A quantity has the name it has in an export and in the HTTP interface: `output_power_w_1`, `battery_voltage_v`. It is kept like
a wire value, under a correction set of its own (`collector.cards.mib.correction_set.GIVEN`) that says how fine its numbers
are; so nothing that was measured can be mistaken for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from collector.cards.mib.correction_set import GIVEN
from collector.cards.mib.repeats import TYPE_LIMITS
from collector.cards.mib.upsmib import (
    BATTERY_STATUS,
    LINES,
    OBJECTS,
    OUTPUT_SOURCE,
    TEST_RESULT,
    Kind,
    MibObject,
)
from rules.plant.reading import OutputSource
from rules.values.constants import ZERO_C

AT: Final = "at"
UNIT: Final = "unit"
ON_BATTERY: Final = "on_battery"
SOURCE: Final = "output_source"
APPARENT: Final = "output_apparent_va"
"""Volt-amperes of a line, by its number behind a `_`; kept as amperes, for which the line's volts stand beside it."""

_OCTET_LIMIT: Final = 255
_NOTHING: Final = frozenset({"", "-", "--", "n/a", "na", "nan", "null", "none", "#n/a"})
_YES: Final = frozenset({"1", "true", "yes", "on", "battery"})
_NO: Final = frozenset({"0", "false", "no", "off", "normal", "mains"})


@dataclass(frozen=True, slots=True)
class GivenUnit:
    """A unit in which figures may come: `value * factor + offset` is the quantity's own."""

    word: str
    factor: float = 1.0
    offset: float = 0.0


def _units(own: str, **others: float) -> dict[str, GivenUnit]:
    return {own: GivenUnit(own)} | {word: GivenUnit(word, factor) for word, factor in others.items()}


UNITS_OF: Final[Mapping[str, Mapping[str, GivenUnit]]] = {
    "V": _units("V", dV=0.1, cV=0.01, mV=0.001, kV=1000.0),
    "A": _units("A", dA=0.1, cA=0.01, mA=0.001),
    "W": _units("W", dW=0.1, kW=1000.0, MW=1e6),
    "VA": _units("VA", kVA=1000.0, MVA=1e6),
    "degC": {
        "C": GivenUnit("C"),
        "°C": GivenUnit("°C"),
        "dC": GivenUnit("dC", 0.1),
        "F": GivenUnit("F", 5.0 / 9.0, -160.0 / 9.0),
        "°F": GivenUnit("°F", 5.0 / 9.0, -160.0 / 9.0),
        "dF": GivenUnit("dF", 0.5 / 9.0, -160.0 / 9.0),
        "K": GivenUnit("K", 1.0, -ZERO_C),
    },
    "Hz": _units("Hz", dHz=0.1, mHz=0.001),
    "%": _units("%", share=100.0),
    "s": _units("s", min=60.0, h=3600.0),
    "": {},
}
"""By the unit that a quantity is kept in, the units that it may come in; the first is taken where none is named."""


@dataclass(frozen=True, slots=True)
class GivenQuantity:
    """What a column may hold. `key`: the wire key it is kept under; `step`: the least difference that is kept, in `unit`.

    `words`: of an enumeration, the numbers by word.
    """

    name: str
    key: str
    unit: str
    step: float = 1.0
    words: Mapping[str, int] | None = None

    def number(self, value: float) -> int:
        """Return a value in its unit as the whole number it is kept as, beside what cards send for "not known"."""
        raw = round(value / self.step)
        return raw + 1 if raw in TYPE_LIMITS or raw == _OCTET_LIMIT else raw


def _step(item: MibObject) -> float:
    correction = GIVEN.by_object.get(item.name)
    return item.scale * (1.0 if correction is None else correction.factor)


def _words(meanings: Mapping[int, StrEnum]) -> Mapping[str, int]:
    return {str(word): number for number, word in meanings.items()}


_ENUMERATIONS: Final = {
    "upsOutputSource": _words(OUTPUT_SOURCE),
    "upsBatteryStatus": _words(BATTERY_STATUS),
    "upsTestResultsSummary": _words(TEST_RESULT),
}


def _known() -> dict[str, GivenQuantity]:
    found: dict[str, GivenQuantity] = {}
    for item in OBJECTS:
        if item.group is None or item.group == "nameplate" or item.kind is Kind.TEXT:
            continue
        name, words = f"{item.group}_{item.field}", _ENUMERATIONS.get(item.name)
        for line in LINES if item.column else (None,):
            suffix, dot = ("", "") if line is None else (f"_{line}", f".{line}")
            one = GivenQuantity(name + suffix, item.name + dot, item.unit or "", _step(item), words)
            found[one.name] = one
    switch = dict.fromkeys(_YES, 5) | dict.fromkeys(_NO, 3)
    found[ON_BATTERY] = GivenQuantity(ON_BATTERY, "upsOutputSource", "", 1.0, switch)
    for line in LINES:
        amperes = found[f"output_current_a_{line}"]
        found[f"{APPARENT}_{line}"] = GivenQuantity(f"{APPARENT}_{line}", amperes.key, "VA", amperes.step)
    return found


QUANTITIES: Final[Mapping[str, GivenQuantity]] = _known()
"""What a column may hold, by name; beside these `at` and `unit`."""

BATTERY_NUMBER: Final = _ENUMERATIONS["upsOutputSource"][str(OutputSource.BATTERY)]


def says_nothing(cell: str) -> bool:
    """Return whether a cell's text stands for "not known"."""
    return cell.strip().lower() in _NOTHING


def in_words(quantity: GivenQuantity, cell: str) -> int | None:
    """Return the number of an enumeration's word or number, None for one that it does not have."""
    word = cell.strip().lower().removesuffix(".0")
    found = (quantity.words or {}).get(word)
    if found is None and quantity.name != ON_BATTERY and word.isdigit():
        number = int(word)
        return number if number in (quantity.words or {}).values() else None
    return found


def given_number(cell: str) -> float | None:
    """Return the number of a cell, with a decimal comma too; None for what is no finite number."""
    text = cell.strip()
    if "," in text and "." not in text:
        text = text.replace(",", ".", 1)
    try:
        value = float(text)
    except ValueError:
        return None
    return value if abs(value) < 1e12 else None
