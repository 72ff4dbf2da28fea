"""What a maker would print for the simulation's invented blocks: measured on the simulated cell itself."""

from __future__ import annotations

import math

from collector.simulation.plant.battery import HOUR_S, BankPlant, CellType, SimBank, discharge
from collector.simulation.plant.charging import new_bank


def runtime_s(plant: BankPlant, state: SimBank, power_w: float, *, step_s: float = 1.0) -> float:
    """Return how long the bank gives `power_w` from `state`, by playing it; at most 48 h."""
    t_s = 0.0
    while t_s < 48 * HOUR_S:
        state, held = discharge(plant, state, power_w, step_s)
        if not held:
            break
        t_s += step_s
    return t_s


def published_table(
    cell: CellType, *, end_voltage_v: float, minutes: tuple[float, ...]
) -> tuple[tuple[float, float], ...]:
    """Return (minutes, watts per cell) that a new cell of this type gives at 25 degC.

    What a maker would print for this invented block: measured by discharging it, rounded to 0.1 W.
    """
    plant = BankPlant("table", cell, cells=1, end_voltage_v=end_voltage_v)
    new = new_bank(plant)
    rows = []
    for wanted_min in minutes:
        low_w, high_w = 0.01 * cell.capacity_ah, 20.0 * cell.capacity_ah
        step_s = max(wanted_min * 60.0 / 400.0, 0.5)
        for _ in range(14):
            mid_w = math.sqrt(low_w * high_w)
            if runtime_s(plant, new, mid_w, step_s=step_s) > wanted_min * 60.0:
                low_w = mid_w
            else:
                high_w = mid_w
        rows.append((wanted_min, round(math.sqrt(low_w * high_w), 1)))
    return tuple(rows)
