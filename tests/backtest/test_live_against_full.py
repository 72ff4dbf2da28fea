"""The live step of the watch against the one that looks at everything, over 100,000 random inputs.

`pytest -s tests/backtest/test_live_against_full.py`, five minutes. The ordinary suite has some thousands of them.
"""

from __future__ import annotations

from tests.rules.monitor.stories import Story

STORIES, INPUTS = 200, 500
FIRST_SEED = 1000
"""Other stories than the ordinary suite tells."""


def test_a_hundred_thousand_inputs_leave_and_say_the_same_both_ways() -> None:
    given = kills = 0
    for seed in range(FIRST_SEED, FIRST_SEED + STORIES):
        story = Story(seed)
        story.go(INPUTS)
        given += story.inputs
        kills += story.run - 1
    print(f"{given} inputs, {kills} kills among them")
    assert given == STORIES * INPUTS
