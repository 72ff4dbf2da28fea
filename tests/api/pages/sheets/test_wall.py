"""The wall: nothing to press, all questions, the outage by itself."""

import re
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import pytest

from api.pages.live import difference, frame
from api.pages.sheets import registry as sheets
from collector.read_model.rows.system_row import ShortAnswer, system_rows
from collector.read_model.sheet import Sheet
from rules.system.state import Standing
from rules.values.severity import Severity
from tests.api.pages import many, samples, shutdowns
from tests.api.pages.sheets.test_registry import check


def wall(sheet: Sheet, address: str = "/wall") -> str:
    html = sheets.render_at(sheet, address)
    assert html is not None
    return html


def read(html: str) -> str:
    return " ".join(" ".join(check(html).text).split())


SHEETS: dict[str, Callable[[], Sheet]] = {
    **samples.ALL,
    **shutdowns.ALL,
    "dozen": partial(many.sheet_of, 12),
    "hundred": partial(many.sheet_of, 100),
}


@pytest.mark.parametrize("name", sorted(SHEETS))
def test_in_every_situation_it_is_well_formed_and_has_nothing_to_press(name: str) -> None:
    html = wall(SHEETS[name]())
    found = check(html)
    assert (found.faults, found.open, found.unnamed) == ([], [], [])
    assert sorted(set(found.ids)) == sorted(found.ids)
    assert not re.search(r"<(a|button|input|select|form|summary)[ >]", html)
    assert html.count("<h1") == 1


def test_at_rest_it_says_who_is_short_and_what_first() -> None:
    shown = read(wall(samples.short()))
    assert "One of three systems would fall short, one cannot be judged." in shown
    assert "1.7 min short with any one lost" in shown
    assert "+6.6 min with either lost" in shown
    assert "Renew bank 3. Treatment works · Order now" in shown
    assert "5 of 6 units answer" in shown


def test_of_a_large_estate_only_what_does_not_hold_is_shown_and_the_rest_is_a_count() -> None:
    html = wall(many.sheet_of(100))
    assert len(re.findall(r'<li id="w-', html)) == 6
    assert "94 ride through, least margin +1.4 min." in read(html)


def test_one_system_has_a_wall_of_its_own_and_nobody_elses_alarms() -> None:
    shown = read(wall(samples.short(), "/wall?system=control"))
    assert "Control centre" in shown
    assert "Treatment works" not in shown
    assert "Nothing is wrong." in shown
    assert sheets.render_at(samples.short(), "/wall?system=nobody") is None


def test_a_system_on_its_banks_takes_the_sheet_and_gives_it_back() -> None:
    before, during = frame(samples.short(), "/wall"), frame(samples.outage(), "/wall")
    assert before is not None
    assert during is not None
    assert difference(before, during)["skeleton"] != before.skeleton
    later = frame(samples.outage(166.0), "/wall")
    assert later is not None
    assert later.skeleton == during.skeleton
    known = replace(samples.outage().outages["works"], call=("R. Haugen, 01632 960114",))
    shown = read(wall(replace(samples.outage(), outages={"works": known})))
    assert "Treatment works is on its banks." in shown
    assert "left at the least, to 14:49:27 14:32" in shown
    assert "to start the generator, by 14:47:17 12:22" in shown
    assert "Three units on their banks." in shown
    assert "Call R. Haugen, 01632 960114." in shown
    assert "Depot" not in shown


def test_three_systems_on_their_banks_are_rows_the_one_that_ends_first_on_top() -> None:
    sheet, lit = many.sheet_of(12), samples.outage().system("works")
    assert lit is not None
    for name in ("sys-1", "sys-2", "sys-4"):
        state = sheet.system(name)
        assert state is not None
        sheet = many.with_state(sheet, replace(state, on_battery=lit.on_battery))
    html = wall(sheet)
    assert html.count("left at the least") == 3
    assert read(html).startswith("Wall")
    assert "Three of 12 systems are on their banks, one would fall short" in read(html)


def test_during_an_outage_of_two_systems_what_first_is_in_the_order_of_all_alarms() -> None:
    sheet = samples.outage()
    lit = sheet.system("works")
    control = sheet.system("control")
    assert lit is not None
    assert control is not None
    both = many.with_state(sheet, replace(control, on_battery=lit.on_battery))
    since, first = both.now, both.alarms[0]
    things = tuple(
        replace(
            first,
            id=f"{first.id.partition(':')[0]}:{n}",
            about=about,
            do_first=f"Do {n}",
            since=since,
            incident=None,
        )
        for n, about in enumerate(["control", "works", "control", "works"])
    )
    shown = read(wall(replace(both, alarms=things)))
    assert [shown.index(f"Do {n}.") for n in range(3)] == sorted(shown.index(f"Do {n}.") for n in range(3))
    assert "1 more on the sheet." in shown


def test_a_system_s_weight_is_its_gravest_alarm_s_though_another_is_to_be_met_first() -> None:
    sheet = samples.short()
    grave = next(
        alarm for alarm in sheet.alarms if alarm.severity == "major" and alarm in sheet.alarms_of("works")
    )
    silent = replace(
        grave, id="card_silent:works", severity="minor", do_first="Reach the card", incident=None
    )
    row = next(r for r in system_rows(replace(sheet, alarms=(silent, grave))) if r.id == "works")
    assert row.alarm is not None
    assert (row.alarm.do_first, row.alarm.severity, row.alarm.gravest) == (
        "Reach the card",
        Severity.MINOR,
        Severity.MAJOR,
    )


def test_where_one_system_or_two_can_spare_a_unit_they_are_named() -> None:
    sheet = samples.short()
    shown = read(wall(sheet))
    may = [row.name for row in system_rows(sheet) if row.out in {ShortAnswer.YES, ShortAnswer.SOME}]
    assert len(may) == 1
    assert f"A unit may be taken out at {may[0]}" in shown
    assert re.search(r"A unit may be taken out at \w+ of 1\d systems", read(wall(many.sheet_of(12))))
    assert "No unit may be taken out now." in read(wall(sheet, "/wall?system=works"))
    open_ = tuple(replace(one, overall="cannot_tell") for one in sheet.isolations)
    told = read(wall(replace(sheet, isolations=open_), "/wall?system=works"))
    assert "Whether a unit may be taken out cannot be told." in told, "not asked is not refused"


def _dark(sheet: Sheet, *names: str) -> Sheet:
    """Return a sheet on which every unit of these systems feeds nothing."""
    for name in names:
        state = sheet.system(name)
        assert state is not None
        off = tuple(replace(unit, standing=Standing.OFF, share_fraction=None) for unit in state.units)
        sheet = many.with_state(sheet, replace(state, units=off, on_battery=None))
    return sheet


def test_a_system_that_feeds_nothing_stays_in_sight_beside_one_that_is_still_on_its_banks() -> None:
    shown = read(wall(_dark(samples.outage(), "control")))
    assert "Control centre feeds nothing. Treatment works is on its banks." in shown
    assert "Control centre Feeds nothing: its load is off." in shown


def test_where_nothing_runs_down_any_more_what_is_dark_stands_on_top() -> None:
    sheet = _dark(samples.short(), "control")
    shown = read(wall(sheet))
    assert "One of three systems feeds nothing, one would fall short" in shown
    assert shown.index("Control centre") < shown.index("Treatment works")
    assert "load is off" in shown


def test_the_first_page_and_its_own_sheet_say_that_a_load_is_off() -> None:
    sheet = _dark(samples.short(), "control")
    home, own = sheets.render_at(sheet, "/"), sheets.render_at(sheet, "/systems/control")
    assert home is not None
    assert own is not None
    assert "One of three systems feeds nothing" in read(home)
    assert "Control centre feeds nothing: its load is off." in read(own)
