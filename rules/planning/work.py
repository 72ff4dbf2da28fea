"""Work on a unit, followed: the peers took its load, it came back, it shares again, its bank is full.

What the plan explains is not told again; what it does not explain is. The sentences are for the person
who stands at the panel and for the alarms, which must not cry about what was planned.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from rules.assess import Glance
from rules.autonomy import HoldUpJudgement
from rules.parallel import FEEDING, NO_LOAD_FRACTION
from rules.verdicts import Standing

SHARES_AGAIN: Final = 0.10
"""Deviation from equal share, of rating, within which a unit that came back shares again."""
LOAD_KEPT: Final = 0.8
"""Part of the load before the work that must still be there; less means something was dropped."""


class Stage(StrEnum):
    """How far the work has come, as seen from the cards."""

    BEFORE = "before"
    OUT = "out"
    BACK = "back"
    SHARING = "sharing"
    CHARGED = "charged"


@dataclass(frozen=True, slots=True)
class Before:
    """How it stood when the work began: the load, and what every unit did."""

    unit: str
    load_w: float | None
    standings: Mapping[str, Standing]


@dataclass(frozen=True, slots=True)
class Work:
    """Where the work stands. `unexpected`: what the plan does not explain, gravest first."""

    unit: str
    stage: Stage
    because: str
    unexpected: tuple[str, ...]


def begin(unit: str, seen: Glance) -> Before:
    """Return how it stands now, to follow the work from."""
    doing = {item.id: item.standing for item in seen.parallel.units}
    return Before(unit, seen.parallel.load.power_w, doing)


def follow(before: Before, seen: Glance, judged: HoldUpJudgement | None, *, was_out: bool) -> Work:
    """Return how far the work on a unit has come, and what is not as planned.

    `was_out`: the unit has been seen out since the work began.
    """
    stage, because = _stage(before, seen, judged, was_out=was_out)
    return Work(before.unit, stage, because, tuple(_unexpected(before, seen)))


def _stage(
    before: Before, seen: Glance, judged: HoldUpJudgement | None, *, was_out: bool
) -> tuple[Stage, str]:
    unit = before.unit
    doing = seen.parallel.standing_of(unit)
    part = next((s for s in seen.parallel.shares if s.unit == unit), None)
    carries = part is not None and (part.of_rating_fraction or 0.0) > NO_LOAD_FRACTION
    if doing not in FEEDING:
        load_w = seen.parallel.load.power_w
        taken = "" if load_w is None else f"; the others carry {load_w / 1e3:.1f} kW"
        return Stage.OUT, f"Unit {unit} is {doing.value}{taken}."
    if not was_out:
        return Stage.BEFORE, f"Unit {unit} is still in service."
    deviation = None if part is None else part.deviation_fraction
    if not carries or (deviation is not None and abs(deviation) > SHARES_AGAIN):
        return Stage.BACK, f"Unit {unit} is back and does not share the load evenly yet."
    if judged is None or judged.hold_ups.recharged is not None or judged.hold_ups.now.low_s is None:
        return Stage.SHARING, f"Unit {unit} shares the load; its bank is not known to be full yet."
    return Stage.CHARGED, f"Unit {unit} shares the load and its bank is full: the work can be closed."


def _unexpected(before: Before, seen: Glance) -> list[str]:
    """Return what the work does not explain: peers that left, a load that fell, a loss of mains."""
    found = []
    load_w = seen.parallel.load.power_w
    for item in seen.parallel.units:
        if item.id == before.unit:
            if item.standing is Standing.BYPASS:
                found.append(f"Unit {item.id} is on bypass: the load may hang on the raw supply.")
            continue
        was = before.standings.get(item.id)
        if item.standing is not was and item.standing not in FEEDING:
            found.append(f"Unit {item.id} was {_word(was)} and is {_word(item.standing)}.")
        if item.standing is Standing.ON_BATTERY and was is not Standing.ON_BATTERY:
            found.append(f"Unit {item.id} went on battery while unit {before.unit} is worked on.")
    if load_w is not None and before.load_w and load_w < LOAD_KEPT * before.load_w:
        found.append(
            f"The load fell from {before.load_w / 1e3:.1f} to {load_w / 1e3:.1f} kW: was something dropped?"
        )
    return found


def _word(standing: Standing | None) -> str:
    return "not known" if standing is None else standing.value.replace("_", " ")
