"""How long the worker needs for a system's hold-up: `pytest tests/bench/test_holdup.py -s`.

All of it: now, each unit lost, end of life with all and with each lost, a thousand draws each.
"""

from __future__ import annotations

from time import process_time

import pytest

from rules.battery.model.health import belief_from_age
from rules.planning.ridethrough.estate import EstateTask, ride_estate
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.supply import MainsOut
from rules.plant.estate import in_place
from rules.system.assessment import task_of
from rules.system.hold_up.judgement import hold_ups
from rules.system.observation import glance
from tests.rules.sample_plants import NOON, SET, estate, known_banks, reading, view


@pytest.mark.parametrize("count", [1, 2, 4, 6])
def test_a_thousand_draws_of_a_system(count: int) -> None:
    plant = estate(count)
    seen = view(plant, [reading(f"A{n}") for n in range(1, count + 1)])
    task = task_of(seen, glance(seen))
    day = NOON.date()
    known = {
        bank.id: belief_from_age(bank, in_place(bank.fitted, day), day, 22.0, seed, rating_w=27_000.0)
        for seed, bank in enumerate(plant.banks.values())
    }
    times = []
    for seed in range(10):
        began = process_time()
        hold_ups(task, known, seed)
        times.append(process_time() - began)
    print(f"\n{count} units: median {sorted(times)[5] * 1e3:.0f} ms, worst {max(times) * 1e3:.0f} ms of CPU")
    assert count != 4 or sorted(times)[5] < 0.150


def test_a_glance_is_cheap() -> None:
    seen = view(estate(3), [reading(f"A{n}") for n in (1, 2, 3)])
    began = process_time()
    for _ in range(300):
        glance(seen)
    print(f"\na glance at three units: {(process_time() - began) / 300 * 1e6:.0f} us of CPU")


def test_a_scenario_of_a_hundred_systems() -> None:
    plant = estate(3)
    task_view = view(plant, [reading(f"A{n}") for n in (1, 2, 3)])
    task = task_of(task_view, glance(task_view))
    known = known_banks(plant)
    one = EstateTask(task, known, SET, plant.units_of("A"))
    began = process_time()
    results = []
    for done in ride_estate([one] * 100, Scenario((MainsOut(0.0, 7200.0), MainsOut(14_400.0, None)))):
        results.append(done)  # noqa: PERF402 - each comes by itself, so that progress can be shown
    seconds = process_time() - began
    print(f"\na scenario of 100 systems of 3 units: {seconds:.1f} s of CPU")
    assert len(results) == 100
    assert seconds < 20.0
