"""What the days to order would be after a discharge that was not made yet: a preposterior analysis.

Theory of operation (Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961). What a record says depends on the
health of the bank on its day alone; that of the lives is taken at its quantiles, each for the truth in turn. The record shows it with the error
of its depth, at the nodes of a normal curve, or shows the end where the bank has less than is taken from it. All lives are
then weighed by how well they agree with what was shown, with the tails and the lower bound that `fusion` gives a
record, and the day to order is read off as `replacement` reads it. No chance is in it: same lives, same outlook.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final, TypeAlias

import numpy as np

from rules.battery.assessment.fusion import BOUND_SD, MODEL_SD, CapacityEvidence, Lives
from rules.battery.assessment.next_discharge.record_error import END_SD, RecordError
from rules.battery.assessment.replacement import MARGIN_DAYS, RISK
from rules.battery.model.runtime_curve import Floats
from rules.battery.model.same_error import TAILS, counts

TRUTHS: Final = 40
_NODES: Final = (-(3.0**0.5), 0.0, 3.0**0.5)
_SHARES: Final = (1.0 / 6.0, 2.0 / 3.0, 1.0 / 6.0)
"""Gauss and Hermite's three nodes of a standard normal."""
_HORIZON_DAYS: Final = 15_000.0

_Weights: TypeAlias = np.ndarray[Any, np.dtype[np.float32]]


@dataclass(frozen=True, slots=True)
class Trial:
    """A discharge that might be made: its day, the share of published time it takes, and at which published time."""

    on: date
    used: float
    published_s: float
    error: RecordError


@dataclass(frozen=True)
class Outlook:
    """Days to order (ordinals) after a trial, each with its probability, ascending; and that the bank ends in it.

    `order_days` as the product tells them: given that the bank meets what is asked at its last evidence, whatever that
    shows. `strict_mean`: the mean of the days that count the doubt of it as risk. A discharge that shows little resets
    the former, and buys nothing of the latter.
    """

    trial: Trial
    order_days: Floats
    probability: Floats
    ends_probability: float
    strict_mean: float

    def mean_after(self, since: float) -> float:
        """Return by how many days the day to order comes after `since` on the average."""
        return float(np.sum(self.probability * (self.order_days - since)))

    def quantile(self, share: float) -> float:
        """Return the day that the day to order lies before with a probability."""
        at = int(np.searchsorted(np.cumsum(self.probability), share))
        return float(self.order_days[min(at, len(self.order_days) - 1)])

    def beyond(self, days: float, since: float) -> tuple[float, float]:
        """Return how likely the day comes later than `since` by more than `days`, and how much then in the median.

        Negative `days`: how likely it comes sooner by more.
        """
        moved = self.order_days - since
        there = moved > days if days >= 0.0 else moved < days
        likely = float(np.sum(self.probability[there]))
        if likely <= 0.0:
            return 0.0, 0.0
        at = int(np.searchsorted(np.cumsum(self.probability[there]), likely / 2.0))
        return likely, abs(float(moved[there][min(at, int(np.sum(there)) - 1)]))


class LivesAhead:
    """The lives of a bank with their ends, from which the outlooks of trials are made."""

    def __init__(
        self, lives: Lives, ends: Floats, lead_days: int, seen: Sequence[CapacityEvidence] = ()
    ) -> None:
        order = np.argsort(ends, kind="stable")
        self._lives = lives
        self._order = order
        self._ends = np.minimum(ends[order], float(lives.age.days[-1]) + _HORIZON_DAYS)
        self._before = lead_days + MARGIN_DAYS
        self._seen = tuple(seen)
        places = (np.arange(TRUTHS) + 0.5) / TRUTHS * lives.count
        self._truths = places.astype(np.int64)

    def ended_by(self, day: float) -> float:
        """Return the probability that a bank that met what is asked at its last evidence no longer does on a day."""
        last = self._lives.last_evidence
        alive = self._ends if last is None else self._ends[self._ends > last.toordinal()]
        return float(np.mean(alive <= day)) if len(alive) else 1.0

    def strict_day(self, today: float) -> float:
        """Return the last day of a risk under 5 % that counts whatever may be over already; not before today."""
        return max(float(np.quantile(self._ends, RISK)) - self._before, today)

    def outlook(self, trial: Trial) -> Outlook:
        """Return what a trial leads to."""
        on = float(trial.on.toordinal())
        health = self._lives.at_rate(self._lives.health(trial.on), trial.published_s)[self._order]
        true = np.sort(health)[self._truths]
        ended = true <= trial.used
        told = self._told(trial)
        error = np.where(ended, END_SD, np.hypot(trial.error.error, MODEL_SD))
        stated = np.where(ended, END_SD, trial.error.stated)
        shown = true[:, None] + error[:, None] * np.array(_NODES)[None, :]
        readings, stated = shown.ravel(), np.repeat(np.hypot(stated, MODEL_SD), len(_NODES))
        had = np.repeat(~ended, len(_NODES))
        count = np.where(had, told, 1.0)
        weight = _weights(readings, health, stated, count)
        bound = np.exp(-0.5 * (np.minimum(health - trial.used, 0.0) / BOUND_SD) ** 2)
        weight[had] *= bound.astype(np.float32)
        days, strict = self._order_days(weight, on)
        share = np.tile(np.array(_SHARES), TRUTHS) / TRUTHS
        by_day = np.argsort(days, kind="stable")
        ends = float(np.mean(health <= trial.used))
        return Outlook(trial, days[by_day], share[by_day], ends, float(np.sum(share * strict)))

    def _told(self, trial: Trial) -> float:
        """Return what the record counts, 1 alone: what all partial records tell together with it over without it."""
        partial = [e for e in self._seen if e.likelihood is not None]
        if not partial:
            return 1.0
        days = np.array([*(float(e.on.toordinal()) for e in partial), float(trial.on.toordinal())])
        sd = np.array([*(max(e.sd, 0.003) for e in partial), trial.error.stated])
        shared = np.array([*(e.shared for e in partial), trial.error.shared])
        weight = 1.0 / sd**2
        after = float(np.sum(counts(days, sd, shared) * weight))
        before = float(np.sum(counts(days[:-1], sd[:-1], shared[:-1]) * weight[:-1]))
        return float(np.clip((after - before) / weight[-1], 0.0, 1.0))

    def _order_days(self, weight: _Weights, on: float) -> tuple[Floats, Floats]:
        """Return the day to order by each row of weights, of lives by their ends, as it is told and by the strict rule.

        No day lies before the discharge.
        """
        first = int(np.searchsorted(self._ends, on, side="right"))
        risk = np.cumsum(weight, axis=1)
        whole = risk[:, -1:]
        strict = self._ends[np.argmax(risk >= RISK * whole, axis=1)] - self._before
        over = risk[:, first - 1 : first] if first else np.zeros_like(whole)
        if first >= risk.shape[1]:
            return np.full(len(weight), on), np.maximum(strict, on)
        at = np.argmax(risk[:, first:] - over >= RISK * (whole - over), axis=1)
        days = np.maximum(self._ends[first + at] - self._before, on)
        return np.where(2.0 * over[:, 0] >= whole[:, 0], on, days), np.maximum(strict, on)


def _weights(readings: Floats, health: Floats, stated: Floats, counts_as: Floats) -> _Weights:
    """Return by how much each life agrees with each reading, a row a reading: Student's tails, as `fusion` has them.

    Single precision: a day's worth of it is far less than anything here is good to, and it takes half the time.
    """
    scale = (1.0 / (stated * TAILS**0.5)).astype(np.float32)
    base: _Weights = (
        readings.astype(np.float32)[:, None] * scale[:, None]
        - health.astype(np.float32)[None, :] * scale[:, None]
    )
    base *= base
    base += np.float32(1.0)
    np.log(base, out=base)
    base *= (-0.5 * (TAILS + 1.0) * counts_as).astype(np.float32)[:, None]
    np.exp(base, out=base)
    return base
