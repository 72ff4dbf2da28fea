"""What is to be told of a planned shutdown: that it is to be broken off, or that it would not be signed again."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from rules.alarms.conditions.condition import Condition
from rules.alarms.lifecycle.course import Observation
from rules.values.code import Code
from rules.values.reason import Reason, reason

BREAK_OFF: Final = "break_off"
NO_LONGER_HOLDS: Final = "plan_no_longer_holds"

DO: Final[Mapping[str, Reason]] = {
    "ends_too_early": reason(Code.DO_RESTORE_ENDS_TOO_EARLY),
    "lasts_too_long": reason(Code.DO_RESTORE_LASTS_TOO_LONG),
    "margin_gone": reason(Code.DO_RESTORE_MARGIN_GONE),
    "load_above_plan": reason(Code.DO_RESTORE_LOAD_ABOVE_PLAN),
    "unit_missing": reason(Code.DO_RESTORE_UNIT_MISSING),
    "not_seen": reason(Code.DO_RESTORE_NOT_SEEN),
}
"""What to do by the abort criterion that is met (`rules.planning.ridethrough.signed_plan.Criterion`)."""


@dataclass(frozen=True, slots=True)
class Met:
    """An abort criterion that is met, and why; `spare_s` as in `rules.planning.ridethrough.signed_plan.Breach`."""

    criterion: str
    because: Reason
    spare_s: float | None = None


@dataclass(frozen=True, slots=True)
class ShutdownFigures:
    """How the signed shutdown of a system stands; without any plan everything is empty.

    `met`: the abort criteria met now. `objections`: why a shutdown that begins soon, at `starts_at`, would
    not be signed as things stand now.
    """

    system: str
    met: tuple[Met, ...] = ()
    objections: tuple[Reason, ...] = ()
    starts_at: datetime | None = None


def shutdown_conditions(figures: ShutdownFigures, name: str, standing: Sequence[str]) -> Iterator[Condition]:
    """Yield the conditions of a system's planned shutdown. `standing`: criteria remembered as met."""
    met = {one.criterion: one for one in figures.met}
    for criterion in dict.fromkeys((*met, *standing)):
        one = met.get(criterion)
        seen = Observation(False)
        if one is not None:
            what = reason(Code.PLAN_TO_BREAK_OFF, figures.system, name=name, because=one.because)
            seen = Observation(True, what, DO[criterion], {"spare_s": one.spare_s})
        yield Condition(BREAK_OFF, figures.system, seen, criterion)
    against = figures.objections
    what = reason(Code.PLAN_NO_LONGER_HOLDS, figures.system, name=name, because=against)
    yield Condition(
        NO_LONGER_HOLDS, figures.system, Observation(bool(against), what, by_when=figures.starts_at)
    )
