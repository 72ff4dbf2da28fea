"""What a wall that is never closed gathers: memory of the page after as many events as come in some hours, in a real browser.

    pytest -s tests/bench/test_wall_memory.py

Each event changes what a second changes: the ages, a margin, the clock of the head. At most one comes a second, 86,400 a day.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import pytest
from selenium import webdriver

from collector.read_model.sheet import Sheet
from tests.api.pages import many, samples
from tests.api.pages.browser import Stage, chromium, resize
from tests.api.pages.test_browser import until
from tests.servers import need_program

EVENTS_A_DAY = 86_400
MOST_MB_A_DAY = 2.0
WARM, COUNTED = 300, 3000
"""Events until the browser has compiled and cached what it will, and those that are counted after them."""

HEARD = "return window.heardCount || 0"
COUNT = """window.heardCount = 0; new MutationObserver(() => { window.heardCount += 1; })
  .observe(document.body, {attributes: true, attributeFilter: ["data-beat"]});"""


@pytest.fixture
def browser() -> Iterator[webdriver.Chrome]:
    need_program("chromium")
    need_program("chromedriver")
    with chromium(1920, 1080) as driver:
        yield driver


def used(browser: webdriver.Chrome) -> tuple[float, int]:
    """Return what scripts hold after a collection, in bytes, and how many nodes there are."""
    for _ in range(3):
        browser.execute_cdp_cmd("HeapProfiler.collectGarbage", {})
    heap = browser.execute_cdp_cmd("Runtime.getHeapUsage", {})["usedSize"]
    nodes = browser.execute_cdp_cmd("Memory.getDOMCounters", {})["nodes"]
    return float(heap), int(nodes)


def later(sheet: Sheet, number: int) -> Sheet:
    """Return a sheet some seconds on: another moment, and another margin in one row."""
    state = sheet.systems[0]
    need = replace(state.requirements[0], margin_s=60.0 + 6.0 * (number % 7))
    moved = replace(state, requirements=(need, *state.requirements[1:]))
    return replace(sheet, now=sheet.now + timedelta(seconds=number), systems=(moved, *sheet.systems[1:]))


@pytest.mark.parametrize("name", ["three systems", "a hundred"])
def test_a_wall_gathers_two_megabytes_a_day_at_most(browser: webdriver.Chrome, name: str) -> None:
    first = samples.short() if name == "three systems" else many.sheet_of(100)
    with Stage(first) as stage:
        resize(browser, 1920, 1080)
        browser.get(f"{stage.url}/wall")
        browser.execute_script(COUNT)
        number = 0

        def play(events: int) -> int:
            nonlocal number
            begun = int(browser.execute_script(HEARD))
            end = time.monotonic() + 900.0
            while time.monotonic() < end:
                for _ in range(20):
                    number += 1
                    stage.sheet = later(first, number)
                    time.sleep(0.055)
                if int(browser.execute_script(HEARD)) - begun >= events:
                    break
            return int(browser.execute_script(HEARD)) - begun

        until(lambda: play(1), "the first event", 60.0)
        play(WARM)
        heap, nodes = used(browser)
        heard = play(COUNTED)
        heap_after, nodes_after = used(browser)
    a_day = (heap_after - heap) / heard * EVENTS_A_DAY / 1e6
    print(
        f"\n{name}: {heard} events, {heap / 1e6:.2f} to {heap_after / 1e6:.2f} MB, {nodes} to {nodes_after} nodes: {a_day:.2f} MB a day"
    )
    assert heard >= COUNTED
    assert nodes_after - nodes < 50
    assert a_day <= MOST_MB_A_DAY
