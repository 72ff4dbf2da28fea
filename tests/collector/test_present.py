"""What is true now, and what of it moved."""

from __future__ import annotations

from dataclasses import replace

from collector.present import Present
from rules.alarms.catalogue import CATALOGUE
from rules.alarms.lifecycle import new_alarm
from tests.rules.day import on_battery_since
from tests.rules.plant import estate, reading, silence, system_state


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
    alarm = replace(new_alarm(CATALOGUE["on_bypass"], "W1", "", 0.0), what="On bypass.")
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
