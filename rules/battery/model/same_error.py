"""What several partial discharges of one bank say together: they err alike, so many say hardly more than one.

The voltage curve that is assumed of a bank is not quite its own, and stays so: a bank that seems better than it is by one
outage seems so by the next. What a record of a discharge weighs is therefore told beside its likelihood.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np

from rules.battery.model.runtime_curve import Floats

PARTIAL_SHARED: Final = 0.85
"""Part of the variance of a partial discharge's estimate that comes from the assumed voltage curve.

Measured on 19 runs of seven blocks at 3 to 50 % depth (`tests.bench.shared_error`): 0.84 0.85 0.76 0.46 0.42.
"""
FULL_DEPTH: Final = 0.97
"""From this part of what it has on, a discharge shows a bank's capacity by itself, whatever its voltage curve."""
TAILS: Final = 4.0
"""Degrees of freedom of Student's tails: one false result does not carry the day."""
_SAME_SAY_DAYS: Final = 120.0
"""By so many days between two discharges they count as about a third of what they share; an assumption. Banks age in years."""


@dataclass(frozen=True, slots=True)
class Weighed:
    """What a record of a discharge weighs: the standard deviation of health by it, and the part of its variance that it shares.

    `likelihood`: what it says of health at `published_s` of published time, as a shape (`rules.battery.discharge.likelihood`);
    empty: it is told by its deviation alone.
    """

    on: date
    sd: float
    shared: float
    published_s: float
    likelihood: tuple[float, ...] = ()


def shared_at(depth: float) -> float:
    """Return the shared part of the variance of an estimate by a discharge of so much of what a bank has."""
    return 0.0 if depth >= FULL_DEPTH else PARTIAL_SHARED * min(1.0, 2.0 * (1.0 - depth))


def counts(days: Floats, sd: Floats, shared: Floats) -> Floats:
    """Return what each discharge counts beside the others: 1 alone, less where others say the same with the same error.

    Partial discharges of one bank err together: by its voltage curve, and by what is not known of its charge. So n
    of them, alike, count as n / (1 + (n - 1) r) together, r being the shared part of their variance (the design
    effect of clustered samples; as an exponent of their likelihoods: Pauli, Racugno and Ventura, Statistica Sinica
    21, 2011), a sharper one as the more of them. With the months between two this fades: one that comes later
    has something of its own to say, how far the bank has aged.
    """
    weight = 1.0 / sd**4
    near = np.exp(-np.abs(days[:, None] - days[None, :]) / _SAME_SAY_DAYS)
    both = np.sqrt(shared[:, None] * shared[None, :]) * near
    np.fill_diagonal(both, 0.0)
    return np.asarray(1.0 / (1.0 + both @ weight / weight))


def counted(every: Sequence[Weighed]) -> Floats:
    """Return what each record counts beside the others, by its day, deviation and what it shares."""
    days = np.array([float(one.on.toordinal()) for one in every])
    return counts(days, np.array([max(one.sd, 0.003) for one in every]), np.array([o.shared for o in every]))


def with_tails(ln_likelihood: Floats) -> Floats:
    """Return ln of a likelihood with Student's tails in place of its own; 0 at its largest in both."""
    apart = -2.0 * ln_likelihood  # of a normal shape z**2: the same tails
    return np.asarray(-0.5 * (TAILS + 1.0) * np.log1p(apart / TAILS))
