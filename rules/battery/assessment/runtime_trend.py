"""How a system's hold-up has changed: each judged discharge turned into the time at one reference power.

At most three partial discharges a year come from outages, so a trend alone is slow to find a knee; the
dates of replacement come from age and all evidence fused (`rules.battery.assessment.bank`). This is what was seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rules.battery.model.health import BankBelief
from rules.battery.state import JudgedDischarge
from rules.statistics.trend import theil_sen
from rules.values.constants import SD_90, SECONDS_A_YEAR


@dataclass(frozen=True, slots=True)
class RuntimePoint:
    """What a bank would have given at the reference power, by one discharge, s."""

    at: datetime
    runtime_s: float
    low_s: float
    high_s: float
    kind: str


@dataclass(frozen=True, slots=True)
class BankRuntime:
    """One bank's points and their robust slope (Theil-Sen), with its 90 % interval, s a year.

    `in_a_year_*`: the line carried on for a year from the last point. None: fewer than three discharges.
    """

    bank: str
    reference_power_w: float
    points: tuple[RuntimePoint, ...]
    slope_s_per_year: float | None = None
    slope_low_s_per_year: float | None = None
    slope_high_s_per_year: float | None = None
    in_a_year_s: float | None = None
    in_a_year_low_s: float | None = None
    in_a_year_high_s: float | None = None


def bank_runtime(
    belief: BankBelief,
    discharges: Sequence[JudgedDischarge],
    output_power_w: float,
    start: datetime,
    end: datetime,
) -> BankRuntime:
    """Return a bank's run time at an output power in W by each discharge judged from `start` to `end`."""
    published_s = 1.0 / float(belief.rate_per_s(output_power_w)[0])
    points = tuple(
        RuntimePoint(
            d.at, d.capacity_fraction * published_s, d.low * published_s, d.high * published_s, d.kind
        )
        for d in sorted(discharges, key=lambda d: d.at)
        if start <= d.at < end
        and d.capacity_fraction is not None
        and d.low is not None
        and d.high is not None
    )
    found = BankRuntime(belief.bank, output_power_w, points)
    years = [(p.at - start).total_seconds() / SECONDS_A_YEAR for p in points]
    slope = theil_sen(
        years, [p.runtime_s for p in points], [max(p.high_s - p.low_s, 1.0) / SD_90 for p in points]
    )
    if slope is None:
        return found
    last = slope.at(years[-1])
    return BankRuntime(
        belief.bank, output_power_w, points, slope.per_unit, slope.low, slope.high,
        max(last + slope.per_unit, 0.0), max(last + slope.low, 0.0), max(last + slope.high, 0.0),
    )  # fmt: skip
