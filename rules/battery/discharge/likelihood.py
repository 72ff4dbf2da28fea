"""What a partial discharge itself says of health, as a shape: how likely its rows are for each health.

An estimate with its interval is this times what banks were taken to be before. To fuse several discharges
that assumption has to come out again, lest it count each time. Dividing one normal curve by another does so
only where both are normal; the rows of a shallow discharge of an unfamiliar product rule out low healths and say
next to nothing of the high ones, and the division then points far above what any bank has. So the shape is
kept as it is: natural logarithms, 0 at its largest, at `HEALTHS`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, TypeAlias

import numpy as np

from rules.battery.model.runtime_curve import Floats

Shape: TypeAlias = tuple[float, ...]

HEALTHS: Final = np.linspace(0.3, 1.3, 41)
"""Shares of published time, at 25 degC and the mean power of the discharge."""
LEAST_LN: Final = -40.0
"""What is less likely is not told apart."""
_NIL: Final = -1e5
_FINE: Final = np.linspace(0.2, 1.7, 151)


def shape_of(on_grid: Sequence[tuple[Floats, Floats]], ln_doubt: float, stated: float = 1.0) -> Shape:
    """Return the shape that equally likely readings of a record make together.

    Each is a grid of healths and ln of the likelihood there, to one constant for all; outside its grid it is
    nil. `ln_doubt`: standard deviation of ln(health) by meters and temperature. `stated`: health as it is
    stated over health on the grids.
    """
    together = np.full(len(_FINE), _NIL)
    for grid, ln_likelihood in on_grid:
        together = np.logaddexp(
            together, np.interp(_FINE, grid * stated, np.maximum(ln_likelihood, _NIL), left=_NIL, right=_NIL)
        )
    likely = np.exp(together - np.max(together))
    apart = np.log(_FINE[:, None] / _FINE[None, :]) / max(ln_doubt, 1e-3)
    blur = np.exp(-0.5 * apart**2)
    likely = blur @ likely / np.sum(blur, axis=1)
    at = np.log(np.maximum(np.interp(HEALTHS, _FINE, likely), 1e-300))
    return tuple(float(v) for v in np.round(np.maximum(at - np.max(at), LEAST_LN), 3))


def ln_at(shape: Shape, health: Floats) -> Floats:
    """Return ln of the likelihood at any healths; beyond the ends it goes on falling, never rising."""
    at = np.asarray(shape)
    step = float(HEALTHS[1] - HEALTHS[0])
    low, high = max(at[1] - at[0], 0.0) / step, min(at[-1] - at[-2], 0.0) / step
    inside = np.interp(health, HEALTHS, at)
    below, above = np.minimum(health - HEALTHS[0], 0.0), np.maximum(health - HEALTHS[-1], 0.0)
    return np.asarray(inside + low * below + high * above)


def moments(shape: Shape) -> tuple[float, float]:
    """Return mean and standard deviation of health by the record alone, as if any at `HEALTHS` were as likely."""
    mass = np.exp(np.asarray(shape))
    mass = mass / np.sum(mass)
    mean = float(np.sum(mass * HEALTHS))
    return mean, max(float(np.sqrt(np.sum(mass * (HEALTHS - mean) ** 2))), 0.005)
