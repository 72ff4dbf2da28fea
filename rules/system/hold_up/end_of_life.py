"""A bank at the end of its life, played beside that of today."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rules.battery.model.ageing import END_OF_LIFE
from rules.battery.model.health import BankBelief
from rules.system.hold_up.play import Floats
from rules.system.state import HoldUp
from rules.values.verdict import Basis


class AtEndOfLife:
    """A full bank at the end of its life: 80 % of the published power, in its coldest room.

    Never better than it is today: a bank that was seen to give less already is taken as it was seen.
    """

    def __init__(self, belief: BankBelief, temperature_c: float | None) -> None:
        self._today = belief
        self._cold = replace(belief.rested(belief.as_of), temperature_c=temperature_c)

    @property
    def used(self) -> Floats:
        """Return the used fraction: none."""
        return self._cold.used

    @property
    def spent_ws(self) -> None:
        """Return what is spent: of a full bank, nothing."""
        return

    @property
    def by_charge(self) -> Floats | float:
        """Return how far what is spent counts by its charge at another power."""
        return self._cold.by_charge

    def published_ws(self, output_power_w: float) -> Floats:
        """Return what a whole published time gives at this power, W s a cell."""
        return self._cold.published_ws(output_power_w)

    @property
    def basis(self) -> Basis:
        """Return what the curve rests on."""
        return self._cold.basis if self._cold.basis is not Basis.TESTED else Basis.TABLE

    def rate_per_s(self, output_power_w: float) -> Floats:
        """Return d(used) / dt, 1/s; a room that is colder today slows nothing down."""
        return np.maximum(self._cold.rate_per_s(output_power_w), self._today.rate_per_s(output_power_w))

    def health_at(self, output_power_w: float) -> Floats:
        """Return published time at 1/0.8 of the power over that at the power, or what is left today if less."""
        watts = max(self._cold.power_w_per_cell(output_power_w), self._cold.curve.smallest_w)
        health = float(self._cold.curve.seconds(watts / END_OF_LIFE)) / float(self._cold.curve.seconds(watts))
        if self._today.unproven:  # its draws are an assumption: the end of life is none
            return np.full(len(self._cold.used), health)
        return np.minimum(health, self._today.health_at(output_power_w))

    def beyond_reach(self, output_power_w: float) -> bool:
        """Return whether the power is too far above the table's largest."""
        return self._cold.beyond_reach(output_power_w)


def no_better(then: HoldUp, today: HoldUp) -> HoldUp:
    """Return a hold-up at the end of life, held at that of today with full banks wherever both are known."""

    def lesser(one: float | None, other: float | None) -> float | None:
        return one if one is None or other is None else min(one, other)

    return replace(
        then,
        low_s=lesser(lesser(then.low_s, today.low_s), today.median_s),
        median_s=lesser(then.median_s, today.median_s),
        high_s=lesser(then.high_s, today.high_s),
    )
