"""What is said of needs in words and alarms: that one is met or not, by how much, and with which unit lost.

A least is a low end: that it lies under the truth is no falsehood, but far under it (`CAUTIOUS`) a word that a need is
not met would be.
"""

from __future__ import annotations

from typing import Final, cast

from collector.simulation.plant.unit import CARRYING, Mode
from rules.plant.estate import Purpose, Requirement
from rules.system.state import HoldUp
from rules.values.verdict import Basis
from tests.audit.predicates.holding import (
    GROSS,
    JUDGED_S,
    foretold,
    left_s,
    moving,
    surprised,
    worst_left_s,
    worst_lost_s,
)
from tests.audit.predicates.load import METERS, OF_AMPERES_VA, SHARED_UNEVENLY
from tests.audit.sight import ON, SEEN_WITHIN_S, TRUE, UNDECIDED, Finding, Sight, So, false
from tests.audit.statements import Statement
from tests.audit.world import PlantAt

CAUTIOUS: Final = 4.0
"""So many times what is needed a system may hold that is said not to: a low end is told down to a third of a middle, which
may itself lie under the truth."""
KEPT_S: Final = 100.0
"""An alarm keeps the words of the last judgement."""
CLEAR: Final = frozenset({Mode.NORMAL})


def need_s(sight: Sight, system: str, need: Requirement) -> float | None:
    """Return what a need asks by the declared times added up, s; None where that is not declared."""
    generator = sight.estate.generator_of(system)
    by_hand = need.purpose is Purpose.MANUAL_GENERATOR_START
    if need.required_s is not None or generator is None or need.purpose not in (Purpose.GENERATOR_START, Purpose.MANUAL_GENERATOR_START):  # fmt: skip
        return need.required_s
    units = sight.estate.units_of(system)
    last = max(units, key=lambda u: u.hold_off_s + u.walk_in_s)
    total_s = generator.detect_s + generator.attempts * generator.crank_s
    total_s += (generator.attempts - 1) * generator.rest_s + generator.start_s + generator.transfer_s
    total_s += max(u.accept_s for u in units) + last.hold_off_s + last.walk_in_s
    return total_s + ((generator.hand_start_s or 0.0) if by_hand else 0.0)


def needs_of(sight: Sight, system: str) -> list[float]:
    """Return every time that is asked of a system, s."""
    found = [need_s(sight, system, need) for need in sight.estate.systems[system].requirements]
    return [one for one in found if one is not None]


def at_rest(sight: Sight, said: Statement, system: str) -> bool:
    """Return whether what is said can be held against the end as it is: fed, steady, seen, and nothing hidden."""
    since_s = said.as_of_s - (JUDGED_S if said.severity is None else KEPT_S)
    units = sight.units_of(system)
    fed = all(m not in ON for now in sight.world.span(since_s, said.as_of_s)[::5] for m in now.modes(system))
    hidden = surprised(sight, system, said.until_s) or moving(sight, system, since_s, said.as_of_s)
    return fed and not hidden and not sight.blind(units, since_s, said.at_s)


def least_s(held_s: float, truth_s: float, spent_s: float) -> Finding:
    """Return what a least in words comes to beside the truth."""
    found = foretold(held_s, None, truth_s, spent_s)
    return found if found.so is So.FALSE else TRUE


def _needed(sight: Sight, said: Statement, system: str) -> Finding:
    needed_s = float(said.value["needed_s"])  # type: ignore[index]
    if any(abs(needed_s - one) < 1.5 for one in needs_of(sight, system)):
        return TRUE
    return false(f"needs {needed_s:.0f} s, asked are {needs_of(sight, system)}")


def _holds(sight: Sight, said: Statement, *, one_lost: bool, enough: bool | None) -> Finding:
    system, held_s = sight.system_of(said.about), float(said.value["held_s"])  # type: ignore[index]
    if dict(said.value.args).get("needed_s") is not None:  # type: ignore[attr-defined]
        found = _needed(sight, said, system)
        if found is not TRUE:
            return found
        needed_s = float(said.value["needed_s"])  # type: ignore[index]
        off_s = held_s - needed_s  # told whole: within half a second it may be either
        if (enough and off_s < -0.5) or (enough is False and off_s > 0.5):
            return false(f"{held_s:.0f} s beside {needed_s:.0f} s")
    if not at_rest(sight, said, system):
        return UNDECIDED
    truth_s, spent_s = (
        worst_left_s(sight, system, said.as_of_s) if one_lost else left_s(sight, system, said.as_of_s, None)
    )
    found = least_s(held_s, truth_s, spent_s)
    if found is TRUE and enough is False and truth_s > CAUTIOUS * float(said.value["needed_s"]):  # type: ignore[index]
        return false(f"truly holds {truth_s:.0f} s")
    return found


def holds(sight: Sight, said: Statement) -> Finding:
    """It holds for what is needed."""
    return _holds(sight, said, one_lost=False, enough=True)


def holds_too_short(sight: Sight, said: Statement) -> Finding:
    """It holds for less than is needed."""
    return _holds(sight, said, one_lost=False, enough=False)


def holds_one_lost(sight: Sight, said: Statement) -> Finding:
    """It holds so long beside what is needed with the worst unit lost; with the one that is named, where it is too short."""
    system, held_s = sight.system_of(said.about), float(said.value["held_s"])  # type: ignore[index]
    if held_s >= float(said.value["needed_s"]) - 0.5 or said.value["worst"] is None:  # type: ignore[index]
        return _holds(sight, said, one_lost=True, enough=None)
    if not at_rest(sight, said, system):
        return UNDECIDED
    return least_s(held_s, *left_s(sight, system, said.as_of_s, str(said.value["worst"])))  # type: ignore[index]


def _may_do(said: Statement) -> bool:
    """Return whether it is said that it may fail, since what is to be expected would be enough."""
    expected_s = dict(said.value.args).get("expected_s") or 0.0  # type: ignore[attr-defined]
    return float(expected_s) >= float(said.value["needed_s"])  # type: ignore[index]


def fails_one_lost(sight: Sight, said: Statement) -> Finding:
    """It holds for less than is needed with one of the units named lost; or may, where what is to be expected would be enough."""
    return _holds(sight, said, one_lost=True, enough=None if _may_do(said) else False)


def fails_with_all(sight: Sight, said: Statement) -> Finding:
    """It holds for less than is needed with all units there; or may, where what is to be expected would be enough."""
    return _holds(sight, said, one_lost=False, enough=None if _may_do(said) else False)


def holds_with_one_lost(sight: Sight, said: Statement) -> Finding:
    """So long it holds with the worst unit lost, or with the one that is named."""
    lost = said.value["lost"]  # type: ignore[index]
    if lost is not None:
        system = sight.system_of(said.about)
        if not at_rest(sight, said, system):
            return UNDECIDED
        return least_s(float(said.value["held_s"]), *left_s(sight, system, said.as_of_s, str(lost)))  # type: ignore[index]
    return _holds(sight, said, one_lost=True, enough=None)


def margin(sight: Sight, said: Statement) -> Finding:
    """What is needed and what holds, as an alarm says it."""
    system, value = sight.system_of(said.about), said.value
    needed_s, held_s, lost = float(value["required_s"]), float(value["held_s"]), value["lost"]  # type: ignore[index]
    if not any(abs(needed_s - one) < 1.5 for one in needs_of(sight, system)):
        return false(f"needs {needed_s:.0f} s, asked are {needs_of(sight, system)}")
    if not at_rest(sight, said, system):
        return UNDECIDED
    if lost is None and sight.estate.systems[system].spare_units >= 1:
        return least_s(held_s, *worst_left_s(sight, system, said.as_of_s))
    return least_s(held_s, *left_s(sight, system, said.as_of_s, None if lost is None else str(lost)))


def told_high_s(sight: Sight, system: str, at_s: float, *, one_lost: bool) -> float:
    """Return for how long a system was last said to hold at the most, s; none where nothing was said."""
    kind = "hold-up one lost" if one_lost else "hold-up now"
    for other in reversed(sight.played.statements):
        if other.kind == kind and other.about == system and other.at_s <= at_s:
            return cast("HoldUp", other.value).high_s or 0.0
    return 0.0


def not_met(sight: Sight, said: Statement) -> Finding:
    """A need whose alarm stands is not met, or hardly; one that is over is met.

    An alarm speaks of the least. Of banks that are little known that may be far under the truth; it is no falsehood while
    the truth lies under the most that is told beside it.
    """
    system = sight.system_of(said.about)
    needs = {n.id: need_s(sight, system, n) for n in sight.estate.systems[system].requirements}
    needed_s = next((s for name, s in needs.items() if said.where.endswith(f":{name}")), None)
    if needed_s is None or not at_rest(sight, said, system):
        return UNDECIDED
    spare = sight.estate.systems[system].spare_units >= 1
    truth_s = (
        worst_lost_s(sight, system, said.as_of_s) if spare else sight.world.hold_up_s(system, said.as_of_s)
    )
    if said.value:
        most_s = GROSS * told_high_s(sight, system, said.until_s, one_lost=spare)
        if truth_s > max(CAUTIOUS * needed_s, most_s):
            return false(f"needs {needed_s:.0f} s, truly holds {truth_s:.0f} s")
        return TRUE if truth_s < GROSS * needed_s else UNDECIDED
    return (
        TRUE if truth_s >= needed_s / GROSS else false(f"needs {needed_s:.0f} s, truly holds {truth_s:.0f} s")
    )


def why_of_a_need(sight: Sight, said: Statement) -> Finding:
    """It names a system that asks for something; the reason within it is a statement of its own."""
    return TRUE if needs_of(sight, sight.system_of(said.about)) else false("nothing is asked of it")


def recharged(sight: Sight, said: Statement) -> Finding:
    """What a system holds with its banks full again."""
    held = cast("HoldUp", said.value)
    if held.low_s is None or held.basis is Basis.NONE or not at_rest(sight, said, said.about):
        return UNDECIDED
    return foretold(held.low_s, held.high_s, sight.world.holds_full_s(said.about, said.as_of_s))


def on_bypass(sight: Sight, said: Statement) -> Finding:
    """A load that is said to be on bypass is: no inverter carries it."""
    system = sight.system_of(said.about)

    def so(now: PlantAt) -> bool:
        return Mode.BYPASS in now.modes(system) and not CARRYING.intersection(now.modes(system))

    return sight.held(
        said, so, within_s=JUDGED_S + SEEN_WITHIN_S, units=sight.units_of(system), why="an inverter carried"
    )


def load_off(sight: Sight, said: Statement) -> Finding:
    """A load that is said to be off is: no unit feeds anything, by inverter or by bypass."""
    system = sight.system_of(said.about)

    def so(now: PlantAt) -> bool:
        return not {*CARRYING, Mode.BYPASS}.intersection(now.modes(system))

    return sight.held(
        said, so, within_s=JUDGED_S + SEEN_WITHIN_S, units=sight.units_of(system), why="a unit fed the load"
    )


def no_load(sight: Sight, said: Statement) -> Finding:
    """Where there is said to be no load, hardly a watt is asked."""
    system = sight.system_of(said.about)

    def so(now: PlantAt) -> bool:
        return sum(w for w, _ in now.line_loads(system)) < 0.01 * sum(
            u.rating_w for u in now.plant.systems[system].units
        )

    return sight.held(
        said, so, within_s=JUDGED_S + SEEN_WITHIN_S, units=sight.units_of(system), why="there was a load"
    )


def asked_without(now: PlantAt, unit: str, line: int) -> float:
    """Return what a board line asks of what the units that carry may, with one gone; inf: nobody is left."""
    system, _ = now.plant.place_of[unit]
    plant, state = now.plant.systems[system], now.state.systems[system]
    left = [
        u
        for u, s in zip(plant.units, state.units, strict=True)
        if u.id != unit and (s.mode in CARRYING or s.mode is Mode.BYPASS)
    ]
    watts, va = now.line_loads(system)[line - 1]
    if not left:
        return float("inf")
    return max(watts / sum(u.rating_w / u.lines for u in left), va / sum(u.rating_va / u.lines for u in left))


def overloads_one_lost(sight: Sight, said: Statement) -> Finding:
    """With a unit lost a line asks of the others what is said, and more than they may."""
    line, told = int(said.value["line"]), float(said.value["share"])  # type: ignore[index]
    system = sight.system_of(said.about)
    since_s = said.as_of_s - JUDGED_S - SEEN_WITHIN_S
    if sight.blind(sight.units_of(system), since_s, said.at_s) or moving(
        sight, system, since_s, said.as_of_s
    ):
        return UNDECIDED
    truths = [asked_without(now, said.about, line) for now in sight.world.span(since_s, said.as_of_s)]
    room = METERS + OF_AMPERES_VA * 3.0 * len(sight.units_of(system)) / sum(
        u.rating_va for u in sight.world.at(0).plant.systems[system].units
    )
    if not min(truths) * (1.0 - room) <= told <= max(truths) * (1.0 + room):
        return false(f"{100 * told:.0f} %, truly {100 * min(truths):.0f} to {100 * max(truths):.0f} %")
    return TRUE if max(truths) > 1.0 - SHARED_UNEVENLY else false("the others may carry it")
