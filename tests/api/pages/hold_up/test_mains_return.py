"""What a supply came back on: asked for where nobody knows, a sentence where somebody does."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from api.pages.hold_up.mains_return import ASKED_FOR, returned
from api.pages.markup.elements import render
from api.pages.sheets import registry as sheets
from tests.api.pages import samples


def shown(*supplies: str, **changed: object) -> str:
    section = returned(replace(samples.short(), **changed), supplies)  # type: ignore[arg-type]
    return "" if section is None else render(section)


def test_an_outage_of_which_nobody_knows_how_it_ended_asks_for_a_mark() -> None:
    html = shown("b")
    assert "Returned after 18 s, source not known: mark it." in html
    assert 'action="/v1/incidents/power-2/mark"' in html
    assert html.count("<option") == 4, (
        "the generator, the mains, not known, and none of them chosen beforehand"
    )
    assert 'name="by" required' in html


def test_a_page_on_which_nobody_may_act_asks_for_nothing() -> None:
    assert "<form" not in shown("b", acts=False)


def test_each_supply_has_its_own_and_a_month_later_nobody_is_asked() -> None:
    assert "power-1" not in shown("b")
    assert shown("c") == ""
    old = tuple(replace(r, lost_at=samples.NOW - ASKED_FOR - timedelta(hours=1)) for r in samples.returns())
    assert shown("a", "b", returns=old) == ""


def test_what_is_known_is_said_of_the_last_outage_and_can_be_corrected() -> None:
    assert "Mark otherwise" in shown("a")
    earlier = samples.returns()[0]
    later = replace(earlier, supply="b", lost_at=samples.NOW)
    assert "power-1" not in shown("a", "b", returns=(earlier, replace(later, incident="power-3")))


def test_on_a_systems_sheet_it_is_asked_first_while_it_is_fresh_and_then_below_the_first_question() -> None:
    def places(age: timedelta) -> tuple[int, int]:
        aged = tuple(replace(r, lost_at=samples.NOW - age) for r in samples.returns())
        html = sheets.render_at(replace(samples.short(), returns=aged), "/systems/works")
        assert html is not None
        return html.index("What the supply came back on"), html.index("If the mains fails now")

    asked, first = places(timedelta(hours=3))
    assert asked < first
    asked, first = places(timedelta(days=3))
    assert asked > first
