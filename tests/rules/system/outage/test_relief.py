"""Some units of a system on their banks beside fed ones: what these cannot carry alone, and what relieves them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.plant.estate import LoadGroup
from rules.plant.reading import OutputSource
from rules.system.assessment import system_state
from rules.system.outage.line_over import LineOver
from rules.system.outage.relief import relief
from rules.system.state import LineLoad
from tests.rules.sample_plants import NOON, estate, reading, view
from tests.rules.system.test_assessment import FULL, LIGHT, judged

LINES = (LineLoad(1, 9000.0, 10_000.0), LineLoad(2, 3000.0, 3000.0), LineLoad(3, 3000.0, 3000.0))


def group(name: str, importance: int, *watts: float, after: tuple[str, ...] = ()) -> LoadGroup:
    return LoadGroup(name, "works", watts, importance, after)


def test_only_what_loads_a_line_that_is_over_goes_and_the_least_important_first() -> None:
    groups = (
        group("desks", 3, 0.0, 2000.0, 0.0),
        group("pumps", 1, 3000.0, 0.0, 0.0),
        group("lights", 2, 900.0, 0.0, 0.0),
    )
    found = relief((LineOver(1, 800.0, "w"),), groups, LINES)
    assert [step.group for step in found.steps] == ["lights"]
    assert found.enough
    more = relief((LineOver(1, 1000.0, "w"),), groups, LINES)
    assert [step.group for step in more.steps] == ["lights", "pumps"]


def test_a_group_in_volt_amperes_is_taken_to_stand_to_its_watts_as_its_line_does() -> None:
    groups = (group("lights", 2, 900.0, 0.0, 0.0),)
    assert relief((LineOver(1, 1000.0, "va"),), groups, LINES).enough  # 900 W are 1000 VA there
    assert not relief((LineOver(1, 1001.0, "va"),), groups, LINES).enough


def test_nothing_goes_before_what_restarts_after_it() -> None:
    groups = (group("servers", 3, 900.0), group("desks", 2, 100.0, after=("servers",)))
    found = relief((LineOver(1, 950.0, "w"),), groups, LINES)
    assert [step.group for step in found.steps] == ["desks", "servers"]


@pytest.mark.parametrize(("load", "over"), [(LIGHT, None), (FULL, (1, 2, 3))])
def test_one_unit_on_its_bank_is_what_its_partner_would_have_to_carry_too_much(
    load: tuple[float, float, float], over: tuple[int, ...] | None
) -> None:
    plant = estate(2)
    one = [reading("A1", load, source=OutputSource.BATTERY, on_battery_s=300.0), reading("A2", load)]
    seen = view(plant, one)
    found = system_state(seen, *judged(seen)).on_battery
    assert found is not None
    assert (None if found.relief is None else tuple(o.line for o in found.relief.over)) == over
    assert found.carried is (over is None)
    if found.relief is not None:
        # 2 x 5.4 kW on a line of 9 kW
        assert round(found.relief.over[0].over) == 1800
        both = view(plant, [replace(r, output=one[0].output) for r in one])
        assert both.now.at == NOON
        dark = system_state(both, *judged(both)).on_battery
        assert dark is not None
        assert dark.relief is None, "where none is fed it is how long the banks last that counts"
