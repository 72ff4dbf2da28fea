"""When a bank's next capacity test falls due, by what was known of it when it was tested last.

A day that something fell due on is a thing of the past: no later outage moves it. So the interval follows from the
lives that the evidence up to the last test allows, not from those of today, and from the age at which capacity
falls to 80 %, whatever load is asked of the bank. What came later counts from the day it was seen.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Final

import numpy as np

from rules.battery.assessment.evidence import capacity_evidence
from rules.battery.assessment.faults import LATE_IN_LIFE, WEAK, plan_tests
from rules.battery.assessment.findings import AssessedBank
from rules.battery.assessment.fusion import LIVES, Lives, fuse
from rules.battery.assessment.life.by_class import aged
from rules.battery.state import TestPlan
from rules.values.constants import DAYS_A_YEAR

DEEP_TEST: Final = 0.5
"""Share of what a bank gives from which on a discharge counts as its capacity test."""
_LEAST_YEARS: Final = 0.5
_LIVES: Final = LIVES // 3
"""A median in years wants fewer lives than the tail that a day to order lies in."""


def plan_of_tests(case: AssessedBank, lives: Lives, seed: int) -> TestPlan:
    """Return when the next test is due and why. `lives`: as of today; `seed`: what they were drawn with."""
    fitted, discharges = case.fitted, case.discharges
    deep = [d for d in discharges if d.fraction is not None and d.used >= DEEP_TEST * d.fraction]
    if not deep:
        return plan_tests(
            fitted.from_day, None, capacity=None, life_share=None, expected_life_years=None, today=case.today
        )
    last = deep[-1].at.date()
    known = _known_at(case, last, lives, seed)
    years = max(_service_years(known, fitted.from_day), _LEAST_YEARS)
    late_in_life = fitted.from_day + timedelta(LATE_IN_LIFE * years * DAYS_A_YEAR)
    # what is known, not guessed
    since = [d.at.date() for d in discharges if d.high is not None and d.high < WEAK]
    later = [day for day in (*since, late_in_life) if last < day <= case.today]
    return plan_tests(
        fitted.from_day,
        last,
        capacity=deep[-1].fraction,
        life_share=None if last <= late_in_life else 1.0,
        expected_life_years=years,
        worn_since=min(later, default=None),
        today=case.today,
    )


def _known_at(case: AssessedBank, day: date, lives: Lives, seed: int) -> Lives:
    """Return the lives that were likely by what was known on a day."""
    until = tuple(d for d in case.discharges if d.at.date() <= day)
    age, prior = aged(case, day)
    return replace(fuse(age, prior, capacity_evidence(until), lives.anchor_s, seed, count=_LIVES), age=age)


def _service_years(lives: Lives, installed: date) -> float:
    """Return after how many years from its installation a bank's capacity falls to 80 % of what it was, in the median."""
    age, life = lives.age, float(np.median(lives.life_years))
    over = life - float(age.years[-1])
    end = age.days[-1] + over / age.pace * DAYS_A_YEAR if over > 0.0 else np.interp(life, age.years, age.days)
    return float(end - installed.toordinal()) / DAYS_A_YEAR
