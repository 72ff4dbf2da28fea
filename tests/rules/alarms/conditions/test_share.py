"""The alarm on a unit's part of the load: by how many points of rating, and what explains it.

A unit of the plant is rated 27 kW on three lines; 5.4 kW on each is 60 % of it.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.alarms.catalogue import CATALOGUE, Explanation
from rules.alarms.conditions.condition import Condition
from rules.alarms.conditions.unit import Peers, unit_conditions
from rules.plant.reading import OutputSource
from tests.rules.sample_plant import estate, reading

UNIT = estate().units["W1"]


def share(
    watts: float,
    beside: tuple[float, ...],
    *,
    was: bool = False,
    may_rest: bool = False,
    known: bool = True,
    source: OutputSource = OutputSource.NORMAL,
) -> Condition:
    """`watts` on each line; `beside`: what the others carry, of their rating."""
    seen = reading("W1", 0.0, power_w=watts, source=source)
    conditions = unit_conditions(
        seen,
        replace(UNIT, may_rest=may_rest),
        "W1",
        CATALOGUE,
        was=lambda _kind, _qualifier: was,
        peers=Peers(beside, len(beside)),
        outage=None,
        at=seen.at,
        shares_known=known,
    )
    return next(c for c in conditions if c.kind == "load_share")


@pytest.mark.parametrize(
    ("points", "was", "present"),
    [(9.9, False, False), (10.1, False, True), (9.9, True, True), (7.1, True, True), (6.9, True, False)],
)
def test_ten_points_off_the_mean_of_all_that_carry_are_told_until_it_is_seven(
    points: float, was: bool, present: bool
) -> None:
    found = share(9000.0 * (0.5 + points / 100.0), (0.5 - points / 100.0,), was=was).seen
    assert found.present is present
    assert found.facts is not None
    assert found.facts["deviation_points"] == pytest.approx(points)


@pytest.mark.parametrize(("mean", "present"), [(0.149, False), (0.151, True)])
def test_under_fifteen_percent_in_the_mean_a_part_is_noise(mean: float, present: bool) -> None:
    assert share(9000.0 * (mean + 0.12), (mean - 0.12,)).seen.present is present


@pytest.mark.parametrize(("part_of_mean", "present"), [(0.019, False), (0.021, True)])
def test_what_carries_next_to_nothing_is_told_as_idle_and_not_as_sharing_badly(
    part_of_mean: float, present: bool
) -> None:
    # mine = part * mean with mean = (mine + 0.8) / 2
    mine = 0.8 * part_of_mean / (2.0 - part_of_mean)
    assert share(9000.0 * mine, (0.8,)).seen.present is present


@pytest.mark.parametrize(
    ("of_rating", "may_rest", "explained"), [(0.019, True, True), (0.021, True, False), (0.019, False, False)]
)
def test_a_unit_that_may_rest_rests_under_two_percent(
    of_rating: float, may_rest: bool, explained: bool
) -> None:
    found = share(9000.0 * of_rating, (0.8,), may_rest=may_rest).seen
    assert (Explanation.RESTING.value in found.explained) is explained


def test_a_unit_on_bypass_or_alone_shares_with_nobody() -> None:
    assert share(8000.0, (0.2,), source=OutputSource.BYPASS).seen.present is False
    assert share(8000.0, ()).seen.present is False


def test_where_the_parts_are_not_known_it_is_left_open() -> None:
    assert share(8000.0, (0.2,), known=False).seen.present is None
