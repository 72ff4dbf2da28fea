"""On paper: a dozen systems on four sheets, no heading parted from what it heads, a report whose first page is read in a minute."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver

from api.pages.sheets import report as reports
from tests.api.pages import many, samples
from tests.api.pages.browser import Stage, chromium, resize
from tests.api.pages.sheets.test_report import jobs
from tests.servers import need_program

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

SHEETS = 4
A4 = {"preferCSSPageSize": True, "printBackground": True, "paperWidth": 8.27, "paperHeight": 11.69}
WIDE, HIGH = 703, 1009
"""What the margins leave of A4, in CSS pixels."""

IN_PAGES = """const s = document.documentElement.style;
s.height = arguments[0] + "px"; s.columns = arguments[1] + "px"; s.columnFill = "auto"; s.columnGap = "0";"""
"""The same breaks in columns as on pages: where each part lands can be asked there."""
PARTED = """const wide = arguments[0], on = r => Math.floor((r.left + 1) / wide);
return [...document.querySelectorAll("h2, h3")].filter(h => h.offsetHeight).filter(h => {
  const body = h.closest("header") && h.closest(".q") && h.closest(".q").querySelector(".body > *");
  let head = h; while (head.parentElement && !head.nextElementSibling) head = head.parentElement;
  let next = body || head.nextElementSibling;
  while (next && (!next.getClientRects().length || next.matches(".key"))) next = next.nextElementSibling;
  if (next) next = [...next.querySelectorAll(".sys, .ruler, .al, .bk, tr, p, li")].find(e => e.getClientRects().length) || next;
  return next && on([...h.getClientRects()].at(-1)) < on(next.getClientRects()[0]);
}).map(h => h.textContent)"""


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    need_program("chromium")
    need_program("chromedriver")
    with chromium(WIDE, HIGH) as driver:
        yield driver


def pages(browser: webdriver.Chrome) -> int:
    """Return how many pages of A4 what is shown takes."""
    printed: dict[str, Any] = browser.execute_cdp_cmd("Page.printToPDF", A4)
    return base64.b64decode(printed["data"]).count(b"/Type /Page\n")


def parted(browser: webdriver.Chrome) -> list[str]:
    """Return the headings that end a page, parted from what they head."""
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    browser.execute_script(IN_PAGES, HIGH, WIDE)
    found: list[str] = browser.execute_script(PARTED, WIDE)
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    return found


@pytest.mark.parametrize("systems", [3, 12])
def test_a_small_estate_takes_four_sheets_at_most_and_no_heading_stands_alone(
    browser: webdriver.Chrome, systems: int
) -> None:
    with Stage(samples.short() if systems == 3 else many.sheet_of(systems)) as stage:
        resize(browser, WIDE, HIGH)
        browser.get(stage.url)
        assert 1 <= pages(browser) <= SHEETS
        assert parted(browser) == []


def test_the_first_page_of_a_report_says_what_to_order_by_when_and_the_budget(
    browser: webdriver.Chrome, tmp_path: Path
) -> None:
    sheet = samples.short()
    whole = reports.document(sheet, reports.estate_report(sheet, jobs()))
    (tmp_path / "report.html").write_text(whole, "utf-8")
    browser.get((tmp_path / "report.html").as_uri())
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    front = browser.execute_script("return document.querySelector('.front').getBoundingClientRect().bottom")
    said = browser.execute_script("return document.querySelector('.front').textContent")
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert front <= HIGH
    assert "One of three systems would fall short" in said
    assert "order by" in said
    assert "2026/27" in said
    assert len(said.split()) <= 250  # a minute's reading
