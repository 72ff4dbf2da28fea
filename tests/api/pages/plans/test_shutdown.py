"""Question 6 on the page: what is said, what is drawn, and where it is not known."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from datetime import timedelta

import pytest

from api.pages.plans.shutdown_strip import Band, Strip, bands, hours
from api.pages.sheets import registry as sheets
from collector.read_model.wall_clock import WallClock
from rules.planning.ridethrough.shutdown import STANDARD, Way, with_set, without_set
from rules.planning.ridethrough.supply import OnBanks, SupplyChange
from tests.api.pages import samples, shutdowns
from tests.api.pages.samples import NOW
from tests.api.pages.sheets.test_registry import check


def said(html: str | None) -> str:
    assert html is not None
    start = html.index('id="q6"')
    return " ".join("".join(check(html[start:]).text).split())


def test_every_system_answers_with_the_set_and_without_it() -> None:
    text = said(sheets.index(replace(samples.short(), shutdowns=shutdowns.examples())))
    assert "No shutdown is signed; as an example, 30 min without mains from now." in text
    # the generator takes over at its third start: 95 s to the transfer, and 50 s and more until the last unit is walked in
    assert "With the generator the load is carried throughout, after at most" in text
    assert "6.6 min to spare at the least" in text
    assert "Without it the load drops between 14:48 and 14:51." in text  # 14:31:30 and 1031 to 1140 s
    assert "No generator is declared behind this supply." in text
    assert "cannot be told: bank D has not been judged yet since the start." in text


def test_the_drawing_carries_the_whole_answer_as_its_name() -> None:
    html = sheets.index(replace(samples.short(), shutdowns=shutdowns.examples()))
    names = re.findall(r'aria-label="([^"]*)"', html[html.index('id="q6"') :])
    assert any(
        "With the generator the load is carried" in n and "Without it the load drops" in n for n in names
    )


def test_a_signed_shutdown_takes_the_examples_place_by_the_clock_of_the_site() -> None:
    sheet = shutdowns.waiting()
    text = said(sheets.index(sheet))
    assert "Signed: Sat 12 Dec 2026, 08:00 to 12:00, by R. Haugen: periodic test" in text
    assert (
        "It would not be signed as things stand now: The load is 13.0 kW; 11.2 kW were planned with." in text
    )
    assert (
        "As signed the load is carried throughout" in text
    )  # the generator is isolated in one of two windows
    assert "Without it the load drops between 08:17 and 08:19." in text
    deep = said(sheets.system(sheet, "control"))
    assert "feed main board A off" in deep
    assert "feed tie to board B off" in deep
    assert "less than 2.0 min are to spare" in deep
    assert "the load is over 12.3 kW" in deep  # 11.2 kW and 10 %
    assert "unit A1 or A2 leaves or is not seen" in deep
    assert "units A1 and A2 in service" in deep
    assert "the generator isolated in part of it" in deep
    assert "mark 0123456789abcdef" in deep
    assert "Battery banks stay live when isolated" in deep


def test_misses_of_the_last_shutdown_are_shown_as_misses() -> None:
    deep = said(sheets.system(shutdowns.waiting(), "control"))
    # 6 min 48 s on the banks, where 300 s and the walk-in were foretold
    assert "6 min 48 s" in deep
    assert "missed" in deep
    assert "as foretold" in deep
    assert "lasts too long" in deep


def test_while_it_runs_the_criteria_met_come_first_and_the_overview_keeps_it() -> None:
    sheet = shutdowns.running()
    for html in (sheets.index(sheet), sheets.system(sheet, "control")):
        text = said(html)
        assert "Break off: Only 90 s are to spare" in text
        assert "Runs: Tue 24 Nov 2026, 14:27 to 14:42" in text
        assert html is not None
        assert "nowline" in html[html.index('id="q6"') :]
    other = sheets.index(sheet)
    assert "Treatment works" not in said(other).split("The others")[0]  # the others shrink to a sentence


def test_the_forms_are_there_only_where_somebody_may_act() -> None:
    acting = sheets.system(shutdowns.waiting(), "control")
    assert acting is not None
    assert 'action="/v1/systems/control/plans"' in acting
    assert 'action="/v1/systems/control/plans/0123456789abcdef/withdraw"' in acting
    silent = sheets.system(replace(shutdowns.waiting(), acts=False), "control")
    assert silent is not None
    assert "<form" not in silent[silent.index('id="q6"') :]


def test_what_was_signed_or_withdrawn_a_moment_ago_borrows_no_other_answer() -> None:
    sheet = shutdowns.waiting()
    fresh = replace(sheet, shutdowns=shutdowns.examples())
    assert "It is being played on what is known now." in said(sheets.system(fresh, "control"))
    gone = replace(sheet, plans={})
    html = sheets.system(gone, "control")
    assert html is not None
    assert 'id="q6"' not in html


def test_free_text_is_shown_as_text() -> None:
    html = sheets.system(shutdowns.hostile(), "control")
    assert html is not None
    assert "<script>alert('q6')" not in html
    assert "\u202e" not in html
    assert "<script>alert('q6')</script>" in "".join(check(html).text)


# --- the strip -------------------------------------------------------------------------------------------


def test_banks_carry_until_the_set_and_again_on_the_way_back() -> None:
    walked = (
        OnBanks(0.0, 145.0, SupplyChange.MAINS_LOST, SupplyChange.SET_CARRIES),
        OnBanks(2400.0, 2453.0, SupplyChange.RETRANSFER, SupplyChange.MAINS_CARRIES),
    )
    way = Way(shutdowns.carried("works"), walked)
    assert bands(way, with_set(STANDARD), 2453.0) == (
        Band("banks", 0.0, 145.0),
        Band("set", 145.0, 2400.0),
        Band("banks", 2400.0, 2453.0),
    )


def test_a_load_that_is_lost_is_dropped_from_the_earliest_moment_until_the_mains_is_back() -> None:
    way = Way(
        shutdowns.lost("works", 1000.0),
        (OnBanks(0.0, 1850.0, SupplyChange.MAINS_LOST, SupplyChange.MAINS_BACK),),
    )
    assert bands(way, without_set(STANDARD), 1850.0) == (
        Band("banks", 0.0, 1000.0),
        Band("dropped", 1000.0, 1850.0),
    )
    early = Way(
        shutdowns.lost("works", 100.0),
        (OnBanks(0.0, 145.0, SupplyChange.MAINS_LOST, SupplyChange.SET_CARRIES),),
    )
    assert bands(early, with_set(STANDARD), 1850.0) == (
        Band("banks", 0.0, 100.0),
        Band("dropped", 100.0, 1800.0),
        Band("mains", 1800.0, 1850.0),
    )


def test_what_cannot_be_told_is_drawn_as_nothing_known() -> None:
    way = Way(
        shutdowns.untold("depot"), (OnBanks(0.0, 1850.0, SupplyChange.MAINS_LOST, SupplyChange.MAINS_BACK),)
    )
    assert [band.what for band in bands(way, STANDARD, 1850.0)] == ["unknown"]


@pytest.mark.parametrize(
    ("lasts_s", "first", "step_s"),
    [(600.0, "14:35", 300), (4 * 3600.0, "15:00", 3600), (86_400.0, "16:00", 14_400)],
)
def test_the_hours_are_whole_ones_of_the_sites_clock(lasts_s: float, first: str, step_s: int) -> None:
    drawn = hours(Strip((), NOW, lasts_s, WallClock("Europe/London", NOW), ""))
    at_s, words = next((s, w) for s, w in drawn if s > 0.0)
    assert words == first
    assert (NOW + timedelta(seconds=at_s)).second == 0
    assert {round(b[0] - a[0]) for a, b in itertools.pairwise(drawn)} == {step_s}
