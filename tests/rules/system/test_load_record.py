"""Peaks: 5-minute means by board line, 30 days, snapshot and restore."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.system.load.peaks import DayPeak, LinePeak, total_by_day
from rules.system.load.record import PeakRecord
from rules.system.state import LineLoad, Load

START = datetime(2026, 11, 1, tzinfo=UTC)
PAGE = os.sysconf("SC_PAGE_SIZE")


def load(watts: float | None) -> Load:
    volt_amperes = None if watts is None else watts * 1.1
    return Load(watts, volt_amperes, (LineLoad(1, watts, volt_amperes),))


def at(seconds: float) -> datetime:
    return START + timedelta(seconds=seconds)


def record_of(samples: list[tuple[float, float | None]]) -> PeakRecord:
    record = PeakRecord((1,))
    for seconds, watts in samples:
        record.add(at(seconds), load(watts))
    return record


def line(record: PeakRecord, seconds: float) -> LinePeak:
    found = record.peaks(at(seconds)).of(1)
    assert found is not None
    return found


def test_the_peak_is_a_five_minute_mean_not_a_moment() -> None:
    samples = [(10.0 * k, 1000.0) for k in range(60)]
    samples[10] = (100.0, 31_000.0)  # 10 s of 31 kW in 300 s: the mean is 2 kW
    found = line(record_of([*samples, (600.0, 1000.0)]), 600.0)
    assert found.peak_w == pytest.approx(2000.0, rel=3e-4)
    assert found.peak_va == pytest.approx(2200.0, rel=3e-4)


def test_the_peak_is_never_told_too_low() -> None:
    found = line(record_of([(10.0 * k, 1234.5) for k in range(61)]), 600.0)
    assert found.peak_w is not None
    assert found.peak_w >= 1234.5


def test_a_mean_needs_half_of_its_five_minutes() -> None:
    assert record_of([(0.0, 1000.0), (10.0, None), (400.0, None)]).peaks(at(600.0)).lines == ()


def test_a_gap_is_not_filled_with_the_last_value() -> None:
    record = record_of([(0.0, 1000.0), (3000.0, 1000.0)])  # 60 s of hold, then nothing
    assert record.peaks(at(3600.0)).lines == ()


def test_what_is_older_than_thirty_days_is_forgotten() -> None:
    record = record_of([(60.0 * k, 9000.0) for k in range(20)])
    day = 86_400.0
    for k in range(40):
        record.add(at(31 * day + 60.0 * k), load(1000.0))
    assert line(record, 31 * day + 2400.0).peak_w == pytest.approx(1000.0, rel=3e-4)


def test_the_95th_percentile_is_passed_by_one_in_twenty() -> None:
    record = PeakRecord((1,))
    for quarter in range(100):
        watts = 5000.0 if quarter % 25 == 0 else 1000.0 + quarter
        for k in range(30):
            record.add(at(900.0 * quarter + 30.0 * k), load(watts))
    record.add(at(90_000.0), load(1.0))
    found = line(record, 90_000.0)
    assert found.peak_w == pytest.approx(5000.0, rel=3e-4)
    assert found.p95_w == pytest.approx(1099.0, rel=0.01)  # four of a hundred are higher


def test_how_much_is_known_is_told() -> None:
    record = record_of([(30.0 * k, 1000.0) for k in range(2 * 1440)])
    assert record.peaks(at(86_400.0)).known_days == pytest.approx(1.0, abs=0.02)


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.floats(1.0, 400.0), st.floats(0.0, 1e6)), max_size=60), st.integers(0, 59))
def test_a_record_restored_midway_goes_on_as_if_nothing_had_happened(
    steps: list[tuple[float, float]], cut: int
) -> None:
    whole, halved, seconds = PeakRecord((1,)), PeakRecord((1,)), 0.0
    for k, (wait, watts) in enumerate(steps):
        if k == cut:
            halved = PeakRecord.restore(halved.snapshot())
        seconds += wait
        whole.add(at(seconds), load(watts))
        halved.add(at(seconds), load(watts))
    assert halved.snapshot() == whole.snapshot()
    assert halved.peaks(at(seconds)) == whole.peaks(at(seconds))


@pytest.mark.parametrize("kept", [b"", b"\x00\x00\x00\x02{}", b"\x00\x00\x00\x00x"])
def test_bytes_that_are_no_record_are_refused(kept: bytes) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        PeakRecord.restore(kept)


def test_what_is_to_be_expected_is_the_same_hour_of_the_weeks_before() -> None:
    record = PeakRecord((1,))
    for quarter in range(28 * 96):
        hour = quarter % 96 // 4
        watts = 8000.0 if 8 <= hour < 17 else 3000.0
        for k in range(15):
            record.add(at(900.0 * quarter + 60.0 * k), load(watts))
    monday = 28 * 86_400.0
    night, day = (record.expected(at(monday + 3600 * h), at(monday + 3600 * h + 900))[0] for h in (2, 12))
    assert night.lines[0].power_w == pytest.approx(3000.0, rel=3e-4)
    assert day.lines[0].power_w == pytest.approx(8000.0, rel=3e-4)


def test_what_is_usual_at_an_hour_has_the_interval_of_the_weeks_before() -> None:
    record = PeakRecord((1,))
    for quarter in range(28 * 96):
        week = quarter // (7 * 96)
        for k in range(15):
            record.add(at(900.0 * quarter + 60.0 * k), load(4000.0 + 1000.0 * week))
    record.add(at(900.0 * 28 * 96), load(1.0))
    (found,) = record.usual(at(28 * 86_400.0 + 12 * 3600), at(28 * 86_400.0 + 12 * 3600 + 900))
    line = found.lines[0]  # three quarters of each of four weeks: 4, 5, 6 and 7 kW, three times each
    assert line.median_w == pytest.approx(5500.0, rel=0.02)
    assert [line.low_w, line.high_w] == pytest.approx([4000.0, 7000.0], rel=0.01)
    assert PeakRecord((1,)).usual(at(0.0), at(900.0)) == ()


def test_with_a_few_days_of_record_nothing_is_to_be_expected() -> None:
    record = record_of([(60.0 * k, 1000.0) for k in range(3 * 1440)])
    assert record.expected(at(9 * 86_400.0), at(9 * 86_400.0 + 900))[0].lines[0].power_w is None
    assert PeakRecord((1,)).expected(at(0.0), at(900.0))[0].lines[0].power_w is None
    assert record.expected(at(9 * 86_400.0), at(9 * 86_400.0)) == (), "no time, no quarter"
    assert record.usual(at(9 * 86_400.0), at(9 * 86_400.0)) == ()


@pytest.mark.parametrize("days", [0.0, 0.1, 6.9, 7.0, 7.02, 9.0, 20.0, 33.0])
def test_a_week_ahead_is_the_highest_of_the_quarters_like_each_on_record(days: float) -> None:
    rng, noted, record = Random(int(10 * days)), {}, PeakRecord((1,))
    first = int(START.timestamp()) // 900
    for quarter in range(first, first + int(96 * days)):
        if rng.random() < 0.8:
            noted[quarter] = 100.0 * rng.randrange(10, 90)
            record.add_quarter(at(900.0 * (quarter - first)), load(noted[quarter]))
    now = max(noted, default=first)
    found = record.expected(at(900.0 * (now - first)), at(900.0 * (now - first + 672)))
    assert [one.at for one in found] == [at(900.0 * (now - first + k)) for k in range(672)]
    for k, one in enumerate(found):
        ago = max(-(-k // 672), 1)
        like = [now + k - 672 * (ago + week) + beside for week in range(5) for beside in (-1, 0, 1)]
        watts = [noted[quarter] for quarter in like if quarter > now - 2880 and quarter in noted]
        said = one.lines[0].power_w
        assert said == (pytest.approx(max(watts), rel=3e-4) if len(watts) >= 4 else None), k


def test_records_of_which_nothing_is_to_be_expected_share_the_answer() -> None:
    young, empty = record_of([(60.0 * k, 1000.0) for k in range(1440)]), PeakRecord((1,))
    week = at(86_400.0), at(8 * 86_400.0)
    assert young.expected(*week) is empty.expected(*week)


def test_the_peak_of_every_day_is_kept_for_years_and_over_a_restart() -> None:
    record = PeakRecord((1,))
    for day in range(40):
        for k in range(20):
            record.add(at(86_400.0 * day + 60.0 * k), load(1000.0 + 100.0 * day))
    kept = PeakRecord.restore(record.snapshot()).days()
    assert [peak.day for peak in kept] == [START.date() + timedelta(days=k) for k in range(40)]
    assert [peak.lines[0].power_w for peak in kept] == pytest.approx(
        [1000.0 + 100.0 * k for k in range(40)], rel=3e-4
    )


def test_days_from_an_older_record_are_taken_in_by_date() -> None:
    record = record_of([(60.0 * k, 2000.0) for k in range(20)])
    old = START.date() - timedelta(days=400)
    record.add_day(DayPeak(old, (LineLoad(1, 5000.0, 5500.0), LineLoad(7, 1.0, 1.0))))
    assert [peak.day for peak in record.days()] == [old, START.date()]
    assert record.days()[0].lines[0].apparent_va == pytest.approx(5500.0, rel=3e-4)


def test_a_line_s_history_has_its_median_percentile_and_the_year_s_peak() -> None:
    record = PeakRecord((1,))
    for quarter in range(100):
        for k in range(30):
            record.add(at(900.0 * quarter + 30.0 * k), load(1000.0 + quarter))
    record.add(at(90_000.0), load(1.0))
    record.add_day(DayPeak(START.date() - timedelta(days=200), (LineLoad(1, 9000.0, 9900.0),)))
    record.add_day(DayPeak(START.date() - timedelta(days=500), (LineLoad(1, 20_000.0, 22_000.0),)))
    found = record.histories(at(90_000.0))[0]
    assert found.median_w == pytest.approx(1050.0, rel=2e-3)
    assert found.p95_w == pytest.approx(1095.0, rel=2e-3)
    assert [found.peak_w, found.peak_va] == pytest.approx([9000.0, 9900.0], rel=3e-4)
    assert PeakRecord((1,)).histories(START) == ()


def test_a_day_counts_in_the_total_only_if_every_line_is_known() -> None:
    day = START.date()
    whole = DayPeak(day, (LineLoad(1, 100.0, 110.0), LineLoad(2, 50.0, 55.0)))
    gap = DayPeak(day, (LineLoad(1, 100.0, 110.0), LineLoad(2, None, None)))
    assert total_by_day([whole, gap]) == [(day, 150.0)]


def test_the_peak_and_the_beginning_of_the_record_carry_their_quarter_of_an_hour() -> None:
    samples: list[tuple[float, float | None]] = [
        (60.0 * k, 5000.0 if 190 <= k < 200 else 1000.0) for k in range(300)
    ]
    record = record_of(samples)
    assert line(record, 18_000.0).peak_at == datetime(2026, 11, 1, 3, 0, tzinfo=UTC)
    assert record.peaks(at(18_000.0)).since == START


def test_a_thousand_young_records_take_little_room_before_a_restart_and_after_it() -> None:
    """In all their rows they would take 46 kB each. Resident pages by proc(5)."""

    def resident() -> int:
        return int(Path("/proc/self/statm").read_text().split()[1]) * PAGE

    before = resident()
    records = [PeakRecord((1, 2, 3)) for _ in range(1000)]
    records[0].add_quarter(START, load(1000.0))
    kept = records[0].snapshot()
    again = [PeakRecord.restore(kept) for _ in range(1000)]
    assert again[-1].peaks(START + timedelta(hours=1)) == records[0].peaks(START + timedelta(hours=1))
    assert resident() - before < 2000 * 6_000
