"""The order of shedding, and the fewest steps to a wanted hold-up."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from rules.alarms.conditions.shedding import shed_reason
from rules.phrasing.durations import minutes
from rules.phrasing.reasons import said, say
from rules.planning.ridethrough.shedding import (
    EARLY_S,
    UNSAID_S,
    SheddingPlan,
    outdated,
    shed_first,
    shed_order,
    shedding_plan,
    wanted_now,
)
from rules.plant.estate import LoadGroup, Purpose
from rules.system.assessment import task_of
from rules.system.observation import glance
from rules.system.state import Against, RequirementVerdict, ShedFirst, ShedStep
from rules.values.code import Code
from rules.values.reason import reason
from rules.values.reason import told as told_for
from rules.values.verdict import Verdict
from tests.rules.sample_plants import NOON, SET, estate, known_banks, reading, view

VITAL = LoadGroup("control", "A", (1000.0, 1000.0, 1000.0), 1)
LAB = LoadGroup("lab", "A", (500.0, 3000.0, 500.0), 3)
FANS = LoadGroup("fans", "A", (3000.0, 500.0, 500.0), 3)
STORE = LoadGroup("store", "A", (1000.0, 1000.0, 1000.0), 2)
DISKS = LoadGroup("disks", "A", (1000.0, 1000.0, 1000.0), 4)
HOSTS = LoadGroup("hosts", "A", (1000.0, 1000.0, 1000.0), 2, restart_after=("disks",))


def names(groups: tuple[LoadGroup, ...]) -> list[str]:
    return [group.id for group in groups]


def test_the_least_important_goes_first_and_importance_one_last() -> None:
    assert names(shed_order([VITAL, STORE, LAB], None)) == ["lab", "store", "control"]


def test_among_equals_the_one_that_relieves_the_tight_phase() -> None:
    assert names(shed_order([LAB, FANS], 2)) == ["lab", "fans"]
    assert names(shed_order([LAB, FANS], 1)) == ["fans", "lab"]


def test_what_others_need_to_restart_goes_after_them() -> None:
    assert names(shed_order([DISKS, HOSTS], None)) == ["hosts", "disks"]


def test_a_circle_ends() -> None:
    one = LoadGroup("one", "A", (1.0,), 1, restart_after=("two",))
    two = LoadGroup("two", "A", (1.0,), 2, restart_after=("one",))
    assert names(shed_order([one, two], None)) == ["two", "one"]


def plan(
    wanted_s: float, groups: list[LoadGroup], watts: float = 4000.0, at_s: float = EARLY_S
) -> SheddingPlan:
    plant = estate(2)
    seen = view(plant, [reading(f"A{n}", (watts,) * 3) for n in (1, 2)])
    known = known_banks(plant)
    return shedding_plan(task_of(seen, glance(seen)), known, groups, wanted_s, at_s=at_s)


def test_nothing_is_shed_where_nothing_needs_to_be() -> None:
    found = plan(30.0, [LAB])
    assert found.steps == ()
    assert found.reached is True


def test_as_few_steps_as_reach_it() -> None:
    alone = plan(1e9, [LAB, FANS, STORE, VITAL])
    assert alone.reached is False
    assert [step.group for step in alone.steps] == ["fans", "lab", "store", "control"]
    enough = plan((alone.steps[1].hold_up_low_s or 0.0) - 1.0, [LAB, FANS, STORE, VITAL])
    assert [step.group for step in enough.steps] == ["fans", "lab"]
    assert enough.reached is True


def test_more_shed_holds_longer_and_waiting_costs() -> None:
    found = plan(1e9, [LAB, FANS, STORE, VITAL])
    lows = [step.hold_up_low_s or 0.0 for step in found.steps]
    assert lows == sorted(lows)
    assert found.waiting_costs_s is not None
    assert found.waiting_costs_s >= 0.0
    assert any("shed_by" in text for text in said(found.because))
    assert found.safety


def need(purpose: Purpose, required_s: float | None) -> RequirementVerdict:
    return RequirementVerdict("n", purpose, required_s, Against.NOW, Verdict.CANNOT_TELL, (), NOON, None)


def test_in_an_outage_it_should_hold_until_a_person_has_started_the_set_or_all_is_shut_down() -> None:
    units = estate(2).units_of("A")
    by_hand = replace(SET, hand_start_s=300.0)
    # 300 s to get there, 15 s of crank, 12 s of run-up, 3 s of changeover; 20 s to accept, 10 s in turn, 20 s of ramp
    hand = need(Purpose.MANUAL_GENERATOR_START, 600.0)
    assert wanted_now([hand], by_hand, units) == (
        380.0,
        reason(Code.WANTED_PURPOSE, purpose=Purpose.MANUAL_GENERATOR_START),
    )
    down = need(Purpose.ORDERLY_SHUTDOWN, 1200.0)
    assert wanted_now([hand, down], by_hand, units) == (
        1200.0,
        reason(Code.WANTED_PURPOSE, purpose=Purpose.ORDERLY_SHUTDOWN),
    )
    assert wanted_now([hand], by_hand, units, runs=True)[0] == UNSAID_S, "nobody is on the way to start it"
    automatic = need(Purpose.GENERATOR_START, 90.0)
    assert wanted_now([automatic], None, units)[0] == UNSAID_S
    assert wanted_now([need(Purpose.PLANNED, None)], replace(SET, hand_start_s=None), units)[0] == UNSAID_S


def test_what_is_told_in_an_outage_is_the_plan_with_its_end() -> None:
    found = plan(1e6, [LAB, STORE])
    told = shed_first(found, NOON, told_for("an orderly shutdown"))
    assert [step.group for step in told.steps] == ["lab", "store"]
    assert told.power_w == 4000.0 + 3000.0
    assert told.reached is False
    first_s, last_s = (found.steps[n].hold_up_low_s or 0.0 for n in (0, -1))
    assert told.ends_earliest == NOON + timedelta(seconds=last_s)
    assert last_s > first_s > (found.without_s or 0.0)


EVERYTHING = LoadGroup("everything", "A", (8000.0, 8000.0, 8000.0), 5)  # all that the two units carry


def test_what_is_shed_after_the_load_may_be_lost_is_too_late_and_gives_nothing() -> None:
    without_s = plan(1e9, [LAB]).without_s or 0.0
    wanted_s = without_s * 1.3
    late = plan(wanted_s, [LAB, FANS, STORE], at_s=without_s + 30.0)
    assert late.reached is False
    assert late.too_late
    assert late.shed_by_s is not None
    assert 0.0 < late.shed_by_s < without_s
    assert any(text.startswith("Too late") for text in said(late.because))
    in_time = plan(wanted_s, [LAB, FANS, STORE], at_s=late.shed_by_s)
    assert in_time.reached is True
    assert [s.group for s in in_time.steps] == [s.group for s in late.steps]


def test_where_nothing_reaches_it_what_is_shed_must_still_come_before_the_load_is_lost() -> None:
    without_s = plan(1e9, [LAB]).without_s or 0.0
    late = plan(1e6, [LAB], at_s=without_s)
    assert late.too_late
    assert late.shed_by_s == without_s
    assert f"shed by {minutes(without_s)} at the latest" in said(late.because)[1]


def test_the_latest_moment_is_told_and_a_minute_after_it_is_not_enough() -> None:
    groups = [LAB, FANS]
    wanted_s = ((plan(1e9, groups, at_s=0.0).held_s or 0.0) + (plan(1e9, groups).without_s or 0.0)) / 2.0
    early = plan(wanted_s, groups, at_s=0.0)
    assert early.reached is True
    assert early.shed_by_s is not None
    assert plan(wanted_s, groups, at_s=early.shed_by_s).reached is True
    after = plan(wanted_s, groups, at_s=early.shed_by_s + 60.0)
    assert after.reached is False or len(after.steps) > len(early.steps)


def test_to_shed_everything_is_a_shutdown_in_order_and_reaches_nothing() -> None:
    found = plan(1e5, [STORE, EVERYTHING])
    assert found.reached is False
    assert found.all_shed
    assert found.steps[-1].hold_up_low_s is None
    assert any("shutdown in order" in text for text in said(found.because))
    assert not any("48" in text for text in said(found.because))
    told = shed_first(found, NOON, told_for("an hour"))
    assert told.ends_earliest is None
    assert say(shed_reason(told, NOON, NOON + timedelta(seconds=60))).startswith(
        "Shut down in order, everything"
    )


def test_the_order_is_known_where_what_shedding_gives_is_not() -> None:
    plant = estate(2)
    seen = view(plant, [reading(f"A{n}", (4000.0,) * 3) for n in (1, 2)])
    found = shedding_plan(task_of(seen, glance(seen)), {}, [VITAL, STORE, LAB], 600.0)
    assert found.reached is None
    assert [(step.group, step.power_w) for step in found.order] == [
        ("lab", 4000.0),
        ("store", 3000.0),
        ("control", 3000.0),
    ]
    assert "The agreed order is lab, then store, then control." in said(found.because)
    told = say(shed_reason(shed_first(found, NOON, told_for("an hour")), NOON, None))
    assert "lab, 4.00 kW, then store" in told


@pytest.mark.parametrize(
    ("left_s", "moved_s", "old"),
    [
        (60.0, 15.0, False),  # near the end a quarter of a minute is no news
        (60.0, 15.1, True),
        (600.0, 60.0, False),  # farther from it a tenth of what is left
        (600.0, 60.1, True),
        (600.0, -60.0, False),
        (600.0, -60.1, True),
    ],
)
def test_advice_is_made_anew_once_the_end_has_moved(left_s: float, moved_s: float, old: bool) -> None:
    ends = NOON + timedelta(seconds=left_s)
    known = ShedFirst(
        NOON, 3600.0, told_for("an hour"), reached=False, without_ends=ends - timedelta(seconds=moved_s)
    )
    assert outdated(known, ends, NOON) is old


def test_advice_is_made_anew_where_it_could_not_be_told_or_nothing_need_go_and_now_it_must() -> None:
    ends = NOON + timedelta(seconds=600)
    none = ShedFirst(NOON, 500.0, told_for("it"), reached=True, without_ends=ends)
    assert not outdated(none, ends, NOON)
    late = replace(none, steps=(ShedStep("lab", 3000.0),), shed_by=NOON + timedelta(seconds=20))
    assert not outdated(late, ends, NOON + timedelta(seconds=20))
    assert outdated(late, ends, NOON + timedelta(seconds=21)), "there may be more to shed that still helps"
    assert outdated(replace(none, wanted_s=600.1), ends, NOON)
    assert not outdated(replace(none, wanted_s=600.0), ends, NOON)
    assert outdated(replace(none, reached=None), ends, NOON)
    assert outdated(replace(none, without_ends=None), ends, NOON)
    assert not outdated(none, None, NOON)
