"""What is said in an outage beside the end of it: supplies that are back or refused, what to shed, when to start the generator."""

from __future__ import annotations

from datetime import datetime
from typing import Final, cast

from collector.simulation.plant.unit import Mode
from rules.system.state import ShedFirst
from rules.values.reason import Reason
from tests.audit.predicates import sets
from tests.audit.predicates.banks import merged, runs
from tests.audit.predicates.holding import GROSS, ROUNDING_S, moving, surprised
from tests.audit.predicates.needs import CAUTIOUS
from tests.audit.sight import ON, SEEN_WITHIN_S, TRUE, UNDECIDED, Finding, Sight, false
from tests.audit.statements import Statement

POLLS_S: Final = 16.0
"""The loss and the return of a supply, each met by a poll; one that walks in counts as fed."""
FED: Final = (Mode.NORMAL, Mode.WALKING_IN)


def hidden(sight: Sight, said: Statement, system: str, at_s: float) -> bool:
    """Return whether the end of a system cannot be held against what is said: unseen, moving, or made worse without a sign."""
    if sight.blind(sight.units_of(system), at_s - 2.0 * SEEN_WITHIN_S, said.at_s):
        return True
    return surprised(sight, system, said.until_s) or moving(sight, system, at_s - SEEN_WITHIN_S, said.at_s)


def start_set_before(sight: Sight, said: Statement) -> Finding:
    """A generator that is started at the last moment told takes the load before it drops."""
    moment = cast("datetime | None", said.value)
    if moment is None or hidden(sight, said, said.about, said.as_of_s):
        return UNDECIDED
    now = sight.world.at(said.as_of_s)
    if not all(m in (Mode.BATTERY, Mode.ENDED, Mode.ISOLATED) for m in now.modes(said.about)):
        return UNDECIDED
    plant = now.plant.systems[said.about]
    generator = now.plant.supplies[plant.supply].generator
    if generator is None:
        return false("no generator stands behind it")
    takes_s = generator.fires_after_s + generator.start_s + generator.transfer_s
    takes_s += min(u.accept_s + u.hold_off_s for u in plant.units)
    left_s = (moment - sight.began(said.at_s)).total_seconds() - said.as_of_s
    truth_s = sight.world.hold_up_s(said.about, said.as_of_s)
    if left_s + takes_s <= GROSS * truth_s + ROUNDING_S:
        return TRUE
    return false(f"in {left_s:.0f} s, it takes {takes_s:.0f} s, and {truth_s:.0f} s are left")


# ---- what to shed ------------------------------------------------------------------------------------------------


def _steps_w(reasons: object) -> float:
    return sum(float(cast("float", one["power_w"])) for one in cast("tuple[Reason, ...]", reasons))


def shed_first(sight: Sight, said: Statement) -> Finding:
    """With its steps shed at once a system holds as long as is said, and for what is wanted where that is said."""
    shed, system = cast("ShedFirst", said.value), said.about
    as_of_s = (shed.as_of - sight.began(said.at_s)).total_seconds()
    if shed.ends_earliest is None or hidden(sight, said, system, as_of_s):
        return UNDECIDED
    if not any(m is Mode.BATTERY for m in sight.world.at(as_of_s).modes(system)):
        return UNDECIDED
    truth_s = sight.world.holds_with_less_s(system, as_of_s, shed.power_w)
    then_s = (shed.ends_earliest - shed.as_of).total_seconds()
    if then_s > GROSS * truth_s + ROUNDING_S:
        return false(f"{then_s:.0f} s, truly {truth_s:.0f} s")
    if shed.reached and not shed.all_shed and truth_s < shed.wanted_s / GROSS - ROUNDING_S:
        return false(f"for {shed.wanted_s:.0f} s, truly {truth_s:.0f} s")
    return TRUE


def shed_first_told(sight: Sight, said: Statement) -> Finding:
    """The same in words, counted to the moment they are read."""
    system, value = sight.system_of(said.about), cast("Reason", said.value)
    then_s = cast("float | None", value["then_s"])
    if hidden(sight, said, system, said.at_s) or Mode.BATTERY not in sight.world.at(said.at_s).modes(system):
        return UNDECIDED
    truth_s = sight.world.holds_with_less_s(system, said.at_s, _steps_w(value["steps"]))
    if then_s is not None and then_s > GROSS * (truth_s + SEEN_WITHIN_S):
        return false(f"{then_s:.0f} s, truly {truth_s:.0f} s")
    if value["reached"] and GROSS * (truth_s + SEEN_WITHIN_S) < float(cast("float", value["wanted_s"])):
        return false(f"for {value['wanted_s']} s, truly {truth_s:.0f} s")
    return TRUE


def shed_nothing_yet(sight: Sight, said: Statement) -> Finding:
    """A system of which nothing need be shed holds for what is wanted as it is."""
    system, wanted_s = sight.system_of(said.about), float(said.value["wanted_s"])  # type: ignore[index]
    if hidden(sight, said, system, said.at_s):
        return UNDECIDED
    truth_s = sight.world.hold_up_s(system, said.at_s) + SEEN_WITHIN_S
    return (
        TRUE if GROSS * truth_s >= wanted_s else false(f"wanted are {wanted_s:.0f} s, truly {truth_s:.0f} s")
    )


def shed_all(sight: Sight, said: Statement) -> Finding:
    """A system that is to be shut down in order would not hold for what is wanted by far without shedding."""
    system, wanted_s = sight.system_of(said.about), float(said.value["wanted_s"])  # type: ignore[index]
    if hidden(sight, said, system, said.at_s):
        return UNDECIDED
    truth_s = sight.world.hold_up_s(system, said.at_s)
    if truth_s > CAUTIOUS * wanted_s + SEEN_WITHIN_S:
        return false(f"wanted are {wanted_s:.0f} s, truly {truth_s:.0f} s")
    return TRUE if truth_s < wanted_s else UNDECIDED


# ---- supplies ------------------------------------------------------------------------------------------------------


def with_left(sight: Sight, said: Statement, system: str, found: Finding) -> Finding:
    """Return a finding, or that the least which is told beside it lies over the truth."""
    left_s = cast("float | None", said.value["left_s"])  # type: ignore[index]
    if found is not TRUE or left_s is None or hidden(sight, said, system, said.at_s):
        return found
    if not any(m in ON for m in sight.world.at(said.at_s).modes(system)):
        return found
    truth_s = sight.world.hold_up_s(system, said.at_s) + SEEN_WITHIN_S
    return TRUE if left_s <= GROSS * truth_s else false(f"{left_s:.0f} s, truly {truth_s:.0f} s")


def no_supply_in_time(sight: Sight, said: Statement) -> Finding:
    """No unit of a system was fed for as long as its generator may take."""
    system = sight.system_of(said.about)
    one = Statement(said.kind, system, said.where, True, said.at_s, said.at_s, said.as_of_s)
    budget_s = float(said.value["budget_s"])  # type: ignore[index]
    if budget_s + 1.0 < sets.budget_s(sight, system):
        return false(f"within {budget_s:.0f} s, declared are {sets.budget_s(sight, system):.0f} s")
    return with_left(sight, said, system, sets.no_supply_in_time(sight, one))


def no_way_in(sight: Sight, said: Statement) -> Finding:
    """The same where a unit of another system on the supply is fed."""
    system = sight.system_of(said.about)
    supply = sight.estate.systems[system].supply
    others = tuple(
        u
        for s in sight.estate.systems.values()
        if s.supply == supply and s.id != system
        for u in sight.units_of(s.id)
    )
    found = sight.held(
        said,
        lambda now: any(now.mode(u) in FED for u in others),
        units=others,
        why="no other on its supply was fed",
    )
    return found if found is not TRUE else no_supply_in_time(sight, said)


def supply_refused(sight: Sight, said: Statement) -> Finding:
    """Voltage has stood at the input of a unit on its bank for as long as is said, and it does not take it."""
    system, stood_s = sight.system_of(said.about), float(said.value["stood_s"])  # type: ignore[index]
    units = sight.units_of(system)
    if sight.blind(units, said.at_s - stood_s - SEEN_WITHIN_S, said.at_s):
        return UNDECIDED
    supply = sight.estate.systems[system].supply
    lately = sight.world.span(said.at_s - max(stood_s - POLLS_S, 0.0), said.at_s - SEEN_WITHIN_S)
    if any(now.dead(supply) for now in lately):
        return false("nothing stood at its inputs")
    one = Statement(said.kind, system, said.where, True, said.at_s, said.at_s, said.as_of_s)
    found = sight.held(one, lambda now: Mode.BATTERY in now.modes(system), why="none was on its bank")
    return with_left(sight, said, system, found)


def supply_being_taken(sight: Sight, said: Statement) -> Finding:
    """Supply stands at its inputs, or did as it was last read."""
    system = sight.system_of(said.about)
    supply = sight.estate.systems[system].supply
    one = Statement(said.kind, system, said.where, True, said.at_s, said.at_s, said.as_of_s)
    found = sight.held(one, lambda now: not now.dead(supply), why="nothing stood at its inputs")
    return with_left(sight, said, system, found)


def end_overloads(sight: Sight, said: Statement) -> Finding:
    """Some units of a system are fed beside others on their banks; by how much each line is over is held by itself."""
    system = sight.system_of(said.about)
    one = Statement(said.kind, system, said.where, True, said.at_s, said.at_s, said.as_of_s)
    return sight.held(
        one,
        lambda now: Mode.BATTERY in now.modes(system) and any(m in FED for m in now.modes(system)),
        why="not some of its units were on their banks and others fed",
    )


def _fed(sight: Sight, units: tuple[str, ...], at: int) -> bool:
    """Return whether one of these units takes its supply at a second."""
    return any(sight.world.at(at).mode(u) in FED for u in units)


def supply_back(sight: Sight, said: Statement) -> Finding:
    """A supply that is back was gone for as long as is said: from its first unit's fall to its last one's return."""
    told, units = float(said.value["took_s"]), sight.units_of(said.about)  # type: ignore[index]
    gone = [
        at
        for at, now in enumerate(sight.world.span(0.0, said.at_s))
        if any(now.mode(u) in (Mode.BATTERY, Mode.ENDED) for u in units)
    ]
    if not gone:
        return false("it was never gone")
    ended = began = gone[-1]
    for at in reversed(gone):  # a return that no poll met is none
        if began - at > POLLS_S:
            break
        began = at
    fell = [
        at
        for at in gone
        if at >= began and (at - 1 not in gone or (_fed(sight, units, at - 1) and not _fed(sight, units, at)))
    ]
    # a supply is back with the first unit it feeds; who stays on its bank beside that has a fault of its own
    fed = [
        at
        for unit in units
        for at in range(began + 1, int(said.at_s) + 1)
        if sight.world.at(at).mode(unit) in FED and sight.world.at(at - 1).mode(unit) not in FED
    ]
    first = [at for at in fed if not _fed(sight, units, at - 1)]
    whole = said.at_s - ended <= POLLS_S + SEEN_WITHIN_S
    if any(abs(told - (back - at)) <= POLLS_S for back in ([ended] if whole else []) + first for at in fell):
        return TRUE
    blind = sight.blind(units, began - SEEN_WITHIN_S, said.at_s)
    return UNDECIDED if blind else false(f"after {told:.0f} s, truly {ended - began} s until {ended} s")


def unit_from_battery(sight: Sight, said: Statement) -> Finding:
    """A unit that left its bank had run on it as long as is said."""
    told = cast("float | None", said.value["took_s"])  # type: ignore[index]
    truths = [
        ended - began + 1
        for began, ended in merged(runs(sight, said.about))
        if began <= said.at_s <= ended + POLLS_S
    ]
    if not truths:
        return (
            UNDECIDED
            if sight.blind((said.about,), said.at_s - 30.0, said.at_s)
            else false("it did not run on it")
        )
    if told is None or any(abs(told - truth) <= POLLS_S for truth in truths):
        return TRUE
    blind = sight.blind((said.about,), said.at_s - told - 30.0, said.at_s)
    return UNDECIDED if blind else false(f"{told:.0f} s, truly {truths}")


def input_dip(sight: Sight, said: Statement) -> Finding:
    """A unit whose input is said to have gone bad fell to its bank so often since it was read before."""
    times = int(said.value["times"])  # type: ignore[index]
    seconds = sight.world.span(said.at_s - 2.0 * SEEN_WITHIN_S, said.at_s)
    place = seconds[0].plant.place_of[said.about]
    truth = seconds[-1].state.unit(place).bads - seconds[0].state.unit(place).bads
    if times <= truth:
        return TRUE
    blind = sight.blind((said.about,), said.at_s - 60.0, said.at_s)
    return UNDECIDED if blind else false(f"{times} times, truly {truth}")
