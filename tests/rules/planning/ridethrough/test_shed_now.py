"""What to shed as people are told of it in an outage: steps that can be taken in time, and that stay."""

from __future__ import annotations

from rules.planning.ridethrough.shed_now import EASED_S, TO_ACT_S, Wanted, plan_now
from rules.planning.ridethrough.shedding import SheddingPlan, shedding_plan
from rules.plant.estate import LoadGroup
from rules.system.assessment import task_of
from rules.system.observation import glance
from tests.rules.sample_plants import estate, known_banks, reading, view

GROUPS = [
    LoadGroup(name, "A", (500.0,) * 3, importance) for name, importance in (("x", 3), ("y", 2), ("z", 1))
]


def fewest(wanted_s: float, groups: list[LoadGroup] = GROUPS) -> SheddingPlan:
    plant = estate(2)
    seen = view(plant, [reading(f"A{n}", (4000.0,) * 3) for n in (1, 2)])
    return shedding_plan(task_of(seen, glance(seen)), known_banks(plant), groups, wanted_s, at_s=0.0)


def told(wanted_s: float, before: int = 0) -> SheddingPlan:
    plant = estate(2)
    seen = view(plant, [reading(f"A{n}", (4000.0,) * 3) for n in (1, 2)])
    return plan_now(task_of(seen, glance(seen)), known_banks(plant), GROUPS, wanted_s, before, 0)


def test_what_is_wanted_stays_until_half_of_it_is_left_and_is_wanted_anew_then_or_where_it_is_another() -> (
    None
):
    first = Wanted.begun(1200.0, 100.0, 130.0)
    assert first == Wanted(1200.0, 1300.0)
    assert first.at(1200.0, 700.0) == first
    assert first.at(1200.0, 701.0) == Wanted(1200.0, 1901.0)
    assert first.at(600.0, 200.0) == Wanted(600.0, 800.0)
    assert Wanted.begun(1200.0, 100.0, 900.0) == Wanted(1200.0, 2100.0), "a start in the midst of it"


def test_where_the_fewest_steps_would_have_to_go_at_once_one_more_is_told() -> None:
    without_s = fewest(1.0).without_s or 0.0
    one_s = fewest(1e9).steps[0].hold_up_low_s or 0.0
    tight = one_s - 0.02 * (one_s - without_s)  # just within what the first step gives
    least = fewest(tight)
    assert (len(least.steps), (least.shed_by_s or 0.0) < TO_ACT_S) == (1, True)
    found = told(tight)
    assert len(found.steps) == 2
    assert (found.shed_by_s or 0.0) > (least.shed_by_s or 0.0)


def test_steps_that_were_told_stay_while_fewer_could_not_wait_for_long() -> None:
    without_s = fewest(1.0).without_s or 0.0
    one_s = fewest(1e9).steps[0].hold_up_low_s or 0.0
    for share in (0.5, 0.75):
        wanted_s = one_s - share * (one_s - without_s)
        least = fewest(wanted_s)
        assert len(least.steps) == 1
        by_s = least.shed_by_s or 0.0
        assert by_s >= TO_ACT_S
        assert len(told(wanted_s, before=2).steps) == (2 if by_s < EASED_S else 1)
        assert len(told(wanted_s, before=0).steps) == 1


def test_nothing_is_told_to_go_where_it_holds() -> None:
    assert told(1.0, before=3).steps == ()
