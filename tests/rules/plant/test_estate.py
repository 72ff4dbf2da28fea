"""What was in place on which day."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from rules.plant.estate import FittedUnit, in_place
from tests.rules.sample_plants import estate

OLD = FittedUnit(date(2010, 1, 1), date(2020, 6, 1), "old", 30_000.0, 27_000.0)
NEW = FittedUnit(date(2020, 6, 8), None, "new", 40_000.0, 36_000.0)


@pytest.mark.parametrize(
    ("day", "stands"),
    [
        (date(2009, 12, 31), None),
        (date(2010, 1, 1), OLD),
        (date(2020, 5, 31), OLD),
        (date(2020, 6, 1), None),  # the day it was taken out
        (date(2020, 6, 7), None),
        (date(2020, 6, 8), NEW),
        (date(2050, 1, 1), NEW),
    ],
)
def test_a_cabinet_stands_from_its_first_day_until_it_is_taken_out(
    day: date, stands: FittedUnit | None
) -> None:
    assert in_place((OLD, NEW), day) is stands


def test_a_system_has_those_it_takes_over_from_and_those_that_take_over_from_it_as_partners() -> None:
    plant = estate(1)
    one = plant.systems["A"]
    systems = {
        name: replace(one, id=name, partner=other) for name, other in (("A", "B"), ("B", None), ("C", "B"))
    }
    plant = replace(plant, systems=systems)
    assert plant.partners_of("A") == {"B"}
    assert plant.partners_of("B") == {"A", "C"}
    assert plant.partners_of("C") == {"B"}
