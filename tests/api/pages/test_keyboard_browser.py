"""Six jobs of an operator by keyboard alone, in a real browser: no pointer touches the page, no script presses anything."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from api.pages.banks.discharges import discharge_page, discharges_page, way_to
from api.pages.banks.table_trial import table_page, way_to_table
from api.pages.markup import assets
from api.pages.markup.frame import PageFrame
from api.pages.markup.frame import document as sheet_document
from collector.read_model.answers import DischargeRecord, TriedTable
from collector.read_model.rows.site_rows import worst_first
from collector.read_model.rows.system_row import system_rows
from collector.read_model.sheet import ShownAcknowledgement
from rules.battery.discharge.expected import Beside
from tests.api.pages import many, samples
from tests.api.pages.browser import Stage, chromium, resize
from tests.api.pages.estate.test_first_days import begun, first_day
from tests.api.pages.test_browser import text, until
from tests.api.pages.test_discharges import expected
from tests.api.pages.test_shutdown_browser import plays
from tests.api.test_looking_back import record
from tests.servers import need_program

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

LONG_S = 30.0
"""A busy machine is waited for; what is awaited comes within a moment on another."""


class Desk(Stage):
    """Serves the sheets and what routes of their own serve beside them, and takes what is done there."""

    async def _page(self, request: Request) -> Response:
        page = self.beside(request)
        if page is None:
            return await super()._page(request)
        html = sheet_document(self.sheet, page)
        return Response(html, headers=assets.headers(), media_type="text/html; charset=utf-8")

    async def _refuse(self, request: Request) -> Response:
        """Take down what was done, and show an alarm as whoever did it has it."""
        said: dict[str, Any] = await request.json()
        self.sent.append({"to": request.url.path, **said})
        name, deed = request.url.path.rsplit("/", 2)[1:]
        done: dict[str, Any] = {
            "acknowledge": {
                "state": "active_acknowledged",
                "acknowledged": ShownAcknowledgement(said["by"], self.sheet.now),
            },
            "shelve": {"state": "shelved", "shelved_until": self.sheet.now + timedelta(hours=2)},
        }.get(deed, {})
        alarms = tuple(replace(a, **done) if a.id == name else a for a in self.sheet.alarms)
        self.sheet = replace(self.sheet, alarms=alarms)
        return JSONResponse({})

    def beside(self, request: Request) -> PageFrame | None:
        """Return a page that a route of its own makes."""
        bank = self.sheet.banks[0].id
        records = two_years(bank)
        if request.url.path == way_to_table(bank):
            pasted = request.query_params.get("table", "")
            held = self.sheet.systems[0].hold_up
            line = "constant_power = [[5, 66], [10, 43]]"
            tried = TriedTable(bank, self.sheet.systems[0].id, "Fern 12", (bank,), line, held, held)
            return table_page(self.sheet, bank, pasted, tried if pasted else None)
        if request.url.path == way_to(bank):
            return discharges_page(self.sheet, bank, list(records.values()), None)
        found = records.get(request.url.path.rsplit("/", 1)[-1])
        return None if found is None else discharge_page(self.sheet, bank, found, expected(Beside.UNDER))


def two_years(bank: str) -> Mapping[str, DischargeRecord]:
    """Return a discharge a quarter of a year for two years, newest first."""
    made = [
        replace(record(1, 900), bank=bank, id=f"{bank}-{n}", at=samples.NOW - timedelta(days=91 * n))
        for n in range(1, 9)
    ]
    return {one.id: one for one in made}


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    need_program("chromium")
    need_program("chromedriver")
    with chromium(1440, 900) as driver:
        yield driver


def press(browser: webdriver.Chrome, *keys: str) -> None:
    ActionChains(browser, duration=0).send_keys(*keys).perform()


AHEAD = """
const all = [...document.querySelectorAll("a[href], button, input, select, textarea, summary")].filter(e => e.tabIndex >= 0 &&
  !e.disabled && e.type !== "hidden" && e.checkVisibility({visibilityProperty: true}));
const at = all.indexOf(document.activeElement), wanted = all.findIndex((e, n) => n > at && e.matches(arguments[0]));
return wanted < 0 ? -1 : wanted - at;"""
"""How many things that can be reached lie between the one at hand and the next that is wanted."""
HAS = "return document.activeElement.matches(arguments[0])"


def tab_to(browser: webdriver.Chrome, selector: str) -> None:
    """Press Tab until what is wanted has the focus: most of the way at once, as nobody looks at what lies between."""
    until(lambda: browser.execute_script(AHEAD, selector) > 0, f"{selector} ahead", LONG_S)
    press(browser, Keys.TAB * max(int(browser.execute_script(AHEAD, selector)) - 2, 0))
    for _ in range(40):  # the fields of a date are parts of one thing
        if browser.execute_script(HAS, selector):
            return
        press(browser, Keys.TAB)
    raise AssertionError(f"not reached by the keyboard: {selector}")


def opened(browser: webdriver.Chrome, stage: Stage, address: str = "/") -> None:
    resize(browser, 1440, 900)
    browser.get(stage.url + address)


def test_the_worst_system_of_a_hundred_is_the_first_name_that_is_met(browser: webdriver.Chrome) -> None:
    sheet = many.sheet_of(100)
    worst = worst_first(system_rows(sheet))[0].id
    with Desk(sheet) as stage:
        opened(browser, stage)
        tab_to(browser, "#lead a")
        press(browser, Keys.ENTER)
        until(lambda: browser.current_url.endswith(f"/systems/{worst}"), "its own sheet", LONG_S)


def test_saturday_is_played_and_signed(browser: webdriver.Chrome) -> None:
    with Desk(samples.short(), plays=plays) as stage:
        opened(browser, stage)
        tab_to(browser, "nav a[href^='/plans']")
        press(browser, Keys.ENTER)
        until(lambda: text(browser, "#ask"), "the question", LONG_S)
        tab_to(browser, "select[name=system]")
        press(browser, "T")  # the treatment works
        until(lambda: "Treatment works" in browser.title, "the answer for it", LONG_S)
        assert "is carried throughout" in text(browser, "#played .ans")
        assert "Sat 28 Nov 2026" in text(browser, "#played .ans")
        tab_to(browser, "summary.btn")
        press(browser, Keys.ENTER)
        tab_to(browser, "form[data-act=sign] input[name=by]")
        press(browser, "R. Haugen", Keys.ENTER)
        until(lambda: stage.sent, "what was signed", LONG_S)
    assert stage.sent[0]["to"] == "/v1/systems/works/plans"
    assert (stage.sent[0]["by"], stage.sent[0]["starts_at"]) == ("R. Haugen", "2026-11-28T08:00")


def test_an_alarm_is_acknowledged_and_shelved(browser: webdriver.Chrome) -> None:
    with Desk(samples.short()) as stage:
        opened(browser, stage, "/alarms")
        tab_to(browser, ".al details.act:nth-of-type(1) summary")
        press(browser, Keys.ENTER)
        tab_to(browser, ".al input[name=by]")
        press(browser, "R. Haugen", Keys.ENTER)
        until(lambda: "acknowledged by R. Haugen" in text(browser, "main"), "who has it", LONG_S)
        stage.sheet = samples.short()  # another day: it is set aside until somebody can come
        opened(browser, stage, "/alarms")
        tab_to(browser, ".al details.act:nth-of-type(2) summary")
        press(browser, Keys.ENTER)
        tab_to(browser, ".al form[action$='/shelve'] input[name=by]")
        press(browser, "R. Haugen", Keys.TAB)
        tab_to(browser, ".al form[action$='/shelve'] button")
        press(browser, Keys.ENTER)
        until(lambda: len(stage.sent) == 2, "what was shelved", LONG_S)
    assert [str(one["to"]).rsplit("/", 1)[1] for one in stage.sent] == ["acknowledge", "shelve"]
    assert {one["by"] for one in stage.sent} == {"R. Haugen"}


def test_an_outage_is_followed_to_its_end_and_read_afterwards(browser: webdriver.Chrome) -> None:
    with Desk(samples.short()) as stage:
        opened(browser, stage)
        stage.sheet = samples.outage()
        until(
            lambda: "on its banks" in text(browser, "#lead") or "On battery" in browser.title,
            "the outage",
            LONG_S,
        )
        tab_to(browser, "main a[href^='tel:'], main details.act summary")  # whom to call, what to do
        stage.sheet = samples.short()
        until(lambda: "would fall short" in text(browser, "#lead"), "its end", LONG_S)
        opened(browser, stage)
        tab_to(browser, "nav a[href='/alarms']")
        press(browser, Keys.ENTER)
        until(lambda: "Second by second" in text(browser, "main"), "the story", LONG_S)


def test_from_the_first_day_to_what_is_known(browser: webdriver.Chrome) -> None:
    with Desk(first_day()) as stage:
        opened(browser, stage)
        assert "Nothing shown yet" in text(browser, "#lead")
        tab_to(browser, "#step-table a")
        press(browser, Keys.ENTER)
        until(lambda: browser.execute_script("return !!document.getElementById('table')"), "the form", LONG_S)
        tab_to(browser, "#table")
        press(browser, "5 66\n10 43")
        tab_to(browser, ".paste button")
        press(browser, Keys.ENTER)
        until(
            lambda: "constant_power = [[5, 66], [10, 43]]" in text(browser, "#tried"),
            "the line for the file",
            LONG_S,
        )
        opened(browser, stage)
        stage.sheet = replace(samples.short(), begun=begun(shown=True, done=True, people=("R. Haugen",)))
        until(lambda: "Nothing shown yet" not in text(browser, "#lead"), "what is known", LONG_S)
        until(lambda: not text(browser, "#steps"), "no step left", LONG_S)


def test_a_discharge_of_two_years_ago_is_opened(browser: webdriver.Chrome) -> None:
    sheet = samples.short()
    bank = sheet.banks[0].id
    oldest = list(two_years(bank))[-1]
    with Desk(sheet) as stage:
        opened(browser, stage, f"/banks/{bank}")
        tab_to(browser, f"main a[href='{way_to(bank)}']")
        press(browser, Keys.ENTER)
        until(lambda: browser.current_url.endswith("/discharges"), "all of them", LONG_S)
        tab_to(browser, f"a[href$='/{oldest}']")
        press(browser, Keys.ENTER)
        until(lambda: "under the 440 to 460 V expected" in text(browser, "main"), "read and expected", LONG_S)
        assert "2024" in text(browser, "h1")
