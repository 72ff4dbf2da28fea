"""What size comes next after a load was cut, whether a unit may be retired, and which banks then suffice.

Three units of 30 kVA and 27 kW on three lines, one of them to spare: 10 kVA and 9 kW a line each. Each has a bank of
240 cells of a type that gives 96 W a cell for 5 min and 15.5 for an hour, new and at 25 degC.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta

import pytest

from rules.phrasing.reasons import said
from rules.planning.sizing.replacement import LoadRecord, Sizes, next_size, wanted_of
from rules.planning.sizing.retirement import RemainingDemand, retirements
from rules.plant.estate import Estate, FittedUnit, Unit
from rules.system.load.peaks import DayPeak
from rules.system.load.record import PeakRecord
from rules.system.load.step import line_steps
from rules.system.state import LineLoad, Load
from tests.rules.sample_plants import estate

TODAY = date(2026, 11, 23)  # a Monday
FACTOR = 0.9
LINES = (1, 2, 3)


def recorded(days: int, watts: Callable[[int], float]) -> PeakRecord:
    """Return a record of so many days up to today; `watts` of each line, by the days ago."""
    record = PeakRecord(LINES)
    for ago in range(days, 0, -1):
        lines = tuple(LineLoad(n, watts(ago), watts(ago) / FACTOR) for n in LINES)
        day = TODAY - timedelta(days=ago)
        record.add_day(DayPeak(day, lines))
        if ago <= 30:
            for hour in range(24):
                record.add_quarter(datetime.combine(day, time(hour), UTC), Load(None, None, lines))
    return record


def sized(record: PeakRecord, required_s: float = 300.0, count: int = 3) -> Sizes:
    plant, days = estate(count), record.days()
    since = {line: step.since for line, step in line_steps(days).items()}
    now = datetime.combine(TODAY, time(), UTC)
    found = next_size(
        plant,
        "A",
        LoadRecord(record.histories(now, since), days, {}),
        TODAY,
        wanted_of(plant, "A"),
        coldest_c={},
        required_s=required_s,
    )
    assert found is not None
    return found


@pytest.mark.parametrize("days", [300, 730])
def test_after_a_load_was_cut_by_55_percent_only_what_came_since_counts(days: int) -> None:
    # 9 kW and 10 kVA a line were cut to 4.05 and 4.5 some 15 weeks ago. With 10 % in reserve two units carry the
    # lines: 4.5 kVA x 3 lines / 2 units x 1.1 is 7.4 kVA of each, so 8; before the cut it was 16.5, so 20.
    found = sized(recorded(days, lambda ago: 9000.0 if ago > 105 else 4050.0))
    assert found.units.needed_va == pytest.approx(7425.0, rel=0.01)
    assert found.units.advised_from_va == 8000.0
    assert found.load.season_w == ()
    assert any("stayed there: only the 15 weeks since count" in text for text in said(found.units.because))
    assert any("come back" in text for text in said(found.units.because))
    assert any("months are on record" in text for text in said(found.units.assumptions))


def test_without_the_cut_the_peak_of_the_year_counts() -> None:
    assert sized(recorded(300, lambda _: 9000.0)).units.advised_from_va == 20_000.0


def test_one_of_three_may_be_retired_once_the_load_was_cut_and_the_banks_of_the_others_suffice() -> None:
    found = sized(recorded(300, lambda ago: 9000.0 if ago > 105 else 4050.0))
    best = found.retire[0]
    assert best.may
    assert best.room_now_fraction == pytest.approx(
        1.0 - 4.5 / 10.0, abs=0.01
    )  # one unit left, the spare gone
    assert {bank.bank for bank in best.banks} == {"bank A1", "bank A2", "bank A3"} - {f"bank {best.unit}"}
    # 12.15 kW out are some 13 kW of 240 cells: 54 W a cell, so 10 to 15 min new; 67 W old: 5 to 10 min but for the cold
    for bank in best.banks:
        assert bank.asked_w == pytest.approx(12_150.0, rel=0.01)
        assert bank.holds_new_s is not None
        assert 600.0 < bank.holds_new_s < 900.0
        assert bank.holds_end_of_life_s is not None
        assert 300.0 < bank.holds_end_of_life_s < 600.0
        assert bank.enough is True
    assert len(found.retire) == 3


def test_where_the_banks_left_would_not_hold_no_unit_may_be_retired() -> None:
    found = sized(recorded(300, lambda ago: 9000.0 if ago > 105 else 4050.0), required_s=1800.0)
    assert not any(one.may for one in found.retire)
    assert any("too small for the 30.0 min required" in text for text in said(found.retire[0].because))


def test_at_the_full_load_none_may() -> None:
    found = sized(recorded(300, lambda _: 9000.0))
    assert not any(one.may for one in found.retire)
    assert found.retire[0].room_now_fraction == pytest.approx(0.0, abs=0.01)  # 9 of the 9 kW of the one left


def test_of_two_with_one_to_spare_none_is_asked_about() -> None:
    assert sized(recorded(300, lambda _: 2000.0), count=2).retire == ()


def unequal() -> Estate:
    def fitted(kva: float) -> tuple[FittedUnit, ...]:
        return (FittedUnit(date(2020, 1, 1), None, "cabinet", 1000.0 * kva, 900.0 * kva),)

    return estate(
        units=[Unit(n, "A", 3, LINES, fitted(k)) for n, k in (("A1", 60.0), ("A2", 30.0), ("A3", 30.0))]
    )


def test_of_unequal_units_the_large_one_is_gone_as_the_spare_whichever_small_one_is_retired() -> None:
    record = recorded(60, lambda _: 4050.0)
    asked = RemainingDemand(record.histories(datetime.combine(TODAY, time(), UTC)), 1.0, 10.0, None, {})
    rooms = {one.unit: one.room_now_fraction for one in retirements(unequal(), "A", asked, TODAY)}
    # without A1 the spare gone is a small one: 10 kVA a line stay; without A2 it is A1: 10 kVA as well
    assert rooms == pytest.approx({"A1": 0.55, "A2": 0.55, "A3": 0.55}, abs=0.01)
