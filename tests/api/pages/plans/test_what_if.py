"""Question 6, played: the answer to what was asked, the unit missed most, what would carry it, and who may sign."""

from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from api.pages.markup.frame import document
from api.pages.plans.shutdown_question import GeneratorAsked, ShutdownQuestion, first_question
from api.pages.plans.what_if import what_if_page
from collector.planning.what_if import WhatIf, WithUnitLost, play_shutdown
from collector.read_model.sheet import Sheet
from rules.planning.ridethrough.result import Happening, PlayedLoad, PlayedLoadBasis, Remedy, Ridethrough
from rules.planning.ridethrough.shutdown import way
from rules.planning.ridethrough.supply import MainsOut
from rules.plant.estate import LoadGroup
from rules.values.code import Code
from rules.values.reason import reason
from rules.values.verdict import Verdict
from tests.api.pages import samples, shutdowns
from tests.api.pages.samples import NOW
from tests.api.pages.sheets.test_registry import check
from tests.api.test_plans import Site, site
from tests.rules.sample_plants import estate

LOAD = PlayedLoad(PlayedLoadBasis.RECORD, 27_000.0, 24_100.0, 29_000.0)


def sheet() -> Sheet:
    plain = samples.short()
    groups = {"lab": LoadGroup("lab", "works", (800.0, 800.0, 800.0), 3)}
    return replace(plain, estate=replace(plain.estate, load_groups=groups))


def question(shown: Sheet) -> ShutdownQuestion:
    return first_question(shown.estate, "works", shown.now)


def answer(
    asked: ShutdownQuestion, with_it: Ridethrough, without_it: Ridethrough, lost: Ridethrough | None
) -> WhatIf:
    plant, scenario = samples.estate(), asked.scenario()
    played = shutdowns.played("works", with_it, without_it, scenario)
    one = None
    if lost is not None:
        one = WithUnitLost("W2", way(lost, scenario, plant.generator_of("works"), plant.units_of("works")))
    return WhatIf(played, one)


def said(shown: Sheet, asked: ShutdownQuestion, played: WhatIf | None, waits: str = "") -> str:
    found = check(document(shown, what_if_page(shown, asked, (), played, waits)))
    assert (found.faults, found.open, found.unnamed) == ([], [], [])
    assert len(found.ids) == len(set(found.ids))
    text = " ".join("".join(found.text).split())
    return text[text.index("Out for work") :]


def test_the_answer_to_what_is_asked_comes_first_then_the_unit_missed_most_then_the_load() -> None:
    shown = sheet()
    asked = question(shown)
    happens = (Happening(reason(Code.HAPPENS_BANK_ENDS), "W1", 0.0, 60.0, 3600.0, 0.4),)
    carried = replace(shutdowns.carried("works"), load=LOAD, happenings=happens)
    text = said(
        shown, asked, answer(asked, carried, shutdowns.lost("works"), shutdowns.lost("works", 468.0, 528.0))
    )
    first = text.index("08:00 to 12:00: the load is carried throughout")
    second = text.index("With unit W2 lost as well the load drops between 08:07 and 08:09.")
    third = text.index("Load 27.0 kW (24.1 to 29.0): what Saturdays asked at 08:00 in the last weeks.")
    assert first < second < third
    assert "Without it the load drops between" in text
    assert text.count("the load is carried throughout") == 1  # each sentence once
    assert "Sign it as played" in text
    assert "08:00:00" in text
    assert "Reason(" not in text
    assert ", unit W1 (in 40 of 100 courses)" in text


def test_what_is_not_carried_says_what_would_carry_it_and_is_not_signed() -> None:
    shown = sheet()
    asked = replace(question(shown), generator=GeneratorAsked.NOT_AT_ALL)
    remedy = Remedy(("lab",), 470.0, 2400.0)
    lost = replace(shutdowns.lost("works"), remedy=remedy, load=replace(LOAD, basis=PlayedLoadBasis.NOW))
    page = what_if_page(shown, asked, (), answer(asked, shutdowns.carried("works"), lost, None))
    html = document(shown, page)
    text = " ".join("".join(check(html).text).split())
    assert "the load drops between 08:17 and 08:19." in text
    assert "Shed lab, 2.4 kW, by 08:07:50, and it is carried: play that." in text
    assert "shed=lab&amp;shed_min=7.8" in html  # never later than what carries it
    assert "What is not carried, or cannot be told, is not signed." in text
    assert "Sign it" not in text
    assert "Load 27.0 kW, as it is now" in text


def test_a_past_hour_and_one_who_only_looks_get_no_place_to_sign() -> None:
    shown = sheet()
    asked = replace(question(shown), starts_at=NOW - timedelta(hours=1))
    played = answer(asked, shutdowns.carried("works"), shutdowns.carried("works"), None)
    assert "only what is to come can be signed" in said(shown, asked, played)
    assert "That hour is past." in said(shown, asked, played)
    assert "That hour is past." not in said(shown, question(shown), played)
    assert "Sign it" not in said(replace(shown, acts=False), question(shown), played)


def test_what_waits_and_what_was_wrong_is_said_in_place_of_the_answer() -> None:
    shown = sheet()
    page = what_if_page(shown, question(shown), ("There is no system 'x'.",), None, "Ask again in a moment.")
    text = "".join(check(document(shown, page)).text)
    assert "There is no system 'x'." in text
    assert "Ask again in a moment." in text


@pytest.fixture
async def here(tmp_path: Path) -> AsyncIterator[Site]:
    async with site(tmp_path / "data") as opened:
        yield opened


async def test_the_unit_that_is_missed_most_is_the_one_told(here: Site) -> None:
    plant = estate(2)
    asked = first_question(plant, "A", datetime(2026, 11, 24, 12, tzinfo=UTC))
    scenario = replace(asked.scenario(), outages=(MainsOut(0.0, 14_400.0, generator=False),))
    found = await play_shutdown(here.planner, plant, "A", scenario, asked.moment)
    assert found.shutdown.planned.result.verdict is Verdict.INADEQUATE
    assert found.one_lost is not None
    alone, both = found.one_lost.way.lost_s[0], found.shutdown.planned.lost_s[0]
    assert alone is not None
    assert both is not None
    assert alone < both / 2  # what one carries alone it carries for less than half as long
    out = replace(scenario, units_out=frozenset({"A1"}))
    assert (await play_shutdown(here.planner, plant, "A", out, asked.moment)).one_lost is None


def test_a_load_that_is_lost_within_a_minute_is_lost_by_the_second() -> None:
    shown = sheet()
    asked = replace(question(shown), generator=GeneratorAsked.NOT_AT_ALL)
    played = answer(asked, shutdowns.carried("works"), shutdowns.lost("works", 61.0, 80.0), None)
    assert "the load drops between 08:01:01 and 08:01:20." in said(shown, asked, played)
    at_once = answer(asked, shutdowns.carried("works"), shutdowns.lost("works", 0.0, 0.0), None)
    assert "the load drops at 08:00:00." in said(shown, asked, at_once)
