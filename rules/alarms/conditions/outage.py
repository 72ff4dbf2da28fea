"""What is to be told of a system on its banks: the end that comes near, and the generator that does not come."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Final

from rules.alarms.catalogue import BESIDE_FED, AlarmKind
from rules.alarms.conditions.condition import Condition, Was
from rules.alarms.conditions.deadline import deadline
from rules.alarms.conditions.generators import see_it_runs, set_advice
from rules.alarms.conditions.shedding import relieve, shed_reason
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.lifecycle.course import Observation, as_it_comes
from rules.alarms.take_up import take_up_s
from rules.plant.estate import Estate, Generator, Purpose
from rules.system.state import OnBattery, SystemState
from rules.values.code import Code
from rules.values.reason import Reason, advised, reason

SUPPLY_GRACE_S: Final = 10.0
"""How long past its budget a generator may be before that is an alarm."""


def time_left_s(outage: OnBattery | None, at: datetime) -> float | None:
    """Return the cautious time left at a moment, never below 0; None when not on battery or not known."""
    if outage is None or outage.ends_earliest is None:
        return None
    return max((outage.ends_earliest - at).total_seconds(), 0.0)


def on_battery_reason(name: str, outage: OnBattery | None, at: datetime, *, silent: bool = False) -> Reason:
    """Return what is said of a unit on its bank, counted to `at`; `silent`: its card does not answer meanwhile."""
    left_s = time_left_s(outage, at)
    if outage is not None and outage.carried:
        return reason(Code.ON_BATTERY_CARRIED, name=name, silent=silent)
    if outage is not None and outage.outlasted is not None:
        return reason(Code.ON_BATTERY_OUTLASTED, name=name, silent=silent)
    if left_s is None:
        return reason(Code.ON_BATTERY_NOT_TOLD, name=name, silent=silent)
    reckoned = silent or (outage is not None and outage.reckoned_since is not None)
    return reason(Code.ON_BATTERY_HOLDS, name=name, silent=silent, left_s=left_s, reckoned=reckoned)


def on_battery_do(system: str, outage: OnBattery | None, at: datetime) -> Reason | None:
    """Return what to do of a unit on its bank where that is something else than the catalogue says."""
    if outage is None:
        return None
    if outage.taking(at):
        return see_it_taken(outage, at)
    beside = relieve(system, outage, at) or (advised(BESIDE_FED) if outage.fed else None)
    return beside or see_it_runs(outage, at)


def see_it_taken(outage: OnBattery, at: datetime) -> Reason | None:
    """Return what to do while a system is about to take a supply that is there."""
    if outage.takes_by is None:
        return None
    return reason(Code.DO_SEE_IT_TAKEN, within_s=max((outage.takes_by - at).total_seconds(), 0.0))


SURELY_SOON_S: Final = 1200.0
"""With its latest end farther away than this, twice what is soon (`ends_soon` of the catalogue), a system may drop its load soon: its
banks are too little known to say that it does."""
TAKING: Final = frozenset({"ends_soon", "no_supply_in_time"})
"""Alarms that, while the supply is about to be taken, are not raised, and of which it is said where they stand."""


def taking_words(state: SystemState, at: datetime) -> tuple[Reason, Reason | None] | None:
    """Return what is so and what to do of an alarm of `TAKING` that stands while the supply is about to be taken."""
    outage = state.on_battery
    if outage is None or not outage.taking(at):
        return None
    what = reason(Code.SUPPLY_BEING_TAKEN, state.id, name=state.name, left_s=time_left_s(outage, at))
    return what, see_it_taken(outage, at)


def words_at(
    alarm: Alarm, state: SystemState | None, estate: Estate, catalogue: Mapping[str, AlarmKind], at: datetime
) -> tuple[Reason | None, Reason | None]:
    """Return what is so and what to do of an alarm as they are at a moment, with how often it came where it comes and goes."""
    what, do = _counted_to(alarm, state, estate, catalogue, at)
    return as_it_comes(alarm, what), do


def _counted_to(
    alarm: Alarm, state: SystemState | None, estate: Estate, catalogue: Mapping[str, AlarmKind], at: datetime
) -> tuple[Reason | None, Reason | None]:
    """What counts down counts to the moment.

    An alarm keeps the words of the last look at its condition, some seconds ago; whoever reads it beside the time left
    must find one figure. Of any other alarm, and of one that is over, its own words.
    """
    kept = alarm.what, alarm.do
    outage = None if state is None else state.on_battery
    if state is None or outage is None or not alarm.standing or alarm.over:
        return kept
    if alarm.kind == "on_battery":
        name = f"unit {alarm.about} ({state.name})"
        what = on_battery_reason(name, outage, at, silent=alarm.condition is None)
        return what, on_battery_do(state.id, outage, at) or alarm.do
    if alarm.kind == "banks_unproven":
        told_now = outage.ends_earliest is not None
        return (reason(Code.BANKS_BEING_PROVEN, state.id, name=state.name), None) if told_now else kept
    words = taking_words(state, at) if alarm.kind in TAKING else None
    if words is not None:
        return words
    found = outage_conditions(state, estate, catalogue["ends_soon"], was=lambda _kind, _which: True, at=at)
    seen = next((one.seen for one in found if (one.kind, one.about) == (alarm.kind, alarm.about)), None)
    if seen is None or not seen.present:
        return kept
    return seen.what or alarm.what, seen.do or advised(catalogue[alarm.kind].do)


def outage_conditions(
    state: SystemState, estate: Estate, ends_soon: AlarmKind, *, was: Was, at: datetime
) -> Iterator[Condition]:
    """Yield every condition of a system that is on its banks; off them, that none is present.

    What counts down counts to `at`, the moment this is said, however old the last reading is.
    """
    outage = state.on_battery
    if outage is None:
        clear = None if state.as_of is None else False
        for kind in ("ends_soon", "starts_failed", "no_supply_in_time"):
            yield Condition(kind, state.id, Observation(clear))
        return
    yield _ends_soon(state, outage, estate, ends_soon, was=was, at=at)
    generator = estate.generator_of(state.id)
    if generator is not None:
        yield _starts_failed(state, outage, generator, at)
        yield _no_supply(state, outage, estate, generator, at)


def _shed(outage: OnBattery, at: datetime) -> Reason | None:
    return None if outage.shed is None else shed_reason(outage.shed, at, outage.ends_earliest)


def _ends_soon(
    state: SystemState, outage: OnBattery, estate: Estate, kind: AlarmKind, *, was: Was, at: datetime
) -> Condition:
    left_s, shed = time_left_s(outage, at), _shed(outage, at)
    moment, why = deadline(outage, at) or (None, None)
    near = False if outage.carried else kind.bound.passed(left_s, was=was("ends_soon", ""))
    if near and outage.taking(at):
        return Condition("ends_soon", state.id, Observation(None))
    units = [unit.id for unit in estate.units_of(state.id)]
    what = reason(
        Code.ENDS_SOON,
        state.id,
        name=state.name,
        left_s=left_s,
        reckoned=outage.reckoned_since is not None,
        outlasted=outage.outlasted is not None,
        fed=sum(unit in outage.fed for unit in units),
        units=len(units),
        others_fed=len(outage.fed),
        surely=outage.ends_latest is not None and (outage.ends_latest - at).total_seconds() <= SURELY_SOON_S,
    )
    do = None
    refused = outage.takes_by is not None and outage.takes_by <= at
    if refused and estate.generator_of(state.id) is not None:
        do = reason(Code.DO_LOOK_AT_DISPLAYS, shed=shed)
    elif _wants_set(outage, estate, state):
        by_hand = None if shed is None else reason(Code.DO_START_SET_AND_SHUT_DOWN, shed=shed)
        do = set_advice(outage, at, shed) or by_hand
    elif outage.relief is not None:
        do = relieve(state.id, outage, at)
    elif shed is not None or outage.fed:
        # the catalogue's words say to start the generator, which does not help a unit beside fed ones
        do = reason(Code.DO_SHUT_DOWN_IN_ORDER, shed=shed)
    return Condition(
        "ends_soon",
        state.id,
        Observation(near, what, do, facts={"left_s": left_s}, by_when=moment, by_when_for=why),
    )


def _wants_set(outage: OnBattery, estate: Estate, state: SystemState) -> bool:
    there = bool(outage.fed) or outage.offered_since is not None
    return estate.generator_of(state.id) is not None and not there


def _starts_failed(state: SystemState, outage: OnBattery, generator: Generator, at: datetime) -> Condition:
    """Every start failed, by the clock: not known while no unit is read, not so once one is fed."""
    failed = outage.starts_failed
    if failed is None:
        return Condition("starts_failed", state.id, Observation(None if outage.reckoned_since else False))
    moment, why = deadline(outage, at) or (None, None)
    what = reason(
        Code.SET_STARTS_FAILED,
        state.id,
        name=state.name,
        generator=generator.id,
        starts=failed,
        left_s=time_left_s(outage, at),
        reckoned=outage.reckoned_since is not None,
        outlasted=outage.outlasted is not None,
    )
    shed = _shed(outage, at)
    send = shed is not None or outage.fed or outage.hand_s is not None
    by_hand = reason(Code.DO_SEND_TO_SET, shed=shed, hand_s=outage.hand_s) if send else None
    do = set_advice(outage, at, shed) or by_hand
    return Condition(
        "starts_failed",
        state.id,
        Observation(
            failed >= generator.attempts,
            what,
            do,
            facts={"starts_failed": float(failed)},
            by_when=moment,
            by_when_for=why,
        ),
    )


def _no_supply(
    state: SystemState, outage: OnBattery, estate: Estate, generator: Generator, at: datetime
) -> Condition:
    """No supply in the time the generator may take; where only others on the supply are fed, its own way in is at fault."""
    budget_s = max(
        (n.required_s or 0.0 for n in state.requirements if n.purpose is Purpose.GENERATOR_START), default=0.0
    )
    declared = estate.units_of(state.id)
    units = [unit.id for unit in declared]
    if not budget_s or any(unit in outage.fed for unit in units):
        return Condition("no_supply_in_time", state.id, Observation(False))
    if outage.reckoned_since or outage.unfed_since is None:
        return Condition("no_supply_in_time", state.id, Observation(None))
    on_s = (at - outage.unfed_since).total_seconds()
    left_s, shed = time_left_s(outage, at), _shed(outage, at)
    reckoned, outlasted = False, outage.outlasted is not None
    moment, why = deadline(outage, at) or (None, None)
    if outage.offered_since is not None:
        stood_s = (at - outage.offered_since).total_seconds()
        if stood_s <= max(map(take_up_s, declared)):
            return Condition("no_supply_in_time", state.id, Observation(None))
        what = reason(
            Code.SUPPLY_REFUSED,
            state.id,
            name=state.name,
            stood_s=stood_s,
            left_s=left_s,
            reckoned=reckoned,
            outlasted=outlasted,
        )
        do: Reason | None = reason(Code.DO_LOOK_AT_DISPLAYS, shed=shed)
    elif outage.fed:
        what = reason(
            Code.NO_WAY_IN,
            state.id,
            name=state.name,
            generator=generator.id,
            budget_s=budget_s,
            fed=0,
            units=len(units),
            others_fed=len(outage.fed),
            left_s=left_s,
            reckoned=reckoned,
            outlasted=outlasted,
        )
        do = reason(Code.DO_LOOK_AT_BREAKERS, shed=shed)
    else:
        what = reason(
            Code.NO_SUPPLY_IN_TIME,
            state.id,
            name=state.name,
            generator=generator.id,
            budget_s=budget_s,
            left_s=left_s,
            reckoned=reckoned,
            outlasted=outlasted,
        )
        told = shed is not None or outage.hand_s is not None
        by_hand = reason(Code.DO_START_SET_BY_HAND, shed=shed, hand_s=outage.hand_s) if told else None
        do = set_advice(outage, at, shed) or by_hand
    return Condition(
        "no_supply_in_time",
        state.id,
        Observation(
            on_s > budget_s + SUPPLY_GRACE_S,
            what,
            do,
            facts={"left_s": left_s, "on_battery_s": on_s},
            by_when=moment,
            by_when_for=why,
        ),
    )
