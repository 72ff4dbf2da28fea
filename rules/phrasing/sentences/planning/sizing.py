"""What is said of the size of what comes next (`rules.planning.sizing`)."""

from __future__ import annotations

from rules.phrasing.cold import the_cold
from rules.phrasing.dates import PURPOSES
from rules.phrasing.durations import minutes, minutes_up
from rules.phrasing.figures import end_percent
from rules.phrasing.says import says
from rules.plant.estate import Purpose
from rules.values.code import Code


def _strings(strings: int) -> str:
    return f"{strings} {'string' if strings == 1 else 'strings'}"


# ---- may a unit go -------------------------------------------------------------------------------------------


def _without(unit: str, line: int, limit: str, peak: float, most: float) -> str:
    kind = "kVA" if limit == "va" else "kW"
    asks = f"line {line} asks {peak / 1e3:.1f} of {most / 1e3:.1f} {kind} at its peak"
    return f"Without {unit} and the spare gone, {asks}"


@says(Code.RETIRE_TOO_MUCH)
def retire_too_much(about: str, *, line: int, limit: str, peak: float, most: float) -> str:
    """Say that a line asks more than is left: W or VA, as `limit` ("w", "va") says."""
    return f"{_without(about, line, limit, peak, most)}: too much."


@says(Code.RETIRE_LITTLE_LEFT)
def retire_little_left(
    about: str, *, line: int, limit: str, peak: float, most: float, room: float, wanted: float
) -> str:
    """Say that less is left than is wanted, both as fractions."""
    left = f"only {end_percent(room)} % is left, wanted are {100 * wanted:.0f}"
    return f"{_without(about, line, limit, peak, most)}: {left}."


@says(Code.RETIRE_TOO_LITTLE_LATER)
def retire_too_little_later(
    about: str, *, line: int, limit: str, peak: float, most: float, years: float
) -> str:
    """Say that growth takes what is left."""
    later = f"enough now, and too little in {years:.0f} years"
    return f"{_without(about, line, limit, peak, most)}: {later}."


@says(Code.RETIRE_FITS)
def retire_fits(about: str, *, line: int, limit: str, peak: float, most: float, room: float) -> str:
    """Say what is left, as a fraction."""
    return f"{_without(about, line, limit, peak, most)}: {end_percent(room)} % is left."


@says(Code.RETIRE_BANK)
def retire_bank(about: str, *, old_s: float | None) -> str:
    """Say how long a bank then holds at the end of its life, in s, as a clause."""
    old = "no time that its table prints" if old_s is None else minutes(old_s)
    return f"{about} ({old} at the end of its life)"


@says(Code.RETIRE_BANKS_ENOUGH)
def retire_banks_enough(*, banks: tuple[str, ...], required_s: float) -> str:
    """Name the banks that suffice."""
    return f"Bank {', '.join(banks)} then suffices for the {minutes_up(required_s)} required."


@says(Code.RETIRE_BANKS_SHORT)
def retire_banks_short(*, banks: tuple[str, ...], required_s: float) -> str:
    """Name the banks that do not."""
    return f"Bank {', '.join(banks)} would be too small for the {minutes_up(required_s)} required."


@says(Code.RETIRE_BANKS_UNKNOWN)
def retire_banks_unknown(*, banks: tuple[str, ...]) -> str:
    """Name the banks of which that is not known."""
    return f"Whether bank {', '.join(banks)} then suffices cannot be told."


# ---- the bank ------------------------------------------------------------------------------------------------


@says(Code.STATED_BANK)
def stated_bank(*, type_name: str, cells: int, strings: int) -> str:
    """Name a bank by its make-up, as a clause."""
    return f"{_strings(strings)} of {cells} cells of {type_name}"


@says(Code.BANK_TASK)
def bank_task(*, units: int, peak_w: float, years: float, required_s: float, purpose: str | None) -> str:
    """Say what each bank is to carry, and for how long; `purpose` None: for a time that was given."""
    why = "the time given" if purpose is None else f"the longest required, {PURPOSES[Purpose(purpose)]}"
    return (
        f"Each of {units} units is to carry its part of {peak_w / 1e3:.1f} kW at the peak, growing for {years:.0f} years, for "
        f"{minutes_up(required_s)}: {why}."
    )


@says(Code.BANK_WATTS)
def bank_watts(
    *,
    output_w: float,
    watts: float,
    ageing: float,
    aged: float,
    margin: float,
    coldest_c: float,
    cold: str = "seen",
) -> str:
    """Say what a cell is asked, factor by factor, in W."""
    return (
        f"{output_w / 1e3:.1f} kW out asks {watts:.1f} W of each cell; times {ageing:.2f} for ageing to 80 % is "
        f"{aged:.1f} W, times {margin:.2f} in reserve and over the factor for {the_cold(coldest_c, cold)}."
    )


@says(Code.TYPE_NOT_REACHING)
def type_not_reaching(*, type_name: str, required_s: float) -> str:
    """Say that a type's table is too short."""
    return f"{type_name}: its table does not reach {minutes_up(required_s)}."


@says(Code.TYPE_GIVES)
def type_gives(
    *, type_name: str, factor: float, asked_w: float, printed_w: float, required_s: float, strings: int
) -> str:
    """Say what a type gives, in W a cell, and how many strings that makes."""
    return (
        f"{type_name}: over {factor:.2f} for the cold that asks {asked_w:.1f} W; it gives {printed_w:.1f} W a cell for "
        f"{minutes_up(required_s)}: {_strings(strings)}."
    )


@says(Code.NO_BLOCKS_IN_PLACE)
def no_blocks_in_place() -> str:
    """Say that there is nothing to size by."""
    return "No blocks are declared in place."


@says(Code.NO_TIME_REQUIRED)
def no_time_required() -> str:
    """Say that there is no time to size for."""
    return "No time is required of this system: give one."


# ---- the units -----------------------------------------------------------------------------------------------


@says(Code.GROWTH_GIVEN)
def growth_given(*, per_year: float) -> str:
    """Say the growth that the site declares, as a fraction a year."""
    return f"Growth is taken as given: {100 * per_year:.1f} % a year."


@says(Code.NO_TREND_ON_RECORD)
def no_trend_on_record() -> str:
    """Say that nothing is on record."""
    return "No trend is on record."


@says(Code.NO_GROWTH_COUNTED)
def no_growth_counted() -> str:
    """Say that no growth is counted."""
    return "No growth is counted; give one to have it counted."


@says(Code.LINE_GROWS_FASTER)
def line_grows_faster(*, line: int, per_year: float) -> str:
    """Say that a line's own growth counts, as a fraction a year."""
    return f"Line {line} grows faster, by {100 * per_year:.1f} % a year: that is what counts."


@says(Code.LINE_LOAD_STEP)
def line_load_step(*, line: int, step: str) -> str:
    """Say that one line's load made a step."""
    return f"Line {line}: {step}"


@says(Code.LOAD_THAT_WENT)
def load_that_went() -> str:
    """Say what a fallen load may do."""
    return "Should the load that went come back, these sizes are too small."


@says(Code.SIZE_ASKED)
def size_asked(
    *,
    line: int,
    limit: str,
    peak: float,
    per_year: float,
    years: float,
    reserve: float,
    left: int,
    units: int,
    usable: float,
    needed_va: float,
) -> str:
    """Say what the deciding line asks of each unit: its peak in W or VA, as `limit` ("w", "va") says."""
    kind = "kVA" if limit == "va" else "kW"
    derated = "" if usable == 1.0 else f", each derated to {100 * usable:.0f} %,"
    return (
        f"Line {line} decides: its peak of {peak / 1e3:.1f} {kind}, growing {100 * per_year:.1f} % a year for "
        f"{years:.0f} years, with {100 * reserve:.0f} % in reserve, on {left} of {units} "
        f"units{derated} asks {needed_va / 1e3:.1f} kVA of each."
    )


@says(Code.NO_USUAL_RATING)
def no_usual_rating() -> str:
    """Say that no rating is enough."""
    return "No usual rating is enough: more units are needed."


@says(Code.LEAST_RATING)
def least_rating(*, rating_va: float, load_fraction: float) -> str:
    """Say the least rating that is enough, and its load at the peak now."""
    return (
        f"{rating_va / 1e3:.0f} kVA is the least usual rating that is enough: loaded to {100 * load_fraction:.0f} % at the "
        "peak now."
    )


@says(Code.RATING_AT_FAST_GROWTH)
def rating_at_fast_growth(*, rating_va: float) -> str:
    """Say what the record's fastest growth would ask."""
    return f"Should the load grow as fast as the record allows, {rating_va / 1e3:.0f} kVA would be asked."


@says(Code.SET_TOO_SMALL_FOR_UNITS)
def set_too_small_for_units() -> str:
    """Say that the generator is small for the units."""
    return "The generator is too small for units of that rating by the rule of thumb: ask its maker."


@says(Code.STANDING_LOSSES_MOVE)
def standing_losses_move(*, saved_kwh: float) -> str:
    """Say what standing losses would be, in kWh a year, less than now where positive."""
    word = "less" if saved_kwh > 0.0 else "more"
    return f"Standing losses would be {abs(saved_kwh):.0f} kWh a year {word} than now."


@says(Code.ASSUMED_STANDING_LOSSES)
def assumed_standing_losses(*, fraction: float) -> str:
    """Say what standing losses are taken to be."""
    return f"Standing losses are {100 * fraction:.0f} % of a unit's rated watts at any load."


@says(Code.ASSUMED_SET_OVER_UNITS)
def assumed_set_over_units(*, times: float) -> str:
    """Say what a generator is taken to need."""
    return f"A generator should be rated {times} times the units it feeds."


@says(Code.ASSUMED_PEAKS_TOGETHER)
def assumed_peaks_together() -> str:
    """Say how peaks are added."""
    return "The lines' peaks are taken as if they came together."


@says(Code.ASSUMED_ALTITUDE)
def assumed_altitude() -> str:
    """Say how height lowers a rating."""
    return "Ratings are lowered by 5 % for each 1000 m above the first 1000 m."


@says(Code.ASSUMED_BANK_TIMES)
def assumed_bank_times(*, bank: str, coldest_c: float, cold: str = "seen") -> str:
    """Say of which bank times are given, and how cold it gets."""
    return (
        f"Times on banks are those of {bank} behind each unit: new at 25 degC, and at 80 % of the published power in "
        f"{the_cold(coldest_c, cold)}."
    )


@says(Code.FEW_MONTHS_ON_RECORD)
def few_months_on_record(*, months: int) -> str:
    """Say that less than a year is on record."""
    return f"Only {months} months are on record: a season not yet recorded may be higher."


@says(Code.NOT_CHECKED_ROOM)
def not_checked_room() -> str:
    """Name what of the room is not checked."""
    return "floor load, room, cooling, cables, breakers and the DC window of the charger"


@says(Code.NOT_CHECKED_INRUSH)
def not_checked_inrush() -> str:
    """Name what of the load is not checked."""
    return "inrush, harmonics and leading loads; a derating by the room's heat is only what was given"


@says(Code.NOT_CHECKED_PRICES)
def not_checked_prices() -> str:
    """Name what of the trade is not checked."""
    return "prices, deliveries and what one maker's modules allow"
