"""What is said of how long a system holds, and whether that is enough (`rules.system.hold_up`, `requirements`)."""

from __future__ import annotations

from datetime import date
from math import ceil

from rules.phrasing.dates import PURPOSES, day_words
from rules.phrasing.durations import compared, minutes, minutes_up
from rules.phrasing.figures import banks_named, capital, clause
from rules.phrasing.says import says
from rules.phrasing.text import lasted
from rules.plant.estate import Purpose
from rules.values.code import Code
from rules.values.verdict import Verdict

# ---- what is not known ---------------------------------------------------------------------------------------


@says(Code.UNIT_NOT_TOLD)
def unit_not_told(about: str) -> str:
    """Say that a card does not tell what its unit does."""
    return f"What unit {about} is doing cannot be told from its card."


@says(Code.UNIT_RATING_NOT_KNOWN)
def unit_rating_not_known(about: str) -> str:
    """Say that a rating is not known."""
    return f"The rating of unit {about} is not known."


@says(Code.LOAD_NOT_KNOWN_ON_LINES)
def load_not_known_on_lines() -> str:
    """Say that a line's load is not known."""
    return "The load is not known on every line."


@says(Code.UNIT_WITHOUT_BANK)
def unit_without_bank(about: str) -> str:
    """Say that nothing is declared behind a unit."""
    return f"No bank is declared behind unit {about}."


@says(Code.VA_NOT_KNOWN_ON_LINES)
def va_not_known_on_lines() -> str:
    """Say that volt-amperes are not known."""
    return "Volt-amperes are not known on every line: overload is judged in watts alone."


@says(Code.RESTING_UNITS_COUNTED_ON)
def resting_units_counted_on() -> str:
    """Say what is counted on."""
    return "Units that rest are counted on to carry when the mains fails."


@says(Code.BANKS_NOT_JUDGED_YET)
def banks_not_judged_yet(*, banks: tuple[str, ...]) -> str:
    """Say which banks were not judged since the start."""
    names = banks_named(banks)
    verb = "has" if len(banks) == 1 else "have"
    return f"{names[0].upper()}{names[1:]} {verb} not been judged yet since the start."


@says(Code.BANK_WITHOUT_TABLE)
def bank_without_table(about: str) -> str:
    """Say that a bank cannot be judged."""
    return f"Neither a run time table nor a rated capacity is known for bank {about}."


@says(Code.LOAD_ON_BYPASS)
def load_on_bypass() -> str:
    """Say that nothing stands behind the load."""
    return "The load is on bypass: if the mains fails now it is lost at once."


@says(Code.NO_LOAD_TO_HOLD)
def no_load_to_hold() -> str:
    """Say that nothing is asked."""
    return "There is no load to hold."


@says(Code.BANKS_BEING_CHARGED)
def banks_being_charged(*, full_low_s: float | None) -> str:
    """Say that banks are not full, and what they would hold full at the least, in s."""
    least = "" if full_low_s is None else f"; full they would hold {minutes(full_low_s)} at the least"
    return f"The banks are not full: holding is reckoned from what they hold now{least}."


def _rests(generic: bool) -> str:
    return "a typical curve and age" if generic else "table and age"


def _about(median_s: float, at_end: bool) -> str:
    """Say what is to be expected where nothing was seen: no figure where it is the end of an assumed life."""
    return "that they may be at their end" if at_end else f"about {minutes(median_s)}"


@says(Code.BANKS_UNSEEN)
def banks_unseen(*, banks: tuple[str, ...], generic: bool, median_s: float | None, at_end: bool) -> str:
    """Say of which banks nothing was seen, and what is to be expected of the system, in s."""
    rests = _rests(generic)
    about = "" if median_s is None else f" {capital(rests)} alone suggest {_about(median_s, at_end)}."
    return f"No discharge of {banks_named(banks)} tells enough yet.{about}"


def _seen(banks: tuple[str, ...], lately_s: float | None) -> str:
    """Say why what was seen of banks tells no least: too long ago, or of late for so many s only."""
    if lately_s is None:
        return f"What was seen of {banks_named(banks)} is too old to tell a least"
    return (
        f"What was seen of {banks_named(banks)} of late, {minutes(lately_s)} of carrying, is too short to tell a least, and what "
        "went before is too old"
    )


@says(Code.BANKS_SEEN_TOO_LONG_AGO)
def banks_seen_too_long_ago(*, banks: tuple[str, ...]) -> str:
    """Say of which banks too long ago."""
    return f"{_seen(banks, None)}: banks like it may have ended since."


@says(Code.BANKS_SEEN_TOO_BRIEFLY)
def banks_seen_too_briefly(*, banks: tuple[str, ...], lately_s: float) -> str:
    """Say of which banks too little was seen of late, in s of carrying."""
    return f"{_seen(banks, lately_s)}."


@says(Code.OVERLOADS_ONE_LOST)
def overloads_one_lost(about: str, *, line: int, share: float) -> str:
    """Say what the units left are asked on a line, as a part of what they may carry, with one unit lost."""
    asked = f"L{line} is asked {ceil(100.0 * share)} % of what the units left may carry"
    return f"Overload with unit {about} lost: {asked}; they trip, whatever their banks hold."


def _with(lost: tuple[str, ...]) -> str:
    return f" with unit {' '.join(lost)} lost" if lost else ""


@says(Code.BANK_OUT_OF_REACH)
def bank_out_of_reach(about: str, *, lost: tuple[str, ...], shortest_s: float) -> str:
    """Say that a load lies far above a bank's table, which starts at so many s."""
    starts = f"its table starts at {shortest_s / 60.0:.3g} min"
    return f"How long bank {about} holds{_with(lost)} cannot be told: {starts}, far under this load."


@says(Code.BANK_BEYOND_TABLE)
def bank_beyond_table(about: str, *, lost: tuple[str, ...], shortest_s: float) -> str:
    """Say that a load lies above a bank's table, which starts at so many s."""
    starts = f"its table starts at {shortest_s / 60.0:.3g} min"
    return f"Bank {about}{_with(lost)}: {starts}; beyond it the time is carried on by physics, and wide."


@says(Code.HOLD_UP_NOT_RECKONED)
def hold_up_not_reckoned() -> str:
    """Say that it was not reckoned yet."""
    return "Hold-up has not been reckoned yet."


@says(Code.HOLD_UP_RECKONED_LONG_AGO)
def hold_up_reckoned_long_ago(*, over_s: float) -> str:
    """Say that it was reckoned over so many s ago."""
    return f"Hold-up was last reckoned over {over_s / 60.0:.0f} min ago: too long ago to count."


@says(Code.HOLD_UP_NOT_KNOWN)
def hold_up_not_known() -> str:
    """Say that it is not known."""
    return "The hold-up is not known."


# ---- what is required ----------------------------------------------------------------------------------------


@says(Code.NO_GENERATOR_DECLARED)
def no_generator_declared() -> str:
    """Say that there is no generator to wait for."""
    return "No generator is declared behind this supply."


@says(Code.HAND_START_NOT_DECLARED)
def hand_start_not_declared(*, generator: str) -> str:
    """Say that a start by hand has no time."""
    return f"How long a start of {generator} by hand takes is not declared (hand_start_s)."


@says(Code.TIME_NOT_DECLARED)
def time_not_declared(*, purpose: str) -> str:
    """Say that a purpose has no time."""
    return f"How long {PURPOSES[Purpose(purpose)]} takes is not declared (required_s)."


@says(Code.NO_LOAD_TO_JUDGE_BY)
def no_load_to_judge_by() -> str:
    """Say that nothing is asked."""
    return "There is no load: nothing to hold, and nothing to judge by."


@says(Code.LOAD_IS_OFF)
def load_is_off() -> str:
    """Say that nothing feeds a load."""
    return "Every unit feeds nothing: the load is off."


@says(Code.TABLES_NOT_KNOWN)
def tables_not_known() -> str:
    """Say that a bank cannot be judged."""
    return "Neither a run time table nor a rated capacity is known for a bank."


def _wanted(need_w: float, wanted_s: float, months: int) -> str:
    return f"{need_w / 1e3:.1f} kW for {wanted_s:.0f} s within {months} months"


@says(Code.WHEN_LAST_TOLD)
def when_last_told(*, ago_s: float, verdict: str, because: tuple[str, ...]) -> str:
    """Say what was told of a need last, `ago_s` ago, while it cannot be told now."""
    met = "it was met" if verdict == Verdict.ADEQUATE.value else "it was not met"
    why = "".join(f": {clause(one)}" for one in because)
    return f"When it could be told last, {lasted(ago_s)} ago, {met}{why}."


@says(Code.NEVER_SHOWN_TO_CARRY)
def never_shown_to_carry(about: str, *, need_w: float, wanted_s: float, months: int) -> str:
    """Say that a bank was never shown to carry."""
    wanted = _wanted(need_w, wanted_s, months)
    return f"Bank {about} was never shown to carry it: no discharge of {wanted} is on record."


@says(Code.CARRIES_TOO_SHORT_YET)
def carries_too_short_yet(about: str, *, power_w: float, for_s: float, need_w: float, wanted_s: float) -> str:
    """Say what a bank carries at this moment, and what of that shows that it does."""
    carried = f"{power_w / 1e3:.1f} kW for {for_s:.0f} s so far"
    return f"Bank {about} carries {carried}; {need_w / 1e3:.1f} kW for {wanted_s:.0f} s show that it can."


@says(Code.SHOWN_TO_CARRY_LONG_AGO)
def shown_to_carry_long_ago(about: str, *, shown: date, need_w: float, wanted_s: float, months: int) -> str:
    """Say when a bank was shown to carry last, by the site's clock."""
    wanted = _wanted(need_w, wanted_s, months)
    return f"Bank {about} was last shown to carry on {day_words(shown)}; wanted is {wanted}."


@says(Code.SHOWN_TO_CARRY_TOO_LITTLE)
def shown_to_carry_too_little(
    about: str, *, power_w: float, for_s: float, need_w: float, wanted_s: float, months: int
) -> str:
    """Say what a bank was shown to carry."""
    shown = f"{power_w / 1e3:.1f} kW for {for_s:.0f} s only"
    return f"Bank {about} was shown to carry {shown}; wanted is {_wanted(need_w, wanted_s, months)}."


# ---- what is to be expected, and what is promised -------------------------------------------------------------


def _proves_nothing(
    time: str,
    median_s: float,
    needed_s: float,
    one_lost: bool,
    trips: bool,
) -> str:
    with_lost = " with one unit lost" if one_lost else ""
    until = ", until the units left trip by overload" if trips else ""
    verb = "reaches" if median_s >= needed_s else "does not reach"
    return f"{time}{with_lost}{until}, which {verb} the {minutes_up(needed_s)} needed but proves nothing."


@says(Code.EXPECTED_THOUGH_SEEN)
def expected_though_seen(
    *,
    banks: tuple[str, ...],
    lately_s: float | None,
    median_s: float,
    needed_s: float,
    one_lost: bool,
    trips: bool,
) -> str:
    """Say what is to be expected where what was seen of the banks named tells no least."""
    why = _seen(banks, lately_s) if banks else "Too long has passed since these banks were judged"
    time = f"about {minutes(median_s)}"
    return f"{why}; to be expected is {_proves_nothing(time, median_s, needed_s, one_lost, trips)}"


@says(Code.EXPECTED_BEYOND_TABLE)
def expected_beyond_table(*, low_s: float, median_s: float, needed_s: float, one_lost: bool) -> str:
    """Say between what the time lies that no table prints, and what is needed of it."""
    held, needed = compared(low_s, needed_s)
    with_lost = "With one unit lost" if one_lost else "At this load"
    return (
        f"{with_lost} it holds {held} at the least and {minutes(median_s)} as is to be expected; needed are {needed}, so it may hold "
        "and may not."
    )


@says(Code.EXPECTED_UNSEEN)
def expected_unseen(
    *,
    banks: tuple[str, ...],
    generic: bool,
    median_s: float,
    at_end: bool,
    needed_s: float,
    one_lost: bool,
    trips: bool,
) -> str:
    """Say what is to be expected where nothing was seen, of the banks named."""
    why = (
        f"No discharge of {banks_named(banks)} tells enough yet" if banks else "No discharge tells enough yet"
    )
    proves = _proves_nothing(_about(median_s, at_end), median_s, needed_s, one_lost, trips)
    return f"{why}; {_rests(generic)} alone suggest {proves}"


@says(Code.HOLDS)
def holds(*, held_s: float, needed_s: float) -> str:
    """Say what holds and what is needed, in s."""
    held, needed = compared(held_s, needed_s)
    return f"Holds {held} at the least, needs {needed}."


@says(Code.HOLDS_TOO_SHORT)
def holds_too_short(*, held_s: float, needed_s: float) -> str:
    """Say by how much it is short."""
    short = minutes_up(needed_s - held_s)
    return f"Holds {minutes(held_s)} at the least, needs {minutes_up(needed_s)}: short by {short}."


@says(Code.HOLDS_ONE_LOST)
def holds_one_lost(*, held_s: float, needed_s: float, worst: str | None, all_s: float | None) -> str:
    """Say what holds with the worst unit lost, and with all of them."""
    lost = f"with unit {worst} lost" if worst else "with one unit lost"
    all_units = "" if all_s is None else f"; with all units {minutes(all_s)}"
    held, needed = compared(held_s, needed_s)
    return f"Holds {held} at the least {lost}{all_units}; needs {needed}."


@says(Code.HOLDS_WITH_ALL)
def holds_with_all(*, held_s: float, needed_s: float) -> str:
    """Say that it is enough with all units."""
    held, needed = compared(held_s, needed_s)
    return f"With all units it holds {held} at the least and needs {needed}: enough."


@says(Code.FAILS_ONE_LOST)
def fails_one_lost(
    *, units: tuple[str, ...], held_s: float, needed_s: float, expected_s: float | None = None
) -> str:
    """Name the units whose loss it does not bear; or may not, where what is to be expected (`expected_s`) would be enough."""
    short = minutes_up(needed_s - held_s)
    one = " or ".join(units) or "one"
    if expected_s is not None and expected_s >= needed_s:
        return (
            f"Only with unit {one} lost it may fail: {minutes(held_s)} at the least, short by {short}, and "
            f"{minutes(expected_s)} to be expected."
        )
    return f"Only with unit {one} lost it fails: {minutes(held_s)}, short by {short}."


@says(Code.FAILS_WITH_ALL)
def fails_with_all(*, held_s: float, needed_s: float, expected_s: float | None = None) -> str:
    """Say that it is not enough with all units; or may be not, where what is to be expected (`expected_s`) would be."""
    needs = minutes_up(needed_s)
    if expected_s is not None and expected_s >= needed_s:
        return (
            f"May fail with all units in service: {minutes(held_s)} at the least and {minutes(expected_s)} to be expected, "
            f"needs {needs}."
        )
    return f"Fails with all units in service: {minutes(held_s)} at the least, needs {needs}."


@says(Code.HOLDS_WITH_ONE_LOST)
def holds_with_one_lost(*, held_s: float, lost: str | None) -> str:
    """Say what holds with one unit lost, the worst, or `lost` where the worst is not told."""
    return f"With {lost or 'one'} lost it holds {minutes(held_s)}."
