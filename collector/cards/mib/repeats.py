"""Values that repeat themselves mean what they meant: each part of a reading is made anew only where its card says something new.

Of some fifty values of a card at rest a handful move from one poll to the next. A part (the battery, one line, the
nameplate) that came as it did before, beside the same answers to what decides over zeros, under the same corrections,
is the same value with the same doubts: the one that was made then. Equal to making it anew, and a tenth of the work.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final, TypeVar

from collector.cards.mib.correction_set import STANDARD, CorrectionSet
from collector.cards.mib.upsmib import BY_NAME, LINES, Kind, MibObject
from rules.plant.reading import Doubt, Reading

T = TypeVar("T")

# What cards send for "unknown": the limits of the integer types they keep values in (RFC 1628 knows no such value).
TYPE_LIMITS: Final = frozenset({32767, -32768, 65535, 2147483647, -2147483648, 4294967295})
NUMBER_KINDS: Final = frozenset({Kind.INTEGER, Kind.GAUGE, Kind.COUNTER, Kind.TICKS})
AMPERES_HIGH: Final = 6000.0
WATTS_HIGH: Final = 5e6
LINE_VOLTS_LOW: Final = 80.0
LINE_VOLTS_HIGH: Final = 760.0
"""The widest low-voltage supplies there are, phase to neutral of 100 V to phase to phase of 690 V, with tolerance."""
HERTZ: Final = (45.0, 65.0)
WARM_C: Final = 59.0


class Repeats:
    """What the parts of one card's values were last taken to mean. Not to be shared by cards."""

    __slots__ = ("_corrections", "_number", "_parts", "_types", "beside", "reading")

    def __init__(self) -> None:
        self.reading: Reading | None = None
        """The last reading that was made, where it is known which of its values the next read moves."""
        self.beside: tuple[object, ...] = ()
        """What decided over zeros in it."""
        self._number = 0
        self._corrections: CorrectionSet = STANDARD
        self._types: Mapping[str, str] = {}
        self._parts: dict[str, tuple[tuple[object, ...], Any, tuple[Doubt, ...]]] = {}

    def begin(self, corrections: CorrectionSet, types: Mapping[str, str]) -> None:
        """Begin a reading: what was meant under other corrections, or of other types, is forgotten."""
        if corrections is not self._corrections or types != self._types:
            self._corrections, self._types = corrections, types
            self._parts.clear()

    def made_of(self, number: int, corrections: CorrectionSet) -> Reading | None:
        """Return the last reading, if it was made of the values of the read of that number, under the same corrections."""
        return self.reading if number == self._number and corrections is self._corrections else None

    def made(self, number: int, reading: Reading, beside: tuple[object, ...]) -> None:
        """Note a reading that was made of the read of a number; 0: of that nothing is known."""
        self._number, self.reading, self.beside = number, reading if number else None, beside

    def meant(self, part: str, came: tuple[object, ...], make: Callable[[], T], doubts: list[Doubt]) -> T:
        """Return what a part means, made by `make` where `came` is new; what is doubted of it is put to `doubts`."""
        known = self._parts.get(part)
        if known is not None and known[0] == came:
            doubts += known[2]
            meant: T = known[1]
            return meant
        begun = len(doubts)
        meant = make()
        self._parts[part] = (came, meant, tuple(doubts[begun:]))
        return meant


def _everyday(item: MibObject) -> tuple[int, int]:
    """Return the least and the most on the wire with which nothing can be wrong by itself."""
    low, high = 0.0, WATTS_HIGH
    if item.unit == "Hz":
        low, high = HERTZ
    elif item.unit == "V":
        low, high = LINE_VOLTS_LOW, LINE_VOLTS_HIGH
    elif item.name == "upsBatteryTemperature":
        high = WARM_C
    elif item.unit == "A":
        high = AMPERES_HIGH
    per = round(1.0 / item.scale) if item.scale < 1.0 else 1.0 / item.scale
    most = int(high * per)
    return max(round(low * per), 1), most if item.high is None else min(most, item.high)


EVERYDAY: Final = {
    key: _everyday(item)
    for item in BY_NAME.values()
    if item.kind in NUMBER_KINDS
    for key in ([f"{item.name}.{line}" for line in LINES] if item.column else [item.name])
}
"""Wire key -> least and most of an integer that is taken as it comes."""
