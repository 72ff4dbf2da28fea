"""What the lives of other blocks say of the life of these: same place, same type, same batch, same site.

Theory of operation. How long blocks last, beside what their printed design life lets one expect, has causes that others
share: how a type is made, what a site does to its batteries (its air, its float voltage, its probe), the one cabinet,
and the one delivery. So the logarithm of that ratio is taken as a sum of independent normal effects,

    ln(life / expected) = type + site + place + batch + its own,

whose variances together are that of the prior (`rules.battery.model.ageing.LIFE_SPREAD`). What another bank's discharges,
or those of the blocks that were here before, showed of its ratio is an observation of a sum that shares some of these
terms; the prior of this bank is conditioned on all of them at once (a Gaussian random-effects model, as in Searle,
Casella and McCulloch, Variance Components, 1992). Nothing is taken twice: an observation is what a bank's *own*
discharges say, its prior divided out. How the variance falls to the causes is an assumption, on the cautious side: a
third stays with each bank whatever the others show. Early failures are nobody's but their own, and teach nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from rules.battery.assessment.fusion import Lives
from rules.battery.model.ageing import EARLY_LIFE, EARLY_SHARE, LIFE_SPREAD, LifePrior
from rules.battery.model.runtime_curve import Floats
from rules.battery.state import Blocks, LifeByOthers, LifeLesson
from rules.values.code import Code
from rules.values.constants import Z_90
from rules.values.reason import Reason, reason

TYPE_SHARE: Final = 0.25
SITE_SHARE: Final = 0.10
PLACE_SHARE: Final = 0.15
BATCH_SHARE: Final = 0.15
"""Shares of the variance of ln(life) that blocks have in common by type, site, place and batch; the rest is their own."""
BATCH_DAYS: Final = 184
"""Blocks of one type at one site that were fitted within so many days are taken for one delivery."""
LEAST_SAID: Final = 0.25
"""Share by which the variance must have fallen for a bank's discharges to teach anything of its life."""
MOST_LESSONS: Final = 24
"""So many lessons at the most, those that say most first: they are solved for at once, and more would hardly say more.

Of banks of one type at one site the spread of ln(life) falls from 0.5 to 0.42 by 12, 0.41 by 24 and 0.405 by 96.
"""
_STEP: Final = 0.05
"""What a lesson says is rounded to this, and it is never surer: 5 % of a life, far below what any two banks differ by.

In ln(life); a choice, so that another day's draws of the same evidence teach the same.
"""


def lesson(of: Blocks, lives: Lives, by_class: LifePrior) -> LifeLesson | None:
    """Return what some blocks teach others; None where their evidence said too little, or is of an early end.

    `lives`: fused under the prior `by_class` alone, whatever others showed: else what one learned of another would come
    back to it as news. Both figures are rounded, so that chance moves nobody's dates.
    """
    if lives.last_evidence is None:
        return None
    ln_life = np.log(lives.life_years)
    ordinary = 1.0 - _early(ln_life, by_class)
    if float(np.mean(ordinary)) < 0.5:
        return None
    mean = float(np.average(ln_life, weights=ordinary))
    variance = float(np.average((ln_life - mean) ** 2, weights=ordinary))
    if variance >= (1.0 - LEAST_SAID) * by_class.ln_life_sd**2:
        return None
    precision = 1.0 / variance - 1.0 / by_class.ln_life_sd**2
    own = (mean / variance - by_class.ln_life / by_class.ln_life_sd**2) / precision
    return LifeLesson(of, _rounded(own - by_class.ln_life), max(_rounded(precision**-0.5), _STEP))


def informed(prior: LifePrior, of: Blocks, lessons: Sequence[LifeLesson]) -> LifePrior:
    """Return the prior of blocks with what others showed taken in."""
    told = [one for one in lessons if one.of != of]
    if not told:
        return prior
    everyone = [of, *(one.of for one in told)]
    common = _common(everyone) * LIFE_SPREAD**2
    seen = common[1:, 1:] + np.diag([one.sd**2 for one in told])
    gain = np.linalg.solve(seen, common[0, 1:])
    shift = float(gain @ np.array([one.ln_ratio for one in told]))
    known = float(gain @ common[0, 1:])
    return replace(
        prior,
        ln_life=prior.ln_life + shift,
        ln_life_sd=float(np.sqrt(prior.ln_life_sd**2 - known)),
    )


def by_others(
    alone: LifePrior, prior: LifePrior, place: str, lessons: Sequence[LifeLesson]
) -> LifeByOthers | None:
    """Return what `informed` made of a prior, to be shown; None where nobody taught anything."""
    if not lessons:
        return None

    def share(z: float, found: LifePrior) -> float:
        return float(np.exp(found.ln_life - alone.ln_life + z * found.ln_life_sd))

    return LifeByOthers(
        lasts=share(0.0, prior),
        low=share(-Z_90, prior),
        high=share(Z_90, prior),
        low_alone=share(-Z_90, alone),
        high_alone=share(Z_90, alone),
        banks=len(lessons),
        before=sum(one.of.place == place for one in lessons),
    )


def said_of_others(found: LifeByOthers) -> Reason:
    """Return what other blocks let expect as a reason."""
    return reason(
        Code.LIFE_BY_OTHERS,
        banks=found.banks,
        before=found.before,
        lasts=found.lasts,
        within=(found.low, found.high),
    )


def nearest(of: Blocks, lessons: Sequence[LifeLesson]) -> tuple[LifeLesson, ...]:
    """Return the lessons that say most of some blocks, at most `MOST_LESSONS`, in a steady order."""
    others = [one for one in lessons if one.of != of]
    if not others:
        return ()
    shared = _common([of, *(one.of for one in others)])[0, 1:]
    weight = [
        (-(float(c) ** 2) / (LIFE_SPREAD**2 + one.sd**2), repr(one))
        for c, one in zip(shared, others, strict=True)
    ]
    ranked = sorted(zip(weight, others, strict=True), key=lambda pair: pair[0])
    return tuple(one for (said, _), one in ranked[:MOST_LESSONS] if said < 0.0)


def _common(blocks: Sequence[Blocks]) -> Floats:
    """Return the shares of variance that each pair of blocks has in common; 1 of each with itself."""
    types = _same([b.type for b in blocks])
    sites = _same([b.site for b in blocks])
    places = _same([b.place for b in blocks])
    days = np.array([b.from_day.toordinal() for b in blocks])
    batch = types * sites * (np.abs(days[:, None] - days[None, :]) <= BATCH_DAYS)
    shared = TYPE_SHARE * types + SITE_SHARE * sites + PLACE_SHARE * places + BATCH_SHARE * batch
    own = 1.0 - (TYPE_SHARE + SITE_SHARE + PLACE_SHARE + BATCH_SHARE)
    return np.asarray(shared + own * np.eye(len(blocks)))


def _same(names: Sequence[str]) -> Floats:
    column = np.array(names)
    return np.asarray(column[:, None] == column[None, :], dtype=np.float64)


def _early(ln_life: Floats, prior: LifePrior) -> Floats:
    """Return the probability that each life is an early failure's, by the two parts of the prior."""
    z = (ln_life - prior.ln_life) / prior.ln_life_sd
    z_early = (ln_life - prior.ln_life - np.log(EARLY_LIFE)) / prior.ln_life_sd
    odds = EARLY_SHARE / (1.0 - EARLY_SHARE) * np.exp(np.clip(0.5 * (z**2 - z_early**2), -50.0, 50.0))
    return np.asarray(odds / (1.0 + odds))


def _rounded(value: float) -> float:
    return round(value / _STEP) * _STEP
