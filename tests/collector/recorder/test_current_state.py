"""What is true now, and what of it moved."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

from collector.recorder.current_state import Present
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle.alarm import new_alarm
from rules.alarms.lifecycle.states import State
from rules.planning.isolation.check import Isolation
from rules.planning.ridethrough.shutdown import Shutdown
from rules.values.reason import told
from tests.rules.day import on_battery_since
from tests.rules.sample_plant import estate, reading, silence, system_state


def test_whoever_looks_again_is_given_what_moved_since_and_each_thing_once() -> None:
    present = Present(estate())
    for unit in ("W1", "W2"):
        present.keep(reading(unit, 1.0))
    present.show_system(system_state("works", 1.0))
    present.changed()
    assert present.moved_since(-1) == [("unit", "W1"), ("unit", "W2"), ("system", "works")]
    seen = present.version
    assert present.moved_since(seen) == []
    present.keep(reading("W1", 2.0))
    present.keep(reading("W1", 3.0))
    present.keep(silence("W2", 3.0))
    assert present.moved_since(seen) == [("unit", "W1")], "a silence leaves the reading that was"
    present.changed()
    assert present.moved_since(seen) == [("unit", "W1")]
    assert present.moved_since(present.version) == []


def test_an_alarm_that_is_no_longer_remembered_moved_too() -> None:
    present = Present(estate())
    alarm = replace(new_alarm(CATALOGUE["on_bypass"], "W1", "", 0.0), what=told("On bypass."))
    present.show_alarm(alarm.id, alarm)
    present.changed()
    seen = present.version
    present.show_alarm(alarm.id, None)
    assert present.alarms == {}
    assert present.moved_since(seen) == [("alarm", alarm.id)]


def test_the_systems_on_their_banks_are_known_without_looking_for_them() -> None:
    present = Present(estate())
    present.show_system(system_state("works", 1.0, on_battery=on_battery_since(0.0, lasts_s=600.0)))
    present.show_system(system_state("depot", 1.0))
    assert present.lit == {"works"}
    present.show_system(system_state("works", 2.0))
    assert present.lit == set()


def test_what_was_answered_for_a_system_at_rest_goes_with_its_outage_and_with_what_stands_about_it() -> None:
    present = Present(estate())
    overload = replace(
        new_alarm(CATALOGUE["overload"], "W1", "", 0.0), state=State.ACTIVE_UNACKNOWLEDGED, condition=True
    )

    def answered() -> set[str]:
        return {*present.isolations, *present.shutdowns}

    def answer() -> None:
        present.isolations |= {unit: cast("Isolation", unit) for unit in present.estate.units}
        present.shutdowns |= {
            system: cast("Shutdown", SimpleNamespace(plan=None)) for system in present.estate.systems
        }

    answer()
    present.show_alarm(overload.id, overload)
    assert "W1" not in answered()
    assert {"works", "C1"} <= answered()
    answer()
    present.show_alarm(overload.id, replace(overload, what=told("A little more.")))
    assert "W1" in answered()
    present.show_alarm(overload.id, replace(overload, condition=False))
    assert "W1" not in answered()
    answer()
    present.show_system(system_state("works", 1.0, on_battery=on_battery_since(1.0, lasts_s=600.0)))
    assert not {"works", "W1"} & answered()
    assert {"control", "C1"} <= answered()
