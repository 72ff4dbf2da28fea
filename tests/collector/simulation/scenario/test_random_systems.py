"""Random systems differ from one another, never from themselves, and are declared as they were fitted."""

import pytest

from collector.simulation.scenario.random_systems import SYSTEM, RandomTrial, trial


@pytest.fixture(scope="module")
def tried() -> RandomTrial:
    return trial(11)


def test_a_seed_is_a_system(tried: RandomTrial) -> None:
    again = trial(11)
    assert (again.state, again.estate, again.tests) == (tried.state, tried.estate, tried.tests)
    assert trial(12).load_w != tried.load_w


def test_the_estate_declares_the_plant(tried: RandomTrial) -> None:
    assert [u.id for u in tried.estate.units_of(SYSTEM)] == [u.id for u in tried.system.units]
    for plant in tried.system.units:
        (bank,) = tried.estate.banks_of(plant.id)
        assert bank.cells == plant.bank.cells
        minutes_watts = bank.fitted[-1].constant_power[0].minutes_watts
        energy = [minutes * watts for minutes, watts in minutes_watts]
        assert energy == sorted(energy)


def test_the_load_is_carried_by_all_and_no_unit_is_overloaded(tried: RandomTrial) -> None:
    units = tried.state.systems[SYSTEM].units
    assert sum(sum(u.watts) for u in units) == pytest.approx(tried.load_w, rel=0.02)
    assert all(sum(u.watts) < p.rating_w for u, p in zip(units, tried.system.units, strict=True))


def test_the_hold_up_lies_in_the_range_the_banks_were_sized_for(tried: RandomTrial) -> None:
    seconds = tried.hold_up_s()
    assert seconds is not None
    assert 120.0 < seconds < 2 * 3600.0
