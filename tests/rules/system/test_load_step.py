"""A lasting step of a load told apart from growth, seasons, interruptions and chance."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from math import cos, pi

import numpy as np
import pytest

from rules.phrasing.reasons import said, say
from rules.system.load.peaks import DayPeak
from rules.system.load.season import seasonal_trend
from rules.system.load.step import last_step, line_steps, since_step
from rules.system.state import LineLoad

START = date(2024, 1, 1)  # a Monday
NOISE = np.random.default_rng(11).normal(1.0, 0.03, 2000)


def load(days: int, watts: Callable[[int], float]) -> list[tuple[date, float]]:
    """Return the peak of each day, 3 % scattered."""
    return [(START + timedelta(days=k), watts(k) * float(NOISE[k])) for k in range(days)]


def warm(k: int) -> float:
    """Return the season of a load that is a quarter higher in July than on average, and a quarter lower in January."""
    return 1.0 - 0.25 * cos(2.0 * pi * k / 365.25)


def test_a_load_cut_by_55_percent_is_a_step_from_the_week_after_on() -> None:
    found = last_step(load(560, lambda k: 27_000.0 if k < 451 else 12_150.0))
    assert found is not None
    assert found.since == START + timedelta(
        days=455
    )  # the cut fell on a Thursday: the Monday after is the first clean
    assert found.before_w == pytest.approx(27_000.0, rel=0.06)
    assert found.after_w == pytest.approx(12_150.0, rel=0.06)
    assert found.weeks == 15
    assert say(found.reason).startswith("The load fell from ")
    assert "only the 15 weeks since count" in say(found.reason)


def test_a_step_up_is_one_too() -> None:
    found = last_step(load(560, lambda k: 10_000.0 if k < 455 else 14_000.0))
    assert found is not None
    assert found.since == START + timedelta(days=455)


def test_of_two_steps_the_last_counts() -> None:
    found = last_step(load(700, lambda k: 27_000.0 if k < 252 else 18_000.0 if k < 504 else 9000.0))
    assert found is not None
    assert found.since == START + timedelta(days=504)


def test_a_step_under_a_season_is_seen() -> None:
    found = last_step(load(730, lambda k: warm(k) * (27_000.0 if k < 504 else 12_150.0)))
    assert found is not None
    assert abs((found.since - START).days - 504) <= 7


@pytest.mark.parametrize(
    "watts",
    [
        lambda k: 20_000.0,
        lambda k: 20_000.0 * (1.0 + 0.10 * k / 365.25),  # growth
        lambda k: 20_000.0 * warm(k),
        lambda k: 20_000.0 * (0.6 if 455 <= k < 497 else 1.0),  # six weeks shut down
        lambda k: (
            20_000.0 * (1.4 if 90 <= k % 365 < 270 else 1.0)
        ),  # cooling, on and off on the same days each year
    ],
    ids=["steady", "growth", "season", "interruption", "cooling"],
)
@pytest.mark.parametrize("days", [120, 400, 560, 640, 730, 900])
def test_what_is_no_step(watts: Callable[[int], float], days: int) -> None:
    found = last_step(load(days, watts))
    # the first time that the cooling comes on, or a load goes away and is not back yet, nobody can know
    first_time = (
        (watts(0) != watts(days - 1)) and days in {120, 640} and watts(days - 1) != 20_000.0 * warm(days - 1)
    )
    assert found is None or first_time


def test_chance_makes_no_step() -> None:
    rng = np.random.default_rng(5)
    for _ in range(60):
        days = [(day, w * float(rng.normal(1.0, 0.08))) for day, w in load(600, lambda k: 20_000.0 * warm(k))]
        assert last_step(days) is None


def test_after_a_step_neither_growth_nor_season_is_made_of_it() -> None:
    # 24 months, the load cut by 55 % after the first twelve
    found = seasonal_trend(load(730, lambda k: 27_000.0 if k < 364 else 12_150.0))
    assert found.step is not None
    assert found.season_w == ()
    assert found.per_year_w is None
    assert found.level_w == pytest.approx(12_150.0, rel=0.06)
    assert found.months <= 12
    assert "stayed there" in said(found.because)[0]


def test_one_year_alone_makes_no_season_and_two_that_differ_neither() -> None:
    assert seasonal_trend(load(366, lambda k: 20_000.0 * warm(k))).season_w == ()
    # the second year is high in January: whatever it is, it is no season
    odd = seasonal_trend(load(731, lambda k: 20_000.0 * (warm(k) if k < 366 else 2.0 - warm(k))))
    assert odd.season_w == ()
    assert any("swing at different times" in text for text in said(odd.because))
    both = seasonal_trend(load(731, lambda k: 20_000.0 * warm(k)))
    assert len(both.season_w) == 12


def days_of(watts: Callable[[int, int], float]) -> list[DayPeak]:
    return [
        DayPeak(
            START + timedelta(days=k), tuple(LineLoad(n, watts(k, n), watts(k, n) / 0.9) for n in (1, 2, 3))
        )
        for k in range(560)
    ]


def test_one_line_alone_may_step() -> None:
    days = days_of(lambda k, n: 9000.0 if n != 2 or k < 455 else 6000.0)
    assert set(line_steps(days)) == {2}
    counted, step = since_step(days)
    assert step is None  # 27 to 24 kW, an eighth
    assert len(counted) == 560
