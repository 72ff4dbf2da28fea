"""What is said of a system on its banks, and of what to shed (`rules.alarms.conditions.outage`, `shedding`)."""

from __future__ import annotations

from typing import Final

from rules.phrasing.figures import clause
from rules.phrasing.says import Sentence, says
from rules.phrasing.text import at_least, at_most, capital, counted, fed_clause, kilowatts, lasted, listed
from rules.values.advice import Advice
from rules.values.code import Code

_OVER_S: Final = 30.0
"""So much of a time that is wanted may be over before it is said how much is to come."""
_NOBODY_CAN_S: Final = 30.0
"""A time in which nobody reads a message and walks to a breaker is not told as one that is left."""


# ---- a unit --------------------------------------------------------------------------------------------------


def _feeds(silent: bool) -> str:
    """`silent`: its card does not answer meanwhile."""
    return f"{'was last seen feeding' if silent else 'feeds'} its load from its bank"


@says(Code.ON_BATTERY_CARRIED)
def on_battery_carried(*, name: str, silent: bool) -> Sentence:
    """Say that others can carry the load."""
    return Sentence(name, f"{_feeds(silent)}; the units beside it that are fed can carry the load.")


@says(Code.ON_BATTERY_OUTLASTED)
def on_battery_outlasted(*, name: str, silent: bool) -> Sentence:
    """Say that it held longer than was foretold."""
    return Sentence(
        name, f"{_feeds(silent)}, longer than was foretold; how long it still lasts cannot be told."
    )


@says(Code.ON_BATTERY_NOT_TOLD)
def on_battery_not_told(*, name: str, silent: bool) -> Sentence:
    """Say that its end is not known."""
    return Sentence(name, f"{_feeds(silent)}; how long it lasts cannot be told.")


@says(Code.ON_BATTERY_HOLDS)
def on_battery_holds(*, name: str, silent: bool, left_s: float, reckoned: bool) -> Sentence:
    """Say how long its system holds at the least, in s; `reckoned`: its cards are silent."""
    by = ", by reckoning" if reckoned else ""
    return Sentence(name, f"{_feeds(silent)}; its system holds {at_least(left_s)} more at the least{by}.")


# ---- a system ------------------------------------------------------------------------------------------------


def _with_left(
    subject: str, rest: str, more: str, left_s: float | None, *, reckoned: bool, outlasted: bool
) -> Sentence:
    """Return a sentence followed by how long it holds: unknown where None, or past what was foretold."""
    if outlasted:
        longer = "It has held longer than was foretold; how long it still holds cannot be told."
        return Sentence(subject, f"{rest} {longer}", "", more)
    if left_s is None:
        return Sentence(subject, rest, "", more)
    how = " (reckoned: its cards are silent)" if reckoned else ""
    return Sentence(subject, rest, f"It holds {at_least(left_s)} more at the least{how}.", more)


@says(Code.ENDS_SOON)
def ends_soon(
    *,
    name: str,
    left_s: float | None,
    reckoned: bool,
    outlasted: bool,
    fed: int,
    units: int,
    others_fed: int,
    surely: bool = True,
) -> Sentence:
    """Say that the load is dropped soon, or may be; `fed` of its `units` are fed, or others on its supply."""
    clause = fed_clause(fed, units, others_fed)
    some = f"{capital(clause)}." if clause else ""
    rest = "drops its load soon." if surely else "may drop its load soon."
    return _with_left(name, rest, some, left_s, reckoned=reckoned, outlasted=outlasted)


@says(Code.SET_STARTS_FAILED)
def set_starts_failed(
    *, name: str, generator: str, starts: int, left_s: float | None, reckoned: bool, outlasted: bool
) -> Sentence:
    """Say how many starts failed by the clock."""
    rest = f"{counted(starts, 'start')} of {generator} should have brought supply by now, and {name} is on its banks."
    return _with_left("", rest, "", left_s, reckoned=reckoned, outlasted=outlasted)


@says(Code.NO_SUPPLY_IN_TIME)
def no_supply_in_time(
    *, name: str, generator: str, budget_s: float, left_s: float | None, reckoned: bool, outlasted: bool
) -> Sentence:
    """Say that the generator's time has passed, in s."""
    rest = f"No supply for {name} within the {at_most(budget_s)} allowed for {generator}."
    return _with_left("", rest, "", left_s, reckoned=reckoned, outlasted=outlasted)


@says(Code.NO_WAY_IN)
def no_way_in(
    *,
    name: str,
    generator: str,
    budget_s: float,
    fed: int,
    units: int,
    others_fed: int,
    left_s: float | None,
    reckoned: bool,
    outlasted: bool,
) -> Sentence:
    """Say the same where others on the supply are fed."""
    within = f"within the {at_most(budget_s)} allowed for {generator}"
    rest = f"No supply for {name} {within}, though {fed_clause(fed, units, others_fed)}."
    return _with_left("", rest, "", left_s, reckoned=reckoned, outlasted=outlasted)


@says(Code.SUPPLY_REFUSED)
def supply_refused(
    *, name: str, stood_s: float, left_s: float | None, reckoned: bool, outlasted: bool
) -> Sentence:
    """Say for how long voltage has stood at inputs that do not take it, in s."""
    rest = f"has had voltage at its inputs for {lasted(stood_s)} and does not take it."
    return _with_left(name, rest, "", left_s, reckoned=reckoned, outlasted=outlasted)


@says(Code.SUPPLY_BEING_TAKEN)
def supply_being_taken(*, name: str, left_s: float | None) -> Sentence:
    """Say that a supply stands at every input and is about to be taken, and how long the banks hold meanwhile, in s."""
    rest = "has supply at the inputs of all that run on their banks, and is about to take it."
    return _with_left(name, rest, "", left_s, reckoned=False, outlasted=False)


# ---- what to do first; what to shed follows where that is reckoned --------------------------------------------


def _then(first: str, rest: str, shed: str | None) -> Advice:
    return Advice(first, f"{rest} {shed}" if shed else rest)


@says(Code.DO_SEE_IT_TAKEN)
def do_see_it_taken(*, within_s: float) -> Advice:
    """Say what to do while a supply that is there is about to be taken, within so many s."""
    first = f"See that what runs on its bank takes the supply within {at_most(within_s)}"
    return Advice(first, "; if it does not, look at its input breaker and display.")


@says(Code.DO_START_SET_AND_SHUT_DOWN)
def do_start_set_and_shut_down(*, shed: str | None) -> Advice:
    """Say what to do where the end is near and a generator stands behind."""
    return _then("Start the generator by hand", "; shut down in order what can be.", shed)


@says(Code.DO_SHUT_DOWN_IN_ORDER)
def do_shut_down_in_order(*, shed: str | None) -> Advice:
    """Say what to do where the end is near and no generator helps."""
    return _then("Shut down in order what can be", ".", shed)


@says(Code.DO_START_SET_BY_HAND)
def do_start_set_by_hand(*, shed: str | None, hand_s: float | None = None) -> Advice:
    """Say what to do where the generator did not come; a start by hand takes `hand_s` as declared."""
    return _then("Go to the generator and start it by hand", _takes(hand_s), shed)


@says(Code.DO_LOOK_AT_BREAKERS)
def do_look_at_breakers(*, shed: str | None) -> Advice:
    """Say what to do where others are fed."""
    return _then("Look at the breakers between the supply and this system", ": others on it are fed.", shed)


@says(Code.DO_LOOK_AT_DISPLAYS)
def do_look_at_displays(*, shed: str | None) -> Advice:
    """Say what to do where supply is refused."""
    first = "Look at what the units' displays say of their input"
    return _then(first, ": volts, frequency, breakers; have the generator checked.", shed)


@says(Code.DO_SEND_TO_SET)
def do_send_to_set(*, shed: str | None, hand_s: float | None = None) -> Advice:
    """Say what to do where the starts failed; a start by hand takes `hand_s` as declared."""
    first = "Send somebody to the generator now"
    rest = ": start battery, fuel valve, then the key to manual"
    takes = _takes(hand_s).lstrip(":. ")
    return _then(first, f"{rest}. {capital(takes)}" if takes else f"{rest}.", shed)


def _takes(hand_s: float | None) -> str:
    """Return how long a start by hand takes until it carries, as the end of a sentence."""
    return "." if hand_s is None else f": that takes {at_most(hand_s)} until it carries, with the way there."


@says(Code.DO_SEE_SET_RUNS)
def do_see_set_runs(*, hand_s: float, within_s: float | None) -> Advice:
    """Say what to do while the generator may come by itself; `within_s`: how long is left to set out for it, None: none."""
    first = "See that the generator runs and carries"
    hand = f"a start by hand takes {at_most(hand_s)} until it carries, with the way there"
    if within_s is None:
        return Advice(first, f"; {hand}, and comes too late: shed load, or shut down in order in good time.")
    return Advice(first, f"; if not, send somebody within {at_least(within_s)}: {hand}.")


@says(Code.DO_TAKE_SET_ON_LOAD)
def do_take_set_on_load(*, carries: bool, shed: str | None) -> Advice:
    """Say what to do where the site says that its generator runs, and nothing of it is seen at the inputs."""
    if carries:
        first = "Look at the breakers between the generator and this system"
        return _then(first, ": the site says that it runs and carries, and no input has voltage.", shed)
    said = ": the site says that it runs and does not carry. If it does not take the load, see why at its breaker."
    return _then("Throw the changeover to the generator", said, shed)


@says(Code.DO_WITHOUT_SET)
def do_without_set(
    *, hand_s: float, left_s: float, most_s: float | None, helps: bool, shed: str | None
) -> Advice:
    """Say what to do where somebody who sets out now starts the generator too late; all in s.

    `most_s`: how long it may hold at the most, where that would be long enough. `helps`: what is to be shed makes it so.
    """
    takes = f"a start by hand takes {at_most(hand_s)} until it carries, with the way there"
    holds = f"it holds {at_least(left_s)} more at the least"
    if helps:
        return _then("Shed load and send somebody to the generator now", f": {takes}, and {holds}.", shed)
    if most_s is not None:
        first = "Send somebody to the generator now, and shut down in order what can be"
        return _then(first, f": {takes}, {holds} and {at_least(most_s)} at the most.", shed)
    first = "Shut down in order what can be"
    return _then(first, f": it is too late to start the generator by hand, {takes}, and {holds}.", shed)


@says(Code.LINE_OVER)
def line_over(*, line: int, over: float, limit: str) -> str:
    """Name a line and what is too much on it, in W or VA, as a clause."""
    amount = kilowatts(over) if limit == "w" else kilowatts(over).replace("kW", "kVA")
    return f"{amount} on line {line}"


@says(Code.END_OVERLOADS)
def end_overloads(*, units: int, lines: tuple[str, ...]) -> str:
    """Say by how much the units that are fed are overloaded once the banks of `units` others end."""
    whose = "its bank ends" if units == 1 else "their banks end"
    return f"When {whose}, the units that are fed have to carry {listed(lines)} too much."


@says(Code.DO_RELIEVE_LINES)
def do_relieve_lines(
    *, lines: tuple[str, ...], within_s: float | None, steps: tuple[str, ...], enough: bool
) -> Advice:
    """Say what is to go from which lines, by what, and within how many s; None: that is not known."""
    when = (
        "before the bank ends"
        if within_s is None
        else f"within {at_least(within_s)}"
        if within_s >= _NOBODY_CAN_S
        else "now"
    )
    by = "" if not steps else f": {_in_order(steps)}" + ("" if enough else ", which is not enough")
    none = "" if steps else ": no load group is declared that could be shed there"
    return Advice(
        f"Shed {listed(lines)} {when}",
        f"{by}{none}. And look at the input breaker and the display of what runs on its bank; others on its supply are fed.",
    )


# ---- what to shed --------------------------------------------------------------------------------------------


def _in_order(steps: tuple[str, ...]) -> str:
    return ", then ".join(steps)


def _wanted(wanted_for: str, wanted_s: float, of_s: float | None) -> str:
    """Say for what it should hold and for how long; of what was asked before, how much is to come."""
    if of_s is None or of_s - wanted_s < _OVER_S:
        return f"{wanted_for} ({at_most(of_s or wanted_s)})"
    return f"{wanted_for} ({at_most(of_s)}, {at_most(wanted_s)} of it to come)"


@says(Code.SHED_STEP)
def shed_step(about: str, *, power_w: float, by: str | None) -> str:
    """Name a load group, what it takes, and who drops it, as a clause."""
    return f"{about}, {kilowatts(power_w)}" + (f" (by {by})" if by else "")


@says(Code.SHED_NOT_TOLD)
def shed_not_told(*, steps: tuple[str, ...]) -> str:
    """Name the agreed order where nothing better is known, or say that none is declared."""
    if not steps:
        return "What shedding gives cannot be told, and no order to shed in is declared: shed what can be spared."
    return f"What shedding gives cannot be told; shed in the agreed order: {_in_order(steps)}."


@says(Code.SHED_NOTHING_YET)
def shed_nothing_yet(*, wanted_for: str, wanted_s: float, of_s: float | None = None) -> str:
    """Say that it holds without."""
    return f"Nothing needs to be shed yet: it holds for {_wanted(wanted_for, wanted_s, of_s)}."


@says(Code.SHED_BEING_RECKONED)
def shed_being_reckoned(*, wanted_for: str, wanted_s: float, of_s: float | None = None) -> str:
    """Say that an answer is on its way."""
    return (
        f"It may not hold for {_wanted(wanted_for, wanted_s, of_s)} any more; what to shed is being reckoned."
    )


@says(Code.SHED_NO_GROUP)
def shed_no_group(*, wanted_for: str, wanted_s: float, of_s: float | None = None) -> str:
    """Say that nothing can be shed."""
    return f"It does not hold for {_wanted(wanted_for, wanted_s, of_s)}, and no load group is declared that could be shed."


@says(Code.SHED_ALL)
def shed_all(*, steps: tuple[str, ...], wanted_for: str, wanted_s: float, of_s: float | None = None) -> str:
    """Say that all is to be shut down."""
    wanted = _wanted(wanted_for, wanted_s, of_s)
    return f"Shut down in order, {_in_order(steps)}: shedding less does not hold for {wanted}."


@says(Code.SHED_TOO_LATE)
def shed_too_late(
    *, steps: tuple[str, ...], wanted_for: str, wanted_s: float, of_s: float | None = None
) -> str:
    """Say that shedding comes too late."""
    wanted = _wanted(wanted_for, wanted_s, of_s)
    return f"It is too late to shed for {wanted}: shut down in order, {_in_order(steps)}."


@says(Code.SHED_FIRST)
def shed_first(
    *,
    steps: tuple[str, ...],
    then_s: float | None,
    within_s: float | None,
    reached: bool,
    wanted_for: str,
    wanted_s: float,
) -> str:
    """Say what to shed, how long it then holds, and within how long that is still enough; in s."""
    text = f"Shed first {_in_order(steps)}"
    if then_s is not None:
        text += f": it then holds {at_least(then_s)} at the least"
    if within_s is not None:
        soon = within_s < _NOBODY_CAN_S
        text += (
            "; shed at once, it is only just enough"
            if soon
            else f"; shed within {at_least(within_s)} it is still enough"
        )
    return f"{text}." if reached else f"{text}, not the {at_most(wanted_s)} still wanted for {wanted_for}."


@says(Code.SHED_NOT_SINCE)
def shed_not_since(*, shed: str, ago_s: float, why: str) -> str:
    """Say what was to be shed, how long ago that was reckoned, in s, and why not since."""
    return f"{shed} Reckoned {at_most(ago_s)} ago and not since: {clause(why)}."


# ---- a supply, and a unit that does not do as the others on it (`rules.alarms.conditions.supply`)


@says(Code.MAINS_LOST)
def mains_lost(*, name: str) -> str:
    """Say that a supply is gone."""
    return f"Mains lost at {name}."


@says(Code.SUPPLY_BACK)
def supply_back(*, name: str, took_s: float) -> str:
    """Say that a supply is back; whether mains or a generator feeds it, RFC 1628 does not say."""
    return f"Supply is back at {name} after {lasted(took_s)}; whether mains or a generator, the cards do not say."


@says(Code.NOT_ON_BATTERY)
def not_on_battery(*, name: str, others: int) -> Sentence:
    """Say that a unit does not go to its bank with the others."""
    verb = "is" if others == 1 else "are"
    beside = counted(others, "other")
    return Sentence(name, f"has no mains and is not on its bank, while {beside} on its supply {verb}.")


@says(Code.STILL_ON_BATTERY)
def still_on_battery(*, name: str, others: int) -> Sentence:
    """Say that a unit does not come back with the others."""
    return Sentence(name, f"still runs on its bank while {counted(others, 'other')} on its supply came back.")
