"""Until when units on their banks may take a supply that is there again."""

from __future__ import annotations

from datetime import datetime, timedelta

from rules.alarms.plant_memory import Scene, UnitMemory
from rules.alarms.take_up import take_up_s, takes_by
from rules.plant.topology import Topology
from tests.rules.sample_plant import START, estate

ALLOWED_S = 20.0 + 0.0 + 20.0 + 10.0
"""To accept, to wait, to walk in, and what is given beside that."""


def at(seconds: float) -> datetime:
    return START + timedelta(seconds=seconds)


def memory(
    unit: str, *, read_s: float = 100.0, mains: bool | None = True, volts_s: float | None = None
) -> UnitMemory:
    volts = None if volts_s is None else at(volts_s)
    return UnitMemory(unit, at=at(read_s), on_battery=True, mains=mains, volts_since=volts)


def scene(*units: UnitMemory) -> Scene:
    return Scene(Topology(estate()), {u.unit: u for u in units}, {})


def test_a_unit_may_give_from_its_bank_until_it_has_accepted_waited_and_walked_in() -> None:
    assert take_up_s(estate().units["W1"]) == ALLOWED_S


def test_the_last_of_them_counts() -> None:
    seen = scene(memory("W1", volts_s=80.0), memory("W2", volts_s=85.0))
    assert takes_by(("W1", "W2"), seen) == at(85.0 + ALLOWED_S)


def test_one_without_voltage_or_unheard_leaves_it_unsaid() -> None:
    dead = scene(memory("W1", volts_s=80.0), memory("W2", mains=False))
    assert takes_by(("W1", "W2"), dead) is None
    assert takes_by(("W1", "W2"), scene(memory("W1", volts_s=80.0))) is None


def test_one_that_was_not_read_since_is_taken_to_have_it_too() -> None:
    late = scene(memory("W1", volts_s=99.0), memory("W2", read_s=98.0, mains=False))
    assert takes_by(("W1", "W2"), late) == at(99.0 + ALLOWED_S)
    assert takes_by(("W2",), late, came=(at(99.0),)) == at(99.0 + ALLOWED_S)


def test_a_card_that_never_showed_its_voltage_gone_is_offered_what_others_have_taken() -> None:
    steady = scene(memory("W1"))
    assert takes_by(("W1",), steady) is None
    assert takes_by(("W1",), steady, fed_since=at(70.0)) == at(70.0 + ALLOWED_S)
