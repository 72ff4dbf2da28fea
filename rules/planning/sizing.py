"""What size should the replacement be: units from the load's history, banks from the required time.

Units: the peak of every line times growth, over what n units less the spare ones carry, derated. The
answer is a range of usual ratings with what each gives, not a purchase order. Banks: the constant-power
method (IEEE 485 and IEEE 1184, as quoted by makers): watts per cell at the end of life and the lowest
temperature, against a maker's table.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import ceil
from typing import Final

from rules.autonomy import END_OF_LIFE
from rules.battery.losses import default_losses
from rules.battery.runtime import RuntimeCurve, curve_for
from rules.battery.temperature import seconds_at, time_per_kelvin
from rules.estate import FittedBank
from rules.peaks import LineHistory
from rules.planning.safety import SAFETY
from rules.requirements import minutes
from rules.trend import Slope

USUAL_KVA: Final = (
    3.0,
    5.0,
    6.0,
    8.0,
    10.0,
    15.0,
    20.0,
    30.0,
    40.0,
    50.0,
    60.0,
    80.0,
    100.0,
    120.0,
    160.0,
    200.0,
    250.0,
    300.0,
    400.0,
    500.0,
    600.0,
    800.0,
    1000.0,
)
"""Ratings that makers usually offer, kVA; a maker's list wins."""

HOURS_A_YEAR: Final = 8766.0
NO_LOAD_LOSS: Final = 0.03
"""Power a double-converting unit takes at any load, of its rating: rectifier and inverter, twice the
inverter's default (an assumption; makers print it)."""
SET_OVER_UNITS: Final = 1.5
"""Generator rating over the units' rated power that trade practice asks for."""

NOT_CHECKED: Final = (
    "floor load, room, cooling, cables, breakers and the DC window of the charger",
    "inrush, harmonics and leading loads; a derating by altitude or room is only what was given",
    "prices, deliveries and what one maker's modules allow",
)


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the replacement is to give.

    `units` in all, `spare_units` of them to spare, each with `output_lines`. `growth_per_year` as a
    fraction (from the trend where None). `power_factor`: W rating over VA rating. `derating`: what is
    left of a rating in this room and at this height. `set_rating_w`: the generator behind, or None.
    """

    units: int
    spare_units: int
    output_lines: int = 3
    years: float = 10.0
    growth_per_year: float | None = None
    power_factor: float = 0.9
    derating: float = 1.0
    reserve: float = 0.10
    set_rating_w: float | None = None
    energy_price_per_kwh: float | None = None
    usual_kva: Sequence[float] = USUAL_KVA


@dataclass(frozen=True, slots=True)
class UnitSize:
    """One usual rating and what it gives: load factors of one unit, margin with the spares gone."""

    rating_va: float
    rating_w: float
    load_now_fraction: float
    load_then_fraction: float
    margin_then_fraction: float
    standing_loss_kwh_a_year: float
    standing_loss_cost_a_year: float | None
    within_set: bool | None
    enough: bool


@dataclass(frozen=True, slots=True)
class SizeAdvice:
    """The range of ratings: the least that is enough, one below it and one above, and why."""

    needed_va: float
    needed_w: float
    tightest_line: int
    tightest_limit: str
    growth_per_year: float
    sizes: tuple[UnitSize, ...]
    present: UnitSize | None
    saved_kwh_a_year: float | None
    because: tuple[str, ...]
    assumptions: tuple[str, ...]
    not_checked: tuple[str, ...] = NOT_CHECKED


def growth_from(trend: Slope | None, load_w: float) -> float:
    """Return growth a year as a fraction from a trend in W a year; never below zero."""
    if trend is None or load_w <= 0.0 or trend.p > 0.05:
        return 0.0
    return max(trend.per_unit, 0.0) / load_w


def size_units(
    history: Sequence[LineHistory],
    wanted: Wanted,
    *,
    trend: Slope | None = None,
    present_va: float | None = None,
    present_w: float | None = None,
) -> SizeAdvice:
    """Return which unit ratings suit, from the lines' peaks.

    Raises:
        ValueError: no history, or no unit left once the spare ones are gone.
    """
    left = wanted.units - wanted.spare_units
    if not history or left < 1:
        raise ValueError("want the history of a line, and a unit left when the spare ones are gone")
    total_w = sum(line.peak_w for line in history)
    growth = wanted.growth_per_year if wanted.growth_per_year is not None else growth_from(trend, total_w)
    grown = (1.0 + growth) ** wanted.years * (1.0 + wanted.reserve)
    lines = wanted.output_lines
    by_va = max(history, key=lambda x: x.peak_va)
    by_w = max(history, key=lambda x: x.peak_w)
    need_va = by_va.peak_va * grown * lines / left / wanted.derating
    need_w = by_w.peak_w * grown * lines / left / wanted.derating
    limit = "va" if need_va >= need_w / wanted.power_factor else "w"
    least_va = max(need_va, need_w / wanted.power_factor)

    def size(rating_va: float, rating_w: float) -> UnitSize:
        usable_w, usable_va = rating_w * wanted.derating, rating_va * wanted.derating
        now = max(
            by_w.peak_w * lines / wanted.units / usable_w, by_va.peak_va * lines / wanted.units / usable_va
        )
        rise = (1.0 + growth) ** wanted.years
        gone = max(by_w.peak_w * lines / left / usable_w, by_va.peak_va * lines / left / usable_va) * rise
        loss = NO_LOAD_LOSS * rating_w * wanted.units * HOURS_A_YEAR / 1000.0
        price = wanted.energy_price_per_kwh
        fits = None
        if wanted.set_rating_w is not None:
            fits = wanted.set_rating_w >= SET_OVER_UNITS * rating_w * left
        return UnitSize(
            rating_va,
            rating_w,
            now,
            now * rise,
            1.0 - gone,
            loss,
            None if price is None else price * loss,
            fits,
            rating_va >= need_va and rating_w >= need_w,
        )

    offered = sorted(1000.0 * kva for kva in wanted.usual_kva)
    first = next((k for k, va in enumerate(offered) if va >= least_va), len(offered) - 1)
    sizes = tuple(size(va, va * wanted.power_factor) for va in offered[max(first - 1, 0) : first + 2])
    present = None if present_va is None or present_w is None else size(present_va, present_w)
    chosen = next((s for s in sizes if s.enough), None)
    saved = None
    if present is not None and chosen is not None:
        saved = present.standing_loss_kwh_a_year - chosen.standing_loss_kwh_a_year
    return SizeAdvice(
        needed_va=max(need_va, need_w / wanted.power_factor),
        needed_w=max(need_w, need_va * wanted.power_factor),
        tightest_line=by_va.line if limit == "va" else by_w.line,
        tightest_limit=limit,
        growth_per_year=growth,
        sizes=sizes,
        present=present,
        saved_kwh_a_year=saved,
        because=tuple(_why(by_va if limit == "va" else by_w, limit, wanted, growth, least_va, chosen, saved)),
        assumptions=(
            f"Standing losses are {100 * NO_LOAD_LOSS:.0f} % of a unit's rated watts at any load.",
            f"A set should be rated {SET_OVER_UNITS} times the units it feeds.",
            "The recorded peaks are those of a usual year; a season not yet recorded may be higher.",
        ),
    )


def _why(  # noqa: PLR0917 - the figures of the sentences
    tight: LineHistory,
    limit: str,
    wanted: Wanted,
    growth: float,
    least_va: float,
    chosen: UnitSize | None,
    saved: float | None,
) -> list[str]:
    peak = f"{tight.peak_va / 1e3:.1f} kVA" if limit == "va" else f"{tight.peak_w / 1e3:.1f} kW"
    left = wanted.units - wanted.spare_units
    found = [
        (
            f"Line {tight.line} decides: its peak of {peak}, growing {100 * growth:.1f} % a year for {wanted.years:.0f} "
            f"years, with {100 * wanted.reserve:.0f} % in reserve, on {left} of {wanted.units} units asks "
            f"{least_va / 1e3:.1f} kVA of each."
        )
    ]
    if chosen is None:
        found.append("No usual rating is enough: more units are needed.")
        return found
    found.append(
        f"{chosen.rating_va / 1e3:.0f} kVA is the least usual rating that is enough: loaded to "
        f"{100 * chosen.load_now_fraction:.0f} % now."
    )
    if chosen.within_set is False:
        found.append("The set is too small for units of that rating by the rule of thumb: ask its maker.")
    if saved is not None and abs(saved) >= 1.0:
        word = "less" if saved > 0.0 else "more"
        found.append(f"Standing losses would be {abs(saved):.0f} kWh a year {word} than now.")
    return found


@dataclass(frozen=True, slots=True)
class BankWanted:
    """What one unit's bank is to do: carry `output_w` for `required_s`, old and cold.

    `cells` of one string, both halves counted; `margin` is the design margin.
    """

    output_w: float
    required_s: float
    rating_w: float
    cells: int
    coldest_c: float = 15.0
    ageing: float = 1.0 / END_OF_LIFE
    margin: float = 1.10


@dataclass(frozen=True, slots=True)
class BankSize:
    """One block type: strings needed, and what they give new and at the end of life in the cold."""

    type: str
    strings: int
    watts_per_cell_allowed: float
    new_s: float
    end_of_life_s: float
    blocks: int | None
    charger_a: float | None


@dataclass(frozen=True, slots=True)
class BankAdvice:
    """Watts per cell asked of all strings together, step by step, and what types would give it."""

    watts_per_cell: float
    with_ageing: float
    cold_factor: float
    asked_watts_per_cell: float
    sizes: tuple[BankSize, ...]
    because: tuple[str, ...]
    safety: tuple[str, ...] = field(default=(SAFETY,))


def cold_factor(curve: RuntimeCurve, seconds: float, temperature_c: float) -> float:
    """Return the share of its 25 degC power that a cell gives for a time at a lower temperature, at most 1."""
    watts = float(curve.watts(seconds))
    per_kelvin = float(time_per_kelvin(seconds)) / float(curve.steepness(watts))
    return min(max(1.0 + per_kelvin * (temperature_c - 25.0), 0.5), 1.0)


def size_bank(wanted: BankWanted, types: Sequence[FittedBank]) -> BankAdvice:
    """Return how many strings of each type carry the load for the required time, old and cold.

    Types without a table or rated capacity, and times beyond a type's table, are left out and said so.

    Raises:
        ValueError: no type given.
    """
    if not types:
        raise ValueError("want at least one block type to size with")
    losses = default_losses(wanted.rating_w)
    watts = losses.battery_power_w(wanted.output_w) / wanted.cells
    aged = watts * wanted.ageing
    because = [
        (
            f"{wanted.output_w / 1e3:.1f} kW out asks {watts:.1f} W of each cell; times {wanted.ageing:.2f} for ageing to "
            f"80 % is {aged:.1f} W, times {wanted.margin:.2f} in reserve and over the factor for {wanted.coldest_c:.0f} degC."
        )
    ]
    sizes = []
    factor = 1.0
    for kind in types:
        curve = curve_for(kind)
        if curve.basis.value == "none" or not curve.shortest_s <= wanted.required_s <= curve.longest_s:
            because.append(f"{kind.type}: its table does not reach {minutes(wanted.required_s)}.")
            continue
        factor = cold_factor(curve, wanted.required_s, wanted.coldest_c)
        asked = aged * wanted.margin / factor
        printed = float(curve.watts(wanted.required_s))
        strings = max(ceil(asked / printed - 1e-9), 1)
        old_s = float(seconds_at(curve, watts / strings * wanted.ageing, wanted.coldest_c))
        capacity = kind.rated_capacity_ah
        sizes.append(
            BankSize(
                kind.type,
                strings,
                printed,
                float(curve.seconds(watts / strings)),
                old_s,
                None if kind.blocks == 0 else kind.blocks * strings,
                None if capacity is None else 0.1 * capacity * strings,
            )
        )
        because.append(
            f"{kind.type} gives {printed:.1f} W a cell for {minutes(wanted.required_s)}: {strings} "
            f"{'string' if strings == 1 else 'strings'}."
        )
    return BankAdvice(watts, aged, factor, aged * wanted.margin / factor, tuple(sizes), tuple(because))
