"""How a cold or warm bank differs from its published time.

Standards give the correction of short discharges as a factor on the *rate* (IEEE 485, IEEE 450 and
IEEE 1188, rate-adjusted method, as quoted by makers) and of long ones as a factor on time or capacity:
0.006 per kelvin at the 10 h to 20 h rate, 0.01 at 3 h and 1 h (IEC 60896-21, as quoted by makers).
So under one hour the power is corrected, from one hour on the time.

The coefficient on time by published time stands in `_PER_KELVIN`; under one hour it is turned into one
on power through the steepness n of the run time curve (T ~ p**-n), so both agree near 25 degC.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.battery.model.runtime_curve import Floats, RuntimeCurve

# Minutes of published time, and the share of time lost per kelvin below 25 degC.
_MINUTES: Final = (8.0, 18.0, 40.0, 90.0, 180.0, 600.0)
_PER_KELVIN: Final = (0.013, 0.011, 0.009, 0.008, 0.007, 0.006)
_ONE_HOUR_S: Final = 3600.0
COLDEST_UNKNOWN_C: Final = 15.0
"""The coldest that is taken for a bank's room of which nothing is known, degC."""
_LEAST, _MOST = 0.5, 1.15


def time_per_kelvin(published_s: ArrayLike) -> Floats:
    """Return the share of run time a bank loses per kelvin below 25 degC at a published time."""
    ln_minutes = np.log(np.maximum(np.asarray(published_s, dtype=np.float64), 1.0) / 60.0)
    return np.asarray(np.interp(ln_minutes, np.log(_MINUTES), _PER_KELVIN))


def seconds_at(
    curve: RuntimeCurve,
    power_w_per_cell: ArrayLike,
    temperature_c: ArrayLike | None,
    *,
    correction: ArrayLike = 1.0,
) -> Floats:
    """Return the published time in s at `temperature_c` (the bank's own, 25 degC where unknown).

    `correction` scales the coefficient (1 as published); give draws around 1 to carry its doubt. The
    factor is held between 0.5 and 1.15, as no maker promises more.
    """
    power = np.asarray(power_w_per_cell, dtype=np.float64)
    at_25 = curve.seconds(power)
    if temperature_c is None:
        return at_25
    kelvin = (np.asarray(temperature_c, dtype=np.float64) - 25.0) * np.asarray(correction, dtype=np.float64)
    per_kelvin = time_per_kelvin(at_25)
    on_time = at_25 * np.clip(1.0 + per_kelvin * kelvin, _LEAST, _MOST)
    if np.all(at_25 >= _ONE_HOUR_S):
        return np.asarray(on_time)
    on_power = np.clip(1.0 + per_kelvin / curve.steepness(power) * kelvin, _LEAST, _MOST)
    return np.asarray(np.where(at_25 >= _ONE_HOUR_S, on_time, curve.seconds(power / on_power)))


def time_factor(curve: RuntimeCurve, power_w_per_cell: ArrayLike, temperature_c: ArrayLike | None) -> Floats:
    """Return the time at `temperature_c` over the time at 25 degC, at one power."""
    power = np.asarray(power_w_per_cell, dtype=np.float64)
    return np.asarray(seconds_at(curve, power, temperature_c) / curve.seconds(power))


def correction_sd(published_s: float, temperature_c: float) -> float:
    """Return the standard deviation of `correction`: 0.25 in short or cold discharges, 0.15 otherwise.

    On records of many products the coefficient on time spread from 0.004 to 0.031 per kelvin under
    12 minutes, and by about a seventh of itself over an hour.
    """
    return 0.25 if published_s < 900.0 or temperature_c < 15.0 else 0.15
