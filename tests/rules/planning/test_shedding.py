"""The order of shedding, and the fewest steps to a wanted hold-up."""

from __future__ import annotations

from rules.assess import glance, task_of
from rules.estate import LoadGroup
from rules.planning.shedding import SheddingPlan, shed_order, shedding_plan
from tests.rules.plants import estate, known_banks, reading, view

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
