"""Signs of a bad bank: shorts, open strings, resistance, claims, tests due."""

from dataclasses import replace
from datetime import date, timedelta

import pytest

from rules.battery.assessment.faults import (
    BLOCK_OUT_OF_LINE,
    NOT_SHOWN,
    TEST_DUE,
    TEST_RISKY,
    Claim,
    blocks_out_of_line,
    capacity_fell,
    ends_in_test,
    findings_of_tests,
    in_one_plan,
    not_shown,
    open_string,
    plan_tests,
    resistance_rise,
    score_claims,
    shorted_cells,
)
from rules.battery.assessment.next_discharge.advised import do_discharge
from rules.battery.model.health import belief_from_age
from rules.battery.state import DischargeAdvice, TestPlan
from rules.plant.estate import Bank, FittedBank, PowerTable
from rules.values.code import Code

TODAY = date(2025, 6, 30)
ADVICE = DischargeAdvice(
    TODAY + timedelta(days=20), TODAY + timedelta(days=90), 300.0, 4_000.0, 0.25, None, TODAY, TODAY + timedelta(days=900),
    None, 0.0, 0.0, 0.0, 0.0, 0.01, None,
)  # fmt: skip


@pytest.mark.parametrize(("offset_v", "cells"), [(-2.1, 1), (-4.0, 2), (-6.2, 3)])
def test_a_cell_short_takes_two_volts_off(offset_v: float, cells: int) -> None:
    found = shorted_cells(offset_v, 0.4)
    assert found is not None
    assert found.what["cells"] == cells


@pytest.mark.parametrize(
    ("offset_v", "sd_v"), [(-0.6, 0.2), (2.1, 0.2), (-2.0, 1.0), (-3.0, 0.2), (-14.0, 0.5)]
)
def test_an_offset_that_is_no_number_of_cells_or_within_its_error_is_none(
    offset_v: float, sd_v: float
) -> None:
    assert shorted_cells(offset_v, sd_v) is None


def test_a_raised_float_current_makes_a_short_more_likely() -> None:
    alone, backed = shorted_cells(-2.0, 0.3), shorted_cells(-2.0, 0.3, float_current_ratio=1.6)
    assert alone is not None
    assert backed is not None
    assert (alone.severity, backed.severity) == ("minor", "major")


def test_an_open_string_gives_no_current_and_slumps_at_once() -> None:
    assert open_string(545.0, 120.0, None, cells=240) is not None
    assert open_string(545.0, 400.0, 0.0, cells=240) is not None
    # a sound bank at a heavy load: from 2.27 to 1.9 V per cell
    assert open_string(545.0, 456.0, 85.0, cells=240) is None


def test_resistance_counts_against_the_banks_own_reference() -> None:
    assert resistance_rise(0.55, 0.5) is None
    watch, bad = resistance_rise(0.62, 0.5), resistance_rise(0.7, 0.5)
    assert watch is not None
    assert bad is not None
    assert (watch.severity, bad.severity) == ("warning", "minor")


def test_a_fall_of_more_than_ten_points_between_tests_is_told() -> None:
    assert capacity_fell(0.95, 0.86) is None
    assert capacity_fell(0.95, 0.84) is not None


def test_a_block_out_of_line_is_named() -> None:
    volts = {f"block {k}": 13.5 + 0.02 * (k % 3) for k in range(40)}
    assert blocks_out_of_line(volts, what="voltage", least_share=0.02) == ()
    (found,) = blocks_out_of_line(volts | {"block 7": 11.4}, what="voltage", least_share=0.02)
    assert found.kind == BLOCK_OUT_OF_LINE
    assert found.what["named"] == (("block 7", 11.4),)


def test_a_low_resistance_is_no_fault() -> None:
    ohms = {f"block {k}": 0.005 + 0.0001 * (k % 3) for k in range(20)}
    assert blocks_out_of_line(ohms | {"block 3": 0.003}, what="resistance", least_share=0.2) == ()
    assert blocks_out_of_line(ohms | {"block 3": 0.008}, what="resistance", least_share=0.2) != ()


def test_a_card_that_promises_twice_what_is_there_is_scored() -> None:
    score, found = score_claims([Claim(TODAY, 3600.0, 1800.0), Claim(TODAY, 3000.0, 1500.0)])
    assert score.ratio == pytest.approx(2.0)
    assert found is not None
    honest, nothing = score_claims([Claim(TODAY, 1700.0, 1800.0)])
    assert honest.ratio == pytest.approx(1700.0 / 1800.0)
    assert nothing is None


def test_a_card_that_called_a_failed_bank_sound_is_told_whatever_its_minutes() -> None:
    score, found = score_claims([Claim(TODAY, 60.0, 60.0, said_good=True, failed=True)])
    assert score.missed == 1
    assert found is not None


def test_a_card_that_claims_nothing_is_not_scored() -> None:
    score, found = score_claims([Claim(TODAY, None, 1800.0)])
    assert (score.ratio, found) == (None, None)


INSTALLED = date(2018, 1, 1)


@pytest.mark.parametrize(
    ("capacity", "life_share", "life_years", "days"),
    [
        (0.98, 0.3, 12.0, 730),  # two years
        (0.98, 0.3, 6.0, 548),  # a quarter of six years is less
        (0.88, 0.3, 12.0, 365),  # yearly under 90 %
        (0.98, 0.9, 12.0, 365),  # yearly from 85 % of life on
        (None, None, None, 730),
        (0.85, 0.9, 1.2, 110),  # a quarter of life is less than a year
    ],
)
def test_tests_fall_due_as_the_standard_asks(
    capacity: float | None, life_share: float | None, life_years: float | None, days: int
) -> None:
    last = date(2024, 1, 1)
    plan = plan_tests(
        INSTALLED, last, capacity=capacity, life_share=life_share, expected_life_years=life_years
    )
    assert plan.due == last + timedelta(days=days)


def test_a_bank_never_tested_is_due_for_its_acceptance_test() -> None:
    plan = plan_tests(INSTALLED, None, capacity=None, life_share=None, expected_life_years=None)
    assert [f.kind for f in findings_of_tests("b", plan, TODAY)] == [TEST_DUE]


def test_a_test_that_the_bank_may_not_survive_is_warned_of() -> None:
    fitted = FittedBank(
        date(2010, 1, 1),
        None,
        "T",
        40,
        1.67,
        9.0,
        20.0,
        (PowerTable(1.67, ((5.0, 66.0), (60.0, 11.2))),),
        5.0,
    )
    old = belief_from_age(Bank("b", ("A1",), 240, 1, (fitted,)), fitted, TODAY, 25.0, 1)
    risk = ends_in_test(old, 240 * 20.0)
    assert risk > 0.5
    plan = plan_tests(INSTALLED, TODAY, capacity=0.5, life_share=1.2, expected_life_years=5.0)

    found = findings_of_tests("b", replace(plan, ends_in_test_probability=risk), TODAY)
    assert [f.kind for f in found] == [TEST_RISKY]


def test_a_year_without_a_discharge_is_told_as_not_shown() -> None:
    assert not_shown(TODAY - timedelta(days=365), INSTALLED, TODAY) is None
    old = not_shown(TODAY - timedelta(days=366), INSTALLED, TODAY)
    never = not_shown(None, INSTALLED, TODAY)
    failed = not_shown(TODAY, INSTALLED, TODAY, failed=True)
    assert old is not None
    assert never is not None
    assert failed is not None
    assert {old.kind, never.kind, failed.kind} == {NOT_SHOWN}
    assert failed.severity == "critical"


def test_one_discharge_is_asked_of_a_bank_whatever_asks_for_it() -> None:
    """A test that is due, one that the bank may not survive and a year in which it was not seen to carry are one plan."""
    due = plan_tests(INSTALLED, None, capacity=None, life_share=None, expected_life_years=None)
    unseen = not_shown(None, INSTALLED, TODAY)
    assert unseen is not None

    def asked(plan: TestPlan, *, renewed: bool = False) -> set[Code]:
        found = findings_of_tests("b", plan, TODAY, renewed=renewed)
        said = in_one_plan((*found, unseen), "b", plan, TODAY, renewed=renewed)
        return {f.do.code for f in said if f.do is not None}

    assert asked(due) == {Code.DO_PLAN_DISCHARGE}
    assert asked(replace(due, ends_in_test_probability=0.4)) == {Code.DO_TEST_WITH_CARE}
    assert asked(due, renewed=True) == {Code.DO_LET_IT_CARRY}
    advised = replace(due, ends_in_test_probability=0.4, advice=ADVICE)
    assert asked(advised) == {do_discharge("b", ADVICE).code}
    assert [f.kind for f in findings_of_tests("b", advised, TODAY)] == [TEST_DUE], (
        "nobody asks for the deep test"
    )
