"""The float voltage that suits a bank at its temperature."""

from __future__ import annotations

from typing import Final

FLOAT_AT_25_C: Final = 2.25
"""V per cell; makers of sealed lead-acid print 2.23 to 2.30."""
PER_KELVIN: Final = -0.003
"""V per cell and kelvin, as makers print."""
OPEN_CIRCUIT_V: Final = 2.17
"""V per cell under which no charger holds a bank, and hardly any current charges it."""
COLDEST_COMPENSATED_C, HOTTEST_COMPENSATED_C = 5.0, 40.0


def float_setpoint_v(
    temperature_c: float, *, at_25_c: float = FLOAT_AT_25_C, per_kelvin: float = PER_KELVIN
) -> float:
    """Return the float voltage per cell that suits a bank at `temperature_c`.

    Linear compensation, held constant outside 5 to 40 degC as makers ask. Defaults are typical of sealed
    lead-acid (makers print 2.23 to 2.30 V at 25 degC and -3 mV/K); a bank's own data wins.
    """
    return at_25_c + per_kelvin * (
        min(max(temperature_c, COLDEST_COMPENSATED_C), HOTTEST_COMPENSATED_C) - 25.0
    )
