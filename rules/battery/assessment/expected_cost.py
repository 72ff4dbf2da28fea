"""What a bank costs a year by the day it is replaced, and the day on which that is least.

Theory of operation. Age replacement (Barlow and Proschan, Mathematical Theory of Reliability, 1965): blocks of a price are
replaced on a planned day, or when they end before it, which costs the failure besides. The cost of a life over its length, both
on the average over the lives that the evidence allows, is what the bank costs a year, as if those after it lived like it.
It stands beside the rule of 5 % (`replacement`), which asks no prices. A bank that no longer gives what is asked is taken to
fail once, whether the mains fails then or not: where outages are rare, that puts the day too soon rather than too late.
"""

from __future__ import annotations

from datetime import date
from typing import Final

import numpy as np

from rules.battery.assessment.findings import AssessedBank
from rules.battery.assessment.fusion import Lives
from rules.battery.assessment.replacement import Forecast
from rules.battery.model.runtime_curve import Floats
from rules.battery.state import CheapestDay
from rules.values.code import Code
from rules.values.constants import DAYS_A_YEAR
from rules.values.reason import Reason, reason

_HORIZON_YEARS: Final = 25.0
_STEP_DAYS: Final = 15.0


def cheapest_of(case: AssessedBank, lives: Lives, foreseen: Forecast) -> CheapestDay | None:
    """Return the cheapest day to replace the bank by, None where the site states no prices or the bank is over."""
    bank = case.evidence.bank
    if bank.replacement_cost is None or bank.failure_cost is None or foreseen.dates.shown_over:
        return None
    return cheapest_day(
        foreseen.ends,
        since=case.fitted.from_day,
        seen=lives.last_evidence,
        today=case.today,
        lead_days=bank.order_lead_days,
        price=bank.replacement_cost,
        failure_cost=bank.failure_cost,
        told=foreseen.dates.replace_by,
    )


def cheapest_said(found: CheapestDay, told_by: date | None) -> Reason:
    """Return what the prices would have as a reason; `told_by`: the day to replace it by as it is told."""
    return reason(
        Code.CHEAPEST_DAY,
        by=found.replace_by,
        cost=found.cost_per_year,
        fails=found.fails_probability,
        told_by=told_by,
        told_cost=found.cost_per_year_as_told,
        told_fails=found.fails_probability_as_told,
    )


def cheapest_day(
    ends: Floats,
    *,
    since: date,
    seen: date | None,
    today: date,
    lead_days: int,
    price: float,
    failure_cost: float,
    told: date | None,
) -> CheapestDay | None:
    """Return the day to replace a bank by at the least cost a year; None where no life of it is left.

    `ends`: when each life ends (ordinals). `since`: the day its blocks were put in, `seen` that of the last evidence, at
    which it met what is asked. `told`: the day to replace it by as the 5 % rule has it. No day lies before one that
    blocks ordered today could be there.
    """
    alive = ends if seen is None else ends[ends > seen.toordinal()]
    if not len(alive):
        return None
    first = float(today.toordinal() + lead_days)
    days = np.arange(first, first + _HORIZON_YEARS * DAYS_A_YEAR, _STEP_DAYS)
    a_year, risk = _by_day(alive, days, float(since.toordinal()), price, failure_cost)
    at = int(np.argmin(a_year))
    by = date.fromordinal(int(days[at]))
    other = None
    if told is not None:
        other = _by_day(
            alive,
            np.array([max(float(told.toordinal()), first)]),
            float(since.toordinal()),
            price,
            failure_cost,
        )
    return CheapestDay(
        replace_by=by,
        order_by=date.fromordinal(int(days[at]) - lead_days),
        cost_per_year=float(a_year[at]),
        fails_probability=float(risk[at]),
        cost_per_year_as_told=None if other is None else float(other[0][0]),
        fails_probability_as_told=None if other is None else float(other[1][0]),
    )


def _by_day(
    alive: Floats, days: Floats, since: float, price: float, failure_cost: float
) -> tuple[Floats, Floats]:
    """Return the cost a year and the probability of failing first, for each day to replace by."""
    risk = np.mean(alive[:, None] <= days[None, :], axis=0)
    served = np.mean(np.minimum(alive[:, None], days[None, :]) - since, axis=0) / DAYS_A_YEAR
    return (price + failure_cost * risk) / np.maximum(served, 0.1), risk
