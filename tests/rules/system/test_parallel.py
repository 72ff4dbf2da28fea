"""Units in parallel: standings, load by board line, shares."""

from __future__ import annotations

from datetime import date

import pytest

from rules.alarms.catalogue import CATALOGUE
from rules.phrasing.reasons import said
from rules.planning.isolation.unit_work import SHARES_AGAIN, SHARES_NO_MORE
from rules.plant.estate import Card, CardReports, FittedUnit, NormalMode, Unit
from rules.plant.reading import OutputSource, Reading
from rules.system.observation import unit_views
from rules.system.parallel import (
    ENOUGH_LOAD_TO_JUDGE_SHARE,
    SHARE_DEADBAND,
    SHARE_OFF,
    Parallel,
    mean_share,
    together,
)
from rules.system.state import Standing
from tests.rules.sample_plants import estate, reading, view

FITTED = (FittedUnit(date(2020, 1, 1), None, "cabinet", 30_000.0, 27_000.0),)


def judged(*readings: Reading, **more: object) -> Parallel:
    return together(unit_views(view(estate(2), readings, **more)))


@pytest.mark.parametrize(
    ("source", "standing"),
    [
        (OutputSource.NORMAL, Standing.CARRYING),
        (OutputSource.BOOSTER, Standing.CARRYING),
        (OutputSource.BATTERY, Standing.ON_BATTERY),
        (OutputSource.BYPASS, Standing.BYPASS),
        (OutputSource.NONE, Standing.OFF),
        (OutputSource.OTHER, Standing.UNKNOWN),
    ],
)
def test_the_source_says_what_a_unit_does(source: OutputSource, standing: Standing) -> None:
    assert judged(reading("A1", source=source), reading("A2")).standing_of("A1") is standing


def test_a_unit_not_heard_for_three_polls_is_silent_and_the_load_is_not_known() -> None:
    alone = together(unit_views(view(estate(1), [reading("A1", at_s=-16.0)])))
    assert alone.standing_of("A1") is Standing.SILENT
    parallel = judged(reading("A1", at_s=-31.0), reading("A2"))  # whatever its peer carries
    assert parallel.standing_of("A1") is Standing.SILENT
    assert parallel.load.power_w is None
    assert any("A1" in text for text in said(parallel.cannot_tell))


def test_one_late_poll_is_not_silence() -> None:
    assert judged(reading("A1", at_s=-14.0), reading("A2")).standing_of("A1") is Standing.CARRYING


def test_a_unit_in_planned_isolation_is_isolated_once_it_carries_nothing() -> None:
    away = frozenset({"A1"})
    off = reading("A1", (0.0, 0.0, 0.0), source=OutputSource.NONE)
    assert judged(off, reading("A2"), isolated=away).standing_of("A1") is Standing.ISOLATED
    assert judged(reading("A2"), isolated=away).standing_of("A1") is Standing.ISOLATED
    assert judged(reading("A1"), reading("A2"), isolated=away).standing_of("A1") is Standing.CARRYING


def test_a_silent_unit_in_planned_isolation_does_not_hide_the_load() -> None:
    assert judged(reading("A2"), isolated=frozenset({"A1"})).load.power_w == 9000.0


def test_a_unit_that_may_rest_rests_at_no_load() -> None:
    unit = Unit("A1", "A", 3, (1, 2, 3), FITTED, may_rest=True)
    seen = unit_views(view(estate(units=[unit]), [reading("A1", (50.0, 50.0, 50.0))]))
    assert together(seen).standing_of("A1") is Standing.RESTING


def test_a_unit_in_economy_mode_carries_through_its_bypass_by_design() -> None:
    unit = Unit("A1", "A", 3, (1, 2, 3), FITTED, normal_mode=NormalMode.ECONOMY)
    seen = unit_views(view(estate(units=[unit]), [reading("A1", source=OutputSource.BYPASS)]))
    assert together(seen).standing_of("A1") is Standing.CARRYING


def test_loads_are_summed_by_board_line() -> None:
    turned = Unit("A2", "A", 3, (2, 3, 1), FITTED)
    plain = Unit("A1", "A", 3, (1, 2, 3), FITTED)
    seen = unit_views(
        view(
            estate(units=[plain, turned]), [reading("A1", (1.0, 2.0, 3.0)), reading("A2", (10.0, 20.0, 30.0))]
        )
    )
    assert [line.power_w for line in together(seen).load.lines] == [31.0, 12.0, 23.0]


def test_single_phase_units_on_different_lines() -> None:
    single = [Unit(f"A{n}", "A", 1, (n,), FITTED) for n in (1, 2)]
    seen = unit_views(view(estate(units=single), [reading("A1", (700.0,)), reading("A2", (900.0,))]))
    assert [(x.line, x.power_w) for x in together(seen).load.lines] == [(1, 700.0), (2, 900.0)]


def test_a_value_that_is_not_known_is_not_zero() -> None:
    broken = reading("A1", (1000.0, 1000.0))  # its third line is missing, and it has no peer
    load = together(unit_views(view(estate(1), [broken]))).load
    assert load.power_w is None
    assert [line.power_w is None for line in load.lines] == [False, False, True]


def test_shares_and_deviation_from_the_mean() -> None:
    parallel = judged(reading("A1", (3600.0,) * 3), reading("A2", (1800.0,) * 3))
    one, two = parallel.shares
    assert one.of_system_fraction == pytest.approx(2 / 3)
    assert one.of_rating_fraction == pytest.approx(0.4)
    assert one.deviation_fraction == pytest.approx(0.1)
    assert two.deviation_fraction == pytest.approx(-0.1)


def test_sharing_is_not_judged_at_little_load() -> None:
    parallel = judged(reading("A1", (900.0,) * 3), reading("A2", (300.0,) * 3))
    assert [share.deviation_fraction for share in parallel.shares] == [None, None]


def test_phase_balance() -> None:
    parallel = judged(reading("A1", (3000.0, 2000.0, 1000.0)), reading("A2", (0.0, 0.0, 0.0)))
    assert parallel.phase_imbalance_fraction == pytest.approx(0.5)


def test_a_card_that_gives_a_sum_tells_the_load_but_no_unit() -> None:
    one_card = [Card("both", ("A1", "A2"), CardReports.SUM)]
    parallel = together(unit_views(view(estate(cards=one_card), [reading("A1", (4000.0,) * 3)])))
    assert parallel.load.power_w == 12_000.0
    assert [unit.share_fraction for unit in parallel.units] == [None, None]
    assert {unit.standing for unit in parallel.units} == {Standing.UNKNOWN}
    assert any("sum of units A1, A2" in text for text in said(parallel.cannot_tell))


def test_a_card_that_gives_the_first_unit_tells_no_load() -> None:
    one_card = [Card("both", ("A1", "A2"), CardReports.FIRST)]
    parallel = together(unit_views(view(estate(cards=one_card), [reading("A1")])))
    assert parallel.load.power_w is None
    assert any("one unit of A1, A2 only" in text for text in said(parallel.cannot_tell))


def test_who_shares_badly_is_judged_by_one_measure() -> None:
    """The finding, its alarm by default, and when a unit that was out shares again."""
    bound = CATALOGUE["load_share"].bound
    assert (bound.value, bound.deadband) == (100.0 * SHARE_OFF, 100.0 * SHARE_DEADBAND)
    assert (SHARES_AGAIN, SHARES_NO_MORE) == (SHARE_OFF, SHARE_OFF + SHARE_DEADBAND)
    assert mean_share([ENOUGH_LOAD_TO_JUDGE_SHARE] * 2) == ENOUGH_LOAD_TO_JUDGE_SHARE
    assert mean_share([0.99 * ENOUGH_LOAD_TO_JUDGE_SHARE] * 2) is None
    assert mean_share([0.5]) is None
