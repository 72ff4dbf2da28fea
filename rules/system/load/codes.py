"""A load in 16 bits: its logarithm in steps of 0.025 %, rounded up."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

STEPS: Final = 4000.0  # codes per unit of ln(1 + x): 0.025 %; 65535 codes reach 13 MW


def code_of(value: float) -> int:
    """Return the code of a load in W or VA, 1 to 65535; 0 is kept for what is not known."""
    return min(1 + int(np.ceil(STEPS * np.log1p(max(value, 0.0)))), 65535)


def value_of(code: float) -> float:
    """Return the load that a code stands for, in W or VA."""
    return float(np.expm1((code - 1.0) / STEPS))


def highest_of(codes: NDArray[np.uint16]) -> tuple[float | None, float | None, int | None]:
    """Return peak, 95th percentile (the next kept value above it) and the row of the peak."""
    known = codes[codes > 0]
    if known.size == 0:
        return None, None, None
    rank = min(int(np.ceil(0.95 * known.size)), known.size) - 1
    return value_of(float(known.max())), value_of(float(np.sort(known)[rank])), int(codes.argmax())
