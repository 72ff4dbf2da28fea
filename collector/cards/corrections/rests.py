"""Which polls teach nothing: a card on mains that nothing is wrong with, and that says what it said a moment ago.

Such a card is looked at by the learners at one poll in five, and at once when a value moves by more than its noise, comes
or goes, or is anything but a measurement. Of a card that is young, or of which anything is corrected or doubted,
every poll is looked at; but for the sign of its current, which only a discharge tells.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from collector.cards.mib.correction_set import CorrectionSet, Ruling
from collector.cards.mib.upsmib import LINES, OBJECTS
from collector.cards.mib.wire_values import WireState, WireValue

YOUNG: Final = 60
"""Polls looked at one by one, first of all."""
SELDOM: Final = 5
BAND: Final = 20
"""One over the part of a value by which it may move; by one step it always may."""
_NORMAL: Final = 3
_MEASURED: Final = frozenset(
    key
    for item in OBJECTS
    if item.unit in {"V", "A", "W", "%", "Hz"} and item.group in {"battery", "input", "output", "bypass"}
    for key in ([f"{item.name}.{line}" for line in LINES] if item.column else [item.name])
)
_PASSING: Final = frozenset(("sysUpTime", "upsEstimatedMinutesRemaining"))


@dataclass(slots=True)
class Rests:
    """What a card said when it was last looked at. `looks`: how often it was; `since`: polls passed over since then.

    `strayed`: the keys that moved since then, where that is known of every read (`number` is the last one's).
    """

    said: Mapping[str, WireValue] | None = None
    looks: int = 0
    since: int = 0
    number: int = 0
    strayed: set[str] | None = None

    def again(self, state: WireState, corrections: CorrectionSet) -> bool:
        """Return whether a poll needs no look; one that does is noted as looked at."""
        self._stray(state)
        if (
            self.looks >= YOUNG
            and self.since < SELDOM - 1
            and not (corrections.absent_lines or state.types or state.odd_places)
            and all(one.ruling is Ruling.DIRECTION for one in corrections.by_object.values())
            and state.values.get("upsOutputSource") == _NORMAL
            and self.said is not None
            and self._alike(state.values, self.said)
        ):
            self.since += 1
            return True
        self.said, self.since = state.values, 0
        self.strayed = set() if state.number else None
        self.looks += 1
        return False

    def _stray(self, state: WireState) -> None:
        known = state.since and state.since == self.number
        self.number = state.number
        if self.strayed is not None:
            self.strayed = self.strayed.union(state.moved) if known else None

    def _alike(self, now: Mapping[str, WireValue], said: Mapping[str, WireValue]) -> bool:
        return _alike(now, said) if self.strayed is None else _near(self.strayed, now, said)


def _alike(now: Mapping[str, WireValue], before: Mapping[str, WireValue]) -> bool:
    return len(now) == len(before) and _near(now, now, before)


def _near(keys: Iterable[str], now: Mapping[str, WireValue], before: Mapping[str, WireValue]) -> bool:
    """Return whether the values of some keys moved by no more than their noise."""
    for key in keys:
        value, was = now[key], before.get(key)
        if value == was or (key in _PASSING and type(value) is type(was)):
            continue
        if key not in _MEASURED or not isinstance(value, int) or not isinstance(was, int):
            return False
        apart = abs(value - was)
        if apart > 1 and apart * BAND > abs(was):
            return False
    return True
