"""Running discharges judged reading by reading, on simulated banks with a belief that may be wrong.

The bank is the simulation's own physics, seen through a card's meters; what was believed before lies off the truth by
more, now and then, than it says of itself (Student's t, 3 degrees of freedom). The load stands still or wanders.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from collector.simulation.plant.battery import discharge
from collector.simulation.plant.published import runtime_s
from collector.simulation.plant.truth import Truth
from collector.simulation.scenario.random_systems import trial
from rules.battery.discharge.capacity import prepare
from rules.battery.discharge.live import during
from rules.battery.discharge.record.clean_discharge import battery_of
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.model.health import BankBelief, anchor_for, slope_draws
from rules.values.verdict import Basis

EVERY_S = 10.0
READ_S = 2.0
DRAWS = 600


@dataclass(frozen=True)
class Told:
    """What was said of the end at one reading: s from the beginning, the median and the 90 % interval."""

    at_s: float
    low_s: float
    middle_s: float
    high_s: float


@dataclass(frozen=True)
class Play:
    """One discharge: pairs of judgements ten seconds apart, and when it came to its end at the load of each."""

    seed: int
    pairs: tuple[tuple[Told, Told], ...]
    end_s: float

    @property
    def jumps(self) -> int:
        """Return how often the end moved by more than its own interval between two readings."""
        return sum(abs(b.middle_s - a.middle_s) > a.high_s - a.low_s for a, b in self.pairs)

    @property
    def left_the_interval(self) -> int:
        """Return how often the end told next lay outside the interval told before."""
        return sum(not a.low_s <= b.middle_s <= a.high_s for a, b in self.pairs)


def play(seed: int, looks: int = 10) -> Play:
    """Play the discharge of a seed from full, and judge it at `looks` places, twice each, ten seconds apart."""
    tried, dice = trial(seed), np.random.default_rng(seed + 31_000)
    unit, meters = tried.system.units[0], tried.meters[0]
    bank = tried.estate.banks[unit.bank.id]
    state = tried.state.systems["trial"].units[0].bank
    output_w = tried.load_w / len(tried.system.units)
    wander = float(dice.choice((0.0, 0.0, 0.03)))
    power_w = output_w + unit.loss_w(output_w)
    end_s = runtime_s(unit.bank, state, power_w)
    rows, t_s, ln_load, now = [(0.0, state.voltage_v, 0.0, state.temperature_c, output_w)], 0.0, 0.0, state
    while t_s < 2.0 * end_s:
        ln_load += (
            (-ln_load / 60.0 + wander * np.sqrt(2.0 / 60.0) * float(dice.standard_normal()))
            if wander
            else 0.0
        )
        watts = output_w * float(np.exp(ln_load))
        now, held = discharge(unit.bank, now, watts + unit.loss_w(watts), 1.0)
        if not held or now.voltage_v < bank.fitted[-1].end_voltage_per_cell_v * unit.bank.cells:
            break
        t_s += 1.0
        if t_s % READ_S == 0.0:
            rows.append((t_s, now.voltage_v, now.current_a, now.temperature_c, watts))
    t, v, a, c, w = np.array(rows).T
    log = DischargeLog.of(
        t,
        np.round(v * (1.0 + meters.bank_v), 1),
        np.round(a * (1.0 + meters.bank_a), 1),
        np.round(c + meters.probe_c),
        np.round(w * (1.0 + meters.watts)),
    )
    battery = battery_of(bank, bank.fitted[-1])
    shape, curve, _ = prepare(battery, ())
    assert curve is not None
    table = bank.fitted[-1].constant_power[0].minutes_watts
    health = Truth(tried.plant, tried.state).capacity_fraction(bank.id, power_w, table)
    sd = float(dice.choice((0.04, 0.08, 0.15)))
    middle = health + sd * float(dice.standard_t(3))
    draws = np.clip(dice.normal(middle, sd, DRAWS), 0.1, 1.3)
    before = BankBelief(
        bank.id, tried.now, Basis.TESTED, curve, bank.cells, bank.strings, draws, slope_draws(draws, dice), anchor_for(curve),
        np.zeros(DRAWS), state.temperature_c, battery.losses.fixed_w, battery.losses.share,
    )  # fmt: skip
    at = np.round(np.linspace(0.1, 0.93, looks) * t[-1] / READ_S) * READ_S

    def told(upto_s: float) -> Told | None:
        part = log.until(upto_s)
        after = during(
            before, part, battery, shape, curve, as_of=tried.now + timedelta(seconds=upto_s), seed=seed
        )
        if after is None:
            return None
        left = after.seconds_left(float(np.mean(part.output_power_w[-5:])))
        low, mid, high = np.quantile(left, (0.05, 0.5, 0.95))
        return Told(upto_s, upto_s + float(low), upto_s + float(mid), upto_s + float(high))

    found = [(told(float(s)), told(float(s + EVERY_S))) for s in at if s + EVERY_S <= t[-1]]
    return Play(seed, tuple((a, b) for a, b in found if a and b), float(t[-1]))
