"""Who feeds what: the standing of units, systems on their banks, supplies lost and back."""

from __future__ import annotations

from datetime import datetime
from typing import Final, cast

from collector.simulation.plant.unit import Mode
from rules.system.state import Standing
from tests.audit.sight import ON, SEEN_WITHIN_S, TRUE, UNDECIDED, UNNOTICED_S, Finding, Sight, false
from tests.audit.statements import Statement
from tests.audit.world import PlantAt

BEGAN_WITHIN_S: Final = 8.0
"""A card counts its seconds on battery whole, or is met a poll later."""
BACKDATED_S: Final = 2.0
STANDINGS: Final = {
    # one that walks in is on both, and its card calls that normal
    Standing.CARRYING: frozenset({Mode.NORMAL, Mode.WALKING_IN}),
    Standing.ON_BATTERY: frozenset({Mode.BATTERY, Mode.TESTING}),
    Standing.BYPASS: frozenset({Mode.BYPASS}),
    Standing.OFF: frozenset({Mode.ENDED, Mode.ISOLATED}),
    Standing.ISOLATED: frozenset({Mode.ENDED, Mode.ISOLATED}),
}


def standing(sight: Sight, said: Statement) -> Finding:
    """A unit does what it is said to do; one that is said to be silent has a card that is."""
    shown = cast("Standing", said.value)
    if shown is Standing.SILENT:
        dumb = all(
            sight.dumb(said.about, at) or sight.blind((said.about,), at, at)
            for at in (said.at_s, said.until_s)
        )
        return TRUE if dumb else false("its card answered")
    modes = STANDINGS.get(shown)
    if modes is None:
        return _unknown(sight, said) if shown is Standing.UNKNOWN else false(f"nothing is {shown.value}")
    found = sight.held(said, lambda now: now.mode(said.about) in modes, why=f"it was not {shown.value}")
    if found is not UNDECIDED:
        return found
    # of a card that fell dumb nothing may be said for long
    for at in range(int(said.at_s), int(said.until_s) + 1):
        if (
            sight.dumb_for_s(said.about, at) > UNNOTICED_S
            and sight.world.at(at).mode(said.about) not in modes
        ):
            return false(f"its card had been dumb for over {UNNOTICED_S:.0f} s at {at} s")
    return found


def _unknown(sight: Sight, said: Statement) -> Finding:
    """That nobody can tell what a unit does is so where its card is dumb or lies, or nobody has read it yet."""
    lies = sight.played.story.lies.get(f"{said.about}-card")
    soon = said.until_s - said.at_s < SEEN_WITHIN_S
    if lies or soon or sight.blind((said.about,), said.at_s, said.until_s):
        return UNDECIDED
    return false("its card answered")


def on_battery(sight: Sight, said: Statement) -> Finding:
    """A system is said to be on its banks exactly while one of its units is."""

    def so(now: PlantAt) -> bool:
        some = any(m in (Mode.BATTERY, Mode.WALKING_IN) for m in now.modes(said.about))
        none = all(m is not Mode.BATTERY for m in now.modes(said.about))  # a test is no outage
        return some if said.value else none

    return sight.held(said, so, why="none was" if said.value else "one was")


def on_battery_since(sight: Sight, said: Statement) -> Finding:
    """It is on its banks since the second at which its first unit went there."""
    since_s = (cast("datetime", said.value) - sight.began(said.at_s)).total_seconds()
    if sight.blind(sight.units_of(said.about), since_s - SEEN_WITHIN_S, said.at_s):
        return UNDECIDED
    began = [
        at
        for at in range(1, int(said.at_s) + 1)
        if any(a is Mode.BATTERY and b is not Mode.BATTERY for a, b in _moves(sight, said.about, at))
    ]
    near = min((abs(at - since_s) for at in began), default=None)
    if near is not None and near <= BEGAN_WITHIN_S:
        return TRUE
    return false(f"since {since_s:.0f} s; truly {began}")


def _moves(sight: Sight, system: str, at: int) -> list[tuple[Mode, Mode]]:
    """Return each unit's mode at a second, and that of the second before."""
    return list(zip(sight.world.at(at).modes(system), sight.world.at(at - 1).modes(system), strict=True))


def fed(sight: Sight, said: Statement) -> Finding:
    """Units that are said to be fed are not on their banks alone, nor off."""
    units = cast("tuple[str, ...]", said.value)
    for unit in units:
        found = sight.held(
            said,
            lambda now, unit=unit: now.mode(unit) not in (Mode.BATTERY, Mode.ENDED),  # type: ignore[misc]
            units=(unit,),
            why=f"{unit} was not fed",
        )
        if found is not TRUE:
            return found
    return TRUE


def mains_lost(sight: Sight, said: Statement) -> Finding:
    """Nothing stood at the inputs of a supply's units when it was said to be lost."""
    supply = said.about if said.about in sight.estate.supplies else None
    if supply is None:
        return UNDECIDED
    units = sight.units_of(supply)

    def so(now: PlantAt) -> bool:
        return not any(now.fed_at(u) for u in units if now.mode(u) is not Mode.ISOLATED)

    # since when is reckoned back by what a card counts: a whole second, and the reading it stands in
    seen_s = said.at_s + BACKDATED_S
    first = Statement(said.kind, supply, said.where, said.value, seen_s, seen_s, said.as_of_s)
    return sight.held(first, so, within_s=SEEN_WITHIN_S + 8.0, why="something stood on it")


def unit_on_its_bank(sight: Sight, said: Statement) -> Finding:
    """A unit that is said to feed its load from its bank does."""
    return sight.held(
        said, lambda now: now.mode(said.about) in ON, within_s=SEEN_WITHIN_S, why="it was not on its bank"
    )
