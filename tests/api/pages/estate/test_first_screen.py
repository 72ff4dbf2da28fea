"""The first screen: every system has its six answers in a row, from one system to a thousand."""

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from api.pages.estate import cells
from api.pages.estate.cells import first_words
from api.pages.estate.row_fan import WIDE, row_axis, row_fan
from api.pages.estate.tally import short_words, what_first
from api.pages.live import difference, frame
from api.pages.markup.elements import Nodes, el, render
from api.pages.sheets import registry as sheets
from collector.read_model.rows.site_rows import worst_first
from collector.read_model.rows.system_row import RowHeld, ShortAnswer, Stands, system_rows
from collector.read_model.sheet import Sheet
from rules.planning.ridethrough.shutdown import STANDARD_S
from rules.values.verdict import Verdict
from tests.api.pages import many, samples
from tests.api.pages.sheets.test_registry import check


def rows_of(html: str) -> list[tuple[str, list[str]]]:
    """Return the rows of a page in their order: name, and what stands in each of the six cells."""
    found = []
    for row in re.findall(r'<tr id="s-[^"]*">(.*?)</tr>', html, re.DOTALL):
        name = re.search(r"<a [^>]*>(.*?)</a>", row)
        assert name is not None
        cells = re.findall(r"<td>(.*?)</td>", row, re.DOTALL)
        found.append((name.group(1), [re.sub(r"<[^>]*>", " ", cell).strip() for cell in cells]))
    return found


def page(sheet: Sheet, address: str = "/") -> str:
    html = sheets.render_at(sheet, address)
    assert html is not None
    return html


@pytest.mark.parametrize("systems", [1, 3, 12])
def test_a_small_estate_has_a_row_a_system_with_six_answers_before_its_depth(systems: int) -> None:
    html = page(many.sheet_of(systems))
    rows = rows_of(html)
    assert len(rows) == systems
    assert all(len(cells) == 6 for _, cells in rows)
    assert all(all(cells[n] for n in (0, 1, 3, 4, 5)) for _, cells in rows)
    assert html.index("<tr id") < html.index('id="q1"')


def test_the_worst_stands_first_and_says_what_to_do() -> None:
    rows = rows_of(page(many.sheet_of(12)))
    assert rows[0][0] == "Intake pumps"
    assert rows[0][1][0].split() == ["6.9", "3.3", "5.0", "1.7", "short"]
    assert rows[0][1][2] == "Now : renew bank 3.3"
    assert rows[1][1][0].split() == ["8.0", "silent:", "cannot", "tell"]
    margins = [float(cells[0].split()[-1]) for _, cells in rows[4:]]
    assert margins == sorted(margins)


def test_a_name_that_two_systems_have_is_told_by_its_site() -> None:
    names = [name for name, _ in rows_of(page(many.sheet_of(12)))]
    assert len(set(names)) == 12
    assert "Screens, Harrowgill" in names
    assert "Telemetry" in names


def test_no_margin_stands_where_the_verdict_cannot_tell_though_figures_are_there() -> None:
    rows = dict(rows_of(page(samples.unknown())))
    assert rows["Depot"][0].startswith("cannot tell")
    assert "+" not in rows["Depot"][0].split("needs")[0]


def test_figures_of_a_row_and_of_its_depth_agree() -> None:
    html = page(samples.short())
    row = dict(rows_of(html))["Treatment works"][0]
    depth = " ".join(check(html[html.index('id="q1"') :]).text)
    for figure in ("1.7", "9.5", "17.1", "7.8"):
        assert figure in row
        assert figure in depth


def test_a_large_estate_is_by_site_and_a_calm_site_is_folded() -> None:
    html = page(many.sheet_of(100))
    sites = re.findall(r'<details class="site" id="(site-[^"]*)"( open)?>', html)
    assert len(sites) == 10
    opened = [bool(is_open) for _, is_open in sites]
    assert opened == sorted(opened, reverse=True), "calm sites come last"
    assert 0 < sum(opened) < 10
    assert len(rows_of(html)) == 100, "folded rows are in the page, for the browser's own search"
    assert "3 would fall short with a unit lost" in " ".join(" ".join(check(html).text).split())


def test_the_way_about_does_not_grow_with_the_estate() -> None:
    small, large = page(many.sheet_of(12)), page(many.sheet_of(100), "/systems/sys-42")
    for html in (small, large):
        nav = html[html.index('class="where"') : html.index("</nav>")]
        assert nav.count("<a ") <= 5
    assert "Laboratory" in large[large.index('class="where"') : large.index("</nav>")]


def test_a_page_of_a_thousand_systems_holds_a_bounded_number_of_rows_and_a_way_to_each_site() -> None:
    html = page(many.sheet_of(1000))
    assert len(rows_of(html)) <= 120
    assert len(html.encode()) < 160_000
    ways = re.findall(r'href="(/\?site=[^"]*)"', html)
    assert ways
    assert len(rows_of(page(many.sheet_of(1000), ways[-1]))) == 10
    sites = set(re.findall(r'id="(site-site_2d[^"]*)"', html))
    assert len(sites) == 100


def test_what_is_asked_for_is_in_the_address_and_every_part_holds_only_its_own() -> None:
    sheet = many.sheet_of(100)
    assert all(cells[0].endswith("1.7 short") for _, cells in rows_of(page(sheet, "/?only=short")))
    assert all(cells[0].endswith("cannot tell") for _, cells in rows_of(page(sheet, "/?only=cannot-tell")))
    assert {cells[1] for _, cells in rows_of(page(sheet, "/?only=not-redundant"))} == {"no : L2 over at peak"}
    assert all(cells[2] for _, cells in rows_of(page(sheet, "/?only=wrong")))
    assert len(rows_of(page(sheet, "/?site=site-3"))) == 10
    found = rows_of(page(sheet, "/?find=harrowgill+intake"))
    assert [name for name, _ in found] == ["Intake pumps"]
    assert [name for name, _ in rows_of(page(sheet, "/?find=unit+13.1"))] == ["Intake pumps"]
    assert len(rows_of(page(sheet, "/?only=nonsense&find="))) == 100
    nothing = page(sheet, "/?find=%3Cscript%3E")
    assert rows_of(nothing) == []
    assert "No system is found by “&lt;script&gt;”." in nothing


@pytest.mark.parametrize("address", ["/", "/?only=short", "/?site=site-0&find=pumps", "/?find=nobody"])
def test_every_part_of_a_large_estate_is_well_formed(address: str) -> None:
    found = check(page(many.sheet_of(100), address))
    assert (found.faults, found.open, found.unnamed) == ([], [], [])
    assert sorted(set(found.ids)) == sorted(found.ids)


def test_a_row_that_changes_is_sent_alone_and_another_order_builds_no_other_page() -> None:
    sheet = many.sheet_of(100)
    state = sheet.systems[50]
    less = replace(state, requirements=(replace(state.requirements[0], margin_s=6.0),))
    later = replace(many.with_state(sheet, less), now=sheet.now + timedelta(seconds=1))
    old, new = frame(sheet, "/"), frame(later, "/")
    assert old is not None
    assert new is not None
    sent = difference(old, new)
    assert sent["skeleton"] == old.skeleton
    assert {name for name in sent["fragments"] if name.startswith("s-")} == {"s-sys_2d50"}
    assert len(sent["fragments"]["s-sys_2d50"].encode()) < 1024
    assert sent["order"] != old.order
    assert sorted(sent["order"]) == sorted(old.order)


def test_while_a_system_of_many_is_on_its_banks_it_leads_and_the_others_keep_their_rows() -> None:
    sheet, lit = many.sheet_of(100), samples.outage().system("works")
    assert lit is not None
    state = replace(sheet.systems[20], on_battery=lit.on_battery)
    html = page(many.with_state(sheet, state))
    assert html.index("How long it still holds") < html.index('class="find"')
    rows = rows_of(html)
    assert len(rows) == 100
    assert rows[0][1][0].endswith("left")


def test_a_run_that_outlasts_the_axis_leaves_the_field_and_a_short_one_shows_what_is_missing() -> None:
    rows = {row.id: row for row in system_rows(samples.short())}
    axis = row_axis(list(rows.values()))
    works = render(row_fan(rows["works"], axis))
    assert 'class="s"' in works
    assert "needs 9.5, holds 17.1, 7.8 with one lost" in works
    long = render(row_fan(replace(rows["control"], held=RowHeld(1e9, None)), axis))
    far = re.search(r'class="a" d="M0 0L(\d+) ([\d.]+)"', long)
    assert far is not None
    assert int(far.group(1)) == WIDE
    assert float(far.group(2)) < 1.0
    assert 'class="u"' in render(row_fan(rows["depot"], axis))


def test_the_gravest_of_an_estate_leads_whatever_the_order_of_its_file() -> None:
    sheet = samples.short()
    turned = replace(
        sheet, estate=replace(sheet.estate, systems=dict(reversed(list(sheet.estate.systems.items()))))
    )
    for one in (sheet, turned):
        assert [row.id for row in worst_first(system_rows(one))] == ["works", "depot", "control"]


def test_an_alarm_that_asks_nothing_any_more_is_said_whole_and_is_not_what_comes_first() -> None:
    gone = "It was so, and is no longer: Works needs 22.3 min for a start by hand."
    assert first_words("", gone) == gone.removesuffix(".")
    assert first_words("Renew bank 3", gone) == "Renew bank 3"
    sheet = samples.short()
    over = replace(sheet, alarms=tuple(replace(a, do="", do_first="", what=gone) for a in sheet.alarms))
    assert what_first(sheet, system_rows(sheet)) is not None
    assert what_first(over, system_rows(over)) is None


def test_nothing_is_called_right_where_a_system_is_short_though_no_alarm_stands_yet() -> None:
    rows = dict(rows_of(page(replace(samples.short(), alarms=()))))
    assert rows["Treatment works"][2].startswith("No alarm stands.")
    assert rows["Depot"][2].startswith("Nothing can be said of it.")
    assert rows["Control centre"][2].startswith("Nothing is wrong.")


def test_short_only_with_a_unit_lost_is_said_so_and_short_with_all_of_them_is_not() -> None:
    rows = [row for row in system_rows(many.sheet_of(100)) if row.stands is Stands.SHORT]
    assert short_words(rows) == "would fall short with a unit lost"
    assert rows[0].held is not None
    worse = replace(rows[0], held=replace(rows[0].held, low_s=0.0))
    assert short_words([worse, *rows[1:]]) == "would fall short"


def test_a_large_estate_says_what_to_do_first_and_where_and_for_how_long_the_mains_is_taken_to_be_off() -> (
    None
):
    html = sheets.index(many.sheet_of(100))
    text = " ".join(" ".join(check(html).text).split())
    assert (
        "First, at Thornley Ings, Intake pumps, now: renew bank 3.3. What is wrong there: Intake pumps would drop its load"
        in text
    )
    assert f"else {STANDARD_S / 60.0:g} min from now" in text


def test_of_a_dozen_systems_what_is_alike_is_said_once() -> None:
    found = check(sheets.index(many.sheet_of(12)))
    text = " ".join("".join(found.text).split())
    assert "Units 0.1, 0.2 and 0.3 As far as can be seen, yes." in text
    assert "3 yours to check each" in text
    assert (
        text.count("One unit carries every phase, and holds 14.6 min alone.") < 12
    )  # once a system, not once a unit
    assert "Nine more carry 30 min without mains from now, as an example" in text
    assert "With the generator the load is carried" not in text
    assert text.count("seen: three judged discharges") <= 1  # what holds rests on its own sheet


def test_a_row_says_all_of_what_is_first_and_by_when() -> None:
    sheet = many.sheet_of(12)
    long = "Let each bank of the blower controls carry its part of the load of today for a quarter of an hour"
    alarms = tuple(replace(one, do_first=long, do=f"{long}.") for one in sheet.alarms)
    cells = [cells[2] for _, cells in rows_of(page(replace(sheet, alarms=alarms))) if cells[2]]
    said = f" : {long[:1].lower()}{long[1:]}"
    assert cells == [f"{by}{said}" for by in ("Now", "Before 17:00", "Before 12 Dec", "Before 1 Dec")]


def test_what_stands_beside_one_another_in_a_row_agrees() -> None:
    rows = system_rows(many.sheet_of(100))
    for row in rows:
        on_loss, out = _text(cells.redundant(row)), _text(cells.unit_out(row))
        if row.stands is Stands.SHORT:
            assert (on_loss, out) == ("with mains only", "no: banks too short")
        if row.redundant is ShortAnswer.NO:
            assert (on_loss, out) == ("no: L2 over at peak", "no: load too high")
        if row.units == 1:
            assert on_loss == out == "only one unit"
    assert {row.redundant for row in rows} >= {ShortAnswer.NO, ShortAnswer.YES, ShortAnswer.ONE_UNIT}
    short = next(row for row in rows if row.stands is Stands.SHORT)
    unasked = replace(short, needed_s=None, holds_lost=None)
    assert _text(cells.redundant(unasked)) == "yes", "where no time is asked none is too short"


def test_of_a_few_systems_too_no_unit_may_be_lost_beside_minutes_that_are_short_with_one_lost() -> None:
    """The demonstration said "Yes" to it, beside "3.2 min short, one lost"."""
    sheet = samples.short()
    row = next(row for row in system_rows(sheet) if row.stands is Stands.SHORT)
    state = sheet.system(row.id)
    assert row.needed_s is not None
    assert state is not None
    assert state.redundancy is not None
    lost = replace(state.hold_up.one_unit_lost, low_s=row.needed_s - 60.0)
    carried = replace(
        state,
        hold_up=replace(state.hold_up, one_unit_lost=lost),
        redundancy=replace(state.redundancy, verdict=Verdict.ADEQUATE),
    )
    systems = tuple(carried if one.id == state.id else one for one in sheet.systems)
    answers = [text for _, answers in rows_of(page(replace(sheet, systems=systems))) for text in answers]
    assert any("With mains only" in text for text in answers)


def _text(nodes: Nodes) -> str:
    return re.sub(r"<[^>]*>", "", render(el("p", nodes)))


def test_sums_of_a_site_and_of_the_estate_speak_of_all_systems_and_name_those_that_would_not_carry_on() -> (
    None
):
    text = " ".join(" ".join(check(page(many.sheet_of(100))).text).split())
    assert "94 ride through by 1.4 min or more; 3 would overload at the peak with a unit lost:" in text
    assert "1 short with a unit lost , 1 cannot tell" in text
    assert "short with a unit lost 3" in text
    assert not re.search(r"\d of \d+ not|7 of 9", text)


def test_the_opening_says_what_to_order_which_size_the_next_shutdown_and_what_to_shed() -> None:
    text = " ".join(" ".join(check(page(many.sheet_of(12))).text).split())
    assert "Next bank to order: 3.3 at Intake pumps, now; 3 more within a year." in text
    assert "Replacement units there: 15 to 20 kVA each, now 3 × 20." in text
    assert "Signed shutdowns: Filter house, 5 Dec: carried; Telemetry, 12 Dec: drops." in text
    assert "First to shed: heaters 3, 2.1 kW, at Intake pumps." in text
