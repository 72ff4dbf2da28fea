"""What is said of a set by the clock: starts that should have brought supply, and supply that did not come in time."""

from __future__ import annotations

from typing import Final, cast

from collector.simulation.plant.unit import Mode
from rules.plant.estate import Generator, Purpose
from tests.audit.sight import AFTER_BLIND_S, SEEN_WITHIN_S, TRUE, UNDECIDED, Finding, Sight, false
from tests.audit.statements import Statement

BRIEFEST_S: Final = 4
CLOCK_S: Final = 6.0
"""When a supply went is known to a poll."""


def unfed_s(sight: Sight, units: tuple[str, ...], at_s: float) -> float:
    """Return for how long up to a second none of these units had at its terminals what it would take, s.

    What is within its band for a moment only, as of a generator that hunts, no unit takes.
    """
    at = int(at_s)
    while at > 0 and not any(sight.world.at(at).fed_at(u) and _stood(sight, u, at) for u in units):
        at -= 1
    return at_s - at


def _stood(sight: Sight, unit: str, at: int) -> bool:
    """Return whether what stands at a unit's terminals has stood for as long as the briefest unit wants to see it."""
    return all(now.fed_at(unit) for now in sight.world.span(at - BRIEFEST_S, at))


def due_s(generator: Generator, starts: int) -> float:
    """Return when so many starts should have brought supply, by the declared times, s after it went."""
    return (
        generator.detect_s + starts * generator.crank_s + (starts - 1) * generator.rest_s + generator.start_s
    )


def starts_due(sight: Sight, said: Statement, starts: int) -> Finding:
    """So many starts are due by the clock: the supply has truly been gone for as long as they take."""
    system = sight.system_of(said.about)
    generator = sight.estate.generator_of(system)
    if generator is None:
        return false("no generator stands behind it")
    if starts == 0:
        return TRUE
    units = tuple(
        u.id
        for u in sight.estate.units.values()
        if sight.estate.systems[u.system].supply == sight.estate.systems[system].supply
    )
    if sight.blind(units, said.at_s - due_s(generator, starts), said.at_s + AFTER_BLIND_S):
        return UNDECIDED
    longest_s = max(
        unfed_s(sight, units, at) for at in (said.at_s - SEEN_WITHIN_S, said.at_s - 3.0, said.at_s)
    )
    if longest_s + CLOCK_S >= due_s(generator, starts):
        return TRUE
    return false(f"{starts} are due after {due_s(generator, starts):.0f} s, gone for {longest_s:.0f} s")


def starts_failed(sight: Sight, said: Statement) -> Finding:
    """See `starts_due`; None says nothing."""
    starts = cast("int | None", said.value)
    return UNDECIDED if starts is None else starts_due(sight, said, starts)


def starts_failed_told(sight: Sight, said: Statement) -> Finding:
    """The same of a reason."""
    return starts_due(sight, said, int(said.value["starts"]))  # type: ignore[index]


def all_starts_failed(sight: Sight, said: Statement) -> Finding:
    """The same of the alarm: every start is due."""
    generator = sight.estate.generator_of(said.about)
    if not said.value or generator is None:
        return TRUE if not said.value else false("no generator stands behind it")
    found = starts_due(sight, said, generator.attempts)
    if found is not TRUE:
        return found
    units = sight.units_of(said.about)
    return sight.held(
        said, lambda now: not all(now.fed_at(u) for u in units), within_s=SEEN_WITHIN_S, why="it was fed"
    )


def budget_s(sight: Sight, system: str) -> float:
    """Return what the generator is allowed by its own declared times, s: no less than its first start takes."""
    generator = sight.estate.generator_of(system)
    asks = any(r.purpose is Purpose.GENERATOR_START for r in sight.estate.systems[system].requirements)
    return due_s(generator, 1) if generator is not None and asks else 0.0


def no_supply_in_time(sight: Sight, said: Statement) -> Finding:
    """No unit of the system was fed for longer than its generator may take."""
    if not said.value:
        return TRUE
    units = sight.units_of(said.about)
    if sight.blind(units, said.at_s - budget_s(sight, said.about), said.at_s):
        return UNDECIDED

    def ran() -> float:
        at = int(said.at_s)
        off = (Mode.BATTERY, Mode.ENDED, Mode.ISOLATED)
        while at > 0 and all(sight.world.at(at).mode(u) in off for u in units):
            at -= 1
        return said.at_s - at

    if max(ran(), 0.0) + SEEN_WITHIN_S < budget_s(sight, said.about):
        return false(f"without supply for {ran():.0f} s, {budget_s(sight, said.about):.0f} s are allowed")
    return sight.held(
        said,
        lambda now: not all(now.mode(u) is Mode.NORMAL for u in units),
        within_s=SEEN_WITHIN_S,
        why="all were fed",
    )
