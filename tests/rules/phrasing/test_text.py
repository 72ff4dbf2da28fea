"""Numbers and short texts as people read them."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from rules.alarms.catalogue import CATALOGUE
from rules.alarms.conditions.shedding import shed_reason
from rules.phrasing.reasons import cause, say
from rules.phrasing.text import at_least, at_most, counted, lasted, listed, plain, short_form
from rules.system.state import ShedFirst, ShedStep
from rules.values.code import Code
from rules.values.reason import reason, told


def shed_words(shed: ShedFirst, at: datetime, ends: datetime | None) -> str:
    return say(shed_reason(shed, at, ends))


def test_what_favours_us_is_rounded_down_and_what_counts_against_us_up() -> None:
    assert at_least(471.0) == "7.8 min"
    assert at_most(471.0) == "7.9 min"
    assert at_least(570.0) == at_most(570.0) == "9.5 min"
    assert at_least(59.9) == "59 s"
    assert at_most(58.1) == "59 s"


def test_long_times_are_in_hours() -> None:
    assert at_least(7200.0) == "2.0 h"
    assert lasted(499.0) == "8 min 19 s"
    assert lasted(11_520.0) == "3 h 12 min"
    assert lasted(3 * 86_400.0) == "3 d"


def test_counting_and_listing() -> None:
    assert counted(1, "unit") == "1 unit"
    assert counted(10, "unit") == "10 units"
    assert listed(["A"]) == "A"
    assert listed(["A", "B", "C"]) == "A, B and C"
    assert listed([str(n) for n in range(9)], most=3) == "0, 1, 2 and 6 more"


def test_the_short_form_has_cause_place_time_left_and_first_action() -> None:
    text = short_form(
        "mains lost, 3 units on battery",
        "Treatment works",
        "17.2 min left at least",
        "Start the generator by hand.",
    )
    assert (
        text
        == "Treatment works: mains lost, 3 units on battery, 17.2 min left at least. Start the generator by hand."
    )


def test_the_short_form_says_no_place_twice() -> None:
    due = "Bank b1 should have been renewed by Jul 2026."
    assert short_form(due, "Bank b1 (Depot)", None, "Renew it.") == (
        "Bank b1 (Depot): should have been renewed by Jul 2026. Renew it."
    )
    assert short_form("over after 8 min 0 s: Control cannot spare a unit", "Hill, Control", None, "") == (
        "Over after 8 min 0 s: Control cannot spare a unit"
    )
    assert (
        short_form("Control cannot spare a unit", "Hill, Control", None, "")
        == "Hill, Control: cannot spare a unit"
    )


def test_what_to_do_begins_within_a_hundred_characters_whatever_happened() -> None:
    for kind in CATALOGUE.values():
        action = plain(str(kind.do))
        text = short_form(kind.meaning, "Unit control-3 (Control)", "17.2 min left at least", action)
        assert action[:9] in text[:100], text


def test_what_happened_is_cut_at_the_end_of_a_clause_rather_than_within_one() -> None:
    text = short_form(
        "needs 20.0 min for an orderly shutdown, holds 11.8 min at the least with unit filters-1 lost",
        "Filters",
        None,
        "Shed load or shorten the wait for the generator.",
    )
    assert text == (
        "Filters: needs 20.0 min for an orderly shutdown. Shed load or shorten the wait for the generator."
    )


def test_a_place_that_would_be_cut_off_stands_in_front() -> None:
    text = short_form(
        "3 starts of the generator should have brought supply by now, and all of Control is on its banks",
        "Control",
        "21.9 min left at least",
        "Send somebody to the generator now.",
    )
    assert text.startswith("Control: 3 starts of the generator"), text


def test_plain_text_keeps_what_can_be_read() -> None:
    assert plain("38 °C – Kühlung ‘off’…") == "38 degC - Kuhlung ?off'..."


@settings(max_examples=100, deadline=None)
@given(
    st.text(max_size=300),
    st.text(max_size=60),
    st.none() | st.just("17.2 min left at least"),
    st.text(max_size=300),
)
def test_the_short_form_is_never_longer_than_160_plain_characters(
    cause: str, where: str, left: str | None, action: str
) -> None:
    text = short_form(cause, where, left, action)
    assert len(text) <= 160
    assert text.isascii()
    assert text.isprintable()
    if left:
        assert left in text


def test_what_to_shed_is_a_sentence_with_who_does_it_and_how_long_it_then_holds() -> None:
    at = datetime(2026, 10, 9, 12, tzinfo=UTC)
    steps = (ShedStep("desks", 3600.0, "night desk, panel 3"), ShedStep("lights", 12_000.0))
    ends = at + timedelta(seconds=630)
    shed = ShedFirst(at, 600.0, told("a start by hand"), steps, ends, reached=True)
    without = at + timedelta(seconds=500)
    assert shed_words(shed, at, without) == (
        "Shed first desks, 3.60 kW (by night desk, panel 3), then lights, 12.0 kW: it then holds 10.5 min at the least."
    )
    by = replace(shed, shed_by=at + timedelta(seconds=494))
    assert shed_words(by, at, without).endswith("at the least; shed within 7.3 min it is still enough.")
    assert "shed at once, it is" in shed_words(by, at + timedelta(seconds=445), without)
    short = ShedFirst(at, 700.0, told("a start by hand"), steps[:1], ends, reached=False)
    assert shed_words(short, at + timedelta(seconds=30), without).endswith(
        "it then holds 10.0 min at the least, not the 11.2 min still wanted for a start by hand."
    )
    enough = ShedFirst(at, 600.0, told("a start by hand"), reached=True)
    assert (
        shed_words(enough, at, ends)
        == "Nothing needs to be shed yet: it holds for a start by hand (10.0 min)."
    )
    assert "no load group is declared" in shed_words(
        ShedFirst(at, 600.0, told("x"), reached=False), at, without
    )
    assert "cannot be told" in shed_words(ShedFirst(at, 600.0, told("x")), at, without)


def test_what_to_shed_says_nothing_against_the_end_that_stands_beside_it() -> None:
    at = datetime(2026, 10, 9, 12, tzinfo=UTC)
    hopeless = ShedFirst(
        at, 672.0, told("a start by hand"), reached=False, without_ends=at + timedelta(seconds=500)
    )
    assert shed_words(hopeless, at, None) == (
        "What shedding gives cannot be told, and no order to shed in is declared: shed what can be spared."
    )
    assert shed_words(hopeless, at, at + timedelta(minutes=23)) == (
        "Nothing needs to be shed yet: it holds for a start by hand (11.2 min)."
    )
    assert "does not hold" in shed_words(hopeless, at, at + timedelta(minutes=8))
    fine = ShedFirst(at, 672.0, told("a start by hand"), reached=True)
    assert "it holds" not in shed_words(fine, at, at + timedelta(minutes=8))


def test_steps_once_advised_are_not_taken_back_for_a_second_more_and_never_give_less_than_is_left() -> None:
    at = datetime(2026, 10, 9, 12, tzinfo=UTC)
    steps = (ShedStep("desks", 3600.0),)
    shed = ShedFirst(at, 600.0, told("a start by hand"), steps, at + timedelta(seconds=620), reached=True)
    assert shed_words(shed, at, at + timedelta(seconds=650)).endswith("it then holds 10.8 min at the least.")
    assert "Nothing needs" in shed_words(shed, at, at + timedelta(seconds=661))


def test_the_agreed_order_is_told_where_what_it_gives_is_not_known() -> None:
    at = datetime(2026, 10, 9, 12, tzinfo=UTC)
    order = (ShedStep("desks", 3600.0, "night desk, panel 3"), ShedStep("lights", 12_000.0))
    assert shed_words(ShedFirst(at, 600.0, told("an hour"), order=order), at, None) == (
        "What shedding gives cannot be told; shed in the agreed order: desks, 3.60 kW (by night desk, panel 3), then "
        "lights, 12.0 kW."
    )


def test_the_short_form_says_the_time_left_once_and_stops_once() -> None:
    soon = reason(
        Code.ENDS_SOON,
        name="Control",
        left_s=290.0,
        reckoned=True,
        outlasted=False,
        fed=0,
        units=2,
        others_fed=0,
    )
    briefly = cause(soon, "Mill", left_beside=True)
    action = "Start the generator by hand; shut down in order what can be. It is too late to shed for a start by hand at all."
    text = short_form(briefly, "Mill", "4.8 min left at least", action)
    assert text.count("4.8 min") == 1
    assert "soon, 4.8 min left at least. Start the generator" in text
    long = short_form("drops its load soon", "Mill, the control room of it", "4.8 min left at least", action)
    assert long.endswith("what can be.") or not long.endswith("be..")
    for most in range(60, 161):
        assert "be.." not in short_form("drops soon", "Mill", "4.8 min left at least", action, most=most)
