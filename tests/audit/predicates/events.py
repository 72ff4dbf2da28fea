"""What the journal says that happened: near the moment that it names, the plant did just that."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from collector.simulation.plant.unit import Mode
from collector.simulation.scenario.director import CardResets
from tests.audit.predicates import units
from tests.audit.sight import SEEN_WITHIN_S, TRUE, UNDECIDED, Finding, Sight, false
from tests.audit.statements import Statement
from tests.audit.world import PlantAt

COUNTED_S: Final = 8.0
"""A moment that a card counted back to, or that the first of several polls saw."""
DARK: Final = (Mode.ENDED, Mode.ISOLATED)


def near(so: Callable[[PlantAt, str], bool], why: str) -> Callable[[Sight, Statement], Finding]:
    """Return a predicate: something was so of a unit near the moment of an event."""

    def predicate(sight: Sight, said: Statement) -> Finding:
        seconds = sight.world.span(said.at_s - SEEN_WITHIN_S, said.at_s + COUNTED_S)
        if any(so(now, said.about) for now in seconds):
            return TRUE
        blind = sight.blind(sight.units_of(said.about), said.at_s - SEEN_WITHIN_S, said.at_s + COUNTED_S)
        return UNDECIDED if blind else false(why)

    return predicate


def mode_is(*modes: Mode) -> Callable[[PlantAt, str], bool]:
    """Return whether a unit does one of these things."""
    return lambda now, unit: now.mode(unit) in modes


def mode_is_not(*modes: Mode) -> Callable[[PlantAt, str], bool]:
    """Return whether a unit does none of these things."""
    return lambda now, unit: now.mode(unit) not in modes


def nothing_there(now: PlantAt, supply: str) -> bool:
    """Return whether no unit in service on a supply has anything at its terminals."""
    units = [
        u.id
        for _, _, u in now.plant.units()
        if now.plant.systems[now.plant.place_of[u.id][0]].supply == supply
    ]
    return not any(now.fed_at(u) for u in units if now.mode(u) is not Mode.ISOLATED)  # fmt: skip


def something_there(now: PlantAt, supply: str) -> bool:
    """Return whether a unit on a supply has something at its terminals."""
    return not nothing_there(now, supply)


def card_restarted(sight: Sight, said: Statement) -> Finding:
    """A card that is said to have restarted did."""
    cards = [f"{u}-card" for u in sight.units_of(said.about)]
    resets = [
        c.at_s for c in sight.played.story.cues if isinstance(c.event, CardResets) and c.event.card in cards
    ]
    so = any(at <= said.at_s + COUNTED_S for at in resets)
    return TRUE if so else false("its card did not restart")


def card_silent(sight: Sight, said: Statement) -> Finding:
    """A card that is said not to answer was dumb or lost replies."""
    unit = sight.units_of(said.about)[0]
    dumb = sight.dumb(unit, said.at_s) or sight.blind((unit,), said.at_s - 20.0, said.at_s)
    return TRUE if dumb else false("its card answered")


EVENTS: Final = {
    "unit_late_back": units.unit_late,
    "unit_to_battery": near(mode_is(Mode.BATTERY, Mode.TESTING), "it did not go to its bank"),
    "unit_from_battery": near(mode_is_not(Mode.BATTERY, Mode.TESTING), "it stayed on its bank"),
    "unit_tests_bank": near(mode_is(Mode.TESTING), "it tested nothing"),
    "unit_to_bypass": near(mode_is(Mode.BYPASS), "it did not go to bypass"),
    "unit_from_bypass": near(mode_is_not(Mode.BYPASS), "it stayed on bypass"),
    "unit_to_off": near(mode_is(*DARK), "it fed its output"),
    "unit_from_off": near(mode_is_not(*DARK), "it fed nothing"),
    "mains_lost": near(nothing_there, "something stood on it"),
    "supply_back": near(something_there, "nothing stood on it"),
    "card_restarted": card_restarted,
    "card_silent": card_silent,
}
