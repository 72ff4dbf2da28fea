"""What age and every discharge together say of a bank: equally likely lives that the evidence allows.

Theory of operation. One *life* is a point in six dimensions: service life, fresh capacity, steady loss,
knee, how much more is lost at high rates, and an error that all partial discharges of one bank share
(its voltage curve is not the one assumed, and stays so). Lives are drawn from the prior, then led to
the evidence in steps: at each, the likelihood is raised to a higher power, lives are drawn anew in
proportion, and each takes a few Metropolis steps with the spread the cloud has (sequential Monte Carlo;
Del Moral, Doucet and Jasra, J. R. Statist. Soc. B 68, 2006). Many precise tests thus leave as many
different lives as none did. Likelihoods have Student's tails (4 degrees of freedom): one false result
does not carry the day. What a partial discharge says is taken as the shape it has (`likelihood`), not as a normal
curve, and counts less beside its like: see `rules.battery.model.same_error`. Same evidence and seed, same lives.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np

from rules.battery.discharge.likelihood import Shape, ln_at
from rules.battery.model.ageing import (
    EARLY_LIFE,
    EARLY_SHARE,
    AgeCurve,
    LifePrior,
    capacity_left,
)
from rules.battery.model.runtime_curve import Floats
from rules.battery.model.same_error import TAILS, counts, with_tails
from rules.values.constants import DAYS_A_YEAR

LIVES: Final = 1500
MODEL_SD: Final = 0.02
_RATE_SHARE: Final = 0.085  # d(health)/d ln T over the loss; see `rules.battery.model.health.slope_draws`
_RATE_SPREAD: Final = 0.6
_FRESH_AT: Final = 1.03
_LINEAR: Final = (0.0, 0.15)
_KNEE: Final = (2.5, 11.0)
_MOVES: Final = (0.9, 0.4) * 4
_MOST_STEPS: Final = 40
BOUND_SD: Final = 0.02


@dataclass(frozen=True, slots=True)
class CapacityEvidence:
    """What one discharge showed: health at its own rate and 25 degC, with a standard deviation.

    `published_s`: published time at its power. `least`: the used fraction reached without the bank
    ending; its health is no less, whatever the estimate. `shared`: the part of the variance that comes
    from the assumed voltage curve, and so is common to this bank's partial discharges (0 for a full one).
    `likelihood`: what the record says as a shape (`rules.battery.discharge.likelihood`); then `fraction` and `sd` only say how
    much it weighs beside its like.
    """

    on: date
    fraction: float
    sd: float
    published_s: float
    least: float = 0.0
    shared: float = 0.0
    likelihood: Shape | None = None


@dataclass(frozen=True)
class Lives:
    """Equally likely lives of one bank; arrays have one entry a life."""

    age: AgeCurve
    anchor_s: float
    life_years: Floats
    fresh: Floats
    linear: Floats
    knee: Floats
    rate_share: Floats
    last_evidence: date | None = None

    @property
    def count(self) -> int:
        """Return how many lives there are."""
        return len(self.life_years)

    def health(self, day: date) -> Floats:
        """Return health at the anchor rate on a day, one a life."""
        return self.health_on(np.array([float(day.toordinal())]))[:, 0]

    def health_on(self, days: Floats) -> Floats:
        """Return health at the anchor rate on days (ordinals): one row a life, one column a day."""
        u = self.age.at(days)[None, :] / self.life_years[:, None]
        return capacity_left(
            u, fresh=self.fresh[:, None], linear=self.linear[:, None], knee=self.knee[:, None]
        )

    def slope(self, health: Floats) -> Floats:
        """Return d(health)/d ln(published time) that belongs to a health: what is lost, is lost more at high rates."""
        share = self.rate_share if health.ndim == 1 else self.rate_share[:, None]
        return np.asarray(share * np.maximum(_FRESH_AT - health, 0.0))

    def at_rate(self, health: Floats, published_s: float | Floats) -> Floats:
        """Return health at another rate, from health at the anchor's."""
        return np.asarray(health + self.slope(health) * np.log(published_s / self.anchor_s))

    def months_without_evidence(self, day: date) -> float:
        """Return months since the last evidence, or since the installation where there is none."""
        since = self.age.days[0] if self.last_evidence is None else float(self.last_evidence.toordinal())
        return max(day.toordinal() - since, 0.0) / DAYS_A_YEAR * 12.0

    def health_draws(self, day: date, seed: int) -> Floats:
        """Return health on a day with what the curve itself does not know.

        The model is good to 2 points; where a year went by without evidence, a point more for each
        further month (to 15): the lives spread with time, but only as this law lets them.
        """
        extra = 0.01 * min(max(self.months_without_evidence(day) - 12.0, 0.0), 15.0)
        noise = np.random.default_rng(seed).normal(0.0, np.hypot(MODEL_SD, extra), self.count)
        return np.asarray(np.clip(self.health(day) + noise, 0.0, 1.4))


def prior_lives(age: AgeCurve, prior: LifePrior, anchor_s: float, seed: int, *, count: int = LIVES) -> Lives:
    """Return lives by age alone."""
    rng = np.random.default_rng(seed)
    return _lives(_draw(prior, rng, count), age, anchor_s)


def fuse(
    age: AgeCurve,
    prior: LifePrior,
    evidence: Sequence[CapacityEvidence],
    anchor_s: float,
    seed: int,
    *,
    count: int = LIVES,
) -> Lives:
    """Return lives that agree with age and with every discharge."""
    rng = np.random.default_rng(seed)
    cloud = _draw(prior, rng, count)
    if not evidence:
        return _lives(cloud, age, anchor_s)
    seen = _Seen.of(age, evidence, anchor_s)
    fit, belief = seen.log_likelihood(cloud), _log_prior(prior, cloud)
    power = 0.0
    for _ in range(_MOST_STEPS):
        step = _next_step(fit, 1.0 - power)
        power += step
        chosen = _resampled(fit * step, rng)
        cloud, fit, belief = cloud[:, chosen], fit[chosen], belief[chosen]
        spread = np.linalg.cholesky(np.cov(cloud) + 1e-9 * np.eye(len(cloud)))
        for scale in _MOVES:
            moved = cloud + scale * (spread @ rng.standard_normal(cloud.shape))
            new_belief = _log_prior(prior, moved)
            new_fit = seen.log_likelihood(moved)
            gain = power * (new_fit - fit) + new_belief - belief
            taken = np.log(rng.random(count)) < gain
            cloud = np.where(taken, moved, cloud)
            fit, belief = np.where(taken, new_fit, fit), np.where(taken, new_belief, belief)
        if power >= 1.0 - 1e-9:
            break
    lives = _lives(cloud, age, anchor_s)
    return replace(lives, last_evidence=max(e.on for e in evidence))


def _draw(prior: LifePrior, rng: np.random.Generator, count: int) -> Floats:
    """Return six rows: ln life, fresh, linear, knee, ln rate share, shared error in standard deviations."""
    ln_life = rng.normal(prior.ln_life, prior.ln_life_sd, count)
    ln_life = np.where(rng.random(count) < EARLY_SHARE, ln_life + np.log(EARLY_LIFE), ln_life)
    return np.stack(
        [
            ln_life,
            np.clip(rng.normal(prior.fresh, prior.fresh_sd, count), 0.3, 1.4),
            rng.uniform(*_LINEAR, count),
            rng.uniform(*_KNEE, count),
            rng.normal(np.log(_RATE_SHARE), _RATE_SPREAD, count),
            rng.normal(0.0, 1.0, count),
        ]
    )


def _log_prior(prior: LifePrior, cloud: Floats) -> Floats:
    ln_life, fresh, linear, knee, ln_rate, error = cloud
    z = (ln_life - prior.ln_life) / prior.ln_life_sd
    z_early = (ln_life - prior.ln_life - np.log(EARLY_LIFE)) / prior.ln_life_sd
    life = np.logaddexp(np.log(1.0 - EARLY_SHARE) - 0.5 * z**2, np.log(EARLY_SHARE) - 0.5 * z_early**2)
    rest = ((fresh - prior.fresh) / prior.fresh_sd) ** 2 + error**2
    rest = rest + ((ln_rate - np.log(_RATE_SHARE)) / _RATE_SPREAD) ** 2
    inside = (linear >= _LINEAR[0]) & (linear <= _LINEAR[1]) & (knee >= _KNEE[0]) & (knee <= _KNEE[1])
    inside &= (fresh >= 0.3) & (fresh <= 1.4)
    return np.asarray(np.where(inside, life - 0.5 * rest, -np.inf))


@dataclass(frozen=True)
class _Seen:
    """The evidence as arrays, one entry a discharge. `shapes`: those told by shape, with what each counts."""

    ln_age: Floats
    fraction: Floats
    sd: Floats
    common: Floats
    ln_rate: Floats
    least: Floats
    shapes: Mapping[int, tuple[Shape, float]]

    @classmethod
    def of(cls, age: AgeCurve, evidence: Sequence[CapacityEvidence], anchor_s: float) -> _Seen:
        days = np.array([float(e.on.toordinal()) for e in evidence])
        sd = np.array([max(e.sd, 0.003) for e in evidence])
        shared = np.array([e.shared for e in evidence])
        weigh = counts(days, sd, shared)
        return cls(
            ln_age=np.log(np.maximum(age.at(days), 1e-4)),
            fraction=np.array([e.fraction for e in evidence]),
            sd=np.hypot(sd * np.sqrt(1.0 - shared), MODEL_SD),
            common=sd * np.sqrt(shared),
            ln_rate=np.log(np.array([e.published_s for e in evidence]) / anchor_s),
            least=np.array([e.least for e in evidence]),
            shapes={k: (e.likelihood, float(weigh[k])) for k, e in enumerate(evidence) if e.likelihood},
        )

    def log_likelihood(self, cloud: Floats) -> Floats:
        ln_life, fresh, linear, knee, ln_rate_share, error = (row[:, None] for row in cloud)
        ln_u = self.ln_age[None, :] - ln_life
        lost = linear * np.exp(ln_u) + (0.2 - linear) * np.exp(np.clip(knee * ln_u, -50.0, 10.0))
        health = np.maximum(fresh * (1.0 - lost), 0.0)
        share = np.exp(np.clip(ln_rate_share, -8.0, 1.0))
        here = health + share * np.maximum(_FRESH_AT - health, 0.0) * self.ln_rate
        z = (self.fraction - here - self.common * error) / self.sd
        fit = -0.5 * (TAILS + 1.0) * np.log1p(z**2 / TAILS)
        for k, (shape, counted) in self.shapes.items():
            fit[:, k] = counted * with_tails(ln_at(shape, here[:, k]))
        short = np.minimum((here - self.least) / BOUND_SD, 0.0)  # it carried this much: it had this much
        return np.asarray(np.sum(fit - 0.5 * short**2, axis=1))


def _next_step(fit: Floats, most: float) -> float:
    """Return how much further the likelihood's power may go with half the cloud still effective."""
    relative = fit - np.max(fit)

    def effective(step: float) -> float:
        weight = np.exp(step * relative)
        return float(np.sum(weight) ** 2 / np.sum(weight**2))

    goal = 0.5 * len(fit)
    if effective(most) >= goal:
        return most
    low, high = 0.0, most
    for _ in range(24):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if effective(middle) >= goal else (low, middle)
    return max(low, most * 1e-4)


def _resampled(log_weight: Floats, rng: np.random.Generator) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    weight = np.exp(log_weight - np.max(log_weight))
    steps = np.cumsum(weight) / np.sum(weight)
    comb = (rng.random() + np.arange(len(weight))) / len(weight)
    return np.minimum(np.searchsorted(steps, comb), len(weight) - 1)


def _lives(cloud: Floats, age: AgeCurve, anchor_s: float) -> Lives:
    return Lives(
        age=age,
        anchor_s=anchor_s,
        life_years=np.exp(cloud[0]),
        fresh=cloud[1],
        linear=cloud[2],
        knee=cloud[3],
        rate_share=np.exp(cloud[4]),
    )
