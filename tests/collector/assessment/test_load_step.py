"""A unit whose neighbour's bank gives out takes half as much again: what its own bank has left stays in its interval.

The bank is the simulation's, whose voltage follows a step by its resistance at once; the judge knows it within five
points from before.
"""

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import pytest

from collector.simulation.plant.battery import BankPlant, CellType, Wear, discharge
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.published import published_table, runtime_s
from rules.battery.discharge.capacity import prepare
from rules.battery.discharge.live import during
from rules.battery.discharge.record.clean_discharge import Battery
from rules.battery.discharge.record.columns import DischargeLog
from rules.battery.model.health import BankBelief
from rules.battery.model.runtime_curve import curve_through
from rules.values.verdict import Basis

NOW = datetime(2026, 1, 1, tzinfo=UTC)
CELLS, END_V = 192, 1.67
PLANT = BankPlant("B1", CellType(34.0), CELLS)
TABLE = published_table(PLANT.cell, end_voltage_v=END_V, minutes=(5.0, 10.0, 20.0, 40.0))
CURVE = curve_through(TABLE, END_V, Basis.TABLE)
BATTERY = Battery(CELLS, 1, END_V, CURVE)


@dataclass(frozen=True)
class Told:
    """What was told so many seconds after the mains was lost, in seconds left, beside the truth."""

    at_s: float
    low: float
    middle: float
    high: float
    truth: float


def told(wear: Wear, *, power_w: float, step: float, step_s: float, until_s: float) -> list[Told]:
    """Return what is told every four seconds from the step on; the load changes by `step` after `step_s`."""
    bank = new_bank(PLANT, wear=wear)
    table_s = float(CURVE.seconds(step * power_w / CELLS))
    before = believed(runtime_s(PLANT, bank, step * power_w) / table_s)
    shape, curve, _ = prepare(BATTERY, ())
    assert curve is not None
    rows: list[tuple[float, float, float, float, float]] = []
    found, ends_s = [], 0.0
    for second in range(1, int(until_s) + 1):
        now_w = power_w * (step if second > step_s else 1.0)
        bank, held = discharge(PLANT, bank, now_w, 1.0)
        assert held
        if second == step_s + 1.0:
            ends_s = second + runtime_s(PLANT, bank, now_w)
        if second % 2:
            continue
        rows.append((float(second), round(bank.voltage_v, 1), round(bank.current_a, 1), 25.0, 0.94 * now_w))
        if second % 4 or second <= step_s:
            continue
        log = DischargeLog.of(*([*column] for column in zip(*rows, strict=True)))
        after = during(before, log, BATTERY, shape, curve, as_of=NOW, seed=3)
        if after is None:
            continue
        low, middle, high = np.quantile(after.seconds_left(0.94 * now_w), (0.05, 0.5, 0.95))
        found.append(Told(float(second), float(low), float(middle), float(high), ends_s - second))
    return found


def believed(health: float) -> BankBelief:
    """Return a bank that is known within five points, by what it gives at the load it is about to get."""
    draws = np.random.default_rng(5).normal(health, 0.05, 1000).clip(0.05, 1.3)
    losses = BATTERY.losses
    return BankBelief(
        "B1", NOW, Basis.TABLE, CURVE, CELLS, 1, draws, np.zeros(1000), 3600.0, np.zeros(1000), 25.0, losses.fixed_w,
        losses.share,
    )  # fmt: skip


@pytest.mark.parametrize(
    "wear", [Wear(), Wear(0.9, 0.96, 1.1), Wear(0.8, 0.9, 1.3)], ids=["new", "aged", "old"]
)
@pytest.mark.parametrize("step", [1.5, 0.67], ids=["more", "less"])
def test_a_step_of_load_takes_no_time_that_is_there(wear: Wear, step: float) -> None:
    all_told = told(wear, power_w=14000.0 if step > 1.0 else 21000.0, step=step, step_s=22.0, until_s=90.0)
    assert len(all_told) >= 8
    assert [one for one in all_told if not one.low <= one.truth <= one.high] == []
    assert [one for one in all_told if not 0.97 * one.truth <= one.middle <= 1.03 * one.truth] == []
