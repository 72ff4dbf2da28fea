"""Every sheet, in both inks, held by axe-core against WCAG 2.1 A and AA and its own good practices: without a finding."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from dataclasses import replace
from importlib.resources import files
from typing import Any

import pytest
from selenium import webdriver
from starlette.requests import Request
from starlette.responses import Response

from api.pages.banks.discharges import discharge_page, discharges_page
from api.pages.banks.table_trial import table_page
from api.pages.markup import assets
from api.pages.markup.frame import document
from api.pages.problem_pages import problem_page
from api.pages.sheets.outages_sheet import outage_page
from api.pages.sheets.sign_in import sign_in_page
from api.pages.units.past import past_page
from collector.planning.table_trial import TriedTable
from collector.read_model.outages.past import OutageStory
from collector.read_model.sheet import Sheet
from rules.battery.discharge.expected import Beside
from tests.api.pages import many, samples, shutdowns
from tests.api.pages.browser import Stage, chromium
from tests.api.pages.test_discharges import expected
from tests.api.pages.test_shutdown_browser import plays
from tests.api.pages.test_table_trial import TABLE
from tests.api.pages.units.test_past import gathered
from tests.api.test_looking_back import record
from tests.servers import need_program

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

AXE = (files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8")
RUN = """
const done = arguments[arguments.length - 1];
axe.run(document, {resultTypes: ["violations"]}).then(found => done(found.violations.map(
  one => one.id + ": " + one.nodes.map(node => node.target.join(" ") + " (" + node.failureSummary + ")").join("; "))));
"""
DARK = ("/", "/systems/works", "/banks/3", "/alarms", "/plans?system=works", "/table", "/discharge")
"""In the other ink only colours differ: one sheet of each kind."""
SHEETS = ("/", "/systems/control", "/systems/works", "/units/W3", "/banks", "/banks/3", "/alarms", "/wall")


class AllPages(Stage):
    """Serves beside the sheets those pages that are made by routes of their own."""

    def __init__(self, sheet: Sheet) -> None:
        super().__init__(sheet, plays=plays)
        bank, state = sheet.banks[0].id, sheet.systems[0]
        tried = TriedTable(
            bank, state.id, "Fern 12", (bank,), "constant_power = [[5, 66]]", state.hold_up, state.hold_up
        )
        one = replace(record(1, 900), bank=bank)
        event = next(event for event in sheet.events if event.kind == "outage")
        story = OutageStory("in-1", event.at, (event,), (), open=False)
        self.own = {
            "/units/W3/past": document(sheet, past_page(sheet, asyncio.run(gathered())[0])),
            "/sign-in": sign_in_page("/", "Wrong name or password."),
            "/table": document(sheet, table_page(sheet, bank, TABLE, tried)),
            "/table-refused": document(sheet, table_page(sheet, bank, "<b>", None, "It is not taken: no.")),
            "/discharges": document(sheet, discharges_page(sheet, bank, [one], "mark-2")),
            "/discharge": document(sheet, discharge_page(sheet, bank, one, expected(Beside.UNDER))),
            "/story": document(sheet, outage_page(sheet, story)),
            "/refused": problem_page(422, "Want a name.", "/systems/works", "/v1/alarms/1/shelve"),
        }

    async def _page(self, request: Request) -> Response:
        html = self.own.get(request.url.path)
        if html is None:
            return await super()._page(request)
        return Response(html, headers=assets.headers(), media_type="text/html; charset=utf-8")


@pytest.fixture(params=["light", "dark"])
def browser(request: pytest.FixtureRequest) -> Iterator[webdriver.Chrome]:
    need_program("chromium")
    need_program("chromedriver")
    with chromium(dark=request.param == "dark") as driver:
        yield driver


def findings(browser: webdriver.Chrome, address: str) -> list[str]:
    """Return what is found on a page with every fold open."""
    browser.get(address)
    browser.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    browser.execute_script(AXE)
    found: list[Any] = browser.execute_async_script(RUN)
    return [f"{address}: {one}" for one in found]


def test_nothing_is_found_on_any_sheet(browser: webdriver.Chrome, request: pytest.FixtureRequest) -> None:
    found: list[str] = []
    dark = "dark" in request.node.name
    with AllPages(samples.short()) as stage:
        for address in DARK if dark else (*SHEETS, "/plans?system=works", *stage.own):
            found += findings(browser, stage.url + address)
        browser.execute_script("document.body.appendChild(new Image())")
        assert browser.execute_async_script(RUN), "a picture without words is found"
        for sheet, addresses in (
            (samples.outage(), ("/", "/systems/works", "/wall")),
            (shutdowns.waiting(), ("/systems/control",)),
            (many.sheet_of(30), ("/",)),
        )[: 1 if dark else None]:
            stage.sheet = sheet
            for address in addresses:
                found += findings(browser, stage.url + address)
    assert found == []
