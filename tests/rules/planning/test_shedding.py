"""The order of shedding, and the fewest steps to a wanted hold-up."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from rules.assess import glance, task_of
from rules.estate import LoadGroup, Purpose
from rules.planning.shedding import UNSAID_S, SheddingPlan, shed_first, shed_order, shedding_plan, wanted_now
from rules.verdicts import Against, RequirementVerdict, Verdict
from tests.rules.plants import NOON, SET, estate, known_banks, reading, view

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


def plan(wanted_s: float, groups: list[LoadGroup], watts: float = 4000.0) -> SheddingPlan:
    plant = estate(2)
    seen = view(plant, [reading(f"A{n}", (watts,) * 3) for n in (1, 2)])
    known = known_banks(plant)
    return shedding_plan(task_of(seen, glance(seen)), known, groups, wanted_s)


def test_nothing_is_shed_where_nothing_needs_to_be() -> None:
    found = plan(30.0, [LAB])
    assert found.steps == ()
    assert found.reached is True


def test_as_few_steps_as_reach_it() -> None:
    alone = plan(1e9, [LAB, FANS, STORE, VITAL])
    assert alone.reached is False
    assert [step.group for step in alone.steps] == ["fans", "lab", "store", "control"]
    enough = plan(alone.steps[1].hold_up_low_s - 1.0, [LAB, FANS, STORE, VITAL])
    assert [step.group for step in enough.steps] == ["fans", "lab"]
    assert enough.reached is True


def test_more_shed_holds_longer_and_waiting_costs() -> None:
    found = plan(1e9, [LAB, FANS, STORE, VITAL])
    lows = [step.hold_up_low_s for step in found.steps]
    assert lows == sorted(lows)
    assert found.waiting_costs_s is not None
    assert found.waiting_costs_s >= 0.0
    assert any("shed_by" in text for text in found.because)
    assert found.safety


def need(purpose: Purpose, required_s: float | None) -> RequirementVerdict:
    return RequirementVerdict("n", purpose, required_s, Against.NOW, Verdict.CANNOT_TELL, (), NOON, None)


def test_in_an_outage_it_should_hold_until_a_person_has_started_the_set_or_all_is_shut_down() -> None:
    units = estate(2).units_of("A")
    by_hand = replace(SET, hand_start_s=300.0)
    # 300 s to get there, 15 s of crank, 12 s of run-up, 3 s of changeover; 20 s to accept, 10 s in turn, 20 s of ramp
    hand = need(Purpose.MANUAL_GENERATOR_START, 600.0)
    assert wanted_now([hand], by_hand, units) == (380.0, "a start by hand")
    down = need(Purpose.ORDERLY_SHUTDOWN, 1200.0)
    assert wanted_now([hand, down], by_hand, units) == (1200.0, "an orderly shutdown")
    automatic = need(Purpose.GENERATOR_START, 90.0)
    assert wanted_now([automatic], None, units)[0] == UNSAID_S
    assert wanted_now([need(Purpose.PLANNED, None)], replace(SET, hand_start_s=None), units)[0] == UNSAID_S


def test_what_is_told_in_an_outage_is_the_plan_with_its_end() -> None:
    found = plan(1e6, [LAB, STORE])
    told = shed_first(found, NOON, "an orderly shutdown")
    assert [step.group for step in told.steps] == ["lab", "store"]
    assert told.power_w == 4000.0 + 3000.0
    assert told.reached is False
    assert told.ends_earliest == NOON + timedelta(seconds=found.steps[-1].hold_up_low_s)
    assert found.steps[-1].hold_up_low_s > found.steps[0].hold_up_low_s > (found.without_s or 0.0)
