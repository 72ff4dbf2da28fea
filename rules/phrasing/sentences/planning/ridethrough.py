"""What is said of a scenario played out, and of a signed shutdown (`rules.planning.ridethrough`)."""

from __future__ import annotations

from rules.phrasing.durations import minutes
from rules.phrasing.says import says
from rules.phrasing.text import at_least, at_most, lasted
from rules.values.code import Code

# ---- what came of it -----------------------------------------------------------------------------------------


@says(Code.RIDE_ABOVE_TABLE)
def ride_above_table(*, banks: tuple[str, ...]) -> str:
    """Name the banks that are asked more than is printed of them."""
    return f"Bank {', '.join(banks)} would be asked more power than its table prints: nothing is promised."


@says(Code.RIDE_ALL_SHED)
def ride_all_shed(*, shed_s: float) -> str:
    """Say after how many s nothing is left to carry."""
    return (
        f"Everything is shed {minutes(shed_s)} after the start: a shutdown in order, carried until then. Nothing is left to "
        "ride through."
    )


@says(Code.RIDE_CARRIED)
def ride_carried(*, margin_s: float | None) -> str:
    """Say that the load is carried, with what to spare in s."""
    left = "" if margin_s is None else f", with {minutes(margin_s)} to spare at the tightest moment"
    return f"The load is carried through at the least{left}."


def _expected(of_100: int | None) -> str:
    """Say that it is carried, or in how many of 100 courses where that is not to be left out."""
    return (
        "that the load is carried through"
        if of_100 is None
        else f"no more than that it is carried through in {of_100} of 100 courses"
    )


@says(Code.RIDE_UNPROVEN)
def ride_unproven(*, of_100: int | None) -> str:
    """Say that no discharge stands behind it."""
    return f"No discharge stands behind every bank: table and age alone suggest {_expected(of_100)}, and prove nothing."


@says(Code.RIDE_SEEN_TOO_OLD)
def ride_seen_too_old(*, of_100: int | None) -> str:
    """Say that what stands behind it is old, or was short."""
    return f"What was seen of the banks is too old or too short to tell a least: to be expected is {_expected(of_100)}."


@says(Code.RIDE_LOST)
def ride_lost(*, low_s: float, back_s: float | None = None) -> str:
    """Say when the load is lost at the earliest, in s from the start; `back_s`: when the mains was back before that."""
    if back_s is not None:
        return f"The load is lost {_after_return(low_s, back_s)} at the earliest."
    return f"The load is lost {minutes(low_s)} after the start at the earliest."


def _after_return(lost_s: float, back_s: float) -> str:
    """Say when the load is lost once the mains is back, while the units have still to take it."""
    return f"{lasted(lost_s - back_s)} after the mains is back, before the units have taken it,"


@says(Code.RIDE_LOST_EXPECTED)
def ride_lost_expected(*, median_s: float, back_s: float | None = None) -> str:
    """Say when the load is expected to be lost, where no least is told, in s from the start; `back_s` as for `ride_lost`."""
    proves = "and nothing proves that it holds so long."
    if back_s is not None:
        return f"The load is expected to be lost about {_after_return(median_s, back_s)} {proves}"
    return f"The load is expected to be lost about {minutes(median_s)} after the start, and nothing proves that it holds so long."


@says(Code.RIDE_CARRIED_AT_TIMES)
def ride_carried_at_times(*, of_100: int) -> str:
    """Say how often it is carried."""
    return f"It is carried through in {of_100} of 100 courses: not enough to count on."


@says(Code.RIDE_NO_SUPPLY_BACK)
def ride_no_supply_back() -> str:
    """Say that nothing ends it."""
    return "No supply comes back within this scenario: shed, or shut down in order."


@says(Code.RIDE_FUEL_OUT)
def ride_fuel_out(*, after_s: float) -> str:
    """Say when the declared fuel is out, in s from the start."""
    return f"The generator's fuel is out {minutes(after_s)} after the start: refuel before, or the banks carry alone again."


@says(Code.RIDE_NO_UNIT)
def ride_no_unit() -> str:
    """Say that nothing carries."""
    return "No unit stands behind the load."


# ---- what it is played on ------------------------------------------------------------------------------------

_STANDS = "The load stands as given but for what the scenario adds or sheds; it may differ by 2 % as a whole."


@says(Code.LOAD_BY_RECORD)
def load_by_record(*, power_w: float, low_w: float, high_w: float) -> str:
    """Say what the record has of the hour, with its interval, in W."""
    return (
        f"The load is what the same hour of the week asked in the last weeks: {power_w / 1e3:.1f} kW ({low_w / 1e3:.1f} to "
        f"{high_w / 1e3:.1f}), at the quarter of an hour that asks most."
    )


@says(Code.LOAD_AS_GIVEN)
def load_as_given() -> str:
    """Say that the load now is played."""
    return _STANDS


@says(Code.LOAD_HOUR_NOT_ON_RECORD)
def load_hour_not_on_record() -> str:
    """Say that the load now is played for want of a record."""
    return f"No load is on record for the hour that is named: the load now is played. {_STANDS}"


@says(Code.ASSUMED_SHARING)
def assumed_sharing() -> str:
    """Say how units share."""
    return "Units share in proportion to their ratings, to about 2.5 %."


@says(Code.ASSUMED_RECHARGE)
def assumed_recharge() -> str:
    """Say how banks recharge."""
    return "Between outages, and until the start, 90 % of the hold-up comes back in 8 to 24 h, on mains and on the generator alike."


@says(Code.ASSUMED_SHED_LOADS_BACK)
def assumed_shed_loads_back() -> str:
    """Say when shed loads come back."""
    return "Loads shed by what is left come back with the supply."


@says(Code.ASSUMED_END_OF_LIFE)
def assumed_end_of_life() -> str:
    """Say what old banks give."""
    return "Banks give 80 % of their published power: the end of their life."


@says(Code.ASSUMED_LAST_TRY)
def assumed_last_try(*, tries: int) -> str:
    """Say at which try the generator starts."""
    return f"The generator starts at the last of its {tries} tries."


@says(Code.ASSUMED_NO_SET)
def assumed_no_set() -> str:
    """Say that there is no generator."""
    return "No generator is declared behind this supply."


@says(Code.CARE_READINGS_OLD)
def care_readings_old(*, age_s: float) -> str:
    """Say how old the readings are, in s."""
    return f"Its readings are {minutes(age_s)} old: what has changed since is not in it."


@says(Code.CARE_ON_BATTERY)
def care_on_battery(*, units: tuple[str, ...]) -> str:
    """Name the units that were on their banks."""
    verb = "was" if len(units) == 1 else "were"
    return (
        f"Unit {', '.join(units)} {verb} on battery when read: the banks begin with what was left of them, and the load may be "
        "that of an outage."
    )


@says(Code.CARE_IN_TEST)
def care_in_test(*, units: tuple[str, ...]) -> str:
    """Name the units that were in a test."""
    return f"Unit {', '.join(units)} tested its bank when read: the bank begins with what was left of it."


@says(Code.NOT_CHECKED_SET)
def not_checked_set() -> str:
    """Name what of the generator is not checked."""
    return "whether the generator bears the load and its steps, or the units accept its frequency"


@says(Code.NOT_CHECKED_CHANGEOVER)
def not_checked_changeover() -> str:
    """Name what of the boards is not checked."""
    return "changeover gear, breakers, feeds and their labels"


@says(Code.NOT_CHECKED_COOLING)
def not_checked_cooling() -> str:
    """Name cooling."""
    return "cooling while the mains is off, and what the heat does to loads and banks"


@says(Code.NOT_CHECKED_SINGLE_BLOCKS)
def not_checked_single_blocks() -> str:
    """Name what of the banks is not checked."""
    return "single blocks: an open cell or a corroded link shows only in a discharge"


# ---- what would carry it -------------------------------------------------------------------------------------


@says(Code.REMEDY_EVERYTHING)
def remedy_everything() -> str:
    """Say that only a shutdown helps."""
    return "Nothing less than shedding everything carries it: shut down in order before it begins, or make it shorter."


@says(Code.REMEDY_NO_GROUP)
def remedy_no_group() -> str:
    """Say that nothing can be shed."""
    return "No load group is declared that could be shed: make it shorter, or let the generator carry it."


@says(Code.REMEDY_SHED_TOO_LATE)
def remedy_shed_too_late(*, groups: tuple[str, ...], lost_s: float) -> str:
    """Say which sheds come after the load may be lost, in s from the start."""
    return f"To shed {', '.join(groups)} then is too late: shed by {minutes(lost_s)}."


@says(Code.REMEDY_NOT_ENOUGH)
def remedy_not_enough() -> str:
    """Say that all groups together do not help."""
    return (
        "All that is declared to be shed does not carry it: make it shorter, or let the generator carry it."
    )


@says(Code.REMEDY_SHED)
def remedy_shed(*, groups: tuple[str, ...], power_w: float, by_s: float) -> str:
    """Say what to shed, what that takes, and by when at the latest, in s from the start."""
    when = f"by {minutes(by_s)} after the start" if by_s >= 1.0 else "before the start"
    return f"Shed {', '.join(groups)} ({power_w / 1e3:.1f} kW) {when}, and it is carried."


# ---- a signed plan, watched ----------------------------------------------------------------------------------


@says(Code.BREACH_LOAD_NOT_KNOWN)
def breach_load_not_known() -> str:
    """Say that the load is not seen."""
    return "The load is not known: the plan cannot be watched."


@says(Code.BREACH_LOAD)
def breach_load(*, load_w: float, planned_w: float) -> str:
    """Say the load beside the planned one, in W."""
    return f"The load is {load_w / 1e3:.1f} kW; {planned_w / 1e3:.1f} kW were planned with."


@says(Code.BREACH_UNITS)
def breach_units(*, units: tuple[str, ...]) -> str:
    """Say how the units stand that are missing."""
    return f"Of the units that the plan counts on, {', '.join(units)}."


@says(Code.BREACH_OVERRUN)
def breach_overrun(*, late_s: float) -> str:
    """Say for how long the banks carry beyond the plan, in s."""
    return f"Still on the banks {minutes(late_s)} after the plan says they rest."


@says(Code.BREACH_END_NOT_KNOWN)
def breach_end_not_known() -> str:
    """Say that the end is not known."""
    return "How long the banks still hold is not known."


@says(Code.BREACH_ENDS_TOO_EARLY)
def breach_ends_too_early(*, short_s: float) -> str:
    """Say how long before supply the banks may end, in s."""
    return f"The banks may end {minutes(short_s)} before supply is planned back."


@says(Code.BREACH_MARGIN)
def breach_margin(*, spare_s: float, signed_s: float) -> str:
    """Say what is to spare beside what was signed for, in s."""
    return f"Only {minutes(spare_s)} are to spare; {minutes(signed_s)} were signed for."


# ---- foretold and happened -----------------------------------------------------------------------------------


@says(Code.ROW_LOAD)
def row_load() -> str:
    """Name the load."""
    return "load"


@says(Code.ROW_LEFT)
def row_left() -> str:
    """Name the time left."""
    return "left at the tightest moment"


@says(Code.ROW_WATCHED)
def row_watched() -> str:
    """Name the watching."""
    return "watched"


@says(Code.ROW_STRETCH)
def row_stretch(*, number: int) -> str:
    """Name a stretch, counted from 1."""
    return f"stretch {number} on the banks"


@says(Code.SAID_CARRIED)
def said_carried() -> str:
    """Say that the load is carried."""
    return "carried"


@says(Code.SAID_LOST)
def said_lost() -> str:
    """Say that the load was lost."""
    return "lost"


@says(Code.SAID_CARRIED_AS_SEEN)
def said_carried_as_seen() -> str:
    """Say that not all of it was seen."""
    return "carried as far as was seen"


@says(Code.SAID_CARRIED_WITHOUT_BANKS)
def said_carried_without_banks() -> str:
    """Say that the banks were not needed."""
    return "carried without the banks"


@says(Code.SAID_AT_LEAST)
def said_at_least(*, seconds: float) -> str:
    """Say a time that is promised."""
    return f"{at_least(seconds)} at the least"


@says(Code.SAID_LEFT)
def said_left(*, seconds: float) -> str:
    """Say a time that was left."""
    return at_least(seconds)


@says(Code.SAID_AT_MOST)
def said_at_most(*, seconds: float) -> str:
    """Say a time that is needed."""
    return f"at most {at_most(seconds)}"


@says(Code.SAID_LASTED)
def said_lasted(*, seconds: float) -> str:
    """Say how long it took."""
    return lasted(seconds)


@says(Code.SAID_NOT_KNOWN)
def said_not_known() -> str:
    """Say that it is not known."""
    return "not known"


@says(Code.SAID_NOT_HAPPENED)
def said_not_happened() -> str:
    """Say that it did not happen."""
    return "did not happen"


@says(Code.SAID_THROUGHOUT)
def said_throughout() -> str:
    """Say that it is watched all the while."""
    return "throughout"


@says(Code.SAID_NOT_FOR)
def said_not_for(*, seconds: float) -> str:
    """Say for how long nobody watched."""
    return f"not for {lasted(seconds)}"
