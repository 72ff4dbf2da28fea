"""What is to be told of a planned shutdown: that it is to be broken off, or that it would not be signed again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from rules.alarms.conditions.condition import Condition
from rules.alarms.lifecycle.course import Observation

BREAK_OFF: Final = "break_off"
NO_LONGER_HOLDS: Final = "plan_no_longer_holds"

DO: Final[Mapping[str, str]] = {
    "ends_too_early": "Break off: restore the mains now; until it is back, shed load in the agreed order.",
    "lasts_too_long": "Break off: restore the mains now, or start the set by hand.",
    "margin_gone": "Break off: restore the mains while there is time to spare.",
    "load_above_plan": "Break off: restore the mains, or take off at once what was added.",
    "unit_missing": "Break off: restore the mains; then see why the unit left.",
    "not_seen": "Break off: restore the mains, unless somebody stands at the units and reads them.",
}
"""What to do by the abort criterion that is met (`rules.planning.ridethrough.signed.Criterion`)."""


@dataclass(frozen=True, slots=True)
class Met:
    """An abort criterion that is met, in a sentence; `spare_s` as in `rules.planning.ridethrough.signed.Breach`."""

    criterion: str
    because: str
    spare_s: float | None = None


@dataclass(frozen=True, slots=True)
class ShutdownFigures:
    """How the signed shutdown of a system stands; without any plan everything is empty.

    `met`: the abort criteria met now. `objections`: why a shutdown that begins soon, at `starts_at`, would
    not be signed as things stand now.
    """

    system: str
    met: tuple[Met, ...] = ()
    objections: tuple[str, ...] = ()
    starts_at: datetime | None = None


def shutdown_conditions(figures: ShutdownFigures, name: str, standing: Sequence[str]) -> Iterator[Condition]:
    """Yield the conditions of a system's planned shutdown. `standing`: criteria remembered as met."""
    met = {one.criterion: one for one in figures.met}
    for criterion in dict.fromkeys((*met, *standing)):
        one = met.get(criterion)
        seen = (
            Observation(False)
            if one is None
            else Observation(
                True, f"Planned shutdown of {name}: {one.because}", DO[criterion], {"spare_s": one.spare_s}
            )
        )
        yield Condition(BREAK_OFF, figures.system, seen, criterion)
    against = " ".join(figures.objections)
    yield Condition(
        NO_LONGER_HOLDS,
        figures.system,
        Observation(
            bool(against),
            f"The planned shutdown of {name} would not be signed as things stand now. {against}",
            by_when=figures.starts_at,
        ),
    )
