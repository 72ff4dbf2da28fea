"""Faults put into the judge on purpose, one at a time, each with a small story in which the audit must catch it.

A fault is a patch of the service while the story is played; the plant, the predicates and their truth stay as they are.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any, Final
from unittest.mock import patch

from collector.simulation.scenario.director import CardHangs, MainsFails, MainsReturns, SetWill, UnitIsolated
from rules.alarms.catalogue import AlarmLimit
from rules.alarms.conditions import unit as unit_conditions
from rules.alarms.conditions.condition import Condition
from rules.alarms.conditions.supply import SupplyLook
from rules.battery.assessment.bank import BankJudgement, judge_bank
from rules.system import assessment, parallel, redundancy
from rules.system.hold_up.judgement import HoldUpJudgement, hold_ups
from rules.system.observation import SupplySight
from rules.system.outage.on_battery import on_battery
from rules.system.parallel import UnitView
from rules.system.peers import UnitLoad
from rules.system.state import HoldUp, OnBattery, Standing
from rules.values.verdict import Verdict
from tests.audit.happenings import InputCloses, InputOpens, LoadSteps
from tests.audit.stories import Story, StoryCue

PAIR: Final = (3, 51)
"""An estate of two units whose lines are wired in different orders, with a set and a test of each bank."""
OUTAGE: Final = Story(
    *PAIR,
    (
        StoryCue(40, SetWill("mains", None)),
        StoryCue(40, MainsFails("mains")),
        StoryCue(120, MainsReturns("mains")),
    ),
    170.0,
)
ONE_INPUT: Final = Story(
    *PAIR, (StoryCue(40, InputOpens("works-1")), StoryCue(80, InputCloses("works-1"))), 120.0
)
UNIT_OUT: Final = Story(*PAIR, (StoryCue(40, UnitIsolated("works-2")),), 75.0)
DUMB: Final = Story(
    *PAIR, (StoryCue(40, CardHangs("works-1-card", 75.0)), StoryCue(50, MainsFails("mains"))), 112.0
)
QUIET: Final = Story(*PAIR, (), 45.0)
FULL: Final = Story(3, 58, (StoryCue(30, LoadSteps("works", 0.163)),), 60.0)
"""With a unit gone a line passes in watts and does not in volt-amperes."""
OVERLOADED: Final = Story(*PAIR, (StoryCue(30, LoadSteps("works", 4.0)),), 75.0)
TOO_SHORT: Final = Story(3, 3, (), 45.0)
"""An estate whose need is not met with a unit lost."""


@dataclass(frozen=True)
class Mutation:
    """A fault of the judge: what it is, the story it shows in, and the patch that makes it."""

    what: str
    story: Story
    made: Callable[[], AbstractContextManager[object]]


def _in(target: str, made: object) -> Callable[[], AbstractContextManager[object]]:
    return lambda: patch(target, made)


# ---- what units do, and what they carry ------------------------------------------------------------------------

_unit_load, _standing, _task = parallel.unit_load, parallel.standing, assessment.task_of


def _doubled(view: UnitView, doing: Standing) -> UnitLoad:
    load = _unit_load(view, doing)
    if not view.unit.id.endswith("-1"):
        return load
    return replace(
        load,
        power_w={n: None if w is None else 2.0 * w for n, w in load.power_w.items()},
        apparent_va={n: None if w is None else 2.0 * w for n, w in load.apparent_va.items()},
    )


def _unordered(view: UnitView, doing: Standing) -> UnitLoad:
    return _unit_load(replace(view, unit=replace(view.unit, line_order=(1, 2, 3))), doing)


def _taken_for(real: Standing, told: Standing) -> Callable[[UnitView], Standing]:
    return lambda view: told if (found := _standing(view)) is real else found


# ---- what is left with a unit gone ----------------------------------------------------------------------------

_margins, _limits = redundancy.margins, redundancy.limits_with_spares_gone


def _watts_alone(loads: Any, limits: Any) -> Any:
    return [margin for margin in _margins(loads, limits) if margin.limit == "w"]


def _none_gone(views: Any, able: Any, _spare: int) -> Any:
    return _limits(views, able, 0)


# ---- how long it holds ----------------------------------------------------------------------------------------


def _times(held: HoldUp, factor: float) -> HoldUp:
    def more(one: float | None) -> float | None:
        return None if one is None else factor * one

    return replace(held, low_s=more(held.low_s), median_s=more(held.median_s), high_s=more(held.high_s))


def _doubled_hold_up(*given: Any) -> HoldUpJudgement:
    judged = hold_ups(*given)
    return replace(judged, hold_ups=replace(judged.hold_ups, now=_times(judged.hold_ups.now, 2.0)))


def _never_lost(*given: Any) -> HoldUpJudgement:
    judged = hold_ups(*given)
    return replace(judged, hold_ups=replace(judged.hold_ups, one_unit_lost=judged.hold_ups.now))


def _as_new(*given: Any) -> BankJudgement:
    judged = judge_bank(*given)
    health = 0.0 * judged.belief.health + 1.25
    return replace(judged, belief=replace(judged.belief, health=health, health_slope=0.0 * health))


_on_battery = on_battery


def _ends_later(*given: Any) -> OnBattery | None:
    found = _on_battery(*given)
    if found is None or found.ends_earliest is None:
        return found
    return replace(found, ends_earliest=found.ends_earliest + (found.ends_earliest - found.since))


def _since_long(*given: Any) -> OnBattery | None:
    found = _on_battery(*given)
    return None if found is None else replace(found, since=found.since - timedelta(seconds=60.0))


def _met(*_: object) -> Verdict:
    return Verdict.ADEQUATE


# ---- supplies and sets -----------------------------------------------------------------------------------------


def _believed(*_: object) -> SupplySight:
    return SupplySight(fed=("works-1", "works-2"))


def _all_starts(*_: object) -> int:
    return 3


_look = SupplyLook.at


def _one_word(scene: Any, supply: str) -> SupplyLook:
    found = _look(scene, supply)
    return replace(found, fed=(), members=tuple(m.unit for m in found.going)) if found.going else found


# ---- alarms and letters ----------------------------------------------------------------------------------------

_conditions = unit_conditions.unit_conditions


def _sticky() -> AbstractContextManager[object]:
    seen: set[str] = set()

    def conditions(*given: Any, **named: Any) -> Any:
        for one in _conditions(*given, **named):
            if one.kind == "on_battery":
                if one.seen.present:
                    seen.add(one.about)
                elif one.about in seen:
                    yield Condition(one.kind, one.about, replace(one.seen, present=True))
                    continue
            yield one

    return patch("rules.monitor.reading_or_silence.unit_conditions", conditions)


def _early_limit(limit: AlarmLimit, number: float | None, *, was: bool) -> bool | None:
    del was
    value = 20.0 if limit.fact == "load_pct" else limit.value
    return None if number is None else number > value if limit.above else number < value


def _property(made: Callable[[Any], object]) -> property:
    return property(made)


MUTATIONS: Final = (
    Mutation("a unit's load counted twice", QUIET, _in("rules.system.parallel.unit_load", _doubled)),
    Mutation("lines taken in the order of the unit", QUIET, _in("rules.system.parallel.unit_load", _unordered)),
    Mutation(
        "a unit that is off taken for one that carries", UNIT_OUT,
        _in("rules.system.parallel.standing", _taken_for(Standing.OFF, Standing.CARRYING)),
    ),
    Mutation(
        "a unit on bypass taken for one that carries", OVERLOADED,
        _in("rules.system.parallel.standing", _taken_for(Standing.BYPASS, Standing.CARRYING)),
    ),
    Mutation("a stale reading taken for fresh", DUMB, _in("rules.system.parallel.UnitView.fresh", _property(lambda v: v.reading is not None))),
    Mutation("every reading taken for stale", QUIET, _in("rules.system.parallel.UnitView.fresh", _property(lambda _: False))),
    Mutation("volt-amperes forgotten", FULL, _in("rules.system.redundancy.margins", _watts_alone)),
    Mutation("no unit taken away", UNIT_OUT, _in("rules.system.redundancy.limits_with_spares_gone", _none_gone)),
    Mutation("a hold-up doubled", QUIET, _in("collector.assessment.hold_up.hold_ups", _doubled_hold_up)),
    Mutation("nothing lost where a unit is", QUIET, _in("collector.assessment.hold_up.hold_ups", _never_lost)),
    Mutation("worn banks taken for more than new", QUIET, _in("collector.assessment.banks.judge_bank", _as_new)),
    Mutation("an end that comes later than reckoned", OUTAGE, _in("rules.system.assessment.on_battery", _ends_later)),
    Mutation("an outage that began a minute before", OUTAGE, _in("rules.system.assessment.on_battery", _since_long)),
    Mutation("every need met", TOO_SHORT, _in("rules.system.requirements._reached", _met)),
    Mutation("a set believed at once", OUTAGE, _in("collector.recorder.system_views.supply_sight", _believed)),
    Mutation("all starts over at once", OUTAGE, _in("rules.system.outage.on_battery.starts_failed", _all_starts)),
    Mutation("a supply lost by one unit's word", ONE_INPUT, _in("rules.alarms.conditions.supply.SupplyLook.at", _one_word)),
    Mutation("no unit ever on its bank", OUTAGE, _in("rules.plant.reading.Reading.on_battery", _property(lambda _: False))),
    Mutation("an alarm that does not return", ONE_INPUT, _sticky),
    Mutation("an overload at a fifth of the rating", QUIET, _in("rules.alarms.catalogue.AlarmLimit.passed", _early_limit)),
    Mutation("letters that are never written", OUTAGE, _in("collector.messaging.delivery.dispatch.Dispatch._tell", lambda *_: None)),
)  # fmt: skip
