"""From the power a unit gives out to the power its bank gives: what the inverter costs.

P_bank = P_out + fixed + share * P_out, the fixed part a share of the unit's rating. One efficiency figure
is wrong at the 15 to 45 % load of a redundant unit, where the fixed part weighs most. Both are learnt
from discharges at different loads; until then the defaults stand, and are marked as such.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.battery.model.runtime_curve import Floats

DEFAULT_FIXED_OF_RATING: Final = 0.015
DEFAULT_SHARE: Final = 0.04


@dataclass(frozen=True, slots=True)
class Losses:
    """Inverter losses: `fixed_w` at any load, and `share` of the output power. `learnt` from evidence."""

    fixed_w: float
    share: float
    learnt: bool = False

    def battery_power_w(self, output_power_w: float) -> float:
        """Return what the bank gives for an output power, both in W."""
        return output_power_w * (1.0 + self.share) + self.fixed_w


def default_losses(rating_w: float | None) -> Losses:
    """Return the marked default for a unit; without its rating, for a unit at half load."""
    if rating_w is None:
        return Losses(0.0, DEFAULT_SHARE + DEFAULT_FIXED_OF_RATING / 0.5)
    return Losses(DEFAULT_FIXED_OF_RATING * rating_w, DEFAULT_SHARE)


def learn_losses(output_w: Floats, battery_w: Floats, rating_w: float) -> Losses:
    """Return losses fitted to pairs of mean output and battery power, one pair a steady stretch.

    Least squares drawn towards the defaults, as much as a spread of 0.01 in each says against readings
    good to 1.5 % of the power; a few stretches at one load thus move the sum and leave the split alone.
    Pairs that physics excludes (more out than in, or under 70 % out) are left out.
    """
    out, into = np.asarray(output_w, dtype=np.float64), np.asarray(battery_w, dtype=np.float64)
    sane = (out > 0.02 * rating_w) & (into > out) & (out > 0.7 * into)
    out, into = out[sane] / rating_w, into[sane] / rating_w
    prior = np.array([DEFAULT_FIXED_OF_RATING, DEFAULT_SHARE])
    if len(out) == 0:
        return default_losses(rating_w)
    design = np.column_stack([np.ones_like(out), out])
    weight = 1.0 / (0.015 * into) ** 2
    precision = design.T @ (design * weight[:, None]) + np.eye(2) / 0.01**2
    excess = into - out - design @ prior
    fixed, share = prior + np.linalg.solve(precision, design.T @ (weight * excess))
    return Losses(max(float(fixed), 0.0) * rating_w, max(float(share), 0.0), learnt=True)
