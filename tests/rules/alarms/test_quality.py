"""The figures of EEMUA 191 over invented periods whose figures can be counted by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from rules.alarms.quality import Occurrence, quality
from rules.values.severity import Severity

START = datetime(2026, 10, 1, tzinfo=UTC)
END = START + timedelta(days=2)


def at(
    minutes: float, alarm: str = "a", *, severity: Severity = Severity.MINOR, stood_h: float = 1.0
) -> Occurrence:
    begun = START + timedelta(minutes=minutes)
    return Occurrence(
        begun, alarm, alarm.split(":", maxsplit=1)[0], severity, begun + timedelta(hours=stood_h)
    )


def test_rates_are_counted_over_the_period() -> None:
    figures = quality([at(n * 30) for n in range(96)], START, END)
    assert figures.count == 96
    assert figures.per_day == 48.0
    assert figures.per_ten_minutes == pytest.approx(96 / 288)
    assert figures.most_in_an_hour == 2
    assert figures.verdict == "acceptable"


def test_eleven_in_ten_minutes_begin_a_flood_and_fewer_than_five_end_it() -> None:
    storm = [at(n * 0.5, f"a{n}") for n in range(11)]  # the first ten minutes
    after = [at(10 + n, f"b{n}") for n in range(6)] + [at(20 + n, f"c{n}") for n in range(4)]
    figures = quality(storm + after, START, END)
    assert figures.floods == 1
    assert figures.flood_fraction == pytest.approx(2 / 288)
    assert figures.most_in_ten_minutes == 11


def test_ten_in_ten_minutes_are_no_flood() -> None:
    assert quality([at(n * 0.5, f"a{n}") for n in range(10)], START, END).floods == 0


def test_three_in_a_minute_chatter_and_three_in_three_minutes_do_not() -> None:
    figures = quality([at(0.1), at(0.4), at(0.9), at(5, "b"), at(6.1, "b"), at(7.2, "b")], START, END)
    assert figures.chattering == ("a",)


def test_what_stands_for_more_than_a_day_is_stale_though_it_began_before() -> None:
    old = at(-60, "old", stood_h=40)
    figures = quality([old, at(5, "young", stood_h=23)], START, END)
    assert figures.stale == ("old",)
    assert figures.count == 1


def test_the_commonest_come_first_with_their_part_of_all() -> None:
    figures = quality([at(n, "x") for n in range(0, 60, 20)] + [at(500, "y")], START, END)
    assert [(o.alarm, o.count, o.fraction) for o in figures.top_ten] == [("x", 3, 0.75), ("y", 1, 0.25)]
    assert figures.top_ten_fraction == 1.0


def test_severities_are_parts_of_all() -> None:
    mixed = [at(n * 20, f"a{n}", severity=Severity.MINOR) for n in range(8)]
    mixed += [at(900, "m", severity=Severity.MAJOR), at(990, "c", severity=Severity.CRITICAL)]
    assert quality(mixed, START, END).severities == {
        "warning": 0.0,
        "minor": 0.8,
        "major": 0.1,
        "critical": 0.1,
    }


def test_too_many_a_day_are_called_so() -> None:
    assert quality([at(n * 8) for n in range(360)], START, END).verdict == "manageable"
    assert quality([at(n * 4) for n in range(720)], START, END).verdict == "overloaded"


def test_an_empty_period_has_no_rates_and_one_that_runs_backwards_is_refused() -> None:
    figures = quality([], START, START)
    assert (figures.per_day, figures.flood_fraction, figures.verdict) == (None, None, "no_data")
    with pytest.raises(ValueError, match="must not end"):
        quality([], END, START)
