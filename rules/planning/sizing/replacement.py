"""The question "what size should the replacement be", asked of a system as it is declared and recorded.

Gathers what `units` and `bank` need: units and spare ones as declared, the generator behind, the peaks and
the trend of every line, the bank now fitted as the stated one, the longest time that is required of the
system, and the coldest its rooms get.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

from rules.battery.model.size_factors import DESIGN_MARGIN, how_known
from rules.planning.sizing.bank import BankAdvice, BankWanted, StatedBank, size_bank
from rules.planning.sizing.retirement import RemainingDemand as Leaving
from rules.planning.sizing.retirement import Retired, retirements
from rules.planning.sizing.units import SizeAdvice, SizeWanted, growth_of, size_units
from rules.plant.estate import Estate, in_place
from rules.statistics.trend import MarginTrend, margin_trend
from rules.system.load.peaks import DayPeak, LineHistory, line_by_day, total_by_day
from rules.system.load.season import SeasonalTrend, seasonal_trend
from rules.system.load.step import since_step
from rules.system.redundancy import daily_margins
from rules.system.state import SystemState
from rules.values.code import Code
from rules.values.reason import Reason, reason

BANK_YEARS: Final = 10.0
"""How long blocks are taken to serve where no design life is declared."""


@dataclass(frozen=True, slots=True)
class LineTrend:
    """How the load of one board line grows, season taken off."""

    line: int
    trend: SeasonalTrend


@dataclass(frozen=True, slots=True)
class LoadRecord:
    """What is on record of a system's load: lines since their last lasting step (`rules.system.load.step`), the peak of every day.

    `limits`: what each line may be asked today with the spare units gone, W and VA.
    """

    lines: tuple[LineHistory, ...]
    days: tuple[DayPeak, ...]
    limits: Mapping[int, tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Sizes:
    """What size comes next: units from the load's history, a bank for each of them, and what both rest on."""

    system: str
    units: SizeAdvice
    bank: BankAdvice | None
    bank_missing: Reason | None
    margin: MarginTrend
    load: SeasonalTrend
    line_loads: tuple[LineTrend, ...]
    retire: tuple[Retired, ...] = ()
    """What the system would be without each of its present units, those that may go first."""


def wanted_of(estate: Estate, system: str) -> SizeWanted:
    """Return what a system's replacement is to give as it is declared: as many units, as many to spare."""
    here, generator = estate.units_of(system), estate.generator_of(system)
    return SizeWanted(
        units=len(here),
        spare_units=min(estate.systems[system].spare_units, len(here) - 1),
        output_lines=max(unit.output_lines for unit in here),
        set_rating_w=None if generator is None else generator.rating_w,
    )


def next_size(
    estate: Estate,
    system: str,
    record: LoadRecord,
    today: date,
    wanted: SizeWanted,
    *,
    state: SystemState | None = None,
    coldest_c: Mapping[str, float],
    required_s: float | None = None,
    bank_margin: float = DESIGN_MARGIN,
) -> Sizes | None:
    """Return the sizes that suit a system, or None where a line of the board has no record yet.

    `state` gives the times required of it now, `coldest_c` the coldest each bank's room gets.
    """
    lines = {line for unit in estate.units_of(system) for line in unit.line_order[: unit.output_lines]}
    if {line.line for line in record.lines} != lines:
        return None
    load = seasonal_trend(total_by_day(record.days))
    by_line = {line.line: seasonal_trend(line_by_day(record.days, line.line)) for line in record.lines}
    fitted = [f for unit in estate.units_of(system) if (f := in_place(unit.fitted, today)) is not None]
    types = _types(estate, system, today, coldest_c)
    advice = size_units(
        record.lines,
        wanted,
        load=load,
        by_line=by_line,
        present_va=min((unit.rating_va for unit in fitted), default=None),
        present_w=min((unit.rating_w for unit in fitted), default=None),
        stated=types[0] if types else None,
    )
    growth = growth_of(wanted, load, by_line).expected
    asked = _bank_wanted(advice, wanted, types, state, required_s, growth)
    counted, _ = since_step(record.days)
    longest_s = required_s if required_s is not None else _longest(state)
    leaving = Leaving(record.lines, (1.0 + growth) ** wanted.years, wanted.years, longest_s, coldest_c)
    return Sizes(
        system=system,
        units=advice,
        bank=None if isinstance(asked, Reason) else size_bank(replace(asked, margin=bank_margin), types),
        bank_missing=asked if isinstance(asked, Reason) else None,
        margin=margin_trend(daily_margins(counted, record.limits)),
        load=load,
        line_loads=tuple(LineTrend(line, trend) for line, trend in sorted(by_line.items())),
        retire=retirements(estate, system, leaving, today),
    )


def _longest(state: SystemState | None) -> float | None:
    """Return the longest time that is required of a system, in s."""
    known = [] if state is None else [r.required_s for r in state.requirements if r.required_s]
    return max(known, default=None)


def _types(estate: Estate, system: str, today: date, coldest_c: Mapping[str, float]) -> list[StatedBank]:
    """Return the banks now fitted, one of each type, with the coldest of the rooms."""
    cold = min(coldest_c.values(), default=None)
    found: dict[str, StatedBank] = {}
    for place in estate.banks_of_system(system):
        blocks = in_place(place.fitted, today)
        if blocks is not None:
            stated = StatedBank(blocks, place.cells, place.strings)
            if cold is not None:
                known = how_known(cold, place.room_temperature_c)
                stated = replace(stated, coldest_c=cold, cold=known)
            found.setdefault(blocks.type, stated)
    return list(found.values())


def _bank_wanted(  # noqa: PLR0917 - what the bank's task is made of
    advice: SizeAdvice,
    wanted: SizeWanted,
    types: Sequence[StatedBank],
    state: SystemState | None,
    required_s: float | None,
    growth: float,
) -> BankWanted | Reason:
    """Return what the bank of one unit is to do, or why that cannot be said."""
    if not types:
        return reason(Code.NO_BLOCKS_IN_PLACE)
    purpose = None
    if required_s is None:
        known = [] if state is None else [r for r in state.requirements if r.required_s]
        if not known:
            return reason(Code.NO_TIME_REQUIRED)
        longest = max(known, key=lambda r: r.required_s or 0.0)
        required_s, purpose = longest.required_s or 0.0, longest.purpose
    life = types[0].type.design_life_years or BANK_YEARS
    years = min(wanted.years, life)
    peak_w = sum(line.peak_w for line in advice.lines)
    output_w = peak_w * (1.0 + growth) ** years / wanted.left
    chosen = advice.advised_from_va or advice.needed_va
    said = reason(
        Code.BANK_TASK,
        units=wanted.left,
        peak_w=peak_w,
        years=years,
        required_s=required_s,
        purpose=purpose,
    )
    return BankWanted(
        output_w,
        required_s,
        chosen * wanted.power_factor,
        types[0].cells,
        types[0].coldest_c,
        types[0].cold,
        why=said,
    )
