"""Which discharge of a bank pays: the soonest and the shallowest that buys most of what can be bought.

A discharge pays where it moves the day to order, at the same 5 % of risk, later on the average by more than what is
told as news at all (`settled`: a fortnight and a tenth of the time to go). Days come by months, the first a fortnight ahead;
none lies behind the day to order, or the day a test is due by its interval. What a mere sign of life would move counts
for nothing: the doubt whether the bank meets what is asked has to shrink (`Outlook.strict_mean`). No discharge is advised in which the
bank ends with more than 2 % probability. Where the unit's own tests, as they are on record, buy as much, one of these is advised:
a person starts it at the panel, and nothing is switched off. What is bought is reckoned as if no further discharge followed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from math import ceil
from typing import Final

import numpy as np

from rules.battery.assessment.evidence import capacity_evidence
from rules.battery.assessment.findings import AssessedBank
from rules.battery.assessment.fusion import Lives
from rules.battery.assessment.next_discharge.outlook import LivesAhead, Outlook, Trial
from rules.battery.assessment.next_discharge.record_error import error_at, sureness_of
from rules.battery.assessment.replacement import RISK, Forecast
from rules.battery.assessment.settled import DRIFT_DAYS, DRIFT_SHARE
from rules.battery.assessment.would_tell import LEAST_MINUTES, TEST_SHARE, proposed_day
from rules.battery.model.health import BankBelief
from rules.battery.state import DischargeAdvice, DischargeMeans, TestPlan
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Basis

DEPTHS: Final = (0.1, 0.25, 0.5, 0.75)
"""Shares of what the bank is expected to give."""
MOST_RISK: Final = 0.02
"""Probability up to which a bank may end in a discharge that is advised."""
MOST_OF_IT: Final = 0.8
"""Share of the best gain that a sooner or a shallower discharge has to buy."""
OWN_TEST: Final = "test"
"""Kind of a discharge that a unit made by itself, as its card said (RFC 1628, upsTestGroup)."""
_MONTHS: Final = (0, 2, 4, 6, 9, 12, 18, 24)


@dataclass(frozen=True)
class Asking:
    """What the choice is made from: a bank's lives with their ends, and the load a discharge would be of."""

    ahead: LivesAhead
    lives: Lives
    belief: BankBelief
    power_w: float
    sureness: float
    today: date
    own_test_s: float | None = None
    """How long the unit's own tests have put the bank to work, None where none is on record."""

    def trial(self, on: date, depth: float, *, for_s: float | None = None) -> Trial:
        """Return a discharge to a depth, or of `for_s`, in whole minutes."""
        rate, published_s, health = self.rate, self.published_s, self._middle(on)
        least = 60.0 * LEAST_MINUTES
        seconds = for_s or max(60.0 * ceil(depth * health / rate / 60.0), least)
        used = seconds * rate
        return Trial(on, used, published_s, error_at(used / max(health, 1e-3), self.sureness))

    def seconds_of(self, trial: Trial) -> float:
        """Return how long a trial lasts."""
        return 60.0 * round(trial.used / self.rate / 60.0)

    def depth_of(self, trial: Trial) -> float:
        """Return which share of what the bank is expected to give a trial takes."""
        return float(min(trial.used / max(self._middle(trial.on), 1e-3), 1.0))

    def risk_of(self, trial: Trial, outlook: Outlook | None = None) -> float:
        """Return the probability that the bank ends in a trial, by what it gives today and by what it will by then."""
        today = float(np.mean(self.belief.health_at(self.power_w) <= trial.used))
        return today if outlook is None else max(today, outlook.ends_probability)

    def gain(self, outlook: Outlook, since: float) -> float:
        """Return by how many days a trial moves the day to order from `since`: as told, and by the strict rule at the least.

        Time that goes by until the trial is no gain.
        """
        on = float(outlook.trial.on.toordinal())
        strict = outlook.strict_mean - max(self.ahead.strict_day(self.today.toordinal()), on)
        return min(outlook.mean_after(max(since, on)), strict)

    @property
    def least_s(self) -> float | None:
        """Return for how long the bank holds the load with 95 % probability, None where that is no more than an assumption."""
        if self.belief.unproven or not self.belief.low_end_told:
            return None
        return float(np.quantile(self.belief.health_at(self.power_w), 0.05)) / self.rate

    @cached_property
    def published_s(self) -> float:
        """Return the published time at the load, 25 degC."""
        curve = self.belief.curve
        return float(curve.seconds(max(self.belief.power_w_per_cell(self.power_w), curve.smallest_w)))

    @cached_property
    def rate(self) -> float:
        """Return the share of published time that a second at the load takes, at the bank's temperature."""
        return float(np.median(self.belief.rate_per_s(self.power_w)))

    def _middle(self, on: date) -> float:
        return float(np.median(self.lives.at_rate(self.lives.health(on), self.published_s)))


def with_advice(  # noqa: PLR0917 - what an advice is made of
    plan: TestPlan,
    case: AssessedBank,
    belief: BankBelief,
    lives: Lives,
    foreseen: Forecast,
    power_w: float,
) -> TestPlan:
    """Return a test plan with the discharge that pays, or with why none does. `power_w`: the load it would be of."""
    why = _pointless(case, belief, foreseen, power_w)
    if why is not None:
        return replace(plan, without_advice=why)
    seen = capacity_evidence(case.discharges)
    ahead = LivesAhead(lives, foreseen.ends, case.evidence.bank.order_lead_days, seen)
    rested = belief.rested(case.evidence.as_of)
    own = max((d.seconds for d in case.discharges if d.kind == OWN_TEST), default=None)
    asking = Asking(ahead, lives, rested, power_w, sureness_of(case.discharges), case.today, own)
    if belief.unproven:
        return _first(plan, asking, case.evidence.next_test)
    order_by = foreseen.dates.order_by
    if order_by is None:
        return replace(plan, without_advice=reason(Code.NO_TEST_PAYS_WITHOUT_DATE))
    return _chosen(plan, asking, max(order_by, case.today), case.evidence.next_test)


def _pointless(case: AssessedBank, belief: BankBelief, foreseen: Forecast, power_w: float) -> Reason | None:
    if belief.basis is Basis.NONE or belief.beyond_table(power_w):
        return reason(Code.NO_TEST_PAYS_WITHOUT_TABLE)
    failed = bool(case.discharges) and case.discharges[-1].failed
    over = foreseen.dates.shown_over and not belief.unproven
    return reason(Code.NO_TEST_PAYS_SHOWN_OVER) if failed or over else None


def _first(plan: TestPlan, asking: Asking, planned: date | None) -> TestPlan:
    """Return the plan with the discharge that gives an unproven bank its first date: a quarter, as `would_tell` asks."""
    on = planned or proposed_day(asking.today)
    for_s = 60.0 * max(ceil(TEST_SHARE / asking.rate / 60.0), LEAST_MINUTES)
    found = asking.ahead.outlook(asking.trial(on, TEST_SHARE, for_s=for_s))
    return replace(plan, advice=_advice(asking, found, None, on))


def _chosen(plan: TestPlan, asking: Asking, order_by: date, planned: date | None) -> TestPlan:
    days = _days(asking, order_by, plan.due, planned)
    safe = [d for d in DEPTHS if asking.risk_of(asking.trial(days[0], d)) <= MOST_RISK]
    if not safe:
        return replace(plan, without_advice=reason(Code.NO_TEST_PAYS_SAFELY, most=MOST_RISK))
    since = float(order_by.toordinal())
    deepest = [asking.ahead.outlook(asking.trial(day, safe[-1])) for day in days]
    gains = [asking.gain(one, since) for one in deepest]
    best = max(gains)
    worth = DRIFT_DAYS + DRIFT_SHARE * max((order_by - asking.today).days, 0)
    if best <= worth:
        return replace(plan, without_advice=reason(Code.NO_TEST_PAYS, days=worth, until=days[-1]))
    good = [n for n, gain in enumerate(gains) if gain >= max(MOST_OF_IT * best, worth)]
    on, latest = days[good[0]], days[good[-1]]
    enough = max(MOST_OF_IT * gains[good[0]], worth)
    if asking.own_test_s is not None:
        own = asking.trial(on, 0.0, for_s=asking.own_test_s)
        found = asking.ahead.outlook(own)
        if asking.risk_of(own, found) <= MOST_RISK and asking.gain(found, since) >= enough:
            advice = _advice(asking, found, order_by, latest)
            return replace(plan, advice=replace(advice, means=DischargeMeans.OWN_TEST))
    shallow = (asking.ahead.outlook(asking.trial(on, depth)) for depth in safe[:-1])
    found = next((one for one in shallow if asking.gain(one, since) >= enough), deepest[good[0]])
    return replace(plan, advice=_advice(asking, found, order_by, latest))


def _days(asking: Asking, order_by: date, due: date, planned: date | None) -> Sequence[date]:
    """Return days on which a discharge might be made, the first always among them.

    The first stands behind the day to order where that has come: the discharge goes before the order while the risk of
    waiting is under 5 %, else it comes at once all the same and the order does not wait for it.
    """
    first = planned if planned is not None and planned >= asking.today else proposed_day(asking.today)
    last = max(first, min(order_by, max(due, first)))
    later = (proposed_day(_months_on(asking.today, n)) for n in _MONTHS[1:])
    found = [first, *(day for day in later if first < day <= last)]
    return [day for n, day in enumerate(found) if n == 0 or asking.ahead.ended_by(day.toordinal()) < RISK]


def _months_on(day: date, months: int) -> date:
    return day + timedelta(days=round(30.44 * months))


def _advice(asking: Asking, found: Outlook, order_by: date | None, latest: date) -> DischargeAdvice:
    trial = found.trial
    since = float(max(order_by or trial.on, trial.on).toordinal())
    later, later_days = found.beyond(float(DRIFT_DAYS), since)
    sooner, sooner_days = found.beyond(-float(DRIFT_DAYS), since)
    return DischargeAdvice(
        on=trial.on,
        latest=latest,
        for_s=asking.seconds_of(trial),
        power_w=asking.power_w,
        depth_fraction=round(asking.depth_of(trial), 3),
        order_by=order_by,
        order_early=_date(found.quantile(0.05)),
        order_late=_date(found.quantile(0.95)),
        expected_days=None if order_by is None else round(found.mean_after(since)),
        later_probability=0.0 if order_by is None else round(later, 3),
        later_days=0.0 if order_by is None else round(later_days),
        sooner_probability=0.0 if order_by is None else round(sooner, 3),
        sooner_days=0.0 if order_by is None else round(sooner_days),
        ends_probability=round(asking.risk_of(trial, found), 4),
        least_s=None if asking.least_s is None else round(asking.least_s),
    )


def _date(ordinal: float) -> date:
    return date.fromordinal(int(ordinal))
