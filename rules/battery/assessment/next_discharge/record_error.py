"""How far off what a discharge of a depth shows of health is, and how sure the estimator says it is.

Measured on 33 discharges of three simulated products that the curve prior was not learnt from, cut at each depth
(`python -m tests.bench.reading_errors FOLDER develop`), by the record's own likelihood, the prior left out. What is
stated is more than the error where little is used. A reference of the product makes both less; whether one is there shows in how sure
the bank's own past discharges were judged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rules.battery.discharge.evidence import DischargeEvidence
from rules.battery.discharge.likelihood import moments
from rules.battery.model.same_error import FULL_DEPTH, shared_at

_DEPTHS: Final = (0.03, 0.06, 0.1, 0.15, 0.25, 0.4, 0.5, 0.6, 0.75, 0.9)
_ERROR: Final = (0.137, 0.12, 0.09, 0.077, 0.063, 0.051, 0.047, 0.039, 0.032, 0.03)
"""Root mean square error of health, by depth."""
_STATED: Final = (0.257, 0.189, 0.136, 0.127, 0.104, 0.077, 0.062, 0.05, 0.036, 0.024)
"""Standard deviation that the likelihood states."""
_SURER, _LESS_SURE = 0.4, 1.6
"""What past discharges of a bank may make of both: a reference halves the error at most."""
END_SD: Final = 0.023
"""Error of a run to the end: temperature and meters alone, as the estimator reckons them there."""


@dataclass(frozen=True, slots=True)
class RecordError:
    """What a record to come is reckoned with: its error, what is stated of it, and the part shared with its like."""

    error: float
    stated: float
    shared: float


def error_at(depth: float, sureness: float = 1.0) -> RecordError:
    """Return the error of a record of a depth (share of what the bank gives), its end not reached.

    `sureness`: stated deviation of this bank's past records over the usual, `sureness_of`.
    """
    if depth >= FULL_DEPTH:
        return RecordError(END_SD, END_SD, 0.0)
    ln_depth = np.log(max(depth, _DEPTHS[0]))
    error, stated = (float(np.interp(ln_depth, np.log(_DEPTHS), known)) for known in (_ERROR, _STATED))
    return RecordError(max(error * sureness, END_SD), max(stated * sureness, END_SD), shared_at(depth))


def sureness_of(discharges: Sequence[DischargeEvidence]) -> float:
    """Return how sure this bank's past partial discharges were judged, over the usual at their depths; 1 without any."""
    ratios = [
        moments(d.likelihood)[1] / error_at(d.by_itself / d.fraction).stated
        for d in discharges
        if d.likelihood and not d.ended and d.fraction and _DEPTHS[0] < d.by_itself / d.fraction < FULL_DEPTH
    ]
    if not ratios:
        return 1.0
    return float(np.clip(np.exp(np.mean(np.log(ratios))), _SURER, _LESS_SURE))
