"""What a discharge shows beside its capacity: resistance, weak blocks, the dip at its start.

None of these is capacity. Resistance over the bank's own reference by a fifth is a warning (IEEE 1188 asks
for action on drifts of that order, as quoted by makers); the dip at the start (coup de fouet) hardly
correlates with capacity and is kept as a feature only.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.battery.discharge.record.clean_discharge import Battery, CleanDischarge

_REST_V: Final = 2.13  # a charged cell at rest, where the log does not show it
_STEP: Final = 0.08
DRIFT_WARNING: Final = 0.20


def resistance_ohm(discharge: CleanDischarge, battery: Battery) -> float | None:
    """Return the resistance of the whole bank in ohm, None where no current is known.

    From load steps of 8 % or more, as -dv/di across neighbouring rows; without any, from the fall
    from rest to the first minutes, which counts polarisation too and so reads higher.
    """
    known = np.isfinite(discharge.current_a)
    current, volts = discharge.current_a[known], discharge.voltage_v[known] * battery.cells
    if len(current) < 3 or float(np.median(current)) <= 0.0:
        return None
    steps = np.abs(np.diff(current)) > _STEP * float(np.median(current))
    if steps.any():
        values = -np.diff(volts)[steps] / np.diff(current)[steps]
        values = values[values > 0.0]
        if len(values):
            return float(np.median(values))
    span = float(discharge.t_s[-1])
    early = (discharge.t_s[known] > 0.01 * span) & (discharge.t_s[known] <= max(120.0, 0.03 * span))
    if not early.any():
        return None
    rest = discharge.rest_voltage_v
    at_rest = _REST_V if rest is None or rest > _REST_V else rest
    fall = at_rest * battery.cells - float(np.mean(volts[early]))
    return fall / float(np.mean(current[early])) if fall > 0.0 else None


def resistance_drift(now_ohm: float, reference_ohm: float) -> float:
    """Return by what share resistance rose over a reference; at 0.2 it is a warning."""
    return now_ohm / reference_ohm - 1.0


@dataclass(frozen=True, slots=True)
class CoupDeFouet:
    """The dip as a discharge begins: volts per cell, seconds from its start, and depth below the plateau."""

    trough_v: float
    trough_s: float
    plateau_v: float

    @property
    def depth_v(self) -> float:
        """Return how far the trough lies below the plateau after it, V per cell."""
        return self.plateau_v - self.trough_v


def coup_de_fouet(discharge: CleanDischarge, run_s: float) -> CoupDeFouet | None:
    """Return the dip within the first twentieth of a run of `run_s`; None at a slow cadence or without one.

    A missing dip hints at sulphation, an incomplete charge, or a discharge less than two days before.
    """
    early = discharge.t_s <= 0.05 * run_s
    volts, t = discharge.voltage_v[early], discharge.t_s[early]
    if len(volts) < 8 or float(np.median(np.diff(t))) > 10.0:
        return None
    low = int(np.argmin(volts[: max(2 * len(volts) // 3, 3)]))
    plateau = float(np.max(volts[low:]))
    if low == 0 or plateau - volts[low] < max(2.0 * discharge.step_v, 1e-3):
        return None
    return CoupDeFouet(float(volts[low]), float(t[low]), plateau)


def weak_blocks_suspected(discharge: CleanDischarge, cells_per_block: int, cells: int) -> bool:
    """Return whether the voltage falls off a ledge and then flattens: one block gave out before the rest.

    A block of c cells that collapses takes up to 2 V a cell from the sum within a small part of the run,
    while the rest carry on; a bank that ends evenly only ever steepens.
    """
    volts, t = discharge.voltage_v * cells, discharge.t_s
    if len(volts) < 40:
        return False
    level = np.interp(np.linspace(t[0], t[-1], 41), t, volts)
    fall = level[:-3] - level[3:]  # over three fortieths of the record, from each
    ledge = max(1.0 * cells_per_block, 3.0 * discharge.step_v * cells)
    for i in range(6, len(fall) - 6):
        around = 0.5 * (fall[i - 5] + fall[i + 5])
        if fall[i] > ledge and fall[i] > 3.0 * around and fall[i + 5] < 0.35 * fall[i]:
            return True
    return False
