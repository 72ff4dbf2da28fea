"""Bank lives with a known truth. Nothing here is known to the rules.

The truth is not drawn from the rules' own prior: capacity falls by another law (an exponential knee), the
activation energy lies anywhere between 42 and 60 kJ/mol, the probe is up to 4 K off, and the load's
growth is only estimated. What a partial discharge tells is drawn with the errors of `ESTIMATOR_POINTS`.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np

from rules.battery.model.ageing import MonthTemperature
from rules.battery.model.runtime_curve import Floats, RuntimeCurve, curve_for
from rules.battery.model.temperature import seconds_at
from rules.plant.estate import Bank, FittedBank, PowerTable
from rules.values.constants import GAS_CONSTANT

INSTALLED: Final = date(2010, 1, 1)
YEAR: Final = 365.25
LEAD_DAYS: Final = 56
CELLS: Final = 240
LONGEST_YEARS: Final = 25.0
RATING_W: Final = 40_000.0
TABLE: Final = (
    (5.0, 66.0),
    (10.0, 43.0),
    (15.0, 33.0),
    (30.0, 19.5),
    (60.0, 11.2),
    (120.0, 6.4),
    (300.0, 3.05),
)

# What the estimator of `rules.battery.discharge.capacity` was measured to do on products it had not seen, with one
# reference of the product (tests/bench/capacity_accuracy, set `validate`, 32 records): depth in percent, mean
# absolute error and width of its 90 % interval, both in points. The row at 5 % continues them. A statistical
# stand-in: no voltage curve is played in the backtest.
ESTIMATOR_POINTS: Final = (
    (5.0, 10.5, 37.0),
    (10.0, 8.8, 32.7),
    (20.0, 5.8, 27.3),
    (30.0, 4.8, 23.3),
    (50.0, 3.2, 16.3),
    (75.0, 2.8, 11.6),
    (100.0, 2.1, 5.5),
)
SHARED: Final = 0.5  # of a partial estimate's variance stays the same in every discharge of one bank


@dataclass(frozen=True)
class World:
    """One bank's life. Days count from the installation of the blocks the life is about."""

    number: int
    discharges_per_year: int
    deep: bool
    growth: float
    replaced: bool
    lying_card: bool
    early: bool
    abrupt_day: float | None
    design_years: float
    life_years: float
    fresh: float
    linear: float
    sharpness: float
    rate_share: float
    activation: float
    room_c: float
    probe_bias_k: float
    required_s: float
    power_w: float
    shared_error: float
    age_by_day: Floats
    seed: int

    @property
    def name(self) -> str:
        """Return the stratum of evidence."""
        return f"{self.discharges_per_year} a year{', one deep' if self.deep else ''}"


def build(number: int, count: int = 300, seed: int = 20) -> World:
    """Return life `number` of `count`. Shares that the issue fixes are exact over the whole set."""
    rng = np.random.default_rng([seed, number])
    order = np.random.default_rng([seed, 10_000]).permutation(count)
    place = int(np.where(order == number)[0][0])
    early = place < round(0.04 * count)
    abrupt = early and place % 2 == 0
    design = 10.0
    life = 0.65 * design * float(np.exp(rng.normal(0.0, 0.5))) * (0.3 if early and not abrupt else 1.0)
    activation = float(rng.uniform(42e3, 60e3))
    room_c = float(rng.uniform(18.0, 32.0))
    ages = _ages(room_c, activation)
    world = World(
        number=number,
        discharges_per_year=(0, 1, 3)[place % 3],
        deep=(place // 3) % 4 == 0,
        growth=float(rng.uniform(-0.04, 0.04)),
        replaced=(place // 12) % 8 == 2,
        lying_card=(place // 12) % 8 == 3,
        early=early,
        abrupt_day=None,
        design_years=design,
        life_years=life,
        fresh=float(np.clip(rng.normal(0.97, 0.05), 0.8, 1.1)),
        linear=float(rng.uniform(0.0, 0.15)),
        sharpness=float(rng.uniform(2.0, 9.0)),
        rate_share=float(np.exp(rng.normal(np.log(0.085), 0.5))),
        activation=activation,
        room_c=room_c,
        probe_bias_k=float(rng.uniform(-4.0, 4.0)),
        required_s=float(rng.choice([300.0, 600.0, 900.0])),
        power_w=0.0,
        shared_error=float(rng.normal()),
        age_by_day=ages,
        seed=seed,
    )
    share = float(rng.uniform(0.35, 0.65))
    power = _power_for(world, share)
    abrupt_day = float(rng.uniform(0.1, 0.8)) * life * YEAR if abrupt else None
    return World(**{**world.__dict__, "power_w": power, "abrupt_day": abrupt_day})


def _ages(room_c: float, activation: float) -> Floats:
    """Return effective age in years at 22 degC, by day."""
    days = np.arange(int(LONGEST_YEARS * YEAR) + 400)
    kelvin = room_c + 4.0 * np.sin(2.0 * np.pi * days / YEAR) + 273.15
    speed = np.exp(activation / GAS_CONSTANT * (1.0 / 295.15 - 1.0 / kelvin))
    return np.concatenate([[0.0], np.cumsum(speed) / YEAR])


def fitted(world: World, from_day: date = INSTALLED, until: date | None = None) -> FittedBank:
    """Return the blocks as the estate file declares them."""
    return FittedBank(
        from_day, until, "T", 40, 1.67, 9.0, 20.0, (PowerTable(1.67, TABLE),), world.design_years
    )


def bank(world: World) -> Bank:
    """Return the bank as the estate file declares it; a replaced one with its earlier blocks."""
    now = fitted(world)
    before = (fitted(world, INSTALLED - timedelta(days=1500), INSTALLED),) if world.replaced else ()
    return Bank("b", ("u",), CELLS, 1, (*before, now), order_lead_days=LEAD_DAYS)


def curve(world: World) -> RuntimeCurve:
    """Return the run time curve of the blocks."""
    return curve_for(fitted(world))


def watts_per_cell(output_w: float) -> float:
    """Return W per cell behind an output power, with the losses the rules take as their default."""
    return (output_w * 1.04 + 0.015 * RATING_W) / CELLS


def _output_w(per_cell: float) -> float:
    return (per_cell * CELLS - 0.015 * RATING_W) / 1.04


def _power_for(world: World, share: float) -> float:
    """Return the output power at which the requirement asks for `share` of the published time, when new."""
    published = world.required_s / share
    return max(_output_w(float(curve(world).watts(published))), 500.0)


def power_on(world: World, day: float) -> float:
    """Return the load the bank must carry with a unit lost, W."""
    return world.power_w * float((1.0 + world.growth) ** (day / YEAR))


def health_on(world: World, day: float, published_s: float) -> float:
    """Return true health on a day at the rate of a published time; nothing after an abrupt failure."""
    if world.abrupt_day is not None and day >= world.abrupt_day:
        return 0.0
    u = float(np.interp(day, np.arange(len(world.age_by_day)), world.age_by_day)) / world.life_years
    k = world.sharpness
    knee = np.expm1(min(k * u, 50.0)) / np.expm1(k)
    at_hour = max(world.fresh * (1.0 - world.linear * u - (0.2 - world.linear) * knee), 0.0)
    slope = world.rate_share * max(1.03 - at_hour, 0.0)
    return float(max(at_hour + slope * np.log(published_s / 3600.0), 0.0))


def asked_on(world: World, day: float) -> tuple[float, float]:
    """Return what the requirement asks of the bank on a day (share of published time) and that published time."""
    line = curve(world)
    per_cell = max(watts_per_cell(power_on(world, day)), line.smallest_w)
    if per_cell > line.largest_w:
        return float("inf"), float(line.seconds(per_cell))
    at_room = float(seconds_at(line, per_cell, world.room_c))
    return world.required_s / at_room, float(line.seconds(per_cell))


def end_day(world: World) -> float | None:
    """Return the first day the requirement is lost, None beyond the horizon; abrupt failures count too."""
    return _first_day(
        world, lambda day: health_on(world, day, asked_on(world, day)[1]) < asked_on(world, day)[0]
    )


def under_80_day(world: World) -> float | None:
    """Return the day capacity falls under 80 % at one hour's rate."""
    return _first_day(world, lambda day: health_on(world, day, 3600.0) < 0.8)


def _first_day(world: World, gone: object) -> float | None:
    assert callable(gone)
    for day in np.arange(0.0, LONGEST_YEARS * YEAR, 10.0):
        if gone(float(day)):
            return float(day)
    return None


def months_until(world: World, day: float) -> tuple[MonthTemperature, ...]:
    """Return what the bank's probe said until a day; a lying card says 25 degC for ever."""
    found = []
    for k in range(int(day / YEAR * 12.0)):
        year, month = INSTALLED.year + k // 12, k % 12 + 1
        at = (date(year, month, 15) - INSTALLED).days
        mean = world.room_c + world.probe_bias_k + 4.0 * float(np.sin(2.0 * np.pi * at / YEAR))
        found.append(
            MonthTemperature(date(year, month, 1), 25.0 if world.lying_card else round(mean, 1), 1.0)
        )
    return tuple(found)


def estimate(depth: float) -> tuple[float, float]:
    """Return the standard deviation of a capacity estimate's error at a depth, and half its stated 90 % interval.

    `depth` is a share of what the bank gives. The error is drawn normal with the measured mean size.
    """
    depths, points, widths = zip(*ESTIMATOR_POINTS, strict=True)
    mean_absolute = float(np.interp(100.0 * depth, depths, points))
    return mean_absolute / 100.0 * float(np.sqrt(np.pi / 2.0)), float(
        np.interp(100.0 * depth, depths, widths)
    ) / 200.0
