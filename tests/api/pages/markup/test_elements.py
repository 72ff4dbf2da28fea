import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.pages.markup.elements import el, escape, inner, live_parts, number, render, skeleton


@given(st.text())
@settings(max_examples=100, deadline=None)
def test_text_can_never_open_a_tag_or_leave_its_quotes(text: str) -> None:
    made = escape(text)
    assert not set(made) & set("<>\"'")
    assert render(el("p", text, title=text)).count("<") == 2


@pytest.mark.parametrize("name", ["style", "onclick", "onload_", "ON_error"])
def test_an_attribute_that_holds_style_or_script_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match="attribute"):
        el("p", None, live=False, **{name: "x"})


@pytest.mark.parametrize("tag", ["a b", "p>", "", "1p"])
def test_a_tag_that_is_none_is_refused(tag: str) -> None:
    with pytest.raises(ValueError, match="tag"):
        el(tag)


def test_script_and_style_may_hold_nothing() -> None:
    with pytest.raises(ValueError, match="tag"):
        el("script", "alert(1)")


def test_names_turn_underscores_into_hyphens_and_unknown_values_are_left_out() -> None:
    made = el("label", "x", for_="y", aria_label="z", title=None, hidden=False, open=True)
    assert render(made) == '<label for="y" aria-label="z" open>x</label>'


def test_live_parts_are_the_outermost_and_a_skeleton_is_without_them() -> None:
    tree = el("div", el("p", "now ", el("b", "1", id="b", live=True), id="p", live=True), el("h1", "stays"))
    assert [part.attribute("id") for part in live_parts(tree)] == ["p"]
    assert inner(next(live_parts(tree))) == 'now <b id="b">1</b>'
    assert skeleton(tree) == '<div><p id="p"></p><h1>stays</h1></div>'
    with pytest.raises(ValueError, match="id"):
        el("p", live=True)


def test_coordinates_are_short() -> None:
    assert [number(v) for v in (0.0, 1.0, 33.3333, -0.004, 12.50)] == ["0", "1", "33.33", "-0", "12.5"]
