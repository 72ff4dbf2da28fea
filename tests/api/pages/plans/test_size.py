"""What the system sheet says of the replacement's size."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from api.pages.markup.elements import render
from api.pages.plans.size import answer, bank_answer, in_depth, retire_answer
from api.pages.sheets.system_sheet import system_page
from rules.planning.sizing.replacement import Sizes
from rules.planning.sizing.retirement import Retired
from rules.planning.sizing.units import SizeAdvice
from rules.values.reason import told
from tests.api.pages import samples


@pytest.fixture(scope="module")
def found() -> Sizes:
    return samples.sizes()["works"]


def read(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", "", html))


def page(sizes: dict[str, Sizes]) -> str:
    made = system_page(replace(samples.short(), sizes=sizes), "works")
    assert made is not None
    return read("".join(render(part) for part in made.body))


def test_the_answer_is_a_rating_or_a_range_and_how_the_present_one_stands_to_it(found: Sizes) -> None:
    # L2 asks 11.1 kW at the peak, three lines, two units left of three: 16.7 kW of each, a tenth in reserve 18.3;
    # some 2 % a year make it 22 kW or a little more in ten years, at 0.9 W a VA 25 kVA: of the usual ratings 30.
    assert answer(found.units).startswith("30 kVA a unit, loaded to ")
    assert answer(found.units).endswith("; 20 kVA now: too small for what is to come.")


def test_a_range_is_said_where_growth_may_be_faster(found: Sizes) -> None:
    said = answer(replace(found.units, advised_to_va=40_000.0))
    assert said.startswith("30 to 40 kVA a unit")


def test_units_larger_than_asked_cost_their_losses(found: Sizes) -> None:
    present = replace(found.units.sizes[-1], rating_va=80_000.0)
    wide: SizeAdvice = replace(
        found.units, present=present, saved_kwh_a_year=12_000.0, saved_cost_a_year=2400.0
    )
    assert "larger than asked, which costs 12000 kWh a year in standing losses, 2400 in money" in answer(wide)


def test_no_usual_rating_is_no_answer(found: Sizes) -> None:
    none = replace(found.units, advised_from_va=None, advised_to_va=None)
    assert answer(none).startswith("No usual rating is enough")


def test_the_bank_is_said_with_the_time_it_is_for_and_the_cold_it_is_for(found: Sizes) -> None:
    assert re.search(
        r"strings? of 12 V 18 Ah \(\d+ blocks\) for .* min of .* kW, its part of the peak .* 12 °C",
        bank_answer(found),
    )
    assert (
        bank_answer(replace(found, bank=None, bank_missing=told("No time is required.")))
        == "No time is required."
    )


def test_the_sheet_shows_each_rating_its_grounds_and_what_was_not_checked(found: Sizes) -> None:
    text = page({"works": found})
    assert "What size should the replacement be?" in text
    assert "highest in July" in text
    assert "IEEE 485" in text
    assert "floor load" in text
    for size in found.units.sizes:
        assert f"{size.rating_va / 1000:.0f}" in text


def test_the_sheet_is_silent_during_an_outage(found: Sizes) -> None:
    lit = replace(samples.outage(), sizes={"works": found})
    for state in lit.systems:
        made = system_page(lit, state.id)
        assert made is not None
        if state.on_battery:
            assert "What size should" not in "".join(render(part) for part in made.body)


def test_a_system_without_sizes_has_no_section() -> None:
    assert in_depth(samples.good(), "control") is None


def test_whether_a_unit_may_be_retired_is_said_with_what_decides(found: Sizes) -> None:
    def one(unit: str, *, may: bool, because: str) -> Retired:
        return Retired(unit, may, 1, "w", 0.4, 0.3, (), (told(because),))

    yes, no = (one("W1", may=True, because="40 % is left."), one("W2", may=False, because="Too much."))
    assert retire_answer(replace(found, retire=())) == []
    assert retire_answer(replace(found, retire=(yes, no))) == [
        "Of the present units W1 may be retired. 40 % is left."
    ]
    assert retire_answer(replace(found, retire=(yes, yes)))[0].startswith(
        "Of the present units any one may be retired."
    )
    assert retire_answer(replace(found, retire=(no,))) == [
        "None of the present units may be retired. Too much."
    ]


def test_a_size_that_is_not_reckoned_yet_says_what_it_waits_for() -> None:
    assert "Not reckoned yet: it waits for a mean of the load over five whole minutes" in page({})
    made = system_page(replace(samples.short(), sizes={}, acts=False), "works")
    assert made is not None
    assert "What size should the replacement be?" not in read("".join(render(part) for part in made.body)), (
        "on paper nothing comes any more"
    )
