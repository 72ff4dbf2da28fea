"""The live step against the full one."""

from __future__ import annotations

import pytest

from tests.rules.watch.stories import Story

INPUTS = 400


@pytest.mark.parametrize("seed", range(8))
def test_a_step_that_looks_at_what_it_touches_says_and_leaves_what_one_that_looks_at_everything_does(
    seed: int,
) -> None:
    story = Story(seed)
    story.go(INPUTS)
    assert story.inputs == INPUTS
