"""A bank's sheet contradicts itself nowhere: what little is known is said beside what was judged, what is past as past."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from api.pages.banks.next_discharge import tests_said as said_of_tests
from api.pages.hold_up.basis import rests
from api.pages.hold_up.sentences import judged
from api.pages.markup.elements import el, render
from api.pages.sheets import registry as sheets
from collector.read_model.sheet import Sheet
from rules.battery.state import BankState, JudgedDischarge, TestPlan
from rules.phrasing.reasons import say
from rules.values.code import Code
from rules.values.reason import reason, told
from tests.api.pages import samples
from tests.rules.planning.programme.test_discharge_visits import advice

TODAY = samples.NOW.date()


def with_bank(name: str, **changes: object) -> tuple[Sheet, BankState]:
    sheet = samples.short()
    state = replace(next(b for b in sheet.banks if b.id == name), **changes)  # type: ignore[arg-type]
    return replace(sheet, banks=tuple(state if b.id == name else b for b in sheet.banks)), state


def test_a_discharge_that_tells_too_little_is_not_passed_over_in_silence() -> None:
    at = datetime(2026, 11, 3, 4, tzinfo=UTC)
    wide = (
        JudgedDischarge(at, "outage", 0.12, 0.7, 0.42, 1.07),
        JudgedDischarge(at, "test", 0.02, 0.7, 0.2, 1.3),
    )
    sheet, _ = with_bank("D", discharges=wide)
    html = sheets.bank(sheet, "D")
    assert html is not None
    assert "no discharge of it tells enough yet; the best, of 3 Nov 2026, says 42 to 107 %" in html


def test_a_test_by_its_interval_stands_beside_none_that_pays_without_contradiction() -> None:
    none = reason(Code.NO_TEST_PAYS, days=14.0, until=date(2028, 1, 4))
    plan = TestPlan(date(2025, 7, 22), date(2027, 7, 22), 730, told("every two years"), without_advice=none)
    first, second = said_of_tests(*with_bank("A-1", tests=plan), TODAY)
    assert first.endswith("every two years. It is made to see that the bank still carries.")
    assert second == say(none)
    assert second.startswith("To move the day to order no discharge pays: ")


def test_a_visit_whose_day_has_passed_was_to_come() -> None:
    due = TODAY - timedelta(days=40)

    def comes(on: date) -> str:
        plan = TestPlan(None, due, 730, told("every two years"), advice=advice(on))
        return said_of_tests(*with_bank("A-1", tests=plan), TODAY)[-1]

    assert comes(TODAY + timedelta(days=9)).startswith("In the plan of the site it comes on 3 Dec 2026")
    assert comes(TODAY - timedelta(days=9)) == (
        "In the plan of the site it was to come on 15 Nov 2026; none was seen since: make it on the next day that suits."
    )


def test_the_temperature_that_an_age_is_counted_by_is_the_laws_own_and_the_banks_is_named() -> None:
    html = sheets.bank(with_bank("A-1", worn_as_c=24.6)[0], "A-1")
    assert html is not None
    assert "worn as in years at 22 °C" in html
    assert "3.3, its own heat counting as 25 °C" in html


def test_banks_that_would_hold_longer_at_their_end_of_life_than_is_promised_now_say_why() -> None:
    def shown(now_s: float) -> str:
        state = next(s for s in samples.good().systems if s.hold_up.at_end_of_life.all.low_s)
        held = replace(state.hold_up, now=replace(state.hold_up.now, low_s=now_s))
        return render(el("p", rests(samples.good(), judged(samples.good(), replace(state, hold_up=held)))))

    assert "longer than the least now, which counts what is not known of the banks" in shown(72.0)
    assert "longer than the least now" not in shown(72_000.0)


def test_a_units_sheet_names_what_was_doubted_in_words_alone() -> None:
    for unit in ("W1", "W2", "W3", "A1", "A2", "D1"):
        html = sheets.unit(samples.short(), unit)
        if html is not None:
            assert "<small> ups" not in html


def test_no_legend_stands_over_a_drawing_that_has_none_of_its_marks() -> None:
    unseen, state = with_bank("D")
    alone = replace(unseen, banks=(state,), forecasts={})
    html = sheets.index(alone)
    assert "Dots are discharges" not in html
    assert "The box is when" not in html
    page = sheets.bank(alone, "D")
    assert page is not None
    assert "Width is the 90 % interval" not in page
    assert "Dots are discharges that were judged. The box is when" in sheets.index(samples.short())
