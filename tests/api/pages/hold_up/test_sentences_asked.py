"""What a system asks, beside units that are fed and without."""

from __future__ import annotations

from dataclasses import replace

import pytest

from api.pages.hold_up.sentences import _asked
from rules.system.state import Standing, UnitStanding
from tests.rules.sample_plant import system_state


@pytest.mark.parametrize(
    ("stands", "words"),
    [
        ((Standing.ON_BATTERY, Standing.CARRYING, Standing.CARRYING), "44.9 kW in all, one unit on its bank"),
        ((Standing.ON_BATTERY, Standing.ON_BATTERY, Standing.OFF), "44.9 kW on two units"),
        ((Standing.UNKNOWN, Standing.UNKNOWN, Standing.UNKNOWN), "44.9 kW"),
    ],
)
def test_a_load_is_not_said_to_rest_on_one_bank_that_fed_units_carry_too(
    stands: tuple[Standing, ...], words: str
) -> None:
    made = system_state("works", 0.0)
    units = tuple(UnitStanding(f"W{n}", one, None, None) for n, one in enumerate(stands))
    assert _asked(44_900.0, replace(made, units=units)) == words
