"""What was in place on which day."""

from __future__ import annotations

from datetime import date

import pytest

from rules.plant.estate import FittedUnit, in_place

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
