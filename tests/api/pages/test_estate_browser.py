"""In a real browser: all six answers without scrolling, a large estate on a desk and a phone, found while one types."""

from collections.abc import Iterator
from dataclasses import replace

import pytest
from selenium import webdriver
from selenium.webdriver.common.keys import Keys

from rules.system.state import RequirementVerdict
from rules.values.verdict import Verdict
from tests.api.pages import many, samples
from tests.api.pages.browser import Stage, chromium, resize
from tests.api.pages.test_browser import FAULTS, text, until
from tests.servers import need_program

pytestmark = [pytest.mark.real_server, pytest.mark.slow]


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    need_program("chromium")
    need_program("chromedriver")
    with chromium() as driver:
        yield driver


LAST = "return Math.max(...[...document.querySelectorAll('.screen tr[id]')].map(e => e.getBoundingClientRect().bottom))"


BROKEN = """return [...document.querySelectorAll(".rows.tall :is(.wm, .n1, .do1)")].flatMap(e => {
  const found = [], walk = document.createTreeWalker(e, NodeFilter.SHOW_TEXT), range = document.createRange();
  for (let node; (node = walk.nextNode());) for (const word of node.data.matchAll(/[^\\s-]+/g)) {
    range.setStart(node, word.index); range.setEnd(node, word.index + word[0].length);
    if (new Set([...range.getClientRects()].map(r => r.top)).size > 1) found.push(word[0]);
  }
  return found; })"""
"""Words that are parted between two lines, but at a hyphen of their own."""


CUT = """return [...document.querySelectorAll(".rows.close tr[id] :is(th, td, span, p, small, i, em), .axrow small, .six span")].filter(e =>
  e.offsetHeight && (e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).display !== "inline" || e.textContent.includes("\\u2026")))
  .map(e => e.textContent)"""
"""Words of the rows and their heads that are wider than their place, or cut short."""


ASIDE = """const heads = [...document.querySelectorAll(".six > *")].slice(-6), cells = [...document.querySelectorAll(".rows tr[id] td")].slice(0, 6);
return heads.map((h, n) => Math.round(h.getBoundingClientRect().left - cells[n].getBoundingClientRect().left)).filter(d => Math.abs(d) > 4)"""
"""By how much a head stands beside its column, in pixels."""
BUTTON = "return document.querySelector('.head button').getBoundingClientRect().left"


@pytest.mark.parametrize("systems", [3, 12])
def test_all_six_answers_of_a_small_estate_stand_above_the_fold(
    browser: webdriver.Chrome, systems: int
) -> None:
    with Stage(samples.short() if systems == 3 else many.sheet_of(systems)) as stage:
        resize(browser, 1440, 900)
        browser.get(stage.url)
        assert browser.execute_script(LAST) <= 900
        assert browser.execute_script(BROKEN) == []
        assert browser.execute_script(ASIDE) == []
        assert browser.execute_script(BUTTON) > 1200  # however many words stand before it
        browser.execute_script("scrollTo(0, 2000)")
        top = "return document.querySelector('.six').getBoundingClientRect().top"
        until(lambda: browser.execute_script(top) == 0, "the numbers stay in sight")


def test_no_word_of_a_row_or_a_head_is_cut_off_however_long_they_are(browser: webdriver.Chrome) -> None:
    sheet = many.sheet_of(12)
    long = "Let each bank of the blower controls carry its part of the load of today for a quarter of an hour"
    groups = {
        name: replace(group, id=f"ventilation and lighting of the {name}")
        for name, group in sheet.estate.load_groups.items()
    }
    asks = replace(
        sheet,
        estate=replace(sheet.estate, load_groups=groups),
        alarms=tuple(replace(alarm, do_first=long) for alarm in sheet.alarms),
    )
    unshown = replace(
        sheet,
        systems=tuple(
            replace(state, requirements=tuple(_untold(need) for need in state.requirements))
            for state in sheet.systems
        ),
        sizes={},
        isolations=(),
        shutdowns={},
    )
    with Stage(asks) as stage:
        for shown in (asks, unshown):
            stage.sheet = shown
            for width in (1440, 1280, 1024, 360):
                resize(browser, width, 900)
                browser.get(stage.url)
                assert browser.execute_script(CUT) == [], width


def _untold(need: RequirementVerdict) -> RequirementVerdict:
    return replace(need, verdict=Verdict.CANNOT_TELL, margin_s=None)


def test_a_large_estate_fits_its_page_and_shows_forty_rows_on_two_screens(browser: webdriver.Chrome) -> None:
    with Stage(many.sheet_of(100)) as stage:
        browser.get(stage.url)
        faults: list[str] = []
        for width in (1440, 1024, 360):
            resize(browser, width)
            faults += [f"at {width}: {fault}" for fault in browser.execute_script(FAULTS)]
        assert faults == []
        resize(browser, 1440, 900)
        rows = "return [...document.querySelectorAll('.rows tr[id]')].filter(e => e.offsetHeight && e.getBoundingClientRect().bottom < 2000).length"
        assert browser.execute_script(rows) >= 40


def test_a_system_of_a_hundred_is_found_by_the_keyboard_while_one_types_and_the_address_keeps_it(
    browser: webdriver.Chrome,
) -> None:
    with Stage(many.sheet_of(100)) as stage:
        resize(browser, 1440, 900)
        browser.get(stage.url)
        shown = "return document.querySelectorAll('.rows tr[id]').length"
        assert browser.execute_script(shown) == 100
        browser.execute_script("document.getElementById('find').focus()")
        browser.switch_to.active_element.send_keys("harrowgill intake")
        until(lambda: browser.execute_script(shown) == 1, "the one that was asked for")
        assert "find=harrowgill+intake" in browser.current_url
        assert browser.switch_to.active_element.get_attribute("value") == "harrowgill intake"
        for _ in range(40):
            browser.switch_to.active_element.send_keys(Keys.TAB)
            if "/systems/" in (browser.switch_to.active_element.get_attribute("href") or ""):
                break
        browser.switch_to.active_element.send_keys(Keys.ENTER)
        until(lambda: browser.current_url.endswith("/systems/sys-13"), "its own sheet")


def test_rows_keep_their_places_and_the_page_says_how_many_would_stand_elsewhere(
    browser: webdriver.Chrome,
) -> None:
    sheet = many.sheet_of(12)
    with Stage(sheet) as stage:
        resize(browser, 1440, 900)
        browser.get(stage.url)
        order = "return [...document.querySelectorAll('.rows tr[id]')].map(e => e.id)"
        before = browser.execute_script(order)
        until(
            lambda: browser.execute_script("return document.getElementById('moved').hidden"),
            "the order of its loading",
        )
        state = next(s for s in sheet.systems if s.id == "sys-6")
        less = replace(state, requirements=(replace(state.requirements[0], margin_s=13.0),))
        stage.sheet = many.with_state(sheet, less)
        until(lambda: "+0.2" in text(browser, "#s-sys_2d6"), "the figure that changed")
        assert browser.execute_script(order) == before
        assert text(browser, "#moved") == "1 row would stand elsewhere: order again"
        assert browser.execute_script(
            "return document.querySelector('#s-sys_2d6 .mgn').classList.contains('fresh')"
        )
        browser.execute_script("document.getElementById('moved').click()")
        until(lambda: browser.execute_script(order) != before, "another order")


SMALL = """return [...document.querySelectorAll("body *")].filter(e => e.getClientRects().length && !e.closest(".off, .feedlost") &&
  [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()) && parseFloat(getComputedStyle(e).fontSize) < 19)
  .map(e => e.textContent.trim().slice(0, 30) + " " + getComputedStyle(e).fontSize)"""
HIDDEN = """return [...document.querySelectorAll(".wbody li, .wbody p, .wfoot p")].filter(e => e.getBoundingClientRect().height &&
  e.getBoundingClientRect().bottom > document.querySelector(e.closest(".wfoot") ? "body" : ".wfoot").getBoundingClientRect()[e.closest(".wfoot") ? "bottom" : "top"] + 1)
  .map(e => e.textContent.slice(0, 40))"""


@pytest.mark.parametrize("name", ["short", "hundred", "outage"])
def test_the_wall_is_read_from_four_metres_and_nothing_of_it_is_cut_off(
    browser: webdriver.Chrome, name: str
) -> None:
    with Stage(many.sheet_of(100) if name == "hundred" else samples.ALL[name]()) as stage:
        resize(browser, 1920, 1080)
        browser.get(f"{stage.url}/wall")
        assert browser.execute_script("return document.documentElement.scrollHeight") <= 1080
        assert browser.execute_script("return document.documentElement.scrollWidth") <= 1920
        assert browser.execute_script(SMALL) == []
        assert browser.execute_script(HIDDEN) == []


def test_the_wall_turns_into_the_outage_and_back_and_says_when_it_is_old(browser: webdriver.Chrome) -> None:
    with Stage(samples.short()) as stage:
        resize(browser, 1920, 1080)
        browser.get(f"{stage.url}/wall")
        until(lambda: "would fall short" in text(browser, "#lead"), "the wall at rest")
        before = text(browser, ".whead time")
        until(lambda: text(browser, ".whead time") != before, "the clock")
        stage.sheet = samples.outage()
        until(lambda: "is on its banks" in text(browser, "#lead"), "the outage")
        first = text(browser, ".wfigs .tick-left")
        until(lambda: text(browser, ".wfigs .tick-left") != first, "the countdown")
        stage.sheet = samples.short()
        until(lambda: "would fall short" in text(browser, "#lead"), "the wall at rest again")
        stage.deaf = True
        later = "const now = Date.now; Date.now = () => now() + 91000; return document.documentElement.dataset.feed"
        until(lambda: browser.execute_script(later) == "lost", "the word that it is old")
        assert browser.execute_script("return document.getElementById('feedlost').offsetHeight") > 0
