"""Which of a system's needs decides how it stands, and is the one that is shown."""

from dataclasses import replace

import pytest

from collector.read_model.rows.system_row import deciding_need
from rules.values.verdict import Verdict
from tests.rules.sample_plant import system_state

YES, NO, UNKNOWN = Verdict.ADEQUATE, Verdict.INADEQUATE, Verdict.CANNOT_TELL


@pytest.mark.parametrize(
    ("by_hand", "start", "decides"),
    [
        (YES, YES, "hand"),  # the longest
        (UNKNOWN, UNKNOWN, "hand"),
        (UNKNOWN, YES, "hand"),
        (YES, UNKNOWN, "start"),
        (UNKNOWN, NO, "start"),
        (NO, NO, "hand"),  # the worst
    ],
)
def test_the_worst_decides_else_the_longest_that_is_not_told_else_the_longest(
    by_hand: Verdict, start: Verdict, decides: str
) -> None:
    state = system_state("works", 10.0)
    of = {need.id: need for need in state.requirements}
    needs = (
        replace(of["start"], verdict=start, margin_s=-10.0 if start is NO else None),
        replace(of["hand"], verdict=by_hand, margin_s=-60.0 if by_hand is NO else None),
    )
    found = deciding_need(replace(state, requirements=needs))
    assert found is not None
    assert found.id == decides
