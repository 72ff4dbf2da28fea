"""How fast a bank ages, and how much is left after how many effective years.

Theory of operation. Heat sets the speed: corrosion of the positive grid, which ends the life of a bank on
float, follows Arrhenius, so a year in a warm room counts for more than one. Time weighted so is the
*effective age*, in years at 22 degC, the rooms that field experience comes from. Over its service life L
(same unit) a bank's capacity follows

    c(u) = c0 [1 - a u - (0.2 - a) u**m],    u = effective age / L,

80 % of its fresh capacity at u = 1 and a knee beyond, as IEEE 1188 and texts on it describe: after 80 %
the rest goes fast. L is about 0.65 of the printed design life, spread log-normally (field reports of 0.6
to 0.8 already include rooms of 20 to 25 degC, so the rating's 20 degC is not derated a second time), and
4 % of banks fail early, at 0.3 of that. Accelerated tests do not contain every way a bank fails at room
temperature (Vaccaro, Landwehrle and Evans, Battcon 2004): Arrhenius is a limited law, and the spread
carries what it misses. All ranges but c(1) = 0.8 c0 are assumptions, made wide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from rules.battery.model.runtime_curve import Floats
from rules.values.constants import DAYS_A_YEAR, GAS_CONSTANT, ZERO_C

ACTIVATION_J_PER_MOL: Final = 51_000.0  # halves life for 10 K near 25 degC, as makers' manuals print
END_OF_LIFE: Final = 0.80
"""Power that a bank at the end of its life gives, over the published one (IEEE 450, IEEE 1188)."""
REFERENCE_C: Final = 22.0
DESIGN_C: Final = 20.0
SERVICE_SHARE: Final = 0.65
LIFE_SPREAD: Final = 0.5
EARLY_SHARE: Final = 0.04
EARLY_LIFE: Final = 0.3
PROBE_BIAS_K: Final = 3.0
UNMEASURED_K: Final = 3.0
_UNKNOWN_DESIGN_YEARS: Final = 8.0
_UNKNOWN_DESIGN_SPREAD: Final = 0.35
_COLDEST_C, _HOTTEST_C = -20.0, 60.0


def ageing_speed(
    temperature_c: ArrayLike,
    *,
    reference_c: float = REFERENCE_C,
    activation_j_per_mol: ArrayLike = ACTIVATION_J_PER_MOL,
) -> Floats:
    """Return how many years a bank ages in one at `temperature_c`: 1 at `reference_c` (Arrhenius).

    Temperatures are held between -20 and 60 degC, beyond which the law says nothing.
    """
    kelvin = np.clip(np.asarray(temperature_c, dtype=np.float64), _COLDEST_C, _HOTTEST_C) + ZERO_C
    activation = np.asarray(activation_j_per_mol, dtype=np.float64) / GAS_CONSTANT
    return np.asarray(np.exp(activation * (1.0 / (reference_c + ZERO_C) - 1.0 / kelvin)))


@dataclass(frozen=True, slots=True)
class MonthTemperature:
    """One month of a bank's probe: mean and standard deviation of its hourly means, degC."""

    first_day: date
    mean_c: float
    sd_c: float = 0.0


@dataclass(frozen=True)
class AgeCurve:
    """Effective age by day: `years[i]` at `days[i]` (ordinals), going on at `pace` after the last.

    `unmeasured_share`: the part of the age that rests on a declared mean instead of readings.
    `mean_c`: the temperature of which the whole history is worth as much.
    """

    days: Floats
    years: Floats
    pace: float
    unmeasured_share: float
    mean_c: float

    def at(self, days: ArrayLike) -> Floats:
        """Return the effective age in years on days (ordinals); 0 before the installation."""
        when = np.asarray(days, dtype=np.float64)
        within = np.interp(when, self.days, self.years)
        return np.asarray(within + np.maximum(when - self.days[-1], 0.0) / DAYS_A_YEAR * self.pace)


def age_curve(
    installed: date,
    today: date,
    months: Sequence[MonthTemperature],
    room_c: float | None = None,
) -> AgeCurve:
    """Return the effective age of blocks installed on a day, from monthly means of their probe.

    Months without a mean take the declared `room_c`; without one, the mean of the months there are;
    without any, 22 degC. The future goes on like the last twelve measured months (or the declared room).
    A month's swing counts: the mean of a curved law is above the law of the mean.
    """
    by_month = {(m.first_day.year, m.first_day.month): m for m in months}
    measured = [m.mean_c for m in months]
    filler = room_c if room_c is not None else (float(np.mean(measured)) if measured else REFERENCE_C)
    edges, speeds, known = [float(installed.toordinal())], [], []
    end = max(today.toordinal(), installed.toordinal() + 1)
    year, month = installed.year, installed.month
    while edges[-1] < end:
        found = by_month.get((year, month))
        speeds.append(_month_speed(found.mean_c, found.sd_c) if found else _month_speed(filler, 0.0))
        known.append(found is not None)
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
        edges.append(float(min(date(year, month, 1).toordinal(), end)))
    spans = np.diff(edges) / DAYS_A_YEAR
    aged = spans * np.array(speeds)
    total = float(np.sum(aged))
    recent = [s for s, k in zip(speeds, known, strict=True) if k][-12:]
    pace = float(np.mean(recent)) if recent else speeds[-1]
    unmeasured = float(np.sum(aged[~np.array(known)])) / total
    return AgeCurve(
        days=np.array(edges),
        years=np.concatenate([[0.0], np.cumsum(aged)]),
        pace=pace,
        unmeasured_share=unmeasured,
        mean_c=_temperature_of(total / float(np.sum(spans))),
    )


def _month_speed(mean_c: float, sd_c: float) -> float:
    """Return the mean speed over a month: the law at the mean, and half its curvature times the variance."""
    per_kelvin = ACTIVATION_J_PER_MOL / (GAS_CONSTANT * (mean_c + ZERO_C) ** 2)
    return float(ageing_speed(mean_c)) * (1.0 + 0.5 * (per_kelvin * sd_c) ** 2)


def _temperature_of(speed: float) -> float:
    reciprocal = 1.0 / (REFERENCE_C + ZERO_C) - float(np.log(speed)) * GAS_CONSTANT / ACTIVATION_J_PER_MOL
    return 1.0 / reciprocal - ZERO_C


def capacity_left(
    u: ArrayLike, *, fresh: ArrayLike = 1.0, linear: ArrayLike = 0.05, knee: ArrayLike = 6.0
) -> Floats:
    """Return capacity at the age `u` (effective age over service life): `fresh` times 0.8 at u = 1.

    `linear` (0 to 0.15) is what is lost steadily over a life, `knee` (2.5 to 11) how late and how sharply
    the rest goes. Never below 0.
    """
    age = np.maximum(np.asarray(u, dtype=np.float64), 1e-9)
    steady = np.asarray(linear, dtype=np.float64)
    lost = steady * age + (0.2 - steady) * np.exp(np.minimum(np.asarray(knee) * np.log(age), 50.0))
    return np.asarray(np.maximum(np.asarray(fresh) * (1.0 - lost), 0.0))


@dataclass(frozen=True, slots=True)
class LifePrior:
    """What is believed of a bank's service life before any evidence: log-normal, with early failures.

    `ln_life` is the logarithm of the life in effective years *as the bank's own probe counts them*, so a
    biased probe widens it. `fresh` and `fresh_sd`: capacity when new.
    """

    ln_life: float
    ln_life_sd: float
    fresh: float = 0.95
    fresh_sd: float = 0.08


def life_prior(design_life_years: float | None, age: AgeCurve, *, generic_table: bool = False) -> LifePrior:
    """Return the prior of blocks of a printed design life (None: not known) with that history.

    A probe's bias of 3 K (it sits in the cabinet, or at its intake), years nobody measured (3 K for
    their share) and the doubt about the activation energy away from 22 degC widen the life's spread.
    """
    per_kelvin = ACTIVATION_J_PER_MOL / (GAS_CONSTANT * (REFERENCE_C + ZERO_C) ** 2)
    spread = (
        LIFE_SPREAD**2
        + (per_kelvin * PROBE_BIAS_K) ** 2
        + (per_kelvin * UNMEASURED_K * age.unmeasured_share) ** 2
        + (0.12 * per_kelvin * (age.mean_c - REFERENCE_C)) ** 2
    )
    design = _UNKNOWN_DESIGN_YEARS if design_life_years is None else design_life_years
    if design_life_years is None:
        spread += _UNKNOWN_DESIGN_SPREAD**2
    fresh_sd = float(np.hypot(0.08, 0.2)) if generic_table else 0.08
    return LifePrior(float(np.log(SERVICE_SHARE * design)), float(np.sqrt(spread)), fresh_sd=fresh_sd)
