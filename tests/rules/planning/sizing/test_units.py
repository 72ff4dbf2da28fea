"""Sizes of replacement units and banks, by hand-worked arithmetic."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.battery.assessment.replacement import BankDemand
from rules.battery.assessment.too_small import what_helps
from rules.battery.model.health import belief_from_age
from rules.battery.model.runtime_curve import curve_for
from rules.battery.model.size_factors import ColdKnown, cold_factor, how_known
from rules.phrasing.reasons import said
from rules.planning.sizing.bank import BankWanted, StatedBank, size_bank
from rules.planning.sizing.units import USUAL_KVA, SizeWanted, altitude_factor, growth_of, size_units
from rules.plant.estate import Bank, FittedBank, PowerTable
from rules.system.load.peaks import LineHistory
from rules.system.load.season import SeasonalTrend
from rules.values.code import Code
from rules.values.reason import told

LINES = [
    LineHistory(n, 4000.0, 5500.0, peak, peak / 0.95) for n, peak in ((1, 7400.0), (2, 5600.0), (3, 6500.0))
]
TWO = SizeWanted(2, 1, growth_per_year=0.02, reserve=0.10)
TYPE = FittedBank(
    date(2026, 1, 1),
    None,
    "one",
    40,
    1.67,
    12.0,
    20.0,
    (PowerTable(1.67, ((5.0, 96.0), (10.0, 62.0), (15.0, 46.0), (30.0, 27.0), (60.0, 15.5))),),
)

ONE = StatedBank(TYPE, 240, 1)


def test_the_tight_line_decides_with_growth_and_reserve() -> None:
    found = size_units(LINES, TWO)
    grown = 1.02**10 * 1.10
    by_w = 7400.0 * 3 * grown / 0.9  # watts in volt-amperes of the rating
    by_va = 7400.0 / 0.95 * 3 * grown
    assert found.needed_va == pytest.approx(max(by_w, by_va))
    assert (found.tightest_line, found.tightest_limit) == (1, "w")  # 0.95 is above the rating's 0.9
    assert [s.rating_va for s in found.sizes] == [30_000.0, 40_000.0, 50_000.0]
    assert [s.enough for s in found.sizes] == [False, True, True]


def test_each_size_says_what_it_gives() -> None:
    forty = size_units(LINES, replace(TWO, energy_price_per_kwh=0.2, set_rating_w=50_000.0)).sizes[1]
    assert forty.load_now_fraction == pytest.approx(7400.0 * 3 / 2 / 36_000.0)
    assert forty.margin_then_fraction == pytest.approx(1.0 - 7400.0 * 3 * 1.02**10 / 36_000.0)
    assert forty.standing_loss_kwh_a_year == pytest.approx(0.03 * 36.0 * 2 * 8766.0)
    assert forty.standing_loss_cost_a_year == pytest.approx(0.2 * 0.03 * 36.0 * 2 * 8766.0)
    assert forty.within_set is False  # 1.5 times 36 kW is 54


def test_what_oversize_costs() -> None:
    found = size_units(LINES, TWO, present_va=80_000.0, present_w=72_000.0)
    assert found.saved_kwh_a_year == pytest.approx(0.03 * (72.0 - 36.0) * 2 * 8766.0)
    assert any("less than now" in text for text in said(found.because))
    assert found.assumptions
    assert found.not_checked


def grown(per_year_w: float | None, low_w: float | None, high_w: float | None) -> SeasonalTrend:
    return SeasonalTrend(per_year_w, low_w, high_w, 20_000.0, (), 26, 0.01, (told("seen"),))


def test_growth_comes_from_the_record_only_where_it_is_clear() -> None:
    asked = SizeWanted(2, 1)
    assert growth_of(asked, grown(600.0, 200.0, 1000.0)).expected == pytest.approx(0.03)
    assert growth_of(asked, grown(600.0, 200.0, 1000.0)).high == pytest.approx(0.05)
    doubtful = growth_of(asked, grown(300.0, -200.0, 800.0))
    assert doubtful.expected == 0.0
    assert doubtful.high == pytest.approx(0.04)
    assert growth_of(asked, grown(-600.0, -900.0, -100.0)).expected == 0.0  # a decline is not counted on
    assert growth_of(asked, grown(None, None, None)).high is None
    assert growth_of(replace(asked, growth_per_year=0.02), grown(600.0, 200.0, 1000.0)).expected == 0.02


def test_a_line_that_grows_faster_than_the_whole_counts() -> None:
    found = growth_of(SizeWanted(2, 1), grown(200.0, 100.0, 300.0), {2: grown(800.0, 500.0, 900.0)})
    assert found.expected == pytest.approx(0.04)
    assert "Line 2" in said(found.because)[-1]


def test_the_answer_is_a_range_where_growth_has_an_interval() -> None:
    # 7.4 kW a line, three lines, on one unit: 22.2 kW, with a tenth in reserve 24.4. At 1 % for ten years 27.0 kW,
    # at 5 % 39.8 kW: of 0.9 of the kVA, 30 and 50 kVA.
    found = size_units(LINES, SizeWanted(2, 1), load=grown(200.0, 100.0, 1000.0))
    assert (found.advised_from_va, found.advised_to_va) == (30_000.0, 50_000.0)
    assert [s.rating_va for s in found.sizes] == [20_000.0, 30_000.0, 40_000.0, 50_000.0, 60_000.0]
    assert [s.enough_at_high_growth for s in found.sizes] == [False, False, False, True, True]


def test_thin_air_asks_for_more() -> None:
    assert altitude_factor(800.0) == 1.0
    assert altitude_factor(2000.0) == pytest.approx(0.95)
    low, high = (size_units(LINES, replace(TWO, altitude_m=m)).needed_va for m in (0.0, 2000.0))
    assert high == pytest.approx(low / 0.95)


def test_each_size_says_how_long_the_stated_bank_would_hold_it() -> None:
    forty = size_units(LINES, TWO, stated=ONE).sizes[1]
    # 19.5 kW on one unit, 4 % more and 1.5 % of 36 kW: 20 820 W on 240 cells, 86.75 W a cell; the table has 96 W for
    # 5 min and 62 W for 10.
    assert forty.holds_new_s is not None
    assert 300.0 < forty.holds_new_s < 600.0
    assert forty.holds_end_of_life_s is None  # a quarter more power is above the table's largest


def test_no_unit_left_is_refused() -> None:
    with pytest.raises(ValueError, match="unit left"):
        size_units(LINES, SizeWanted(1, 1))
    with pytest.raises(ValueError, match="block type"):
        size_bank(BankWanted(9000.0, 600.0, 27_000.0, 240), [])


@settings(max_examples=60, deadline=None)
@given(st.floats(100.0, 200_000.0), st.floats(0.0, 0.1), st.integers(1, 5))
def test_what_is_called_enough_is_enough(peak_w: float, growth: float, left: int) -> None:
    line = [LineHistory(n, peak_w, peak_w, peak_w, peak_w / 0.9) for n in (1, 2, 3)]
    for size in size_units(line, SizeWanted(left + 1, 1, growth_per_year=growth)).sizes:
        assert size.enough == (peak_w * 3 / left * (1 + growth) ** 10 * 1.1 <= size.rating_w * (1 + 1e-12))


def test_a_bank_by_the_constant_power_method() -> None:
    # 9 kW out of 240 cells: losses 4 % and 1.5 % of 27 kW: (9360 + 405) / 240 W a cell; 1.25 for age, 1.1 reserve.
    wanted = BankWanted(9_000.0, 600.0, 27_000.0, 240, coldest_c=25.0)
    found = size_bank(wanted, [ONE])
    assert found.watts_per_cell == pytest.approx(9765.0 / 240.0)
    assert found.sizes[0].asked_watts_per_cell == pytest.approx(9765.0 / 240.0 * 1.25 * 1.1)
    assert found.sizes[0].strings == 1  # 55.9 of 62 W
    assert found.sizes[0].end_of_life_s >= 600.0


def test_the_cold_asks_for_more() -> None:
    curve = curve_for(TYPE)
    # Trade figures at the quarter-hour rate: 0.92 at 15.8 degC, 0.86 at 10 degC.
    assert cold_factor(curve, 900.0, 15.8) == pytest.approx(0.92, abs=0.03)
    assert cold_factor(curve, 900.0, 10.0) == pytest.approx(0.86, abs=0.04)
    assert cold_factor(curve, 900.0, 30.0) == 1.0


def test_each_type_is_asked_by_its_own_factor_for_the_cold() -> None:
    """The less a type's power falls with the time asked, the less of it the cold takes."""
    flat = replace(
        TYPE, type="flat", constant_power=(PowerTable(1.67, ((5.0, 100.0), (20.0, 90.0), (60.0, 80.0))),)
    )
    wanted = BankWanted(9_000.0, 600.0, 27_000.0, 240, coldest_c=10.0)
    both = size_bank(wanted, [ONE, StatedBank(flat, 240, 1)]).sizes
    for size, kind in zip(both, (TYPE, flat), strict=True):
        assert size.cold_factor == cold_factor(curve_for(kind), 600.0, 10.0)
        assert size.asked_watts_per_cell == pytest.approx(9765.0 / 240.0 * 1.25 * 1.1 / size.cold_factor)
    assert both == tuple(size_bank(wanted, [one]).sizes[0] for one in (ONE, StatedBank(flat, 240, 1)))
    assert both[0].cold_factor < both[1].cold_factor < 1.0


@settings(max_examples=60, deadline=None)
@given(st.floats(2_000.0, 60_000.0), st.floats(320.0, 3500.0), st.floats(5.0, 25.0))
def test_the_strings_advised_hold_the_time_old_and_cold(
    watts: float, required_s: float, cold_c: float
) -> None:
    found = size_bank(BankWanted(watts, required_s, 60_000.0, 240, coldest_c=cold_c), [ONE])
    assert found.sizes[0].end_of_life_s >= required_s * 0.999


def test_a_table_that_does_not_reach_is_left_out_and_said() -> None:
    found = size_bank(BankWanted(9_000.0, 4 * 3600.0, 27_000.0, 240), [ONE])
    assert found.sizes == ()
    assert any("does not reach" in text for text in said(found.because))


def test_usual_ratings_rise_and_none_lies_more_than_two_thirds_over_the_one_before() -> None:
    steps = [larger / one for one, larger in pairwise(USUAL_KVA)]
    assert min(steps) > 1.0
    assert max(steps) == pytest.approx(5.0 / 3.0)
    assert max(larger / one for one, larger in pairwise(USUAL_KVA) if one >= 40.0) <= 4.0 / 3.0 + 1e-9


@settings(max_examples=40, deadline=None)
@given(
    output_w=st.floats(6_000.0, 40_000.0),
    minutes=st.floats(6.0, 25.0),
    coldest_c=st.sampled_from((5.0, 15.0, 25.0)),
)
def test_a_banks_own_sheet_and_its_systems_name_one_size_for_one_load(
    output_w: float, minutes: float, coldest_c: float
) -> None:
    table = PowerTable(1.67, ((5.0, 66.0), (10.0, 43.0), (15.0, 33.0), (30.0, 19.5), (60.0, 11.2)))
    fitted = FittedBank(date(2025, 1, 1), None, "T", 40, 1.67, 9.0, 20.0, (table,), 10.0)
    place = Bank("b", ("u",), 240, 1, (fitted,))
    belief = belief_from_age(place, fitted, date(2026, 1, 1), None, 1, rating_w=60_000.0)
    offered = what_helps(belief, fitted, BankDemand(60.0 * minutes, output_w, date(2026, 1, 1)), coldest_c)
    wanted = BankWanted(output_w, 60.0 * minutes, 60_000.0, 240, coldest_c=coldest_c)
    strings = size_bank(wanted, [StatedBank(fitted, 240, 1)]).sizes[0].strings
    larger = [one["strings"] for one in offered if one.code is Code.HELPS_LARGER_BANK]
    assert larger == ([strings] if strings > 1 else [])


@pytest.mark.parametrize(
    ("coldest_c", "declared_c", "known"),
    [
        (15.0, None, ColdKnown.ASSUMED),
        (15.0, 20.0, ColdKnown.DECLARED),
        (17.5, 20.0, ColdKnown.SEEN),
        (12.0, None, ColdKnown.SEEN),
    ],
)
def test_a_coldest_that_nobody_saw_is_an_assumption(
    coldest_c: float, declared_c: float | None, known: ColdKnown
) -> None:
    assert how_known(coldest_c, declared_c) is known
