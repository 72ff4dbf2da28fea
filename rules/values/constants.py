"""Numbers of nature, of the calendar and of statistics that several rules need: each once, with its source."""

from __future__ import annotations

from typing import Final

GAS_CONSTANT: Final = 8.314462618
"""J/(mol K), CODATA 2018 (exact since the SI of 2019)."""
ZERO_C: Final = 273.15
"""0 degC in kelvin, by definition."""
DAYS_A_YEAR: Final = 365.25
"""The Julian year of the astronomers: leap years counted evenly."""
HOURS_A_YEAR: Final = DAYS_A_YEAR * 24.0
SECONDS_A_YEAR: Final = DAYS_A_YEAR * 86_400.0
Z_90: Final = 1.6448536269514722
"""95th percentile of the normal law: a two-sided interval of 90 % reaches so many standard deviations each way."""
SD_90: Final = 2.0 * Z_90
"""Width of a two-sided interval of 90 % of the normal law, in standard deviations."""
