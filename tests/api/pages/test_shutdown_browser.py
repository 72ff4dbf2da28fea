"""Question 6 in a real browser: nothing overflows, and a form that is refused says why."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import pytest
from selenium import webdriver

from api.pages.plans.shutdown_question import ShutdownQuestion
from collector.read_model.answers import WhatIf
from rules.planning.ridethrough.shutdown import way
from rules.plant.estate import LoadGroup
from tests.api.pages import samples, shutdowns
from tests.api.pages.browser import REFUSAL, Stage, chromium, resize
from tests.api.pages.test_browser import FAULTS, NAMED, spoken, text, until
from tests.servers import need_program

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

ADDRESSES = ("/", "/systems/control", "/systems/works", "/systems/depot")
FORM = "document.querySelector('form[data-act=sign]')"


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    need_program("chromium")
    need_program("chromedriver")
    with chromium() as driver:
        yield driver


@pytest.mark.parametrize("name", sorted(shutdowns.ALL))
def test_nothing_overflows_with_every_form_and_fold_open(browser: webdriver.Chrome, name: str) -> None:
    with Stage(shutdowns.ALL[name]()) as stage:
        faults: list[str] = []
        for address in ADDRESSES:
            browser.get(stage.url + address)
            browser.execute_script("document.querySelectorAll('#q6 details').forEach(d => d.open = true)")
            for width in (1440, 1024, 360):
                resize(browser, width)
                faults += [f"{address} at {width}: {fault}" for fault in browser.execute_script(FAULTS)]
    assert faults == []


def test_a_shutdown_that_is_refused_says_why_beside_the_form_and_to_those_who_listen(
    browser: webdriver.Chrome,
) -> None:
    with Stage(shutdowns.waiting()) as stage:
        resize(browser, 1440)
        browser.get(stage.url + "/systems/control")
        browser.execute_script(
            f"const f = {FORM}; f.closest('details').open = true; f.starts_at.value = '2026-12-20T08:00';"
            "f.minutes.value = '30'; f.generator.value = 'false'; f.by.value = 'R. Haugen'; f.requestSubmit();"
        )
        until(lambda: text(browser, "form[data-act=sign] .refusal") == REFUSAL, "the reason")
        assert text(browser, "#said") == REFUSAL
        assert stage.sent == [
            {"starts_at": "2026-12-20T08:00", "lasts_s": 1800, "generator": "false", "by": "R. Haugen"}
        ]


def plays(asked: ShutdownQuestion) -> WhatIf:
    """Return an invented answer: carried with the generator, or with the laboratory shed."""
    plant, scenario = samples.estate(), replace(asked.scenario(), sheds=())
    played = shutdowns.played("works", shutdowns.carried("works"), shutdowns.lost("works"), scenario)
    if asked.sheds:
        played = replace(
            played, planned=way(shutdowns.carried("works"), scenario, None, plant.units_of("works"))
        )
    return WhatIf(played, None)


def test_each_change_of_the_question_is_played_and_stands_in_the_address(browser: webdriver.Chrome) -> None:
    plain = samples.short()
    groups = {"lab": LoadGroup("lab", "works", (800.0, 800.0, 800.0), 3)}
    sheet = replace(plain, estate=replace(plain.estate, load_groups=groups))
    with Stage(sheet, plays=plays) as stage:
        faults = []
        for width in (360, 1024, 1440):
            resize(browser, width)
            browser.get(stage.url + "/plans?system=works")
            faults += [f"at {width}: {fault}" for fault in browser.execute_script(FAULTS)]
        assert faults == []
        until(lambda: "is carried throughout" in text(browser, "#played .ans"), "the first answer")
        none = browser.find_element("css selector", "input[name=generator][value=none]")
        none.send_keys(" ")  # by keyboard alone
        until(
            lambda: "drops between 08:17 and 08:19" in text(browser, "#played .ans"), "the answer without it"
        )
        assert "generator=none" in browser.current_url
        assert browser.execute_script("return document.activeElement.value") == "none"
        assert text(browser, "#played form") == ""  # what is not carried is not signed
        browser.find_element("css selector", "input[name=shed]").send_keys(" ")
        until(lambda: "is carried throughout" in text(browser, "#played .ans"), "the answer with it shed")
        hours = browser.find_element("css selector", "input[name=hours]")
        hours.clear()
        hours.send_keys("2")
        until(lambda: "08:00 to 10:00" in text(browser, "#played .ans"), "the answer for two hours")
        browser.get(browser.current_url)  # as it was sent to somebody else
        assert "08:00 to 10:00: the load is carried" in text(browser, "#played .ans")
        browser.execute_script(
            f"const f = {FORM}; f.closest('details').open = true; f.by.value = 'R. Haugen'; f.requestSubmit();"
        )
        until(lambda: stage.sent, "what was signed")
    assert stage.sent == [
        {
            "starts_at": "2026-11-28T08:00",
            "by": "R. Haugen",
            "scenario": {
                "outages": [{"from_s": 0, "for_s": 7200, "generator": False}],
                "generator": {"case": "as_declared"},
                "units_out": [],
                "sheds": [{"group": "lab", "at_s": 180}],
            },
        }
    ]


def test_a_screen_reader_hears_the_answer_of_the_drawing_and_a_name_for_every_field(
    browser: webdriver.Chrome,
) -> None:
    with Stage(shutdowns.waiting()) as stage:
        resize(browser, 1440)
        browser.get(stage.url + "/systems/control")
        browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
        said = spoken(browser)
    assert [role for role, words, _ in said if role in NAMED and not words.strip()] == []
    assert any(
        role in {"image", "img"} and "As signed the load is carried" in words for role, words, _ in said
    )
    levels = [level for role, _, level in said if role == "heading"]
    assert [b for a, b in pairwise(levels) if b > a + 1] == []
