"""The sentence of a system on the overview: which need fails, and which holds."""

from __future__ import annotations

from dataclasses import replace

from api.pages.hold_up.sentences import judged, opening
from api.pages.markup.elements import el, render
from rules.system.state import SystemState
from rules.values.verdict import Verdict
from tests.api.pages import samples


def said(state: SystemState) -> str:
    _, sentence = opening(judged(samples.short(), state))
    return render(el("p", sentence))


def short() -> SystemState:
    """Return a system that is short of a start by hand with all its units, and holds for the generator's start."""
    state = next(s for s in samples.short().systems if len(s.requirements) > 1)
    low = replace(state.hold_up, now=replace(state.hold_up.now, low_s=300.0))
    return replace(state, hold_up=low)


def test_a_headline_names_the_need_that_fails_and_the_one_that_holds() -> None:
    html = said(short())
    assert "holds until the generator carries it, but not for a start by hand: " in html
    assert "4.5 min short." in html


def test_where_no_need_holds_it_does_not_ride_through() -> None:
    state = short()
    needs = tuple(replace(need, verdict=Verdict.INADEQUATE) for need in state.requirements)
    html = said(replace(state, requirements=needs))
    assert "does not ride through: " in html
    assert "carries it, but" not in html


def test_where_the_loss_of_every_unit_fails_no_two_of_them_are_named_as_the_ones_that_do() -> None:
    state = next(s for s in samples.short().systems if len(s.hold_up.each_unit_lost) == 3)
    needed = max(need.required_s or 0.0 for need in state.requirements)
    lows = (needed - 300.0, needed - 300.0, needed - 100.0)
    each = tuple(
        replace(one, hold_up=replace(one.hold_up, low_s=low))
        for one, low in zip(state.hold_up.each_unit_lost, lows, strict=True)
    )
    worst = replace(state.hold_up.one_unit_lost, low_s=lows[0])
    html = said(replace(state, hold_up=replace(state.hold_up, each_unit_lost=each, one_unit_lost=worst)))
    assert "with any one lost, " in html
    assert "5.0 min short at the worst." in html
