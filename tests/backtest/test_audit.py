"""Stories in which something false was once said, played again; and many new ones.

pytest -s tests/backtest/test_audit.py                          # minutes
AUDIT_STORIES=1000 pytest -s tests/backtest/test_audit.py -k many    # an hour or more
"""

from __future__ import annotations

import os
from typing import Final

import pytest

from tests.audit.audit import audited
from tests.audit.figures import Figures
from tests.audit.found import FOUND, Found
from tests.audit.mutations import MUTATIONS
from tests.audit.sight import So
from tests.audit.stories import story_of

STORIES: Final = int(os.environ.get("AUDIT_STORIES", "50"))
SEED: Final = 6
THROUGH_SOCKETS: Final = 10
"""One story in so many goes through real sockets."""


@pytest.mark.parametrize("found", FOUND, ids=lambda one: one.what)
def test_what_was_false_once_is_so_now(found: Found) -> None:
    one = audited(found.story)
    assert [f"{said.kind}: {why.why}" for said, why in one.false if said.kind in found.kinds] == []
    assert any(said.kind in found.kinds for said, _ in one.found)


def test_faults_put_into_the_judge_are_caught() -> None:
    sound: dict[str, bool] = {}
    escaped = []
    for mutation in MUTATIONS:
        name = repr(mutation.story)
        if name not in sound:
            sound[name] = audited(mutation.story).sound
        with mutation.made():
            faults = audited(mutation.story).faults()
        print(f"{mutation.what}: {dict(faults)}")
        if not faults:
            escaped.append(mutation.what)
    assert all(sound.values())
    assert len(MUTATIONS) >= 20
    assert len(escaped) <= len(MUTATIONS) // 20, escaped


def test_many_stories_are_told_truly() -> None:
    figures = Figures()
    for number in range(1, STORIES + 1):
        figures.add(audited(story_of(SEED, number), sockets=number % THROUGH_SOCKETS == 0))
    print(figures.table())
    assert figures.grave_false == 0
    assert figures.total(So.FALSE) <= figures.total(So.TRUE) / 1000
    assert not any(wait is None for waits in figures.waits.values() for wait in waits)
    ends = figures.intervals["ends"]
    assert sum(low for low, _ in ends) >= 0.95 * len(ends)
