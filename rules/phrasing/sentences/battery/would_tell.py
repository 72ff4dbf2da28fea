"""What would tell of a bank that nothing was seen of, and what helps where it is too small.

`rules.battery.assessment.would_tell`, `too_small`.
"""

from __future__ import annotations

from datetime import date
from math import ceil

from rules.phrasing.dates import day_words
from rules.phrasing.durations import minutes_up
from rules.phrasing.figures import banks_named, down
from rules.phrasing.says import says
from rules.values.code import Code


@says(Code.TELL_BY_TABLE)
def tell_by_table(*, banks: tuple[str, ...]) -> str:
    """Ask for a maker's table."""
    return f"Paste the maker's constant-power table of {banks_named(banks)} into the estate file (constant_power)."


@says(Code.TELL_BY_SHORTER_TIMES)
def tell_by_shorter_times(*, banks: tuple[str, ...]) -> str:
    """Ask for the part of a maker's table that is missing."""
    return f"Give the maker's table of {banks_named(banks)} down to shorter times (constant_power): the load lies above it."


@says(Code.BUYS_HOLD_UP)
def buys_hold_up() -> str:
    """Say what a table is good for."""
    return "Hold-up by the maker's own figures, where a typical curve is good to 20 %."


@says(Code.TELL_BY_PAST_TEST)
def tell_by_past_test(*, banks: tuple[str, ...]) -> str:
    """Ask for a log of the past."""
    return f"Import a past test or discharge log of {banks_named(banks)} (ridethrough import)."


@says(Code.BUYS_PAST_CAPACITY)
def buys_past_capacity() -> str:
    """Say what a past test is good for."""
    return "Its capacity as it was then: dates and verdicts at once."


@says(Code.TELL_BY_CARRYING)
def tell_by_carrying(*, banks: tuple[str, ...], asked_w: float, for_s: float, on: date) -> str:
    """Propose a discharge at today's load: how much, how long, on which day."""
    kilowatts = f"about {asked_w / 1e3:.0f} kW" if asked_w >= 10e3 else f"about {asked_w / 1e3:.1f} kW"
    if len(banks) > 1:
        return (
            f"Let {banks_named(banks)} each carry its part of the load ({kilowatts} together now) for {for_s / 60.0:.0f} min, "
            f"one unit at a time and a week apart, the first say on {day_words(on)}, with help at hand."
        )
    return (
        f"Let {banks_named(banks)} carry its part of the load ({kilowatts} now) for {for_s / 60.0:.0f} min, "
        f"say on {day_words(on)}, with help at hand."
    )


@says(Code.BUYS_CAPACITY)
def buys_capacity() -> str:
    """Say what a discharge of a quarter is good for."""
    return "Capacity to about 6 points, and that no cell is open: the generator's start can be judged from then on."


@says(Code.BUYS_CARRYING)
def buys_carrying() -> str:
    """Say what a short discharge is good for."""
    return "That no cell is open: the generator's start can be judged from then on."


# ---- what helps where a bank is too small --------------------------------------------------------------------


@says(Code.HELPS_LARGER_BANK)
def helps_larger_bank(
    *,
    strings: int,
    of: int,
    rated_ah: int | None,
    of_rated_ah: float | None,
    asked_w: float | None = None,
    required_s: float | None = None,
) -> str:
    """Say which bank would do for what is asked today: more strings, or blocks of more Ah."""
    larger = f"{strings} strings of this type in place of {of}"
    if rated_ah is not None and of_rated_ah is not None:
        larger += f", or blocks of {rated_ah:g} Ah in place of {of_rated_ah:g}"
    if asked_w is not None and required_s is not None:
        larger += (
            f", for {asked_w / 1e3:.1f} kW over {minutes_up(required_s)} as asked of it today; how much the load grows is reckoned "
            "in the size of its system's replacement"
        )
    return f"A larger bank: {larger}."


@says(Code.HELPS_SHORTER_WAIT)
def helps_shorter_wait(*, wait_s: float, required_s: float) -> str:
    """Say which wait this type would do for."""
    return f"A shorter wait: {down(wait_s / 60.0):g} min in place of {minutes_up(required_s)}."


@says(Code.HELPS_LESS_LOAD)
def helps_less_load(*, less_w: float) -> str:
    """Say how much less load would do."""
    return f"Less load: {ceil(less_w / 100.0) / 10.0:.1f} kW less on this bank."
