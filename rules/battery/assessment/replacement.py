"""Three dates, never one: when a bank is expected to end, the last day to order, the day to replace it by.

A bank *ends* when it no longer meets what its system asks of it: the required seconds at the load of the
day, which grows or shrinks. Where nothing is asked, or more than new blocks of its type give (too small is not
worn: `fresh_share_met`), it ends at 80 % of its published capacity (IEEE 450
and 1188, as quoted by several texts); for published times under an hour that is 80 % of the published
*power* for the time reached, which is less in time.

`expected_end` is the median; for a bank that is over, the day of the evidence that showed it. `order_by` is the last day on which the probability, given that the bank met
its requirement at its last evidence, of ending within lead time + 90 days (or before the next test, if
that comes sooner) stays under 5 %; it may have passed. `replace_by` is that day plus the lead time. Abrupt failures (an open
cell, a corroded link) are outside these dates: no partial evidence foretells them. Of a bank that nothing was
seen of there are no such dates: `by_age` says from when until when its end is to be expected of one that works now.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Final

import numpy as np

from rules.battery.assessment.fusion import Lives
from rules.battery.model.ageing import END_OF_LIFE
from rules.battery.model.health import BankBelief
from rules.battery.model.runtime_curve import Floats, RuntimeCurve
from rules.battery.state import AgeSpan, ExpectedCapacity, ReplacementDates
from rules.values.constants import DAYS_A_YEAR

RISK: Final = 0.05
MARGIN_DAYS: Final = 90
EXPECTED_YEARS: Final = (0.0, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
_HORIZON_YEARS: Final = 40.0
_POINTS: Final = 200
_NEVER: Final = 9e9


@dataclass(frozen=True, slots=True)
class BankDemand:
    """What a system asks of one bank: seconds at an output power, and how that power grows a year.

    `as_of`: the day that `output_power_w` holds for. `growth_per_year` is a share (0.03: 3 % a year). `shared_w`: its
    part of today's load while no unit is lost, which is what a discharge would ask of it; None: as `output_power_w`.
    """

    required_s: float
    output_power_w: float
    as_of: date
    growth_per_year: float = 0.0
    shared_w: float | None = None


@dataclass(frozen=True, slots=True)
class Forecast:
    """The three dates with what stands behind them.

    `under_80` is the median day the bank falls under the 80 % criterion; `probability_met` that it meets
    its requirement on `as_of`; `ends_early` and `ends_late` the 5th and 95th percentile of its end.
    None: beyond forty years, or not known. `by_age`: the same two of a bank that works on `as_of`. `ends`: when each
    life ends (ordinals).
    """

    as_of: date
    dates: ReplacementDates
    under_80: date | None
    ends_early: date | None
    ends_late: date | None
    probability_met: float
    asked_fraction: float | None
    by_age: AgeSpan | None = None
    ends: Floats = field(default_factory=lambda: np.zeros(0), compare=False, repr=False)


def fresh_share_met(lives: Lives, belief: BankBelief, asked: BankDemand) -> float:
    """Return the probability that new blocks of this type give what is asked at today's load."""
    power = max(belief.power_w_per_cell(asked.output_power_w), belief.curve.smallest_w)
    published = float(belief.curve.seconds(power))
    needed = asked_fraction(belief, asked, asked.as_of)
    return float(np.mean(lives.at_rate(lives.fresh, published) >= needed))


def time_share_of_criterion(curve: RuntimeCurve, power_w_per_cell: float) -> float:
    """Return the share of published time at which a bank falls under 80 %.

    From one hour on 0.8; below, the time that belongs to 1/0.8 of the power over that at the power.
    """
    published = float(curve.seconds(power_w_per_cell))
    if published >= 3600.0:
        return END_OF_LIFE
    return float(curve.seconds(power_w_per_cell / END_OF_LIFE)) / published


def asked_fraction(belief: BankBelief, asked: BankDemand, day: date) -> float:
    """Return the health at its own rate that the requirement needs on a day."""
    power = asked.output_power_w * (1.0 + asked.growth_per_year) ** ((day - asked.as_of).days / DAYS_A_YEAR)
    return float(asked.required_s * np.median(belief.rate_per_s(power)))


def forecast(
    lives: Lives,
    belief: BankBelief,
    as_of: date,
    *,
    lead_days: int,
    asked: BankDemand | None = None,
    next_test: date | None = None,
) -> Forecast:
    """Return the dates of a bank. `belief` gives its curve, cells, losses and temperature."""
    days = _grid(lives, as_of)
    health = lives.health_on(days)
    criterion = _criterion_days(lives, belief, days, health, asked)
    ends = criterion if asked is None else _ending_days(lives, belief, days, health, asked)
    now = float(as_of.toordinal())
    start = float(lives.age.days[0])
    evidence = start if lives.last_evidence is None else float(lives.last_evidence.toordinal())
    if lives.last_evidence is None and np.mean(ends <= start) >= 0.5:
        evidence = now  # short from the start, and nothing was ever seen of it: say so today
    over = bool(np.mean(ends <= evidence) >= 0.5)
    order = evidence - lead_days if over else _order_day(ends, now, evidence, lead_days, next_test)
    order_by = _day(order)
    replace_by = None if order_by is None else order_by + timedelta(days=lead_days)
    median = float(np.median(ends))
    expected = _day(max(median, evidence))  # of a bank that is over: the day that showed it
    return Forecast(
        as_of=as_of,
        dates=ReplacementDates(
            expected_end=expected, order_by=order_by, replace_by=replace_by, shown_over=over
        ),
        under_80=_day(float(np.median(criterion))),
        ends_early=_day(float(np.quantile(ends, 0.05))),
        ends_late=_day(float(np.quantile(ends, 0.95))),
        probability_met=float(np.mean(ends > now)),
        asked_fraction=None if asked is None else asked_fraction(belief, asked, as_of),
        by_age=_span(ends[ends > now], now),
        ends=ends,
    )


def _span(ends: Floats, now: float) -> AgeSpan | None:
    """Return the 5th and 95th percentile of the ends to come; None where there are none."""
    if not len(ends):
        return None
    low, high = np.quantile(np.minimum(ends, now + _HORIZON_YEARS * DAYS_A_YEAR), (0.05, 0.95))
    return AgeSpan(date.fromordinal(int(low)), date.fromordinal(int(high)))


def expected_capacity(
    lives: Lives,
    belief: BankBelief,
    as_of: date,
    *,
    output_power_w: float | None,
    seed: int,
    at_most: float | None = None,
) -> tuple[ExpectedCapacity, ...]:
    """Return the capacity to be expected over the ten years to come, at one power.

    It is counted as the capacity of today is: at `output_power_w`, else at the belief's anchor. `at_most`:
    what a bank that failed gave when it was asked. A day's draws use the noise of `seed` as today's do, so the
    first entry is today's capacity.
    """
    found = []
    for years in EXPECTED_YEARS:
        day = as_of + timedelta(days=round(years * DAYS_A_YEAR))
        health = lives.health_draws(day, seed)
        if at_most is not None:
            health = np.minimum(health, at_most)
        if output_power_w is not None:
            then = replace(belief, health=health, health_slope=lives.slope(health))
            health = then.health_at(output_power_w)
        low, median, high = (float(q) for q in np.quantile(health, (0.05, 0.5, 0.95)))
        found.append(ExpectedCapacity(day, median, low, high))
    return tuple(found)


def _grid(lives: Lives, as_of: date) -> Floats:
    """Return days from the installation on, dense about today, growing apart to the horizon."""
    start, now = lives.age.days[0], float(as_of.toordinal())
    past = np.linspace(start, now, 40, endpoint=False)
    future = now + (np.geomspace(1.0, _HORIZON_YEARS + 1.0, _POINTS - 40) - 1.0) * DAYS_A_YEAR
    return np.asarray(np.concatenate([past, future]))


def _criterion_days(
    lives: Lives, belief: BankBelief, days: Floats, health: Floats, asked: BankDemand | None
) -> Floats:
    if asked is None:
        power = float(belief.curve.watts(lives.anchor_s))
    else:
        power = belief.power_w_per_cell(asked.output_power_w)
    w = max(power, belief.curve.smallest_w)
    needed = time_share_of_criterion(belief.curve, w)
    margin = lives.at_rate(health, float(belief.curve.seconds(w))) - needed
    return _crossing(days, margin)


def _ending_days(lives: Lives, belief: BankBelief, days: Floats, health: Floats, asked: BankDemand) -> Floats:
    years = (days - asked.as_of.toordinal()) / DAYS_A_YEAR
    growth = np.maximum(years, 0.0) * np.log1p(asked.growth_per_year)
    powers = asked.output_power_w * np.exp(np.clip(growth, -3.0, 3.0))
    watts = np.array([max(belief.power_w_per_cell(p), belief.curve.smallest_w) for p in powers])
    published = belief.curve.seconds(watts)
    rates = np.stack([belief.rate_per_s(p) for p in np.unique(powers)])
    rate = np.median(rates, axis=1)[np.searchsorted(np.unique(powers), powers)]
    beyond = np.array([belief.beyond_reach(p) for p in powers])
    needed = np.where(beyond, np.inf, asked.required_s * rate)
    margin = lives.at_rate(health, published[None, :]) - needed[None, :]
    return _crossing(days, np.maximum(margin, -10.0))


def _crossing(days: Floats, margin: Floats) -> Floats:
    """Return the first day the margin is gone, one a row; a far day for those that never lose it."""
    gone = margin < 0.0
    first = np.argmax(gone, axis=1)
    never = ~np.any(gone, axis=1)
    before = np.maximum(first - 1, 0)
    rows = np.arange(len(margin))
    high, low = margin[rows, before], margin[rows, first]
    share = np.where(first > 0, high / np.maximum(high - low, 1e-9), 0.0)
    found = days[before] + np.clip(share, 0.0, 1.0) * (days[first] - days[before])
    return np.asarray(np.where(never, _NEVER, found))


def _order_day(ends: Floats, now: float, evidence: float, lead_days: int, next_test: date | None) -> float:
    """Return the last day whose risk stays under 5 %; it may have passed.

    A bank that its last evidence showed to be over is no matter of risk: it was due for replacement on that day.
    """
    alive = np.sort(ends[ends > evidence])
    last = float(np.quantile(alive, RISK)) - (lead_days + MARGIN_DAYS)
    if next_test is not None:
        test = float(next_test.toordinal())
        if now <= test and np.mean(alive <= test) < RISK:
            last = max(last, test)  # until then the test comes first
    return last


def _day(ordinal: float) -> date | None:
    return None if ordinal > 3_600_000 else date.fromordinal(int(ordinal))
