"""The sentence of a system on the overview: which need fails, and which holds."""

from __future__ import annotations

from dataclasses import replace

from api.pages.estate.tally import sentence
from api.pages.hold_up.sentences import judged, opening
from api.pages.markup.elements import el, render
from api.pages.sheets.registry import render_at
from collector.read_model.rows.system_row import system_rows
from rules.system.state import SystemState
from rules.values.verdict import Verdict
from tests.api.pages import samples
from tests.api.pages.hold_up.test_lanes import coming_back, text


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


def test_one_unit_without_input_does_not_put_the_whole_system_on_its_banks() -> None:
    sheet = coming_back()
    rows = system_rows(sheet)
    (works,) = [s for s in sheet.systems if s.id == "works"]
    html = said(works)
    assert "<b>has one of three units on its bank</b>" in html
    assert "is on its banks" not in html
    carried = replace(works.on_battery, carried=True, ends_earliest=None) if works.on_battery else None
    assert "now. The units that are fed can carry the load." in said(replace(works, on_battery=carried))
    assert "has one of three units on its bank" in sentence(rows)[1]
    for address in ("/", "/systems/works", "/wall"):
        page = text(render_at(sheet, address))
        assert "Treatment works has one of three units on its bank" in page
        assert "Treatment works is on its banks" not in page
    assert "is on its banks" in said(next(s for s in samples.outage().systems if s.on_battery))


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
