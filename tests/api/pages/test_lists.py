"""Alarms as sentences, rulers and banks: what is said follows from what is given."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from api.pages.alarms.alarm_list import brief, by_when, sentence, tally, together
from api.pages.banks.capacity_river import Years, year
from api.pages.banks.section import due_words, first_to_fail, today_of
from api.pages.markup.elements import render
from api.pages.sheets.bank_sheet import bank_page, standing
from api.pages.units.isolation import overview as isolations
from api.pages.units.ruler import ruler, shares
from collector.read_model.sheet import Sheet, ShownAlarm
from collector.read_model.wall_clock import WallClock
from rules.battery.state import ReplacementDates
from rules.system.state import LineRedundancy, LoadBasis, Redundancy
from rules.values.reason import told
from rules.values.verdict import Verdict
from tests.api.pages import samples

CLOCK = WallClock("Europe/London", samples.NOW)


def test_alarms_of_one_incident_that_ask_the_same_are_one_sentence() -> None:
    first = replace(samples.alarms()[1], incident="in-9")
    others = [replace(first, id=f"al-x{n}", what=f"Unit {n} feeds its load from its bank.") for n in (2, 3)]
    groups = together([first, *others, samples.alarms()[2]])
    assert [len(group) for group in groups] == [3, 1]
    html = render(sentence(samples.short(), groups[0], CLOCK, 1))
    assert "Two alarms more of this incident" in html
    assert html.count("/acknowledge") == 3


def test_alarms_without_an_incident_stay_apart() -> None:
    lone = replace(samples.alarms()[1], incident=None)
    assert len(together([lone, replace(lone, id="other")])) == 2


def test_an_alarm_that_somebody_took_on_offers_no_button() -> None:
    html = render(sentence(samples.short(), [samples.alarms()[0]], CLOCK, 1))
    assert "<form" not in html
    assert "acknowledged by R. Haugen" in html
    quiet = render(sentence(replace(samples.short(), acts=False), [samples.alarms()[1]], CLOCK, 1))
    assert "<form" not in quiet


def test_the_address_of_an_action_is_quoted() -> None:
    odd = replace(samples.alarms()[1], id="silent:D1/../x?y")
    assert '"/v1/alarms/silent%3AD1%2F..%2Fx%3Fy/acknowledge"' in render(
        sentence(samples.short(), [odd], CLOCK, 1)
    )


def test_an_alarm_held_back_that_never_stood_says_so_and_who_took_it_out_of_service() -> None:
    never = replace(samples.alarms()[1], state="out_of_service", since=None, out_of_service_by="R. Haugen")
    html = render(brief([never], CLOCK))
    assert "has not occurred, taken out of service by R. Haugen" in html
    assert "since" not in html


def test_what_is_due_within_a_day_is_due() -> None:
    alarm = replace(samples.alarms()[2], by_when_text=None)
    now = samples.NOW
    assert by_when(replace(alarm, by_when=now - timedelta(seconds=1)), CLOCK, now) == ("Now", True)
    assert by_when(replace(alarm, by_when=now + timedelta(hours=2)), CLOCK, now) == ("Before 16:32:10", True)
    to_shed = replace(alarm, by_when=now + timedelta(hours=2), by_when_for="shed")
    assert by_when(to_shed, CLOCK, now) == ("Before 16:32:10, to shed in time", True)
    assert by_when(replace(alarm, by_when=date(2026, 12, 12)), CLOCK, now) == ("Before 12 Dec 2026", False)
    assert by_when(replace(alarm, by_when=None), CLOCK, now) == ("No date set", False)


def test_the_tally_counts_sentences_and_says_what_nobody_took_on() -> None:
    def of(*alarms: ShownAlarm) -> str:
        return tally(replace(samples.good(), alarms=alarms))

    assert of(*samples.alarms()) == "Three things are wrong. One has been acknowledged by nobody."
    assert of() == "No alarm is active."
    alone = [a for a in samples.alarms() if a.id == "al-2"]
    assert of(*alone) == "One thing is wrong. Nobody has acknowledged it."


def redundancy(row: LineRedundancy) -> Redundancy:
    return Redundancy(
        Verdict.INADEQUATE, (told("Over."),), samples.NOW, None, None, None, None, LoadBasis.PEAK_30D, (row,)
    )


def test_a_ruler_puts_the_limit_at_four_fifths_and_hatches_what_is_over() -> None:
    state = samples.works_state()
    row = LineRedundancy(2, 10_200.0, 10_900.0, 11_100.0, 11_900.0, 32_000 / 3, 40_000 / 3)
    html = render(ruler(samples.short(), state, redundancy(row)))
    assert 'x1="80%"' in html
    assert "+0.44" in html  # 11.1 kW less 10.667 kW, rounded up
    assert html.count('class="notheld"') == 1


def test_with_nothing_left_everything_is_over() -> None:
    row = LineRedundancy(1, 4000.0, 4400.0, 4100.0, 4500.0, 0.0, 0.0)
    html = render(ruler(samples.short(), samples.works_state(), redundancy(row)))
    assert html.count('class="notheld"') == 2
    assert "+4.10" in html


def test_a_line_that_is_not_known_is_no_bar() -> None:
    row = LineRedundancy(1, None, None, None, None, None, None)
    html = render(ruler(samples.silent(), samples.works_state(), redundancy(row)))
    assert 'class="bar' not in html
    assert "cannot tell" in html


def test_a_silent_unit_is_the_dotted_part_of_its_last_share() -> None:
    parts = shares(samples.short(), samples.depot_state(), 1, "w")
    assert [(part.unit, part.amount, part.heard) for part in parts] == [("D1", 3100.0, False)]


def test_a_bank_nothing_can_be_said_of_comes_last_and_is_not_good() -> None:
    banks = samples.banks()
    order = first_to_fail(banks)
    assert [bank.id for bank in order] == ["3", "2", "1", "A-2", "A-1", "D"]
    assert standing(samples.short(), order[-1]) == "unknown"
    assert standing(samples.short(), order[0]) == "short"
    assert standing(samples.short(), order[1]) == "holds"


def test_overdue_is_said_as_due_now() -> None:
    today = date(2026, 11, 24)
    bank = samples.banks()[0]
    late = replace(bank, dates=ReplacementDates(None, None, date(2026, 11, 1)))
    assert "Overdue: order now" in render(due_words(late, today)[0])  # type: ignore[arg-type]
    soon = replace(bank, dates=ReplacementDates(None, date(2026, 11, 20), date(2027, 1, 15)))
    assert due_words(soon, today)[1] == "order now"


def test_years_are_fractions_of_their_own_length() -> None:
    assert year(date(2024, 7, 1)) == 2024 + 182 / 366
    assert year(date(2025, 1, 1)) == 2025.0
    axis = Years.around(date(2026, 11, 24), [date(2018, 9, 18), date(2090, 1, 1)])
    assert (axis.first, axis.last) == (2018, 2036)
    assert axis.fraction(2090.0) == 1.0


def test_a_sites_own_clock_writes_its_alarms() -> None:
    summer = WallClock("Europe/London", datetime(2026, 7, 1, 12, 0, tzinfo=UTC))
    begin = datetime(2026, 6, 30, 22, 59, 0, tzinfo=UTC)
    assert summer.span(begin, begin + timedelta(seconds=9)) == "30 Jun 2026, 23:59:00 to 23:59:09"


def test_a_bank_that_gives_less_than_is_asked_has_no_year_until_which_it_is_enough() -> None:
    sheet = samples.short()
    well = next(bank for bank in sheet.banks if bank.id == "1")

    def enough(**changed: object) -> str:
        state = replace(well, **changed)  # type: ignore[arg-type]
        page = bank_page(replace(sheet, banks=(state,)), "1")
        assert page is not None
        return "".join(map(render, page.body)).split("no longer enough about")[1].split("</tr>")[0]

    assert "2029" in enough(asked_fraction=0.5)
    assert "it is not enough today" in enough(asked_fraction=1.1)
    assert "too small for what is asked" in enough(asked_fraction=1.1, too_small=True)


@pytest.mark.parametrize("overdue", [False, True])
def test_a_bank_that_is_too_small_even_new_is_not_to_be_replaced_by_a_day_but_by_a_larger_one(
    overdue: bool,
) -> None:
    sheet = samples.short()
    well = next(bank for bank in sheet.banks if bank.id == "1")
    dates = replace(well.dates, replace_by=today_of(sheet)) if overdue else well.dates
    state = replace(well, too_small=True, asked_fraction=2.57, dates=dates)
    page = bank_page(replace(sheet, banks=(state,)), "1")
    assert page is not None
    told = "".join(map(render, page.body))
    assert "Replace it" not in told
    assert "replace by" not in told
    assert "worn out by" in told
    assert "renew it with a larger one" in told
    assert ("Overdue: order now" in told) is overdue
    assert ("Worn by" in told) is not overdue


def test_a_bank_on_its_first_discharge_is_not_said_to_be_unjudged_beside_the_end_that_is_told() -> None:
    sheet = samples.outage()
    lit = next(state for state in sheet.systems if state.on_battery and state.on_battery.ends_earliest)
    bank = sheet.estate.banks_of_system(lit.id)[0].id
    state = replace(next(iter(sheet.banks)), id=bank, unproven=True)

    def told(one: Sheet) -> str:
        page = bank_page(replace(one, banks=(state,)), bank)
        assert page is not None
        return "".join(map(render, page.body))

    assert "no discharge of it tells enough yet" not in told(sheet)
    assert "unproven until now: its first discharge is being judged" in told(sheet)
    fed = replace(sheet, systems=tuple(replace(one, on_battery=None) for one in sheet.systems))
    assert "no discharge of it tells enough yet" in told(fed)


def test_units_whose_turn_has_not_come_yet_are_counted() -> None:
    sheet = samples.short()
    whole = len(sheet.estate.units)

    def told(count: int, *, acts: bool = True) -> str:
        found = isolations(replace(sheet, isolations=sheet.isolations[:count], acts=acts))
        return "" if found is None else render(found)

    assert "Reckoned since the start: none yet" in told(0)
    assert f"Reckoned since the start: 1 of {whole} units" in told(1)
    assert "Reckoned since the start" not in told(1, acts=False)
    assert told(0, acts=False) == ""


def test_an_incident_of_several_alarms_is_taken_on_in_one_word() -> None:
    first = replace(samples.alarms()[1], incident="in-9")
    mates = (first, replace(first, id="al-x2"), replace(first, id="al-x3", incident="in-8"))
    sheet = replace(samples.short(), alarms=mates)
    html = render(sentence(sheet, [first], CLOCK, 1))
    assert 'action="/v1/incidents/in-9/take-on"' in html
    assert "I have it, all 2 of it" in html
    assert "take-on" not in render(sentence(sheet, [mates[2]], CLOCK, 1))  # one alone is acknowledged
    assert "take-on" not in render(sentence(replace(sheet, acts=False), [first], CLOCK, 1))
