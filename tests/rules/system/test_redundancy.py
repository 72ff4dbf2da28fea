"""Redundancy: the largest units gone, on every line, in W and in VA, at the 30-day peak."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.phrasing.reasons import said
from rules.plant.estate import Card, CardReports, Estate, FittedUnit, Unit
from rules.plant.reading import OutputSource, Reading
from rules.system.load.peaks import NO_PEAKS, DayPeak, Peaks
from rules.system.observation import unit_views
from rules.system.parallel import together
from rules.system.redundancy import daily_margins, gone_on, limits_with_spares_gone, redundancy
from rules.system.state import LineLoad, LoadBasis, Redundancy
from rules.values.verdict import Verdict
from tests.rules.sample_plants import estate, month, reading, view


def judged(plant: Estate, readings: list[Reading], peaks: Peaks = NO_PEAKS, **more: object) -> Redundancy:
    views = unit_views(view(plant, readings))
    found = redundancy(
        views,
        together(views),
        peaks,
        plant.systems["A"].spare_units,
        more.get("unproven"),  # type: ignore[arg-type]
    )
    assert found is not None
    return found


def three(line_2_w: float) -> Redundancy:
    plant = estate(3, rating_va=20_000.0, rating_w=16_000.0)
    return judged(
        plant,
        [reading(f"A{n}", (2800.0, 3000.0, 2700.0)) for n in (1, 2, 3)],
        month(9200.0, line_2_w, 8800.0),
    )


def test_two_units_of_16_kw_carry_10_67_kw_a_line() -> None:
    found = three(10_600.0)
    assert found.lines[1].limit_w == pytest.approx(2 * 16_000.0 / 3)
    assert found.lines[1].limit_va == pytest.approx(2 * 20_000.0 / 3)
    assert found.verdict is Verdict.ADEQUATE
    assert (found.tightest_line, found.tightest_limit) == (2, "w")
    assert found.margin_w == pytest.approx(32_000.0 / 3 - 10_600.0)


def test_one_line_fails_though_the_total_passes() -> None:
    found = three(11_100.0)
    assert found.verdict is Verdict.INADEQUATE
    assert found.basis is LoadBasis.PEAK_30D
    assert found.margin_w == pytest.approx(32_000.0 / 3 - 11_100.0)
    assert said(found.because)[0] == "Line 2 asks 11.10 kW at its peak; with A1 gone 10.67 kW remain."


def test_volt_amperes_can_be_the_tight_limit_and_the_margin_is_told_in_watts() -> None:
    found = judged(
        estate(2, rating_va=30_000.0, rating_w=30_000.0),
        [reading("A1"), reading("A2")],
        month(8_000.0, 5_000.0, 5_000.0, power_factor=0.8),
    )
    assert (found.tightest_line, found.tightest_limit) == (1, "va")
    assert found.margin_w == pytest.approx(0.0, abs=1e-6)  # 8 kW at 0.8 is 10 kVA: the whole limit


def test_a_system_that_dropped_its_load_has_no_spare() -> None:
    off = [
        replace(
            reading(u, (0.0, 0.0, 0.0)),
            output=replace(reading(u, (0.0, 0.0, 0.0)).output, source=OutputSource.NONE),
        )
        for u in ("A1", "A2")
    ]
    found = judged(estate(2), off)
    assert found.verdict is Verdict.INADEQUATE
    assert {one.verdict for one in found.at} == {Verdict.INADEQUATE}
    assert said(found.because)[0] == "Unit A1 is off and is no spare."


def test_the_peak_decides_not_the_moment() -> None:
    found = judged(estate(2), [reading("A1"), reading("A2")], month(9_500.0, 3_000.0, 3_000.0))
    assert found.verdict is Verdict.INADEQUATE
    at = {item.basis: item.verdict for item in found.at}
    assert at[LoadBasis.NOW] is Verdict.ADEQUATE
    assert at[LoadBasis.PEAK_30D] is Verdict.INADEQUATE
    assert at[LoadBasis.P95_30D] is Verdict.ADEQUATE


def test_without_a_day_of_record_the_basis_is_now() -> None:
    found = judged(estate(2), [reading("A1"), reading("A2")])
    assert found.basis is LoadBasis.NOW
    assert any("less than a day" in text for text in said(found.because))


def test_noise_about_the_recorded_peak_flips_no_verdict_and_a_rise_does() -> None:
    # 9 kW a line are left: the peak of 8.95 kW passes; a moment of 9.05 kW is its noise, one of 9.3 kW is not
    peaks = month(8_950.0, 3_000.0, 3_000.0)

    def verdict(line_1_w: float) -> Verdict:
        half = (line_1_w / 2.0, 1_500.0, 1_500.0)
        return judged(estate(2), [reading("A1", half), reading("A2", half)], peaks).verdict

    assert [verdict(w) for w in (8_900.0, 8_990.0, 9_050.0)] == [Verdict.ADEQUATE] * 3
    assert verdict(9_300.0) is Verdict.INADEQUATE


def test_unequal_ratings_lose_the_largest() -> None:
    fitted = [FittedUnit(date(2020, 1, 1), None, "c", va, va * 0.9) for va in (30_000.0, 20_000.0, 10_000.0)]
    units = [Unit(f"A{n}", "A", 3, (1, 2, 3), (f,)) for n, f in enumerate(fitted, 1)]
    found = judged(estate(units=units), [reading(u.id, (1000.0,) * 3) for u in units])
    assert found.lines[0].limit_va == pytest.approx(10_000.0)


def test_a_unit_on_bypass_is_no_spare() -> None:
    found = judged(
        estate(3), [reading("A1", source=OutputSource.BYPASS), reading("A2"), reading("A3", (4000.0,) * 3)]
    )
    assert found.verdict is Verdict.INADEQUATE  # 10 kW a line, one unit of 9 kW a line left
    assert "Unit A1 is on bypass and is no spare." in said(found.because)


def test_an_unproven_bank_takes_nothing_off_the_kilowatts_and_is_named_with_the_unit_gone() -> None:
    readings = [reading("A1"), reading("A2")]
    plain, beside = judged(estate(2), readings), judged(estate(2), readings, unproven={"d2": "A2"})
    assert beside.unproven_banks == ("d2",)
    assert (beside.verdict, beside.margin_w, beside.lines) == (plain.verdict, plain.margin_w, plain.lines)
    assert said(beside.because)[0] == said(plain.because)[0].rstrip(".") + "; bank d2 unproven."
    assert "With A1 gone" in said(beside.because)[0]


def test_the_unit_that_is_named_as_gone_is_the_largest() -> None:
    fitted = [FittedUnit(date(2020, 1, 1), None, "c", va, va * 0.9) for va in (20_000.0, 30_000.0)]
    units = [Unit(f"A{n}", "A", 3, (1, 2, 3), (f,)) for n, f in enumerate(fitted, 1)]
    found = judged(estate(units=units), [reading(u.id, (1000.0,) * 3) for u in units])
    assert found.gone == ("A2",)


def test_a_silent_unit_leaves_the_question_open() -> None:
    found = judged(estate(2), [reading("A1")])
    assert found.verdict is Verdict.CANNOT_TELL
    first, *rest = said(found.because)
    assert "A2" in first, "why it cannot be told comes before what it is judged by"
    assert any("less than a day of load" in one for one in rest)


def test_a_silent_unit_does_not_save_what_fails_even_with_it() -> None:
    found = judged(estate(2), [reading("A1")], month(12_000.0, 3_000.0, 3_000.0))
    assert found.verdict is Verdict.INADEQUATE


def test_one_card_for_both_cannot_tell_and_says_why() -> None:
    found = judged(estate(cards=[Card("both", ("A1", "A2"), CardReports.SUM)]), [reading("A1")])
    assert found.verdict is Verdict.CANNOT_TELL
    assert any("sum of units" in text for text in said(found.because))


def test_a_system_without_spare_units_is_not_meant_to_be_redundant() -> None:
    views = unit_views(view(estate(1, spare_units=0), [reading("A1")]))
    assert redundancy(views, together(views), NO_PEAKS, 0) is None


def test_spare_units_two_of_four() -> None:
    views = unit_views(view(estate(4, spare_units=2), [reading(f"A{n}") for n in range(1, 5)]))
    limits = limits_with_spares_gone(views, ["A1", "A2", "A3", "A4"], 2)
    assert list(limits[1]) == pytest.approx([18_000.0, 20_000.0])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.0, 20_000.0), min_size=3, max_size=3))
def test_adequate_exactly_when_every_line_passes_both_limits(watts: list[float]) -> None:
    found = judged(estate(2), [reading("A1", (1.0,) * 3), reading("A2", (1.0,) * 3)], month(*watts))
    passes = all(w <= 9_000.0 and w / 0.95 <= 10_000.0 for w in watts)
    assert (found.verdict is Verdict.ADEQUATE) == passes


def test_the_highest_load_of_the_first_hours_is_not_called_the_load_now() -> None:
    hours = replace(month(9_500.0, 3_000.0, 3_000.0), known_days=0.2)
    found = judged(estate(2), [reading("A1"), reading("A2")], hours)
    assert (found.basis, found.verdict) == (LoadBasis.PEAK_30D, Verdict.INADEQUATE)
    assert "The peak is the highest of less than a day on record, not yet of 30 days." in said(found.because)
    assert not any("now" in text for text in said(found.because))
    lower = replace(month(100.0, 100.0, 100.0), known_days=0.2)
    assert judged(estate(2), [reading("A1"), reading("A2")], lower).basis is LoadBasis.NOW


def test_the_margin_of_each_day_against_what_remains_today() -> None:
    days = [
        DayPeak(date(2026, 1, 1), (LineLoad(1, 8000.0, 8400.0), LineLoad(2, 7000.0, 9900.0))),
        DayPeak(date(2026, 1, 2), (LineLoad(1, None, 8400.0), LineLoad(2, 7000.0, 9900.0))),
    ]
    found = daily_margins(days, {1: (9000.0, 10_000.0), 2: (9000.0, 10_000.0)})
    # line 2 has 100 VA left, at power factor 7.0 / 9.9; the second day is not known
    assert [day for day, _ in found] == [date(2026, 1, 1)]
    assert found[0][1] == pytest.approx(100.0 * 7.0 / 9.9)


def test_what_is_gone_of_a_line_is_the_largest_that_feeds_it_and_is_able_to() -> None:
    readings = [reading(unit, (1000.0,) * 3) for unit in ("A1", "A2", "A3")]
    one, two, three = unit_views(view(estate(3), readings))
    elsewhere = replace(one, unit=replace(one.unit, output_lines=1, line_order=(2, 3, 1)))
    assert (elsewhere.line_rating_w or 0.0) > (two.line_rating_w or 0.0)
    views = (elsewhere, three, two)
    assert gone_on(views, ("A1", "A2"), 1, 1, "w") == ("A2",)
    assert gone_on(views, ("A1", "A2"), 1, 2, "w") == ("A1",)
    assert gone_on(views, ("A1", "A2"), 3, 1, "va") == ("A2",)
