"""What is said of units to spare and of partners (`rules.system.redundancy`, `partner`), and what of a system is not checked."""

from __future__ import annotations

from typing import Final

from rules.phrasing.figures import banks_named
from rules.phrasing.says import says
from rules.system.state import Standing
from rules.values.code import Code

WHY: Final = {
    Standing.BYPASS: "is on bypass",
    Standing.OFF: "is off",
    Standing.ISOLATED: "is isolated for work",
}


@says(Code.UNIT_NO_SPARE)
def unit_no_spare(about: str, *, standing: str) -> str:
    """Say why a unit is no spare."""
    return f"Unit {about} {WHY[Standing(standing)]} and is no spare."


@says(Code.IDLE_NO_SPARE)
def idle_no_spare(*, because: str) -> str:
    """Say that a unit that is not seen carrying is no spare."""
    return f"It is no spare: {because}"


@says(Code.RATINGS_NOT_KNOWN)
def ratings_not_known(*, units: tuple[str, ...]) -> str:
    """Name the units whose rating is not known."""
    return f"The rating of unit {', '.join(units)} is not known."


@says(Code.NOT_ENOUGH_EVEN_IF_SOUND)
def not_enough_even_if_sound() -> str:
    """Say that silence hides no good news."""
    return "Even with every unit that does not answer counted as sound, it would not be enough."


@says(Code.BOUNDS_DISAGREE)
def bounds_disagree() -> str:
    """Say that what is reckoned leaves it open."""
    return "By the upper bound of what is reckoned it would not be enough, by the lower one it would."


@says(Code.PEAK_OF_LESS_THAN_A_DAY)
def peak_of_less_than_a_day() -> str:
    """Say how much is on record."""
    return "The peak is the highest of less than a day on record, not yet of 30 days."


@says(Code.JUDGED_BY_LOAD_NOW)
def judged_by_load_now() -> str:
    """Say that nothing is on record."""
    return "Judged by the load now: less than a day of load is recorded yet."


@says(Code.PEAK_OF_DAYS)
def peak_of_days(*, days: float) -> str:
    """Say how many days are on record."""
    return f"The peak is that of {days:.0f} recorded days, not yet of 30."


def _amount(value: float, limit: str) -> str:
    return f"{value / 1e3:.2f} {'kW' if limit == 'w' else 'kVA'}"


def _when(now: bool) -> str:
    return "now" if now else "at its peak"


def _gone(units: tuple[str, ...]) -> str:
    return " and ".join(units) or "the spare"


@says(Code.EVERY_LINE_PASSES)
def every_line_passes(
    *, line: int, limit: str, asked: float, remains: float, gone: tuple[str, ...], now: bool
) -> str:
    """Say what the tightest line asks and what remains: W or VA, as `limit` ("w", "va") says."""
    passing = f"With {_gone(gone)} gone every line passes in W and in VA; tightest is line {line}"
    return f"{passing}: it asks {_amount(asked, limit)} {_when(now)}, {_amount(remains, limit)} remain."


@says(Code.LINE_FAILS)
def line_fails(
    *, line: int, limit: str, asked: float, remains: float, gone: tuple[str, ...], now: bool
) -> str:
    """Say what a line asks and what remains, where that is less."""
    remain = f"with {_gone(gone)} gone {_amount(remains, limit)} remain"
    return f"Line {line} asks {_amount(asked, limit)} {_when(now)}; {remain}."


@says(Code.WITH_BANKS_UNPROVEN)
def with_banks_unproven(*, first: str, banks: tuple[str, ...]) -> str:
    """Say which banks were not shown to carry beside what is said of the units."""
    return f"{first.rstrip('.')}; {banks_named(banks)} unproven."


# ---- partners ------------------------------------------------------------------------------------------------


@says(Code.UNIT_TAKES_NOTHING)
def unit_takes_nothing(about: str, *, standing: str) -> str:
    """Say why a unit takes nothing of a partner's load."""
    return f"Unit {about} {WHY[Standing(standing)]} and takes nothing."


@says(Code.IDLE_NOT_COUNTED_ON)
def idle_not_counted_on(*, because: str) -> str:
    """Say that a unit that is not seen carrying is not counted on."""
    return f"It is not counted on: {because}"


@says(Code.PARTNER_NOT_READ)
def partner_not_read(*, name: str) -> str:
    """Say that the partner was not read."""
    return f"{name} has not been read since the start."


@says(Code.PARTNERS_RECORD_SHORT)
def partners_record_short() -> str:
    """Say that one of the two is hardly on record."""
    return "Of one of the two less than a day of load is recorded: its load now is counted."


@says(Code.PARTNERS_LOADS_NOT_KNOWN)
def partners_loads_not_known(*, here: bool, partner: str | None) -> str:
    """Say whose load is not known: this system's, the named partner's, or both."""
    whose = [*(["here"] if here else []), *([] if partner is None else [f"of {partner}"])]
    return f"The load {' and '.join(whose)} is not known on every line."


@says(Code.PARTNER_LOAD_NOT_KNOWN_NOW)
def partner_load_not_known_now(*, name: str) -> str:
    """Say that the partner's load is not known."""
    return f"The load of {name} is not known now."


def _at(now: bool) -> str:
    return "now" if now else "at the peaks of both"


@says(Code.PARTNER_LINE_UNCARRIED)
def partner_line_uncarried(*, name: str, line: int, limit: str, asked: float, now: bool) -> str:
    """Say that a line is asked that no unit feeds."""
    asks = f"line {line} asks {_amount(asked, limit)} {_at(now)}"
    return f"With the load of {name} added, {asks}, and no unit carries it."


def _both(line: int, limit: str, asked: float, carried: float, *, now: bool) -> str:
    carry = f"the units carry {carried / 1e3:.2f}"
    return f"line {line}: both ask {_amount(asked, limit)} {_at(now)}, {carry}."


@says(Code.PARTNER_LOAD_FITS)
def partner_load_fits(*, name: str, line: int, limit: str, asked: float, carried: float, now: bool) -> str:
    """Say what both ask on the tightest line, and what the units carry."""
    both = _both(line, limit, asked, carried, now=now)
    return f"The load of {name} fits on every line; tightest is {both}"


@says(Code.PARTNER_LOAD_DOES_NOT_FIT)
def partner_load_does_not_fit(
    *, name: str, line: int, limit: str, asked: float, carried: float, now: bool
) -> str:
    """Say the same where it is too much."""
    return f"The load of {name} does not fit on {_both(line, limit, asked, carried, now=now)}"


@says(Code.NOT_CHECKED_POSITIONS)
def not_checked_positions() -> str:
    """Name what of the switching is not checked."""
    return "breaker and isolator positions, synchronism, the parallel control loop and cabling"


@says(Code.NOT_CHECKED_STARTING_LOADS)
def not_checked_starting_loads() -> str:
    """Name what of the load is not checked."""
    return "loads that start only when the mains fails or returns"
