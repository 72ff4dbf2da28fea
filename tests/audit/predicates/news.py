"""Why a date moved: what is said to be new is so."""

from __future__ import annotations

from datetime import date
from typing import Final, cast

from tests.audit.predicates import banks, needs
from tests.audit.predicates.load import METERS
from tests.audit.sight import TRUE, UNDECIDED, Finding, Sight, false
from tests.audit.statements import Statement

GROWS: Final = 1.1
"""What is asked of a bank is its part of the highest load there was, with a unit lost, and what growth adds to it."""


def dates_moved(sight: Sight, said: Statement) -> Finding:
    """The day to have replaced a bank by, as it is said to be now, promises no grossly longer life than it has."""
    after = cast("date | None", said.value["after"])  # type: ignore[index]
    asked = banks.asked_of(sight, said.about, said.at_s + 5.0)
    if after is None or asked is None or banks.made_worse(sight, said.about, said.at_s):
        return UNDECIDED
    if banks.published_s(sight, said.about, asked[0]) is None or banks.never_met(sight, said.about, *asked):
        return UNDECIDED
    return banks.lives_until(sight, said.about, after, banks.end_day(sight, said.about, *asked))


def discharge_known(sight: Sight, said: Statement) -> Finding:
    """A bank of which another discharge came to be known carried, or was tested before."""
    unit = banks.unit_of(sight, said.about).id
    known = said.about in sight.played.story.estate.tests or banks.runs(sight, unit)
    return TRUE if known else false("it never carried")


def nothing_asked(sight: Sight, said: Statement) -> Finding:
    """Nothing is asked of its system."""
    return (
        false("its system asks for something") if needs.needs_of(sight, sight.system_of(said.about)) else TRUE
    )


def time_asked(sight: Sight, said: Statement) -> Finding:
    """So much time is asked of its system."""
    told = float(said.value["required_s"])  # type: ignore[index]
    asked = needs.needs_of(sight, sight.system_of(said.about))
    return TRUE if any(abs(told - one) < 1.5 for one in asked) else false(f"{told:.0f} s, asked are {asked}")


def load_asked(sight: Sight, said: Statement) -> Finding:
    """The load asked of a bank is a part of what its system carried, no more than all of it."""
    told, system = float(said.value["asked_w"]), sight.system_of(said.about)  # type: ignore[index]
    truths = [sum(w for w, _ in now.line_loads(system)) for now in sight.world.span(0.0, said.at_s)]
    units = len(sight.units_of(system))
    if told > GROWS * (1.0 + METERS) * max(truths):
        return false(f"{told:.0f} W, the whole load was {max(truths):.0f} W")
    if told < (1.0 - METERS) * min(t for t in truths if t > 0.0) / units:
        return false(f"{told:.0f} W, its part alone was {min(truths) / units:.0f} W")
    return TRUE


def time_passed(_sight: Sight, _said: Statement) -> Finding:
    """Time passes."""
    return TRUE
