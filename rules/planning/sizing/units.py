"""What size the replacement units should be, from the history of the load on each line.

The peak of a line's last year times growth, over what n units less the spare ones carry, derated. Growth is
what the record shows with the season taken off (`rules.system.load.season`) unless the site declares its own; where the
record shows an interval, the answer is a range: the least usual rating that is enough at the growth to be
expected, and the one that is enough at the interval's upper end. It is advice, not a purchase order.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from rules.planning.sizing.bank import StatedBank
from rules.system.load.peaks import LineHistory
from rules.system.load.season import SeasonalTrend
from rules.values.code import Code
from rules.values.constants import HOURS_A_YEAR
from rules.values.reason import Reason, reason

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

NO_LOAD_LOSS: Final = 0.03
"""Power a double-converting unit takes at any load, of its rating: rectifier and inverter, twice the
inverter's default (an assumption; makers print it)."""
SET_OVER_UNITS: Final = 1.5
"""Generator rating over the units' rated power that trade practice asks for."""
DERATED_ABOVE_M: Final = 1000.0
DERATED_PER_KM: Final = 0.05
"""Rating lost per 1000 m above the first, with forced cooling (IEC 62040-3's example table, as quoted by makers)."""
MOST_SHOWN: Final = 6

NOT_CHECKED: Final = (
    reason(Code.NOT_CHECKED_ROOM),
    reason(Code.NOT_CHECKED_INRUSH),
    reason(Code.NOT_CHECKED_PRICES),
)


def altitude_factor(altitude_m: float) -> float:
    """Return what is left of a rating at a height above the sea: 1 up to 1000 m, 5 % less each 1000 m more."""
    return max(1.0 - DERATED_PER_KM * max(altitude_m - DERATED_ABOVE_M, 0.0) / 1000.0, 0.5)


@dataclass(frozen=True, slots=True)
class SizeWanted:
    """What the replacement is to give.

    `units` in all, `spare_units` of them to spare, each with `output_lines`. `growth_per_year` as a
    fraction (from the record where None). `power_factor`: W rating over VA rating. `derating`: what is
    left of a rating in this room, the altitude apart. `set_rating_w`: the generator behind, or None.
    """

    units: int
    spare_units: int
    output_lines: int = 3
    years: float = 10.0
    growth_per_year: float | None = None
    power_factor: float = 0.9
    derating: float = 1.0
    altitude_m: float = 0.0
    reserve: float = 0.10
    set_rating_w: float | None = None
    energy_price_per_kwh: float | None = None
    usual_kva: Sequence[float] = USUAL_KVA

    @property
    def left(self) -> int:
        """Return how many units carry the load once the spare ones are gone."""
        return self.units - self.spare_units

    @property
    def usable(self) -> float:
        """Return what is left of a rating in this room at this height."""
        return self.derating * altitude_factor(self.altitude_m)


@dataclass(frozen=True, slots=True)
class Growth:
    """Growth a year that is reckoned with, as a fraction, and the upper end of its interval; None: not known."""

    expected: float
    high: float | None
    because: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class UnitSize:
    """One usual rating and what it gives.

    Load factors are of one unit with all in service: usual (the median of 30 days), at the year's peak now,
    and then, at the end of the years looked at. The margin is with the spares gone, of the usable rating.
    `holds_*`: what the stated bank carries with the spares gone at the peak now: new, and old and cold.
    `enough_at_high_growth` is None where the record gives no interval.
    """

    rating_va: float
    rating_w: float
    load_usual_fraction: float
    load_now_fraction: float
    load_then_fraction: float
    margin_now_fraction: float
    margin_then_fraction: float
    standing_loss_kwh_a_year: float
    standing_loss_cost_a_year: float | None
    within_set: bool | None
    enough: bool
    enough_at_high_growth: bool | None = None
    holds_new_s: float | None = None
    holds_end_of_life_s: float | None = None


@dataclass(frozen=True, slots=True)
class SizeAdvice:
    """The range of ratings: the least that is enough, one below it and one above, and why.

    `advised_from_va` is enough at the growth to be expected, `advised_to_va` at the upper end of its interval;
    None where no usual rating is. `saved_*`: standing losses of the present units over those of the least
    that is enough, negative where they would be more. `set_allows_w`: rated watts of one unit that the
    generator bears. `stated_bank`: what the units are imagined with.
    """

    needed_va: float
    needed_w: float
    tightest_line: int
    tightest_limit: str
    growth_per_year: float
    growth_per_year_high: float | None
    advised_from_va: float | None
    advised_to_va: float | None
    sizes: tuple[UnitSize, ...]
    present: UnitSize | None
    saved_kwh_a_year: float | None
    saved_cost_a_year: float | None
    set_allows_w: float | None
    stated_bank: Reason | None
    lines: tuple[LineHistory, ...]
    because: tuple[Reason, ...]
    assumptions: tuple[Reason, ...]
    not_checked: tuple[Reason, ...] = NOT_CHECKED


def growth_of(
    wanted: SizeWanted, load: SeasonalTrend | None, by_line: Mapping[int, SeasonalTrend] | None = None
) -> Growth:
    """Return the growth to reckon with: declared, or the record's where it is clear. A decline is not counted on.

    A line that clearly grows faster than the whole load counts for the whole.
    """
    if wanted.growth_per_year is not None:
        said = reason(Code.GROWTH_GIVEN, per_year=wanted.growth_per_year)
        return Growth(wanted.growth_per_year, None, (said,))
    if load is None or load.per_year_w is None:
        why = (reason(Code.NO_TREND_ON_RECORD),) if load is None else load.because
        return Growth(0.0, None, (*why, reason(Code.NO_GROWTH_COUNTED)))
    expected = max(load.growth(load.per_year_w) or 0.0, 0.0) if load.clear else 0.0
    high, because = max(load.growth(load.high_w) or 0.0, 0.0), list(load.because)
    for line, found in (by_line or {}).items():
        own = found.growth(found.per_year_w) or 0.0
        if found.clear and own > expected:
            expected, high = own, max(high, found.growth(found.high_w) or 0.0)
            because.append(reason(Code.LINE_GROWS_FASTER, line=line, per_year=own))
    return Growth(expected, high, tuple(because))


@dataclass(frozen=True, slots=True)
class _Load:
    """What the lines ask of the units together: highest line now, W and VA, and the whole load."""

    line_w: float
    line_va: float
    usual_w: float
    total_w: float
    by_w: LineHistory
    by_va: LineHistory

    @classmethod
    def of(cls, history: Sequence[LineHistory]) -> _Load:
        by_w, by_va = max(history, key=lambda x: x.peak_w), max(history, key=lambda x: x.peak_va)
        usual_w = max(line.median_w for line in history)
        total_w = sum(line.peak_w for line in history)
        return cls(by_w.peak_w, by_va.peak_va, usual_w, total_w, by_w, by_va)


def size_units(
    history: Sequence[LineHistory],
    wanted: SizeWanted,
    *,
    load: SeasonalTrend | None = None,
    by_line: Mapping[int, SeasonalTrend] | None = None,
    present_va: float | None = None,
    present_w: float | None = None,
    stated: StatedBank | None = None,
) -> SizeAdvice:
    """Return which unit ratings suit, from the lines' peaks and the growth of the whole load.

    Raises:
        ValueError: no history, or no unit left once the spare ones are gone.
    """
    if not history or wanted.left < 1:
        raise ValueError("want the history of a line, and a unit left when the spare ones are gone")
    asked, growth = _Load.of(history), growth_of(wanted, load, by_line)
    rise = (1.0 + growth.expected) ** wanted.years
    high = None if growth.high is None else (1.0 + growth.high) ** wanted.years
    each = wanted.output_lines / wanted.left / wanted.usable * (1.0 + wanted.reserve)
    need_w, need_va = asked.line_w * each * rise, asked.line_va * each * rise
    limit = "va" if need_va >= need_w / wanted.power_factor else "w"
    needed_va = max(need_va, need_w / wanted.power_factor)

    def size(rating_va: float, rating_w: float) -> UnitSize:
        return _size(rating_va, rating_w, asked, wanted, (rise, high), each, stated)

    offered = sorted(1000.0 * kva for kva in wanted.usual_kva)
    every = [size(va, va * wanted.power_factor) for va in offered]
    first = next((k for k, s in enumerate(every) if s.enough), None)
    upper = next((k for k, s in enumerate(every) if s.enough_at_high_growth), first)
    begin = len(every) - 1 if first is None else max(first - 1, 0)
    end = begin + 1 if first is None else min(max(upper or first, first) + 2, begin + MOST_SHOWN)
    chosen = None if first is None else every[first]
    present = None if present_va is None or present_w is None else size(present_va, present_w)
    saved = saved_cost = None
    if present is not None and chosen is not None:
        saved = present.standing_loss_kwh_a_year - chosen.standing_loss_kwh_a_year
        price = wanted.energy_price_per_kwh
        saved_cost = None if price is None else price * saved
    tight = asked.by_va if limit == "va" else asked.by_w
    because = [
        *_steps(load, by_line or {}, growth),
        *growth.because,
        _asked(tight, limit, wanted, growth, needed_va),
    ]
    because += _chosen(chosen, None if upper is None else every[upper], saved)
    return SizeAdvice(
        needed_va=needed_va,
        needed_w=max(need_w, need_va * wanted.power_factor),
        tightest_line=tight.line,
        tightest_limit=limit,
        growth_per_year=growth.expected,
        growth_per_year_high=growth.high,
        advised_from_va=None if chosen is None else chosen.rating_va,
        advised_to_va=None if upper is None else every[upper].rating_va,
        sizes=tuple(every[begin:end]),
        present=present,
        saved_kwh_a_year=saved,
        saved_cost_a_year=saved_cost,
        set_allows_w=None
        if wanted.set_rating_w is None
        else wanted.set_rating_w / SET_OVER_UNITS / wanted.left,
        stated_bank=None if stated is None else stated.name,
        lines=tuple(history),
        because=tuple(because),
        assumptions=_assumed(wanted, load, stated),
    )


def _size(  # noqa: PLR0917 - what makes a candidate
    rating_va: float,
    rating_w: float,
    asked: _Load,
    wanted: SizeWanted,
    rises: tuple[float, float | None],
    each: float,
    stated: StatedBank | None,
) -> UnitSize:
    """Return what a rating gives; `rises` are the load then over the load now, expected and at the most."""
    rise, high = rises
    usable_w, usable_va = rating_w * wanted.usable, rating_va * wanted.usable
    lines = wanted.output_lines
    now = max(asked.line_w / usable_w, asked.line_va / usable_va) * lines
    loss = NO_LOAD_LOSS * rating_w * wanted.units * HOURS_A_YEAR / 1000.0
    price = wanted.energy_price_per_kwh

    def enough(risen: float) -> bool:
        return rating_va >= asked.line_va * each * risen and rating_w >= asked.line_w * each * risen

    new_s, old_s = (None, None) if stated is None else stated.holds(asked.total_w / wanted.left, rating_w)
    return UnitSize(
        rating_va=rating_va,
        rating_w=rating_w,
        load_usual_fraction=asked.usual_w * lines / wanted.units / usable_w,
        load_now_fraction=now / wanted.units,
        load_then_fraction=now * rise / wanted.units,
        margin_now_fraction=1.0 - now / wanted.left,
        margin_then_fraction=1.0 - now * rise / wanted.left,
        standing_loss_kwh_a_year=loss,
        standing_loss_cost_a_year=None if price is None else price * loss,
        within_set=None
        if wanted.set_rating_w is None
        else wanted.set_rating_w >= SET_OVER_UNITS * rating_w * wanted.left,
        enough=enough(rise),
        enough_at_high_growth=None if high is None else enough(high),
        holds_new_s=new_s,
        holds_end_of_life_s=old_s,
    )


def _steps(load: SeasonalTrend | None, by_line: Mapping[int, SeasonalTrend], growth: Growth) -> list[Reason]:
    """Return the lasting steps that the record began with, as far as its growth does not tell of them already."""
    whole = None if load is None else load.step
    said = [] if whole is None or whole.reason in growth.because else [whole.reason]
    if whole is None:
        said += [
            reason(Code.LINE_LOAD_STEP, line=line, step=found.step.reason)
            for line, found in by_line.items()
            if found.step is not None
        ]
    fell = whole is not None and whole.after_w < whole.before_w
    if fell:
        said.append(reason(Code.LOAD_THAT_WENT))
    return said


def _asked(tight: LineHistory, limit: str, wanted: SizeWanted, growth: Growth, needed_va: float) -> Reason:
    return reason(
        Code.SIZE_ASKED,
        line=tight.line,
        limit=limit,
        peak=tight.peak_va if limit == "va" else tight.peak_w,
        per_year=growth.expected,
        years=wanted.years,
        reserve=wanted.reserve,
        left=wanted.left,
        units=wanted.units,
        usable=wanted.usable,
        needed_va=needed_va,
    )


def _chosen(chosen: UnitSize | None, upper: UnitSize | None, saved: float | None) -> list[Reason]:
    if chosen is None:
        return [reason(Code.NO_USUAL_RATING)]
    found = [reason(Code.LEAST_RATING, rating_va=chosen.rating_va, load_fraction=chosen.load_now_fraction)]
    if upper is not None and upper.rating_va > chosen.rating_va:
        found.append(reason(Code.RATING_AT_FAST_GROWTH, rating_va=upper.rating_va))
    if chosen.within_set is False:
        found.append(reason(Code.SET_TOO_SMALL_FOR_UNITS))
    if saved is not None and abs(saved) >= 1.0:
        found.append(reason(Code.STANDING_LOSSES_MOVE, saved_kwh=saved))
    return found


def _assumed(wanted: SizeWanted, load: SeasonalTrend | None, stated: StatedBank | None) -> tuple[Reason, ...]:
    found = [
        reason(Code.ASSUMED_STANDING_LOSSES, fraction=NO_LOAD_LOSS),
        reason(Code.ASSUMED_SET_OVER_UNITS, times=SET_OVER_UNITS),
        reason(Code.ASSUMED_PEAKS_TOGETHER),
    ]
    if wanted.altitude_m > DERATED_ABOVE_M:
        found.append(reason(Code.ASSUMED_ALTITUDE))
    if stated is not None:
        found.append(
            reason(
                Code.ASSUMED_BANK_TIMES, bank=stated.name, coldest_c=stated.coldest_c, cold=stated.cold.value
            )
        )
    if load is None or load.months < 12:
        found.append(reason(Code.FEW_MONTHS_ON_RECORD, months=0 if load is None else load.months))
    return tuple(found)
