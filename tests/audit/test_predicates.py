"""A predicate can fail: what was said in a story, said otherwise, is found false."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final, cast

import pytest

from collector.simulation.plant.unit import Mode
from collector.simulation.scenario.director import MainsFails, MainsReturns
from rules.values.reason import Arg, Reason
from tests.audit import world
from tests.audit.play import play
from tests.audit.predicates.registry import PREDICATES
from tests.audit.sight import Sight, So
from tests.audit.stories import Story, StoryCue
from tests.audit.world import World

CUES: Final = (StoryCue(50, MainsFails("mains")), StoryCue(65, MainsReturns("mains")))


@pytest.fixture(scope="module")
def sight() -> Sight:
    """Return a story of two units that were told of in many ways."""
    return Sight(play(Story(3, 291, CUES, 110.0)))


def _with(**changed: object) -> Callable[[Any], Any]:
    def said(value: Any) -> Any:
        if isinstance(value, tuple):
            return (replace(value[0], **changed), *value[1:])
        if isinstance(value, Reason):
            return replace(value, args=tuple((n, cast("Arg", changed.get(n, a))) for n, a in value.args))
        return replace(value, **changed)

    return said


def _first(value: object) -> Callable[[Any], Any]:
    return lambda said: (value, *said[1:])


OTHERWISE: Final[dict[str, Callable[[Any], Any]]] = {
    "bank capacity": _with(low=1.3, high=1.35),
    "bank asked_fraction": _first(3.0),
    "bank effective_age_years": lambda said: said + 9.0,
    "bank worn_as_c": lambda said: said + 9.0,
    "bank shown_to_carry": lambda said: replace(said, power_w=3.0 * said.power_w),
    "bank claims": _with(count=9),
    "reason supply_back": _with(took_s=500.0),
    "reason unit_from_battery": _with(took_s=500.0),
    "reason holds_one_lost": _with(held_s=50_000.0),
    "hold-up now": _with(low_s=50_000.0),
    "hold-up one lost": _with(low_s=50_000.0),
}


@pytest.mark.parametrize("kind", OTHERWISE)
def test_what_is_said_otherwise_is_found_false(sight: Sight, kind: str) -> None:
    """By the predicate of its kind, wherever it found what was truly said to be so."""
    said = [s for s in sight.played.statements if s.kind == kind]
    true = [s for s in said if PREDICATES[kind](sight, s).so is So.TRUE]
    assert true, f"{len(said)} were said"
    assert {PREDICATES[kind](sight, replace(s, value=OTHERWISE[kind](s.value))).so for s in true} == {
        So.FALSE
    }


def test_an_end_played_by_long_steps_is_that_of_short_ones(
    sight: Sight, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With all units there, and with one gone that leaves the other more than it may carry for long."""
    at = sight.world.at(0.0)
    whole = at.state.systems["works"]
    gone = replace(whole, units=(replace(whole.units[0], mode=Mode.ISOLATED), *whole.units[1:]))
    over = replace(gone, extra_w=0.4 * sum(at.plant.systems["works"].load.watts))
    quick = [World._lost_after_s(at, "works", one) for one in (whole, gone, over)]
    monkeypatch.setattr(world, "COARSE_S", 2.0)
    slow = [World._lost_after_s(at, "works", one) for one in (whole, gone, over)]
    assert quick == pytest.approx(slow, abs=2.5)
