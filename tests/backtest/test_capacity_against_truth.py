"""Capacity and time to end from partial discharges, judged against physics that the judge does not share.

`pytest tests/backtest/test_capacity_against_truth.py -s` prints the table and takes some two minutes. The
discharges are the simulation's two-well banks of random technology, age and room, seen through a card's
meters; the judge has the maker's table and the bank's own acceptance discharge.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pytest

from collector.simulation.cards.card import Meters
from collector.simulation.plant.battery import SimBank, discharge
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.published import runtime_s
from collector.simulation.plant.truth import Truth
from collector.simulation.plant.unit import UnitPlant
from collector.simulation.scenario.random_systems import SYSTEM, trial
from rules.battery.discharge.capacity import ReferenceLog, judge_discharge
from rules.battery.discharge.capacity_estimate import CapacityEstimate
from rules.battery.discharge.record.clean_discharge import battery_of
from rules.battery.discharge.record.columns import DischargeLog

_trial = lru_cache(maxsize=None)(trial)
BANKS = 40
EVERY_S = 2.0


def logged(unit: UnitPlant, meters: Meters, bank: SimBank, output_w: float, until_s: float) -> DischargeLog:
    """Return what a card says of a discharge at constant output, every two seconds from rest."""
    power_w = output_w + unit.loss_w(output_w)
    rows = [(0.0, bank.voltage_v, 0.0, bank.temperature_c)]
    t_s = 0.0
    while t_s < until_s:
        bank, held = discharge(unit.bank, bank, power_w, 1.0)
        if not held:
            break
        t_s += 1.0
        if t_s % EVERY_S == 0.0:
            rows.append((t_s, bank.voltage_v, bank.current_a, bank.temperature_c))
    t, v, a, c = np.array(rows).T
    volts = np.round(v * (1.0 + meters.bank_v), 1)
    amperes = np.round(a * (1.0 + meters.bank_a), 1)
    watts = np.full(len(t), round(output_w * (1.0 + meters.watts)))
    return DischargeLog.of(t, volts, amperes, np.round(c + meters.probe_c), watts)


@dataclass(frozen=True)
class Case:
    """One bank at one depth: what was judged, and what is so."""

    estimate: CapacityEstimate
    fraction: float
    end_s: float


def case(seed: int, depth: float) -> Case:
    """Judge one random bank's discharge down to a depth."""
    tried = _trial(seed)
    unit, meters = tried.system.units[0], tried.meters[0]
    bank = tried.estate.banks[unit.bank.id]
    battery = battery_of(bank, bank.fitted[-1])
    output_w = tried.load_w / len(tried.system.units)
    power_w = output_w + unit.loss_w(output_w)
    reference = logged(unit, meters, new_bank(unit.bank, temperature_c=22.0), 1.2 * output_w, 1e9)
    now = tried.state.systems[SYSTEM].units[0].bank
    end_s = runtime_s(unit.bank, now, power_w)
    log = logged(unit, meters, now, output_w, 1e9 if depth >= 1.0 else depth * end_s)
    table = bank.fitted[-1].constant_power[0].minutes_watts
    fraction = Truth(tried.plant, tried.state).capacity_fraction(bank.id, power_w, table)
    return Case(judge_discharge(log, battery, [ReferenceLog(reference, battery, own=True)]), fraction, end_s)


# depth, points of capacity off on average at most, share of truths in the 90 % interval at least
ASKED = ((0.1, 0.07, 0.85), (0.25, 0.05, 0.85), (0.5, 0.03, 0.85), (0.75, 0.03, 0.80), (1.0, 0.03, 0.65))


@pytest.mark.slow
@pytest.mark.parametrize(("depth", "points", "covered"), ASKED)
def test_capacity_from_a_discharge_of_this_depth(depth: float, points: float, covered: float) -> None:
    cases = [case(seed, depth) for seed in range(BANKS)]
    judged = [c for c in cases if c.estimate.capacity_fraction is not None]
    error = np.array([(c.estimate.capacity_fraction or 0.0) - c.fraction for c in judged])
    inside = [
        (c.estimate.capacity_fraction_low or 0.0) <= c.fraction <= (c.estimate.capacity_fraction_high or 0.0)
        for c in judged
    ]
    ends = [c for c in judged if c.estimate.end_of_discharge_s is not None]
    end_error = [abs((c.estimate.end_of_discharge_s or 0.0) / c.end_s - 1.0) for c in ends]
    early = [(c.estimate.end_of_discharge_low_s or 0.0) > c.end_s for c in ends]
    print(
        f"\n{depth:4.0%} deep: capacity off by {100 * np.mean(np.abs(error)):.1f} points on average "
        f"(bias {100 * np.mean(error):+.1f}), {np.mean(inside):.0%} in the 90 % interval; "
        f"end off by {np.median(end_error):.0%} (median), sooner than the low end in {np.mean(early):.0%}"
    )
    assert len(judged) >= 0.95 * BANKS
    assert np.mean(np.abs(error)) <= points
    assert np.mean(inside) >= covered
