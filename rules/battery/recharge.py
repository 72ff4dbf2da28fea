"""How far a bank has been filled again: an energy balance, never the card's charge percent.

A constant-voltage charger first gives its current limit (often 0.1 C, sometimes less), then, near full,
a current that decays: the last tenth is slow, and 24 h to full is usual at 0.1 C and float voltage
(EN 62040-3 has makers declare the hours to 90 %). What was measured wins: ampere-hours returned,
times what the bank keeps of them.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.battery.runtime import Floats

USUAL_CURRENT: Final = 0.1  # of rated ampere-hours
KEPT: Final = 0.92  # of the ampere-hours returned, while charging; gassing and heat take the rest
_SLOW_FROM: Final = 0.15  # missing charge under which the current decays
FULL_AFTER_H: Final = 72.0


def missing_charge(
    removed: float, hours: float, *, current: ArrayLike = USUAL_CURRENT, kept: ArrayLike = KEPT
) -> Floats:
    """Return the charge still missing, as a share of rated ampere-hours, `hours` after a discharge.

    `removed` at its end, same unit; `current` in shares of rated ampere-hours. Straight while the charger
    is at its limit, then exponential with a smooth join.
    """
    rate = np.asarray(current, dtype=np.float64) * np.asarray(kept, dtype=np.float64)
    bulk_h = np.maximum(removed - _SLOW_FROM, 0.0) / rate
    start = np.minimum(removed, _SLOW_FROM)
    decay = start * np.exp(-np.maximum(hours - bulk_h, 0.0) * rate / _SLOW_FROM)
    return np.asarray(np.where(hours < bulk_h, removed - rate * hours, decay))


def used_after_recharge(
    used: ArrayLike,
    removed: float,
    hours: float,
    seed: int,
    *,
    returned: float | None = None,
    draws: int,
) -> Floats:
    """Return draws of the used fraction left `hours` after a discharge that ended at `used`.

    `removed` and `returned` in shares of rated ampere-hours; without `returned` (no current reading) the
    charger's limit is drawn between about 0.06 and 0.15 C. Full after three days.
    """
    rng = np.random.default_rng(seed)
    start = np.broadcast_to(np.asarray(used, dtype=np.float64), (draws,))
    if removed <= 0.0 or hours >= FULL_AFTER_H:
        return np.zeros(draws)
    kept = np.clip(rng.normal(KEPT, 0.04, draws), 0.7, 1.0)
    if returned is not None:
        left = np.clip(removed - returned * kept, 0.0, removed)
    else:
        left = missing_charge(
            removed, hours, current=USUAL_CURRENT * np.exp(rng.normal(0.0, 0.3, draws)), kept=kept
        )
    return np.asarray(start * left / removed)
