"""What is said of which loads to drop, and for what (`rules.planning.ridethrough.shedding`)."""

from __future__ import annotations

from rules.phrasing.dates import PURPOSES
from rules.phrasing.durations import minutes, minutes_up
from rules.phrasing.says import says
from rules.plant.estate import Purpose
from rules.values.code import Code


def _long(seconds: float, most_s: float) -> str:
    """Return a hold-up in words; longer than is looked (`most_s`), as such."""
    return f"{minutes(most_s)} or more" if seconds >= most_s else minutes(seconds)


@says(Code.WANTED_HOUR)
def wanted_hour() -> str:
    """Say for what it should hold where nobody declared it, as a clause."""
    return "an hour, since no need is declared"


@says(Code.WANTED_PURPOSE)
def wanted_purpose(*, purpose: str) -> str:
    """Say for what it should hold, as a clause."""
    return PURPOSES[Purpose(purpose)]


@says(Code.PLAN_BANKS_NOT_KNOWN)
def plan_banks_not_known() -> str:
    """Say that nothing can be reckoned."""
    return "Too little is known of the banks to reckon what shedding gives."


@says(Code.PLAN_AGREED_ORDER)
def plan_agreed_order(*, groups: tuple[str, ...]) -> str:
    """Name the agreed order."""
    return f"The agreed order is {', then '.join(groups)}."


@says(Code.PLAN_NOTHING_TO_SHED)
def plan_nothing_to_shed(*, holds_s: float, most_s: float) -> str:
    """Say that it holds without, in s; `most_s`: how far is looked."""
    return f"Nothing needs to be shed: it holds {_long(holds_s, most_s)} at the least."


@says(Code.PLAN_WITHOUT_SHEDDING)
def plan_without_shedding(*, holds_s: float, wanted_s: float) -> str:
    """Say what it holds without beside what is wanted, in s."""
    return f"Without shedding it holds {minutes(holds_s)} at the least; wanted are {minutes_up(wanted_s)}."


@says(Code.PLAN_NO_GROUP)
def plan_no_group() -> str:
    """Say that nothing can be shed."""
    return "No load group is declared that could be shed."


@says(Code.PLAN_TOO_LATE)
def plan_too_late(*, at_s: float, by_s: float, reached: bool) -> str:
    """Say that a moment comes too late, and which would not, in s from the loss of the supply."""
    by = f"shed by {minutes(by_s)}" if by_s >= 1.0 else "shed before the supply is lost"
    last = "" if reached else " at the latest"
    return f"Too late: at {minutes(at_s)} the load may be lost already; {by}{last}."


@says(Code.PLAN_STEPS_GIVE)
def plan_steps_give(*, groups: tuple[str, ...], holds_s: float, most_s: float) -> str:
    """Say what the steps give that leave something to hold, in s."""
    return f"Shedding {', '.join(groups)} gives {_long(holds_s, most_s)}."


@says(Code.PLAN_EVERYTHING)
def plan_everything(*, by_s: float) -> str:
    """Say that all that is left is a shutdown, and by when to begin it, in s."""
    return (
        "After that nothing is left to shed but everything: that is a shutdown in order, not a hold-up. Begin it by "
        f"{minutes(by_s)} after the supply is lost."
    )


@says(Code.PLAN_GIVES)
def plan_gives(*, power_w: float, part: float, holds_s: float, most_s: float) -> str:
    """Say what is dropped, in W and as a part of the load, and what that gives, in s."""
    return f"Shedding {power_w / 1e3:.1f} kW ({100 * part:.0f} % of the load) gives {_long(holds_s, most_s)}."


@says(Code.PLAN_STILL_SHORT)
def plan_still_short(*, short_s: float) -> str:
    """Say what lacks, in s."""
    return f"That is still short by {minutes_up(short_s)}."


@says(Code.PLAN_SHED_BY)
def plan_shed_by(*, by_s: float) -> str:
    """Say by when it is still enough, in s."""
    return f"Shed by {minutes(by_s)} it is still enough."


@says(Code.PLAN_WAITING_COSTS)
def plan_waiting_costs(*, costs_s: float) -> str:
    """Say what a minute of waiting costs, in s."""
    return f"Every minute of waiting costs about {costs_s:.0f} s of that."


@says(Code.PLAN_NOBODY_SHEDS)
def plan_nobody_sheds(*, groups: tuple[str, ...]) -> str:
    """Name the groups that nobody is declared to shed."""
    return f"Nobody is declared to shed {', '.join(groups)} (shed_by): say who does."


@says(Code.NOT_CHECKED_GROUPS)
def not_checked_groups() -> str:
    """Name what of the groups is not checked."""
    return "whether each group is really fed by this system and takes what is declared"


@says(Code.NOT_CHECKED_PROCESS)
def not_checked_process() -> str:
    """Name what of the process is not checked."""
    return "what the process needs: a load called unimportant may be needed to stop another safely"
