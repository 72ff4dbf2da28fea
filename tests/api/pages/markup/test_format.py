from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.pages.markup.elements import render
from api.pages.markup.format import remaining, with_figures
from collector.read_model.wall_clock import WallClock
from rules.phrasing.figures import age, clause, interval, listed, margin, minutes, span, stopwatch

NOW = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)


@given(st.floats(0, 5_000), st.floats(0, 5_000))
@settings(max_examples=100, deadline=None)
def test_a_margin_is_never_more_and_a_shortfall_never_less_than_it_is(held: float, needed: float) -> None:
    left_min = (held - needed) / 60
    said = margin(held, needed)
    figure = float(said.lstrip("+").split(" ")[0])
    if held >= needed:
        assert said.startswith("+")
        assert figure <= left_min + 1e-6
    else:
        assert said.endswith("short")
        assert figure >= -left_min - 1e-6


def test_a_figure_that_is_a_tenth_stays_that_tenth() -> None:
    assert minutes(17.1 * 60, favours=True) == "17.1"
    assert minutes(9.5 * 60, favours=False) == "9.5"
    assert minutes(102.0, favours=False) == "1.7"


def test_long_hold_ups_are_in_hours() -> None:
    assert span(3 * 3600 + 12 * 60 + 50, favours=True) == ("3 h 12", "min")
    assert span(3 * 3600 + 12 * 60 + 50, favours=False) == ("3 h 13", "min")


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (4, "4 s"),
        (165, "2 min 45 s"),
        (3000, "50 min"),
        (11_526, "3 h 12 min"),
        (46 * 86_400, "46 days"),
        (-3, "0 s"),
    ],
)
def test_ages_are_said_as_people_say_them(seconds: float, said: str) -> None:
    assert age(seconds) == said


def test_a_countdown_stops_at_nought() -> None:
    assert stopwatch(743) == "12:23"
    assert stopwatch(3723) == "1:02:03"
    assert "0:00" in render(remaining(NOW - timedelta(seconds=5), NOW))


def test_intervals_and_what_is_not_known() -> None:
    assert interval(0.68, 0.6, 0.76) == "68 % (60 to 76)"
    assert interval(None, None, None) == "cannot tell"


def test_a_sites_clock_is_its_own_and_another_day_is_named() -> None:
    clock = WallClock("Europe/London", NOW)
    assert clock.at(NOW) == "13:00:00"
    assert clock.at(NOW - timedelta(days=3)) == "28 Jun 2026, 13:00"
    assert clock.head(NOW) == ("Wed 1 Jul 2026", "13:00:00", "UTC+1")


def test_lists_and_clauses() -> None:
    assert listed(["1", "2", "3"], "or") == "1, 2 or 3"
    assert clause("Silent since 11:20.") == "silent since 11:20"
    assert clause("L2 asks more") == "L2 asks more"


def test_quantities_in_a_sentence_are_set_apart_and_still_escaped() -> None:
    made = "".join(render(node) for node in with_figures("Shed 6 kW <now>: +0.5 min, not room 7."))
    assert made == "Shed <b>6 kW</b> &lt;now&gt;: <b>+0.5 min</b>, not room 7."
