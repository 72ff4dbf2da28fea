"""A value with other fields."""

from __future__ import annotations

import pytest

from rules.alarms.plant_memory import UnitMemory
from rules.values.altered import altered


def test_what_would_not_differ_is_the_same_value_and_what_would_is_another_and_leaves_the_first() -> None:
    before = UnitMemory("A1", identity=("Tarn", None))
    assert altered(before, unit="A1", identity=("Tarn", None)) is before
    after = altered(before, unit="A1", testing=True)
    assert (after.testing, after.identity) == (True, ("Tarn", None))
    assert not before.testing
    with pytest.raises(AttributeError):
        altered(before, nothing=1)
