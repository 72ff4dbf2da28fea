"""What a system feeds: a load with the shape of a day and a week, unequal lines, and seeded noise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from collector.simulation.plant.wander import Floats, Wander, seed_of
from rules.values.constants import SECONDS_A_YEAR

DAY_S: Final = 86_400.0


@dataclass(frozen=True)
class LoadShape:
    """The load of one system by board line.

    `watts` per line on an ordinary working afternoon; `night_share` and `weekend_share` of it remain at
    those times; `growth_per_year` from `since_s` on; `noise` is the spread of the fast part as a share.
    """

    id: str
    seed: int
    watts: Sequence[float]
    power_factor: Sequence[float]
    night_share: float = 0.8
    weekend_share: float = 0.9
    noise: float = 0.012
    growth_per_year: float = 0.0
    since_s: float = 0.0
    _wanders: tuple[Wander, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        wanders = tuple(
            Wander(seed_of(self.seed, self.id, line), periods_s=(11.0, 97.0, 1500.0))
            for line in range(len(self.watts))
        )
        object.__setattr__(self, "_wanders", wanders)

    def watts_at(self, t_s: Floats) -> Floats:
        """Return watts by moment (rows, seconds since the epoch, UTC) and board line (columns)."""
        # The epoch was a Thursday; Saturday and Sunday are days 2 and 3 after it.
        weekday = np.floor(t_s / DAY_S) % 7.0
        weekend = (weekday == 2.0) | (weekday == 3.0)
        # A cosine with its crest at 14:30; flattened so that the working day has a plateau.
        crest = np.cos(2.0 * math.pi * (t_s / DAY_S - 14.5 / 24.0))
        day = self.night_share + (1.0 - self.night_share) * 0.5 * (1.0 + np.tanh(2.0 * crest))
        years = (t_s - self.since_s) / SECONDS_A_YEAR
        common = day * np.where(weekend, self.weekend_share, 1.0) * (1.0 + self.growth_per_year * years)
        lines = [
            watts * common * (1.0 + self.noise * wander(t_s))
            for watts, wander in zip(self.watts, self._wanders, strict=True)
        ]
        return np.stack(lines, axis=1)

    def at(self, t_s: float) -> tuple[float, ...]:
        """Return the watts of each board line at one moment, as `watts_at` does for many."""
        weekend = math.floor(t_s / DAY_S) % 7 in (2, 3)
        crest = math.cos(2.0 * math.pi * (t_s / DAY_S - 14.5 / 24.0))
        day = self.night_share + (1.0 - self.night_share) * 0.5 * (1.0 + math.tanh(2.0 * crest))
        years = (t_s - self.since_s) / SECONDS_A_YEAR
        common = day * (self.weekend_share if weekend else 1.0) * (1.0 + self.growth_per_year * years)
        return tuple(
            watts * common * (1.0 + self.noise * wander.at(t_s))
            for watts, wander in zip(self.watts, self._wanders, strict=True)
        )
