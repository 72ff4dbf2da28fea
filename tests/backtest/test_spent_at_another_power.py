"""What a bank has left at one power after it gave at another, against the simulated cell played on.

`pytest -s tests/backtest/test_spent_at_another_power.py` prints the table and takes about a minute. The judge sees one full
test of each bank, its maker's table and its age; the truth has two wells and a resistance of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
import pytest

from collector.simulation.plant.battery import discharge
from collector.simulation.plant.published import runtime_s
from rules.battery.assessment.bank import judge_bank
from rules.battery.assessment.evidence import BankEvidence
from tests.audit.estates import estate_of

ESTATES = 60
STEPS = ((1.0, 1.0), (1.0, 1.5), (1.0, 2.0), (0.6, 1.2), (1.5, 0.75), (1.0, 0.5))
"""The power it gave at and the one it is asked for then, in its shares of the load."""


@dataclass(frozen=True)
class Case:
    """One bank and one step: what was there at the second power, and what was said of it, s."""

    step: tuple[float, float]
    above: bool
    full_s: float
    truth_s: float
    low_s: float
    median_s: float
    high_s: float


def cases(*, by_share: bool) -> Iterator[Case]:
    """Play every bank of the estates that was tested and is sound; `by_share`: what was spent counts by its time alone."""
    dice = np.random.default_rng(8)
    for number in range(ESTATES):
        estate = estate_of(77 * 1_000_003 + number)
        for system in estate.plant.systems.values():
            unit = system.units[0]
            if unit.bank.id not in estate.tests or unit.bank.id in estate.weak:
                continue
            full = estate.state.unit(estate.plant.place_of[unit.id]).bank
            evidence = BankEvidence(
                estate.estate.banks[unit.bank.id],
                estate.now + timedelta(seconds=1),
                temperature_c=full.temperature_c,
                discharges=(estate.tests[unit.bank.id],),
                rating_w=unit.rating_w,
            )
            belief = judge_bank(evidence, seed=number).belief
            if by_share:
                belief = replace(belief, by_charge=0.0)
            share_w = sum(system.load.watts) / len(system.units)
            for step in STEPS:
                first_w, then_w = (part * share_w for part in step)
                given_s, state = 0.0, full
                first = first_w + unit.loss_w(first_w)
                upto_s = float(dice.uniform(0.2, 0.9)) * runtime_s(unit.bank, full, first, step_s=2.0)
                while given_s < upto_s:
                    state, _ = discharge(unit.bank, state, first, 2.0)
                    given_s += 2.0
                if belief.beyond_reach(then_w):
                    continue
                then = then_w + unit.loss_w(then_w)
                left = belief.carried(first_w, given_s, estate.now).seconds_left(then_w)
                left = left * np.exp(np.random.default_rng(number).normal(0.0, 0.02, belief.draws))
                yield Case(
                    step,
                    belief.beyond_table(then_w),
                    runtime_s(unit.bank, full, then),
                    runtime_s(unit.bank, state, then),
                    *(float(q) for q in np.quantile(left, (0.05, 0.5, 0.95))),
                )


def told(found: list[Case], name: str) -> tuple[float, float]:
    """Print a line, and return the share of low ends before the truth and of those far over it."""
    low = np.array([c.low_s <= c.truth_s + 3.0 for c in found])
    high = np.array([c.truth_s <= c.high_s + 3.0 for c in found])
    far = np.array([c.low_s > 1.2 * c.truth_s + 5.0 for c in found])
    off = np.array([(c.median_s - c.truth_s) / c.full_s for c in found])
    print(
        f"{name:34} {len(found):4} {low.mean():8.0%} {(low & high).mean():8.0%} {far.mean():8.0%}"
        f" {np.median(np.abs(off)):8.1%} {np.median(off):+8.1%}"
    )
    return float(low.mean()), float(far.mean())


@pytest.mark.slow
def test_what_was_spent_at_one_power_counts_for_what_it_is_at_another() -> None:
    print(f"\n{'from, to':34} {'':4} {'low ok':>8} {'inside':>8} {'far over':>8} {'|error|':>8} {'error':>8}")
    shares, charge = list(cases(by_share=True)), list(cases(by_share=False))
    for step in STEPS:
        for above in (False, True):
            name = f"{step[0]:g} to {step[1]:g} of the load" + (", above the table" if above else "")
            by_share, found = (
                [c for c in all_ if c.step == step and c.above is above] for all_ in (shares, charge)
            )
            if len(found) < 10:
                continue
            told(by_share, name + ", by time")
            low, far = told(found, name)
            assert low >= 0.88
            assert far == 0.0
    assert told(charge, "all")[0] >= 0.95
