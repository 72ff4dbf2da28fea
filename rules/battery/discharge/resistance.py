"""What a discharge shows beside its capacity: resistance, weak blocks, the dip at its start.

None of these is capacity. Resistance over the bank's own reference by a fifth is a warning (IEEE 1188 asks
for action on drifts of that order, as quoted by makers); the dip at the start (coup de fouet) hardly
correlates with capacity and is kept as a feature only.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rules.battery.discharge.record.clean_discharge import Battery, CleanDischarge

_REST_V: Final = 2.13  # a charged cell at rest, where the log does not show it
_STEP: Final = 0.08
_OPENING_S: Final = 120.0
DRIFT_WARNING: Final = 0.20


def resistance_ohm(discharge: CleanDischarge, battery: Battery) -> tuple[float | None, bool | None]:
    """Return the resistance of the whole bank in ohm, and whether load steps told it; None, None where no current is known.

    From load steps of 8 % or more, as -dv/di across neighbouring rows; without any, from the fall
    from rest to the first two minutes, which counts polarisation too and so reads higher; a shorter discharge tells none.
    """
    known = np.isfinite(discharge.current_a)
    current, volts = discharge.current_a[known], discharge.voltage_v[known] * battery.cells
    if len(current) < 3 or float(np.median(current)) <= 0.0:
        return None, None
    steps = np.abs(np.diff(current)) > _STEP * float(np.median(current))
    if steps.any():
        values = -np.diff(volts)[steps] / np.diff(current)[steps]
        values = values[values > 0.0]
        if len(values):
            return float(np.median(values)), True
    span = float(discharge.t_s[-1])
    early = (discharge.t_s[known] > 0.01 * span) & (discharge.t_s[known] <= max(_OPENING_S, 0.03 * span))
    if span < _OPENING_S or not early.any():
        return None, None
    rest = discharge.rest_voltage_v
    at_rest = _REST_V if rest is None or rest > _REST_V else rest
    fall = at_rest * battery.cells - float(np.mean(volts[early]))
    return (fall / float(np.mean(current[early])), False) if fall > 0.0 else (None, None)
