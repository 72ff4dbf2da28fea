"""What a bank's size is reckoned with beside its load: age, reserve, and the coldest that its room gets.

One place, since the same bank's size is asked of its own sheet and of its system's: the answers may differ by the load they
are for, which each says, and by nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum
from typing import Final

from rules.battery.model.ageing import MonthTemperature
from rules.battery.model.runtime_curve import RuntimeCurve
from rules.battery.model.temperature import COLDEST_UNKNOWN_C, time_per_kelvin

DESIGN_MARGIN: Final = 1.10
"""Lower end of the 10 to 15 % that IEEE 485 has designers add."""
UNDER_DECLARED_K: Final = 5.0
"""So much colder than declared a room is taken to get at its coldest, K; an assumption."""
_MONTHS: Final = 12


class ColdKnown(StrEnum):
    """Where the coldest of a room comes from."""

    SEEN = "seen"
    DECLARED = "declared"
    ASSUMED = "assumed"


def supposed_c(declared_c: float | None) -> float:
    """Return the coldest of a room that nobody measured: 5 K under what is declared, else 15 degC."""
    return COLDEST_UNKNOWN_C if declared_c is None else declared_c - UNDER_DECLARED_K


def coldest_of(months: Sequence[MonthTemperature], declared_c: float | None) -> float:
    """Return the coldest monthly mean of a bank's probe, degC, or what is supposed without any.

    Until every month of the calendar was seen, nobody knows the winter: then it is not above what is supposed.
    """
    coldest = min((month.mean_c for month in months), default=supposed_c(declared_c))
    whole_year = len({month.first_day.month for month in months}) == _MONTHS
    return coldest if whole_year else min(coldest, supposed_c(declared_c))


def how_known(coldest_c: float, declared_c: float | None) -> ColdKnown:
    """Return where a coldest that was found so comes from."""
    if coldest_c != supposed_c(declared_c):
        return ColdKnown.SEEN
    return ColdKnown.ASSUMED if declared_c is None else ColdKnown.DECLARED


def cold_factor(curve: RuntimeCurve, seconds: float, temperature_c: float) -> float:
    """Return the share of its 25 degC power that a cell gives for a time at a lower temperature, at most 1."""
    watts = float(curve.watts(seconds))
    per_kelvin = float(time_per_kelvin(seconds)) / float(curve.steepness(watts))
    return min(max(1.0 + per_kelvin * (temperature_c - 25.0), 0.5), 1.0)
