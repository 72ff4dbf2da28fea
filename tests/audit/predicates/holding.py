"""How long a system holds: intervals foretold at rest and on its banks, and needs that are met or not.

The truth is the plant played on without supply. What nobody could have known by then, a bank that was made weak or
whose link will part, leaves such a statement undecided until a discharge has shown it.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Final, cast

from collector.simulation.plant.unit import Mode
from collector.simulation.scenario.director import BankOpens, BankWeak
from rules.plant.estate import Purpose
from rules.system.state import Against, HoldUp
from rules.values.verdict import Verdict
from tests.audit.happenings import LoadSteps, RoomHeats
from tests.audit.sight import ON, SEEN_WITHIN_S, TRUE, UNDECIDED, Finding, Sight, So, false
from tests.audit.statements import Statement
from tests.audit.world import HORIZON_S

GROSS: Final = 1.2
"""The low end of a 90 % interval may lie over the truth in one of twenty; by so much it may in none."""
ROUNDING_S: Final = 5.0
SPENT: Final = 0.1
"""What is left is what was there less what was given: of a bank that is not full so much of what it gave is in doubt beside that."""
JUDGED_S: Final = 35.0
"""At rest a hold-up is reckoned twice a minute."""
MOVED: Final = (LoadSteps, RoomHeats)


def surprised(sight: Sight, system: str, at_s: float) -> bool:
    """Return whether a bank of a system was made worse by then, or will be by its own load, without a sign."""
    banks = {b.id for b in sight.estate.banks_of_system(system)}
    return not banks.isdisjoint(sight.played.story.estate.weak) or any(
        isinstance(c.event, BankWeak | BankOpens) and c.event.bank in banks and c.at_s <= at_s
        for c in sight.played.story.cues
    )


def moving(sight: Sight, system: str, from_s: float, to_s: float) -> bool:
    """Return whether a load stepped, a room warmed, or a unit changed what it does within some seconds."""
    stepped = any(
        isinstance(c.event, MOVED) and c.event.system == system and from_s <= c.at_s <= to_s
        for c in sight.played.story.cues
    )
    modes = {now.modes(system) for now in sight.world.span(from_s, to_s)}
    return stepped or len(modes) > 1


def foretold(low_s: float | None, high_s: float | None, truth_s: float, spent_s: float = 0.0) -> Finding:
    """Return what an interval comes to beside the truth, both in s from the same moment; `spent_s`: what is missing of it."""
    if low_s is None:
        return UNDECIDED
    after_low = low_s <= truth_s + ROUNDING_S
    before_high = high_s is None or truth_s <= high_s + ROUNDING_S
    if low_s > GROSS * truth_s + ROUNDING_S + SPENT * spent_s:
        return false(f"{low_s:.0f} s at the least, truly {truth_s:.0f} s")
    return Finding(So.TRUE, interval=(after_low, before_high))


def _held(sight: Sight, said: Statement, held: HoldUp, system: str, lost: str | None) -> Finding:
    from_s = said.as_of_s - JUDGED_S
    if (
        held.low_s is None
        or surprised(sight, system, said.at_s)
        or moving(sight, system, from_s, said.as_of_s)
    ):
        return UNDECIDED
    if sight.blind(sight.units_of(system), from_s, said.at_s):
        return UNDECIDED
    if any(m in ON for m in sight.world.at(said.as_of_s).modes(system)):
        return UNDECIDED  # the interval of the end is held against the truth then
    return foretold(held.low_s, held.high_s, *left_s(sight, system, said.as_of_s, lost))


def left_s(sight: Sight, system: str, at_s: float, lost: str | None) -> tuple[float, float]:
    """Return how long a system holds, and by how much longer it would were its banks full, s."""
    truth_s = sight.world.hold_up_s(system, at_s, lost)
    if math.isinf(truth_s):
        return truth_s, 0.0
    full_s = sight.world.holds_full_s(system, at_s, lost)
    return truth_s, max(min(full_s, HORIZON_S) - truth_s, 0.0)


def hold_up_now(sight: Sight, said: Statement) -> Finding:
    """With all units there."""
    return _held(sight, said, cast("HoldUp", said.value), said.about, None)


def hold_up_unit_lost(sight: Sight, said: Statement) -> Finding:
    """With a named unit gone."""
    system = sight.system_of(said.about)
    if sight.world.at(said.as_of_s).mode(said.about) is Mode.ISOLATED:
        return UNDECIDED
    return _held(sight, said, cast("HoldUp", said.value), system, said.about)


def worst_left_s(sight: Sight, system: str, at_s: float) -> tuple[float, float]:
    """Return how long a system holds with the worst of its units gone, and by how much longer were its banks full, s."""
    now = sight.world.at(at_s)
    there = [u for u, mode in now.bare(system).items() if mode not in (Mode.ISOLATED, Mode.ENDED)]
    if len(there) < 2:
        return 0.0, 0.0
    return left_s(sight, system, at_s, min(there, key=lambda u: sight.world.hold_up_s(system, at_s, u)))


def worst_lost_s(sight: Sight, system: str, at_s: float) -> float:
    """Return how long a system holds with the worst of its units gone, s."""
    return worst_left_s(sight, system, at_s)[0]


def hold_up_one_lost(sight: Sight, said: Statement) -> Finding:
    """With the worst unit gone."""
    held = cast("HoldUp", said.value)
    if len(sight.units_of(said.about)) < 2:
        return UNDECIDED
    found = _held(sight, said, held, said.about, None)
    if found is UNDECIDED:
        return found
    return foretold(held.low_s, held.high_s, *worst_left_s(sight, said.about, said.as_of_s))


def ends(sight: Sight, said: Statement) -> Finding:
    """On its banks, with nothing feeding it, a system's true end lies where it is said to lie."""
    earliest, latest = cast("tuple[datetime | None, datetime | None]", said.value)
    system, now = said.about, sight.world.at(said.as_of_s)
    if earliest is None or surprised(sight, system, said.at_s):
        return UNDECIDED
    if sight.blind(sight.units_of(system), said.as_of_s - SEEN_WITHIN_S, said.at_s):
        return UNDECIDED
    alone = all(m in (Mode.BATTERY, Mode.ENDED, Mode.ISOLATED) for m in now.modes(system))
    if not alone or Mode.BATTERY not in now.modes(system):
        return UNDECIDED
    if moving(sight, system, said.as_of_s - SEEN_WITHIN_S, said.as_of_s):
        return UNDECIDED
    began = sight.began(said.at_s)
    truth_s = sight.world.hold_up_s(system, said.as_of_s)
    low_s = (earliest - began).total_seconds() - said.as_of_s
    high_s = None if latest is None else (latest - began).total_seconds() - said.as_of_s
    return foretold(max(low_s, 0.0), high_s, truth_s)


def carried(sight: Sight, said: Statement) -> Finding:
    """Units that are fed can carry the load of those on their banks, where that is said."""
    if not said.value:
        return TRUE

    def so(now):  # type: ignore[no-untyped-def]  # noqa: ANN001, ANN202 - a second of the plant
        plant, state = now.plant.systems[said.about], now.state.systems[said.about]
        fed = [
            u
            for u, s in zip(plant.units, state.units, strict=True)
            if s.mode in (Mode.NORMAL, Mode.WALKING_IN)
        ]
        watts = sum(w for w, _ in now.line_loads(said.about))
        return watts <= 1.05 * sum(u.rating_w for u in fed)

    return sight.held(said, so, why="what was fed could not carry it")


def left_at_least(sight: Sight, said: Statement) -> Finding:
    """A least that is told in words of a system on its banks is not over the truth."""
    left_s = said.value["left_s"]  # type: ignore[index]
    system = sight.system_of(said.about)
    now = sight.world.at(said.at_s)
    if left_s is None or surprised(sight, system, said.at_s) or not any(m in ON for m in now.modes(system)):
        return UNDECIDED
    if sight.blind(sight.units_of(system), said.at_s - 2 * SEEN_WITHIN_S, said.at_s):
        return UNDECIDED
    if moving(sight, system, said.at_s - SEEN_WITHIN_S, said.at_s):
        return UNDECIDED
    truth_s = sight.world.hold_up_s(system, said.at_s) + SEEN_WITHIN_S
    return TRUE if float(left_s) <= GROSS * truth_s else false(f"{left_s:.0f} s, truly {truth_s:.0f} s")


def requirement(sight: Sight, said: Statement) -> Finding:
    """A need that is said to be met is met by the plant; that one is not shown to be met is a cautious word."""
    verdict, required_s, against, _ = cast("tuple[Verdict, float | None, Against, object]", said.value)
    system = said.about
    if verdict is Verdict.CANNOT_TELL or required_s is None or surprised(sight, system, said.at_s):
        return UNDECIDED
    from_s = said.as_of_s - JUDGED_S
    if moving(sight, system, from_s, said.as_of_s) or sight.blind(sight.units_of(system), from_s, said.at_s):
        return UNDECIDED
    if any(m in ON for m in sight.world.at(said.as_of_s).modes(system)):
        return UNDECIDED
    one = against is Against.ONE_UNIT_LOST
    truth_s = (
        worst_lost_s(sight, system, said.as_of_s) if one else sight.world.hold_up_s(system, said.as_of_s)
    )
    if verdict is Verdict.ADEQUATE:
        enough = truth_s >= required_s / GROSS
        return TRUE if enough else false(f"needs {required_s:.0f} s, truly holds {truth_s:.0f} s")
    return TRUE if truth_s < required_s else UNDECIDED


def needs(sight: Sight, said: Statement) -> Finding:
    """What a need is said to ask is what the generator or the site takes: the declared times, added up."""
    del sight
    return TRUE if cast("Purpose", said.value) else UNDECIDED


def ends_soon(sight: Sight, said: Statement) -> Finding:
    """A load that is said to drop soon is on banks that hold for no more than some minutes."""
    if not said.value:
        return TRUE
    system = said.about
    on = sight.held(said, lambda now: any(m in ON for m in now.modes(system)), why="it was not on its banks")
    if on is not TRUE:
        return on
    if surprised(sight, system, said.until_s):
        return UNDECIDED
    truth_s = sight.world.hold_up_s(system, said.at_s)
    return TRUE if truth_s <= 1800.0 else false(f"truly {truth_s / 60:.0f} min are left")
