"""The load is a function of time: by day more than by night, on Sundays less, and the same for the same seed."""

import numpy as np
import pytest

from collector.simulation.plant.load import LoadShape
from collector.simulation.plant.wander import Wander, seed_of

THURSDAY = 20_000 * 86_400.0 // (7 * 86_400.0) * 7 * 86_400.0  # midnight of a Thursday, as the epoch was
SHAPE = LoadShape(
    "s", 3, (4000.0, 5000.0, 6000.0), (0.9, 0.9, 0.9), night_share=0.6, weekend_share=0.8, noise=0.0
)


def total(t_s: float) -> float:
    return sum(SHAPE.at(t_s))


def test_the_afternoon_is_the_crest_and_the_night_keeps_its_share() -> None:
    assert total(THURSDAY + 14.5 * 3600) == pytest.approx(15_000.0, rel=0.02)
    assert total(THURSDAY + 2.5 * 3600) == pytest.approx(0.6 * 15_000.0, rel=0.03)


def test_sunday_keeps_its_share_of_thursday() -> None:
    noon = 12 * 3600.0
    assert total(THURSDAY + 3 * 86_400 + noon) == pytest.approx(0.8 * total(THURSDAY + noon))
    assert total(THURSDAY + 7 * 86_400 + noon) == pytest.approx(total(THURSDAY + noon))


def test_the_lines_are_as_unequal_as_declared() -> None:
    one, two, three = SHAPE.at(THURSDAY + 1000.0)
    assert (two / one, three / one) == pytest.approx((5 / 4, 6 / 4))


def test_a_load_grows_by_its_share_a_year() -> None:
    year = 365.25 * 86_400.0
    growing = LoadShape("s", 3, (1000.0,), (1.0,), 1.0, 1.0, 0.0, growth_per_year=0.05, since_s=THURSDAY)
    assert growing.at(THURSDAY + year)[0] == pytest.approx(1050.0)


def test_many_moments_at_once_are_the_same_as_one_by_one() -> None:
    noisy = LoadShape("s", 3, (4000.0, 5000.0), (0.9, 0.9))
    t_s = THURSDAY + np.arange(0.0, 5000.0, 777.0)
    together = noisy.watts_at(t_s)
    assert [tuple(row) for row in together.tolist()] == [noisy.at(float(t)) for t in t_s]


def test_a_wander_has_unit_spread_and_no_jumps() -> None:
    wander = Wander(5, periods_s=(10.0, 100.0))
    values = wander(np.arange(0.0, 30_000.0, 0.5))
    assert float(np.std(values)) == pytest.approx(1.0, abs=0.1)
    assert abs(float(np.mean(values))) < 0.15
    assert float(np.max(np.abs(np.diff(values)))) < 0.6


def test_seeds_follow_every_part() -> None:
    assert len({seed_of(1, "a"), seed_of(1, "b"), seed_of(2, "a"), seed_of(1, "a", "x")}) == 4
    assert seed_of(1, "a") == seed_of("1", "a")


def test_one_moment_is_what_it_is_among_many() -> None:
    load = LoadShape("board", 5, [4000.0, 3000.0, 5000.0], [0.95] * 3, growth_per_year=0.03, since_s=1.6e9)
    moments = np.random.default_rng(3).uniform(1.7e9, 1.8e9, 500)
    among_many = load.watts_at(moments)
    for t_s, watts in zip(moments.tolist(), among_many.tolist(), strict=True):
        assert load.at(t_s) == pytest.approx(watts, rel=1e-12)
