"""Who carries what: units in parallel share each line by their ratings on it, and bear too much of it for a while."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

OVERLOAD_BORNE: Final = ((1.10, 600.0), (1.25, 60.0), (1.50, 10.0))
"""Load over rating, and seconds that a unit bears it: the low ends of what makers usually give.

Up to rating for ever; up to the first point its time; between points log-linear; above the last none.
"""


@dataclass(frozen=True, slots=True)
class PlayUnit:
    """A unit as play sees it: the board lines it feeds, and its ratings (all lines together)."""

    id: str
    lines: tuple[int, ...]
    rating_w: float
    rating_va: float


@dataclass(frozen=True, slots=True)
class PlayBank:
    """A bank and the units it feeds. `strings` weighs it against another bank behind the same unit."""

    id: str
    feeds: tuple[str, ...]
    strings: int = 1


@dataclass(frozen=True, slots=True)
class BoardLoad:
    """What the board asks, by line, in W and VA."""

    power_w: Mapping[int, float]
    apparent_va: Mapping[int, float]

    def plus(self, *others: BoardLoad) -> BoardLoad:
        """Return all together, on all lines of any, never below zero."""
        watts, volt_amperes = dict(self.power_w), dict(self.apparent_va)
        for other in others:
            for line, value in other.power_w.items():
                watts[line] = watts.get(line, 0.0) + value
            for line, value in other.apparent_va.items():
                volt_amperes[line] = volt_amperes.get(line, 0.0) + value
        return BoardLoad(
            {line: max(value, 0.0) for line, value in watts.items()},
            {line: max(value, 0.0) for line, value in volt_amperes.items()},
        )

    def times(self, factor: float) -> BoardLoad:
        """Return this, `factor` times; -1 turns a load into what shedding it takes away."""
        return BoardLoad(
            {line: factor * value for line, value in self.power_w.items()},
            {line: factor * value for line, value in self.apparent_va.items()},
        )

    @property
    def total_w(self) -> float:
        """Return the power of all lines."""
        return sum(self.power_w.values())


def overload_borne_s(
    fraction: ArrayLike, borne: Sequence[tuple[float, float]] = OVERLOAD_BORNE
) -> NDArray[np.float64]:
    """Return how long a unit bears `fraction` of its rating, in s, one a fraction; inf up to its rating."""
    fractions = np.asarray(fraction, dtype=np.float64)
    at, seconds = zip(*borne, strict=True)
    found = np.exp(np.interp(fractions, at, np.log(seconds)))
    found = np.where(fractions > at[-1], 0.0, found)
    return np.asarray(np.where(fractions <= 1.0 + 1e-9, np.inf, found))


def unit_shares(units: Sequence[PlayUnit], asked: BoardLoad) -> dict[str, tuple[float, float]] | None:
    """Return what each unit carries, as (W, load over rating on its worst line).

    None when a line with load has no unit.
    """
    share = {unit.id: [0.0, 0.0] for unit in units}
    for line, watts in asked.power_w.items():
        volt_amperes = max(asked.apparent_va.get(line, watts), watts)
        if volt_amperes <= 0.0:
            continue
        on_line = [unit for unit in units if line in unit.lines]
        rated_w = sum(unit.rating_w / len(unit.lines) for unit in on_line)
        if not on_line or rated_w <= 0.0:
            return None
        for unit in on_line:
            own_w = unit.rating_w / len(unit.lines)
            part = own_w / rated_w
            share[unit.id][0] += watts * part
            worst = max(watts * part / own_w, volt_amperes * part * len(unit.lines) / unit.rating_va)
            share[unit.id][1] = max(share[unit.id][1], worst)
    return {unit: (watts, fraction) for unit, (watts, fraction) in share.items()}
