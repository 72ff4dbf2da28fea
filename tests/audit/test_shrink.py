"""A story is brought down to what its fault needs."""

from __future__ import annotations

from collector.simulation.scenario.director import MainsFails, MainsReturns, UnitTested
from tests.audit.shrink import smallest
from tests.audit.stories import Story, StoryCue, story_of


def test_what_a_fault_does_not_need_is_left_out() -> None:
    cues = (
        StoryCue(50, UnitTested("works-1")),
        StoryCue(60, MainsFails("mains")),
        StoryCue(90, MainsReturns("mains")),
        StoryCue(200, MainsFails("mains")),
    )
    found = smallest(
        Story(3, 51, cues, 600.0),
        lambda one: any(isinstance(c.event, MainsReturns) for c in one.cues) and one.lasts_s > 100.0,
        tries=60,
    )
    assert found.cues == (StoryCue(90, MainsReturns("mains")),)
    assert found.lasts_s < 200.0


def test_a_story_is_the_same_for_the_same_seed_and_number() -> None:
    assert story_of(7, 3) == story_of(7, 3)
    assert story_of(7, 3).told() != story_of(7, 4).told()
