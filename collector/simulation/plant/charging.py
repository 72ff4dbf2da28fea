"""A bank on its charger: constant current, then constant voltage, then float.

The set point is compensated for temperature as makers of sealed blocks ask (about -3 mV per cell and
kelvin between 5 and 40 degC). A bank on float looks well whatever it could still deliver: a parted string
keeps the charger's voltage, and only a discharge tells.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

from collector.simulation.plant.battery import (
    HOUR_S,
    BankPlant,
    CellGroup,
    SimBank,
    Wear,
    capacity_factor,
    charge_fraction,
    full_wells,
    head_of,
    moved,
)

NEW: Final = Wear()


def new_bank(plant: BankPlant, *, wear: Wear = NEW, temperature_c: float = 25.0) -> SimBank:
    """Return a full bank on float."""
    whole = plant.cell.capacity_ah * wear.capacity * capacity_factor(temperature_c)
    group = CellGroup(plant.cells, full_wells(plant.cell, capacity_ah=whole), wear)
    return floating(plant, SimBank((group,), temperature_c))


def float_setpoint_v(plant: BankPlant, temperature_c: float) -> float:
    """Return the charger's voltage for the whole bank, compensated by -3 mV per cell and kelvin."""
    return plant.cells * (plant.float_voltage_v - 0.003 * (min(max(temperature_c, 5.0), 40.0) - 25.0))


def _float_current_a(plant: BankPlant, temperature_c: float) -> float:
    """Return the current that only keeps a full bank full; it doubles per 10 K."""
    warm = math.exp(math.log(2.0) * (temperature_c - 25.0) / 10.0)
    return plant.strings * plant.cell.float_a_per_ah * plant.cell.capacity_ah * warm


def floating(plant: BankPlant, state: SimBank) -> SimBank:
    """Return a full bank's terminals on float; a parted string takes no current and looks as well."""
    current = 0.0 if state.open else -_float_current_a(plant, state.temperature_c)
    return replace(state, current_a=current, voltage_v=float_setpoint_v(plant, state.temperature_c))


def charge(plant: BankPlant, state: SimBank, dt_s: float, *, limit_a: float | None = None) -> SimBank:
    """Return the bank after `dt_s` on its charger: constant current, then constant voltage.

    `limit_a` is the charger's limit, for instance less while a generator feeds it. 95 % of the charge
    current is stored. Long steps are cut so that the tail of the charge is followed.
    """
    limit = plant.charge_limit_a if limit_a is None else limit_a
    if state.open:
        return floating(plant, state)
    now, left_s = state, dt_s
    while left_s > 0.0:
        part_s = left_s if charge_fraction(plant, now) > 0.9999 else min(left_s, 60.0)
        now = _charge_part(plant, now, part_s, limit)
        left_s -= part_s
    return now


def _charge_part(plant: BankPlant, state: SimBank, dt_s: float, limit_a: float) -> SimBank:
    setpoint_v = float_setpoint_v(plant, state.temperature_c)
    rest_a = _float_current_a(plant, state.temperature_c)
    counter_v = slope_ohm = room_ah = 0.0
    for group in state.groups:
        head = head_of(group, plant.cell, state.temperature_c)
        # Overvoltage of charging: the counter voltage meets the set point as the available well fills.
        counter_v += group.cells * (2.05 + 0.2 * head)
        slope_ohm += group.cells * 4.0 * plant.cell.resistance_ohm * group.wear.resistance
        whole = plant.cell.capacity_ah * group.wear.capacity * capacity_factor(state.temperature_c)
        room_ah = max(room_ah, whole - group.wells.charge_ah)
    wanted_a = max((setpoint_v - counter_v) / (slope_ohm / plant.strings), rest_a)
    store_a = min(wanted_a, limit_a, plant.strings * room_ah / 0.95 * HOUR_S / dt_s)
    terminals_a = max(store_a, min(rest_a, limit_a))
    after = moved(plant, state, -0.95 * store_a / plant.strings, dt_s)
    full = room_ah < 0.002 * plant.cell.capacity_ah
    drawn = after.drawn_ah * math.exp(-dt_s / plant.settle_s) if full else after.drawn_ah
    voltage = setpoint_v if wanted_a <= limit_a else counter_v + limit_a * slope_ohm / plant.strings
    return replace(after, drawn_ah=drawn, current_a=-terminals_a, voltage_v=voltage, below_s=0.0)
