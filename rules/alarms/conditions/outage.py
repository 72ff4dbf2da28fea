"""What is to be told of a system on its banks: the end that comes near, and the set that does not come."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Final

from rules.alarms.catalogue import AlarmKind
from rules.alarms.conditions.condition import Condition, Was
from rules.alarms.lifecycle.course import Observation
from rules.phrasing.text import at_least, at_most, capital, counted, fed_words, lasted, shed_words
from rules.plant.estate import Estate, Generator, Purpose
from rules.system.state import OnBattery, SystemState

SUPPLY_GRACE_S: Final = 10.0
"""How long past its budget a generator may be before that is an alarm."""


FIRST: Final = {
    "ends_soon": "Start the generator by hand; shut down in order what can be.",
    "ends_without_set": "Shut down in order what can be.",
    "no_supply_in_time": "Go to the set and start it by hand.",
    "no_way_in": "Look at the breakers between the supply and this system: others on it are fed.",
    "refused": "Look at what the units' displays say of their input: volts, frequency, breakers; have the set checked.",
    "starts_failed": "Send somebody to the set now: start battery, fuel valve, then the key to manual.",
}
"""What to do first; what to shed follows where that is reckoned. Without it the catalogue's words stand."""


def _do(kind: str, outage: OnBattery, at: datetime) -> str:
    if (
        outage.shed is None
    ):  # the catalogue's words say to start the set, which does not help a unit beside fed ones
        return FIRST[kind] if outage.fed or kind == "refused" else ""
    return f"{FIRST[kind]} {shed_words(outage.shed, at, outage.ends_earliest)}"


def time_left_s(outage: OnBattery | None, at: datetime) -> float | None:
    """Return the cautious time left at a moment, never below 0; None when not on battery or not known."""
    if outage is None or outage.ends_earliest is None:
        return None
    return max((outage.ends_earliest - at).total_seconds(), 0.0)


def on_battery_words(name: str, outage: OnBattery | None, at: datetime, *, silent: bool = False) -> str:
    """Return what is said of a unit on its bank, counted to `at`; `silent`: its card does not answer meanwhile."""
    feeds = "was last seen feeding" if silent else "feeds"
    said = f"{name} {feeds} its load from its bank"
    left_s = time_left_s(outage, at)
    if outage is not None and outage.carried:
        return f"{said}; the units beside it that are fed can carry the load."
    if outage is not None and outage.outlasted is not None:
        return f"{said}, longer than was foretold; how long it still lasts cannot be told."
    if left_s is None:
        return f"{said}; how long it lasts cannot be told."
    reckoned = ", by reckoning" if silent or (outage is not None and outage.reckoned_since) else ""
    return f"{said}; its system holds {at_least(left_s)} more at the least{reckoned}."


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


def left_words(outage: OnBattery, at: datetime) -> str:
    """Return how long a system holds from `at`, as a sentence; "" where that is not known."""
    left_s = time_left_s(outage, at)
    if outage.outlasted is not None:
        return "It has held longer than was foretold; how long it still holds cannot be told."
    reckoned = " (reckoned: its cards are silent)" if outage.reckoned_since else ""
    return "" if left_s is None else f"It holds {at_least(left_s)} more at the least{reckoned}."


def _ends_soon(
    state: SystemState, outage: OnBattery, estate: Estate, kind: AlarmKind, *, was: Was, at: datetime
) -> Condition:
    left_s = time_left_s(outage, at)
    near = False if outage.carried else kind.bound.passed(left_s, was=was("ends_soon", ""))
    fed = fed_words(outage.fed, [unit.id for unit in estate.units_of(state.id)])
    some = f" {capital(fed)}." if fed else ""
    return Condition(
        "ends_soon",
        state.id,
        Observation(
            near,
            f"{state.name} drops its load soon. {left_words(outage, at)}{some}",
            _do("ends_soon" if _wants_set(outage, estate, state) else "ends_without_set", outage, at),
            facts={"left_s": left_s},
            by_when=outage.ends_earliest,
        ),
    )


def _wants_set(outage: OnBattery, estate: Estate, state: SystemState) -> bool:
    return estate.generator_of(state.id) is not None and not outage.fed


def _starts_failed(state: SystemState, outage: OnBattery, generator: Generator, at: datetime) -> Condition:
    """Every start failed, by the clock: not known while no unit is read, not so once one is fed."""
    failed = outage.starts_failed
    if failed is None:
        return Condition("starts_failed", state.id, Observation(None if outage.reckoned_since else False))
    return Condition(
        "starts_failed",
        state.id,
        Observation(
            failed >= generator.attempts,
            f"{counted(failed, 'start')} of {generator.id} should have brought supply by now, and {state.name} is on its "
            "banks. "
            f"{left_words(outage, at)}",
            _do("starts_failed", outage, at),
            facts={"starts_failed": float(failed)},
            by_when=outage.start_set_before,
        ),
    )


def _no_supply(
    state: SystemState, outage: OnBattery, estate: Estate, generator: Generator, at: datetime
) -> Condition:
    """No supply in the time the set may take; where only others on the supply are fed, its own way in is at fault."""
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
    what, do = (
        f"No supply for {state.name} within the {at_most(budget_s)} allowed for {generator.id}",
        "no_supply_in_time",
    )
    if outage.fed:
        what, do = f"{what}, though {fed_words(outage.fed, units)}", "no_way_in"
    elif outage.offered_since is not None:
        stood_s = (at - outage.offered_since).total_seconds()
        if stood_s <= max(unit.accept_s + unit.hold_off_s for unit in declared) + SUPPLY_GRACE_S:
            return Condition("no_supply_in_time", state.id, Observation(None))
        what, do = (
            f"{state.name} has had voltage at its inputs for {lasted(stood_s)} and does not take it",
            "refused",
        )
    return Condition(
        "no_supply_in_time",
        state.id,
        Observation(
            on_s > budget_s + SUPPLY_GRACE_S,
            f"{what}. {left_words(outage, at)}",
            _do(do, outage, at),
            facts={"left_s": time_left_s(outage, at), "on_battery_s": on_s},
            by_when=outage.start_set_before or outage.ends_earliest,
        ),
    )
