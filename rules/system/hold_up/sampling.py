"""What is drawn for a hold-up: banks by their beliefs, the units' parts, the load's drift. The same seed draws the same."""

from __future__ import annotations

from dataclasses import replace
from typing import Final
from zlib import crc32

import numpy as np

from rules.battery.model.health import BankBelief
from rules.system.hold_up.play import Floats
from rules.system.hold_up.task import HoldUpTask

DRAWS: Final = 1000
SEED: Final = 8470
"""All questions are drawn with one seed, each bank with numbers of its own: two answers differ by what was asked."""

SHARING_SD: Final = 0.025
"""Standard deviation of a unit's part of the load about its equal part (trade: 2 to 5 % of rating)."""

DRIFT_SD: Final = 0.02
"""Standard deviation of the load's mean over a hold-up about the load now."""


def shuffled(belief: BankBelief, rng: np.random.Generator, draws: int = DRAWS) -> BankBelief:
    """Return a belief with `draws` draws in a random order, so that banks vary independently."""
    pick = rng.permutation(draws) if belief.draws == draws else rng.integers(0, belief.draws, draws)
    correction = belief.correction
    return replace(
        belief,
        health=belief.health[pick],
        health_slope=belief.health_slope[pick],
        used=belief.used[pick],
        correction=correction[pick] if isinstance(correction, np.ndarray) else correction,
        steeper=belief.steeper[pick] if isinstance(belief.steeper, np.ndarray) else belief.steeper,
        spent_ws=None if belief.spent_ws is None else belief.spent_ws[pick],
        by_charge=belief.by_charge[pick] if isinstance(belief.by_charge, np.ndarray) else belief.by_charge,
    )


def chance(seed: int, name: str) -> np.random.Generator:
    """Return the random numbers of one bank and one question: the same whatever else is asked, and whenever."""
    return np.random.default_rng((seed, crc32(name.encode())))


def drifts(seed: int, draws: int) -> Floats:
    """Return the drift of the load's mean over a hold-up, ln of a factor, one a draw."""
    return chance(seed, "drift").normal(0.0, DRIFT_SD, draws)


def sharings(seed: int, task: HoldUpTask, bank: str, draws: int) -> Floats:
    """Return how far the unit of a bank is from its equal part of the load, ln of a factor; none where it is alone."""
    return chance(seed, f"share {bank}").normal(0.0, 0.0 if len(task.units) == 1 else SHARING_SD, draws)
