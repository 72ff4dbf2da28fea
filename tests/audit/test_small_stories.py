"""A few small stories through the whole service: nothing false is said, and nothing that must be is left out."""

from __future__ import annotations

import pytest

from collector.simulation.scenario.director import CardHangs, MainsFails, MainsReturns, UnitIsolated
from tests.audit.audit import Audited, audited
from tests.audit.happenings import CardSlow, ClockJumps, InputCloses, InputOpens
from tests.audit.play import play
from tests.audit.sight import So
from tests.audit.stories import Story, StoryCue

PAIR = (3, 8)
"""The seed and number of an estate of one system of two units."""


def _faults(one: Audited) -> list[str]:
    return [f"{said.kind} {said.about}: {found.why}" for said, found in one.false] + [
        f"never said: {gap.kind} {gap.about}" for gap in one.missed if gap.late_s is None
    ]


@pytest.mark.parametrize(
    "cues",
    [
        (StoryCue(40, MainsFails("mains")), StoryCue(62, MainsReturns("mains"))),
        (StoryCue(40, InputOpens("works-1")), StoryCue(60, InputCloses("works-1"))),
        (StoryCue(40, UnitIsolated("works-2")), StoryCue(45, CardHangs("works-1-card", 30.0))),
        (
            StoryCue(40, MainsFails("mains")),
            StoryCue(48, ClockJumps(-3000.0)),
            StoryCue(62, MainsReturns("mains")),
        ),
    ],
    ids=["outage", "one input", "out and dumb", "clock set"],
)
def test_what_is_said_in_a_small_story_is_so(cues: tuple[StoryCue, ...]) -> None:
    one = audited(Story(*PAIR, cues, 90.0))
    assert _faults(one) == []
    assert sum(found.so is So.TRUE for _, found in one.found) > 60
    assert len(one.missed) >= 1


def test_a_story_through_real_sockets_is_told_as_without() -> None:
    """What cards say goes by the service's own transport, also while one does not answer and one is late."""
    cues = (
        StoryCue(12, CardHangs("works-2-card", 4.0)),
        StoryCue(14, MainsFails("mains")),
        StoryCue(15, CardSlow("works-1-card", 0.4, 3.0)),
    )
    story = Story(*PAIR, cues, 24.0)
    told = [
        [(s.kind, s.about, s.value, s.at_s, s.until_s) for s in played.statements]
        for played in (play(story), play(story, sockets=True))
    ]
    assert told[0] == told[1]
    assert any(kind == "alarm on_battery" for kind, *_ in told[0])
