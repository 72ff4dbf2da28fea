"""In a real browser: nothing overflows or lies on another, and live updates replace figures."""

import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import pairwise

import pytest
from selenium import webdriver

from tests.api.pages import samples
from tests.api.pages.browser import Stage, chromium, resize
from tests.servers import need_program

pytestmark = [
    pytest.mark.real_server,
    pytest.mark.slow,
]


@pytest.fixture(scope="module", autouse=True)
def _browser_is_there() -> None:
    need_program("chromium")
    need_program("chromedriver")


ADDRESSES = (
    "/",
    "/systems/works",
    "/systems/depot",
    "/units/W3",
    "/units/D1",
    "/banks",
    "/banks/3",
    "/banks/D",
    "/alarms",
)

# What is wider than the page, cut off, or lies on other words; scrolling boxes may hold wider things.
FAULTS = """
const found = [], wide = innerWidth + 1, scrolls = ".tw, nav.where";
const shown = e => { const r = e.getBoundingClientRect(); return r.width > 0 && r.height > 0 && r.right > -900; };
const name = e => e.tagName + "." + (e.getAttribute("class") || "") + " " + (e.textContent || "").trim().slice(0, 40);
if (document.documentElement.scrollWidth > wide) found.push("page scrolls sideways: " + document.documentElement.scrollWidth);
for (const e of document.querySelectorAll("body *")) {
  if (!shown(e) || e.closest(scrolls) || e.closest("defs, clipPath, .stretch, .off, .skip")) continue;
  const r = e.getBoundingClientRect();
  if (r.right > wide || r.left < -15) found.push("beyond the page: " + name(e) + " " + Math.round(r.left) + ".." + Math.round(r.right));
}
for (const d of document.querySelectorAll("svg.draw")) {
  const words = [...d.querySelectorAll("text")].filter(shown).map(e => [e, e.getBoundingClientRect()]);
  for (let i = 0; i < words.length; i++) for (let j = i + 1; j < words.length; j++) {
    const [a, r] = words[i], [b, s] = words[j];
    const across = Math.min(r.right, s.right) - Math.max(r.left, s.left);
    const down = Math.min(r.bottom, s.bottom) - Math.max(r.top, s.top);
    if (across > 1 && down > 4) found.push("on one another: " + a.textContent + " / " + b.textContent);
  }
}
return found;
"""


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    with chromium() as driver:
        yield driver


def until(true: Callable[[], object], what: str, seconds: float = 8.0) -> None:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if true():
            return
        time.sleep(0.05)
    raise AssertionError(f"not within {seconds} s: {what}")


def text(driver: webdriver.Chrome, selector: str) -> str:
    found = driver.execute_script(
        "const e = document.querySelector(arguments[0]); return e ? e.textContent : ''", selector
    )
    return str(found)


def log(driver: webdriver.Chrome) -> list[dict[str, str]]:
    return list(driver.get_log("browser"))  # type: ignore[no-untyped-call]


@pytest.mark.parametrize("name", sorted(samples.ALL))
def test_nothing_overflows_or_lies_on_another_on_a_desk_or_a_phone(
    browser: webdriver.Chrome, name: str
) -> None:
    with Stage(samples.ALL[name]()) as stage:
        faults: list[str] = []
        for address in ADDRESSES:
            browser.get(stage.url + address)
            for width in (1440, 1024, 360):
                resize(browser, width)
                faults += [f"{address} at {width}: {fault}" for fault in browser.execute_script(FAULTS)]
    assert faults == []


def test_the_policy_is_kept_and_nothing_is_asked_of_anyone_else(browser: webdriver.Chrome) -> None:
    with Stage(samples.short()) as stage:
        resize(browser, 1440)
        log(browser)
        for address in ADDRESSES:
            browser.get(stage.url + address)
        said = [entry["message"] for entry in log(browser) if entry["level"] == "SEVERE"]
        assert said == []
        asked = browser.execute_script("return performance.getEntriesByType('resource').map(e => e.name)")
        assert all(url.startswith(stage.url) for url in asked)


def test_a_figure_that_changes_is_replaced_in_place_and_an_open_fold_stays_open(
    browser: webdriver.Chrome,
) -> None:
    sheet = samples.short()
    with Stage(sheet) as stage:
        resize(browser, 1440)
        browser.get(stage.url + "/")
        until(lambda: "+29.9" in text(browser, "#q1-control .figs"), "the first figure")
        browser.execute_script(
            "document.querySelector('#q1 details').open = true; window.kept = document.querySelector('#q1')"
        )
        control, works, depot = sheet.systems
        less = samples.held(30.0, 32.0, 34.0)
        stage.sheet = replace(
            sheet, systems=(replace(control, hold_up=replace(control.hold_up, now=less)), works, depot)
        )
        until(lambda: "+22.0" in text(browser, "#q1-control .figs"), "the figure that changed")
        assert browser.execute_script("return window.kept === document.querySelector('#q1')")
        assert browser.execute_script("return document.querySelector('#q1 details').open")
        assert browser.execute_script(
            "return document.querySelector('#q1-control dd').classList.contains('fresh')"
        )
        assert "+7.6" in text(browser, "#q1-works .figs")


def test_an_outage_arrives_counts_down_and_ends(browser: webdriver.Chrome) -> None:
    with Stage(samples.short()) as stage:
        resize(browser, 1440)
        browser.get(stage.url + "/")
        until(lambda: "would fall short" in text(browser, "#lead"), "the page in its order")
        stage.sheet = samples.outage()
        until(lambda: "is on its banks" in text(browser, "#lead"), "the outage")
        assert "The others" in text(browser, "main")
        assert "on its banks" in text(browser, "#said")
        first = text(browser, "#outage-works .tick-left")
        until(lambda: text(browser, "#outage-works .tick-left") != first, "the countdown")
        stage.sheet = samples.short()
        until(lambda: "If the mains fails now" in text(browser, "main"), "the page in its order again")
        assert "is on its banks" not in text(browser, "#lead")
        assert "How long it still holds" not in text(browser, "main")


def test_without_news_the_page_says_that_it_is_old(browser: webdriver.Chrome) -> None:
    with Stage(samples.short()) as stage:
        resize(browser, 1440)
        browser.get(stage.url + "/")
        until(lambda: "+29.9" in text(browser, "#q1-control .figs"), "the first figure")
        assert not browser.execute_script("return document.documentElement.dataset.feed")
        stage.deaf = True
        # again at every look: a stream that opens meanwhile is the last news
        later = "const now = Date.now; Date.now = () => now() + 91000; return document.documentElement.dataset.feed"
        until(lambda: browser.execute_script(later) == "lost", "the word that it is lost")
        assert browser.execute_script("return document.getElementById('feedlost').offsetHeight") > 0
        assert "14:32:10" in text(browser, "#feedlost")


def test_paper_can_be_dark_and_stays_so(browser: webdriver.Chrome) -> None:
    with Stage(samples.good()) as stage:
        resize(browser, 1440)
        browser.get(stage.url + "/")
        paper = "return getComputedStyle(document.documentElement).backgroundColor"
        assert browser.execute_script(paper) == "rgb(246, 247, 244)"
        browser.execute_script("document.getElementById('ink').click()")
        assert browser.execute_script(paper) == "rgb(16, 24, 30)"
        browser.get(stage.url + "/systems/control")
        assert browser.execute_script(paper) == "rgb(16, 24, 30)"
        browser.execute_script("localStorage.clear()")


def test_everything_that_can_be_pressed_is_large_enough_and_named(browser: webdriver.Chrome) -> None:
    with Stage(samples.short()) as stage:
        resize(browser, 360)
        browser.get(stage.url + "/")
        small = browser.execute_script(
            "return [...document.querySelectorAll('button, summary')].filter(e => e.offsetParent && e.offsetHeight < 28)"
            ".map(e => e.textContent)"
        )
        assert small == []
        unnamed = browser.execute_script(
            "return [...document.querySelectorAll('a, button, summary')].filter(e => !e.textContent.trim()"
            " && !e.getAttribute('aria-label')).length"
        )
        assert unnamed == 0


NAMED = {"link", "button", "image", "img", "textbox", "spinbutton", "combobox", "checkbox", "radio"}

# Text whose colour stands out too little from what it lies on, by WCAG 2.2's relative luminance.
PALE = """
const light = c => { const v = c.map(x => x / 255).map(x => x <= 0.03928 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4);
  return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2]; };
const parts = text => (text.match(/[\\d.]+/g) || []).map(Number);
const under = e => { for (; e; e = e.parentElement) { const c = parts(getComputedStyle(e).backgroundColor);
  if (c.length === 3 || c[3] > 0) return c; } return [255, 255, 255]; };
const found = [];
for (const e of document.querySelectorAll("main *, header *, footer *")) {
  if (e.closest("svg, .off, .skip") || !e.offsetParent) continue;
  if (![...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim())) continue;
  const [a, b] = [light(parts(getComputedStyle(e).color)), light(under(e))].sort((x, y) => y - x);
  const ratio = (a + 0.05) / (b + 0.05);
  if (ratio < 5.5) found.push(ratio.toFixed(2) + " " + e.textContent.trim().slice(0, 40));
}
return found;
"""


def spoken(driver: webdriver.Chrome) -> list[tuple[str, str, int]]:
    """Return what a screen reader is given, in order: role, name, and level of headings (0 for others)."""
    found = []
    for node in driver.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]:
        if node.get("ignored"):
            continue
        level = next((p["value"]["value"] for p in node.get("properties", ()) if p["name"] == "level"), 0)
        role, name = node["role"]["value"], node.get("name", {}).get("value", "")
        found.append((role, name, int(level) if role == "heading" else 0))
    return found


@pytest.mark.parametrize("name", ["short", "outage", "silent"])
def test_a_screen_reader_is_given_names_for_all_and_headings_in_order(
    browser: webdriver.Chrome, name: str
) -> None:
    with Stage(samples.ALL[name]()) as stage:
        resize(browser, 1440)
        for address in ADDRESSES:
            browser.get(stage.url + address)
            browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
            said = spoken(browser)
            unnamed = [role for role, words, _ in said if role in NAMED and not words.strip()]
            assert (address, unnamed) == (address, [])
            levels = [level for role, _, level in said if role == "heading"]
            assert (address, levels[0], levels.count(1)) == (address, 1, 1)
            assert (address, [b for a, b in pairwise(levels) if b > a + 1]) == (address, [])
            assert [role for role, _, _ in said].count("main") == 1
            assert [role for role, _, _ in said].count("status") == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_all_text_stands_out_from_the_paper(browser: webdriver.Chrome, scheme: str) -> None:
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    try:
        for name in ("short", "outage", "silent"):
            with Stage(samples.ALL[name]()) as stage:
                resize(browser, 1440)
                for address in ADDRESSES:
                    browser.get(stage.url + address)
                    browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
                    assert (address, browser.execute_script(PALE)) == (address, [])
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


def test_in_forced_colours_only_the_sheet_at_hand_is_underlined(browser: webdriver.Chrome) -> None:
    """And drawings keep their strokes in the system's own colours, whichever paper was chosen before."""
    forced = [{"name": "forced-colors", "value": "active"}, {"name": "prefers-color-scheme", "value": "dark"}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": forced})
    try:
        with Stage(samples.short()) as stage:
            browser.get(stage.url + "/banks")
            lines = browser.execute_script(
                "return [...document.querySelectorAll('nav.where a')]"
                ".map(a => [a.hasAttribute('aria-current'), getComputedStyle(a).borderBottomColor])"
            )
            paper = browser.execute_script(
                "return getComputedStyle(document.body.parentElement).backgroundColor"
            )
            assert [shown for shown, colour in lines if colour != paper] == [True]
            root = "return getComputedStyle(document.documentElement).getPropertyValue('--ink').trim()"
            assert browser.execute_script(root) == "CanvasText"
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})
