"""Work on a unit on the page: its stages, what is not planned, the forms, and the words of caution."""

from __future__ import annotations

import re
from dataclasses import replace

from api.pages.markup.frame import SAFETY
from api.pages.sheets.registry import render_at
from collector.read_model.sheet import Sheet
from tests.api.pages import samples


def page(sheet: Sheet, address: str = "/systems/works") -> str:
    html = render_at(sheet, address)
    assert html is not None
    return html


def words(html: str) -> str:
    return " ".join(re.sub(r"<[^>]*>", " ", html).replace("&#x27;", "'").replace("&#39;", "'").split())


def test_work_as_planned_shows_how_far_it_has_come_and_who_said_so() -> None:
    html = page(samples.at_work())
    text = words(html)
    assert "Work on unit W3 since 12:32:10, until 16:32:10, as R. Haugen said: fans &lt;b&gt;." in text
    assert "Unit W3 is isolated; the others carry 17.6 kW." in text
    assert "in service 12:32:10 out 12:39:10 back – shares – bank full –" in text
    assert "Not planned." not in text


def test_what_is_not_planned_and_time_that_has_passed_are_said() -> None:
    text = words(page(samples.at_work(unplanned=True, overdue=True)))
    assert "Not planned. Stop at a safe point and touch nothing more." in text
    assert "Unit W2 was carrying and is off." in text
    assert "Its time has passed." in text


def test_the_overview_says_of_a_unit_that_is_worked_on_how_that_stands() -> None:
    text = words(page(samples.at_work(unplanned=True), "/"))
    assert "Unit W3 is isolated; the others carry 17.6 kW. Unit W2 was carrying and is off." in text


def test_the_forms_post_to_the_interface_and_carry_the_cautions() -> None:
    html = page(samples.at_work())
    assert 'action="/v1/systems/works/work/W3/close"' in html
    assert html.count('action="/v1/systems/works/work"') == 2, "to begin on another unit, to give more time"
    begin = html[html.index('id="q5"') :]
    options = re.findall(r'<option value="([^"]+)"', begin)
    assert "W3" not in options
    assert set(options) == {u.id for u in samples.estate().units_of("works")} - {"W3"}
    assert words(SAFETY) in words(html)
    assert words(html).count("Battery banks stay live") == 1, "once on a sheet; the form leads there"
    assert 'href="#safety"' in begin


def test_without_a_service_behind_it_there_is_no_form() -> None:
    html = page(replace(samples.at_work(), acts=False))
    assert "/v1/systems/works/work" not in html
    assert "Unit W3 is isolated" in html
