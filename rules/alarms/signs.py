"""What one reading shows of its unit: whether its bank carries, it has mains, and how loaded it is."""

from __future__ import annotations

from typing import Final

from rules.plant.estate import Unit, in_place
from rules.plant.reading import Reading

DEAD_BELOW: Final = 0.5
"""An input line below this part of its nominal voltage carries no supply."""


def on_battery(reading: Reading) -> bool | None:
    """Return whether the bank carries the load: by the source, else by the card's other words."""
    if reading.on_battery is not None:
        return reading.on_battery
    if reading.card_alarms is not None and "upsAlarmOnBattery" in reading.card_alarms:
        return True
    if reading.battery.on_battery_s is not None and reading.battery.on_battery_s > 0:
        return True
    return None


def has_mains(reading: Reading, nominal_v: float | None) -> bool | None:
    """Return whether every input line has voltage; None when one is not known and none is dead."""
    if not reading.input.lines:
        return None
    limit_v = DEAD_BELOW * (nominal_v or reading.nameplate.nominal_input_voltage_v or 230.0)
    volts = [line.voltage_v for line in reading.input.lines]
    if any(v is not None and v < limit_v for v in volts):
        return False
    return None if None in volts else True


def load_fraction(reading: Reading, unit: Unit) -> float | None:
    """Return the unit's load as a part of its rating in watts, None when either is not known."""
    fitted = in_place(unit.fitted, reading.at.date())
    power_w = reading.output.power_w
    if fitted is None or power_w is None:
        return None
    return power_w / fitted.rating_w
