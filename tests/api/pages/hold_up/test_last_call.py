"""What a page says of the last moment to do something about a generator."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from api.pages.sheets import registry as sheets
from rules.generator.outage_source import SetSays
from rules.system.state import OnBattery
from tests.api.pages import samples
from tests.api.pages.hold_up.test_lanes import text


def shown(**more: object) -> str:
    sheet = samples.outage()
    state = sheet.system("works")
    assert state is not None
    assert state.on_battery is not None
    on: OnBattery = replace(state.on_battery, **more)  # type: ignore[arg-type]  # a test's own words
    states = tuple(replace(s, on_battery=on) if s.id == "works" else s for s in sheet.systems)
    return text(sheets.system(replace(sheet, systems=states), "works"))


def test_without_a_start_by_hand_declared_it_is_the_last_moment_to_start() -> None:
    words = shown()
    assert "The generator must run before" in words
    assert "left to start the generator" in words


@pytest.mark.parametrize(
    ("left_s", "says", "figure"),
    [
        (540.0, "Somebody must set out for the generator before", "left to send somebody to the generator"),
        (
            -60.0,
            "It is too late to start the generator by hand: that takes 20.9 min",
            "to start the generator by hand",
        ),
    ],
)
def test_where_a_start_by_hand_is_declared_it_is_the_last_moment_to_set_out(
    left_s: float, says: str, figure: str
) -> None:
    words = shown(hand_s=1250.0, set_out_before=samples.outage().now + timedelta(seconds=left_s))
    assert says in words
    assert figure in words
    assert "left to start the generator" not in words


def test_a_generator_that_runs_by_the_word_of_the_site_is_not_to_be_started() -> None:
    words = shown(set_says=SetSays.RUNS, start_set_before=None)
    assert "The site says that its generator runs, does not carry." in words
    assert "must run" not in words


def test_a_supply_that_is_about_to_be_taken_is_what_is_said_first() -> None:
    now = samples.outage().now
    words = shown(
        start_set_before=None, offered_since=now - timedelta(seconds=23), takes_by=now + timedelta(seconds=27)
    )
    assert "Supply is there again, to be taken by" in words
    assert "supply there again since" in words
