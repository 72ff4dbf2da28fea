"""The live step against the full one."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.alarms.catalogue import Explanation
from rules.alarms.lifecycle.states import State
from rules.monitor.inputs import PlannedWork, Tick
from rules.monitor.live import Live
from rules.monitor.state import Book
from rules.plant.reading import OutputSource
from tests.rules.monitor.stories import Story
from tests.rules.monitor.watching import Watch, window
from tests.rules.sample_plant import estate, reading, stamp

INPUTS = 400


@pytest.mark.parametrize("seed", range(8))
def test_a_step_that_looks_at_what_it_touches_says_and_leaves_what_one_that_looks_at_everything_does(
    seed: int,
) -> None:
    story = Story(seed)
    story.go(INPUTS)
    assert story.inputs == INPUTS


def test_a_start_on_an_estate_file_that_was_changed_looks_at_everything_once() -> None:
    watch = Watch()
    watch.calm(0)
    watch.give(PlannedWork(stamp(1), (window(Explanation.ISOLATION, "control", 2, 9000),)))
    for seconds in range(3, 60):
        watch.give(reading("C1", seconds, source=OutputSource.BYPASS), Tick(stamp(seconds)))
    assert watch.alarm_state("on_bypass:C1") is State.SUPPRESSED_BY_DESIGN
    plant = estate()
    moved = replace(plant, units=dict(plant.units) | {"C1": replace(plant.units["C1"], system="works")})
    watch.live = Live.of(watch.state, Book(moved))
    watch.give(Tick(stamp(61, "run-2")))
    assert watch.alarm_state("on_bypass:C1") is State.ACTIVE_UNACKNOWLEDGED, (
        "the work is not at its system any more"
    )
