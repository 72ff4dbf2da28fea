"""What came of a signed plan: noted while it runs, compared with what was foretold afterwards."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from rules.phrasing.reasons import say
from rules.planning.ridethrough.signed_course import PlanCourse, Spell, Status, compare, looked
from rules.planning.ridethrough.signed_plan import SignedPlan
from rules.system.state import OnBattery, Standing, SystemState
from rules.values.serial import from_plain, to_plain
from tests.rules.planning.ridethrough.test_signed_plan import signed
from tests.rules.sample_plants import NOON

# the plan: mains off for 120 s without the generator, and 50 s until the last unit is walked in


def at(seconds: float) -> datetime:
    return NOON + timedelta(seconds=seconds)


def lit(state: SystemState, since_s: float, ends_s: float) -> SystemState:
    return replace(state, on_battery=OnBattery(at(since_s), at(ends_s), at(ends_s)))


def played(plan: SignedPlan, *looks: tuple[float, SystemState]) -> PlanCourse:
    course = PlanCourse()
    for seconds, state in looks:
        course = looked(plan, course, state, at(seconds))
    return course


def test_a_plan_runs_from_its_start_and_ends_when_it_is_over_and_the_banks_rest() -> None:
    plan, state = signed()
    dark = lit(state, 5.0, 1505.0)
    assert played(plan, (-1.0, state)).status is Status.SIGNED
    assert played(plan, (0.0, state)).status is Status.RUNNING
    early = played(plan, (0.0, state), (10.0, dark), (60.0, state))
    assert early.status is Status.RUNNING  # back early, but the plan has 110 s to go
    late = played(plan, (0.0, state), (10.0, dark), (60.0, dark), (120.0, dark), (175.0, dark))
    assert late.status is Status.RUNNING  # past its end and still on the banks
    over = looked(plan, late, state, at(180.0))
    assert over.status is Status.ENDED
    assert over.spells == (Spell(at(5.0), at(180.0)),)
    assert over.least_left_s == pytest.approx(1505.0 - 175.0)
    assert looked(plan, over, dark, at(500.0)) == over  # what happens later is not the plan's
    assert from_plain(PlanCourse, to_plain(over)) == over


def test_what_was_foretold_stands_beside_what_happened() -> None:
    plan, state = signed()
    dark = lit(state, 0.0, 1e5)
    course = played(
        plan, (0.0, state), (2.0, dark), (60.0, dark), (118.0, dark), (165.0, dark), (170.0, state)
    )
    rows = {say(row.what): (say(row.happened), row.inside) for row in compare(plan, course)}
    assert rows["load"] == ("carried", True)
    assert rows["stretch 1 on the banks"] == ("2 min 50 s", True)
    assert rows["left at the tightest moment"][1] is True
    assert "watched" not in rows


def test_misses_are_said_as_misses() -> None:
    plan, state = signed()
    dark = lit(state, 0.0, 230.0)
    gone = replace(state, units=tuple(replace(u, standing=Standing.OFF) for u in state.units))
    course = played(
        plan, (0.0, state), (50.0, dark), (100.0, dark), (150.0, dark), (201.0, dark), (230.0, gone)
    )
    rows = {say(row.what): row.inside for row in compare(plan, course)}
    assert rows == {"load": False, "stretch 1 on the banks": False, "left at the tightest moment": False}


def test_a_stretch_that_never_came_was_not_put_to_the_test() -> None:
    plan, state = signed()
    rows = compare(plan, played(plan, (0.0, state), (60.0, state), (120.0, state), (171.0, state)))
    assert [(say(row.happened), row.inside) for row in rows] == [
        ("carried without the banks", None),
        ("did not happen", None),
        ("not known", None),
    ]


def test_a_time_in_which_nobody_watched_is_said() -> None:
    plan, state = signed()
    course = played(plan, (0.0, state), (30.0, state), (150.0, state), (171.0, state))
    assert course.unseen_s == 120.0
    assert say(compare(plan, course)[-1].happened) == "not for 2 min 0 s"


def test_times_on_the_banks_are_laid_to_the_stretch_they_began_in() -> None:
    plan, state = signed()
    first = plan.stretches[0]
    two = replace(plan, stretches=(first, replace(first, from_s=600.0, until_s=770.0)))
    course = PlanCourse(
        Status.ENDED,
        at(0.0),
        at(800.0),
        spells=(Spell(at(0.0), at(100.0)), Spell(at(110.0), at(130.0)), Spell(at(605.0), at(800.0))),
    )
    rows = {say(row.what): say(row.happened) for row in compare(two, course)}
    assert rows["stretch 1 on the banks"] == "2 min 0 s"  # 100 s and 20 s
    assert rows["stretch 2 on the banks"] == "3 min 15 s"
    assert course.open is False
    assert state.on_battery is None
