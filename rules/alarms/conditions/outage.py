"""What is to be told of a system on its banks: the end that comes near, and the set that does not come."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Final

from rules.alarms.catalogue import AlarmKind
from rules.alarms.conditions.found import Found, Was
from rules.alarms.lifecycle import Observation
from rules.alarms.wording import at_least, at_most, shed_words
from rules.estate import Estate, Purpose
from rules.verdicts import OnBattery, SystemState

SUPPLY_GRACE_S: Final = 10.0
"""How long past its budget a generator may be before that is an alarm."""


FIRST: Final = {
    "ends_soon": "Start the generator by hand; shut down in order what can be.",
    "ends_without_set": "Shut down in order what can be.",
    "no_supply_in_time": "Go to the set and start it by hand.",
    "starts_failed": "Send somebody to the set now: start battery, fuel tap, then the key to manual.",
}
"""What to do first; what to shed follows where that is reckoned. Without it the catalogue's words stand."""


def _do(kind: str, outage: OnBattery, at: datetime) -> str:
    return "" if outage.shed is None else f"{FIRST[kind]} {shed_words(outage.shed, at)}"


def time_left_s(outage: OnBattery | None, at: datetime) -> float | None:
    """Return the cautious time left at a moment, never below 0; None when not on battery or not known."""
    if outage is None or outage.ends_earliest is None:
        return None
    return max((outage.ends_earliest - at).total_seconds(), 0.0)


def outage_conditions(
    state: SystemState, estate: Estate, ends_soon: AlarmKind, *, was: Was
) -> Iterator[Found]:
    """Yield every condition of a system that is on its banks; off them, that none is present."""
    outage = state.on_battery
    at = state.as_of
    if outage is None or at is None:
        clear = None if at is None else False
        for kind in ("ends_soon", "starts_failed", "no_supply_in_time"):
            yield Found(kind, state.id, Observation(clear))
        return
    generator = estate.generator_of(state.id)
    left_s = time_left_s(outage, at)
    reckoned = " (reckoned: its cards are silent)" if outage.reckoned_since else ""
    left = "" if left_s is None else f"It holds {at_least(left_s)} more at the least{reckoned}."
    yield Found(
        "ends_soon",
        state.id,
        Observation(
            ends_soon.bound.passed(left_s, was=was("ends_soon", "")),
            f"{state.name} drops its load soon. {left}",
            _do("ends_soon" if generator is not None else "ends_without_set", outage, at),
            facts={"left_s": left_s},
            by_when=outage.ends_earliest,
        ),
    )
    if generator is None:
        return
    if outage.starts_failed is not None:
        yield Found(
            "starts_failed",
            state.id,
            Observation(
                outage.starts_failed >= generator.attempts,
                f"{outage.starts_failed} starts of {generator.id} have failed and {state.name} is on its banks. {left}",
                _do("starts_failed", outage, at),
                facts={"starts_failed": float(outage.starts_failed)},
                by_when=outage.start_set_before,
            ),
        )
    budget_s = max(
        (n.required_s or 0.0 for n in state.requirements if n.purpose is Purpose.GENERATOR_START), default=0.0
    )
    if budget_s:
        on_s = (at - outage.since).total_seconds()
        yield Found(
            "no_supply_in_time",
            state.id,
            Observation(
                on_s > budget_s + SUPPLY_GRACE_S,
                f"No supply for {state.name} within the {at_most(budget_s)} allowed for {generator.id}. {left}",
                _do("no_supply_in_time", outage, at),
                facts={"left_s": left_s, "on_battery_s": on_s},
                by_when=outage.start_set_before,
            ),
        )
