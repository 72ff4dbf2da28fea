"""Units in parallel: power adds up, load moves to whoever is left, and hold-up is played, not summed."""

from dataclasses import replace

import pytest

from collector.simulation.plant import supply as incoming
from collector.simulation.plant.battery import BankPlant, CellType
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.load import LoadShape
from collector.simulation.plant.published import runtime_s
from collector.simulation.plant.supply import SetPlant, SupplyPlant, SupplyState
from collector.simulation.plant.system import SimSystem, SystemPlant
from collector.simulation.plant.unit import Mode, SimUnit, UnitPlant, overload_s
from collector.simulation.plant.world import WorldPlant, WorldState, after, hold_up

NOON = 1_760_000_000.0
CELL = CellType(capacity_ah=30.0)


def steady(*watts: float) -> LoadShape:
    return LoadShape("load", 1, watts, [1.0] * len(watts), night_share=1.0, weekend_share=1.0, noise=0.0)


def unit(name: str, *, bias: float = 0.0, rating: float = 20_000.0) -> UnitPlant:
    return UnitPlant(name, BankPlant(f"bank {name}", CELL, cells=192), rating, rating, share_bias=bias)


def world(
    *units: UnitPlant, load: LoadShape, generator: SetPlant | None = None
) -> tuple[WorldPlant, WorldState]:
    system = SystemPlant("s", "north", units, load, room_c=25.0, room_swing_c=0.0)
    plant = WorldPlant({"north": SupplyPlant("north", generator)}, {"s": system})
    states = tuple(SimUnit(Mode.NORMAL, new_bank(u.bank)) for u in units)
    return plant, after(plant, WorldState(NOON, {"north": SupplyState()}, {"s": SimSystem(states)}), 1.0)


def dark(state: WorldState) -> WorldState:
    return state.with_supply("north", incoming.mains_fails(state.supplies["north"]))


def test_the_units_together_give_what_the_load_asks() -> None:
    _, state = world(unit("1", bias=0.03), unit("2"), load=steady(4000.0, 5000.0, 6000.0))
    units = state.systems["s"].units
    for line, want in enumerate((4000.0, 5000.0, 6000.0)):
        assert sum(u.watts[line] for u in units) == pytest.approx(want)
    assert sum(units[0].watts) == pytest.approx(1.03 * sum(units[1].watts))


def test_on_mains_the_input_carries_output_losses_and_charge() -> None:
    plant, state = world(unit("1"), load=steady(3000.0, 3000.0, 3000.0))
    (one,) = state.systems["s"].units
    charge_w = -one.bank.current_a * one.bank.voltage_v / 0.95
    assert one.input_w == pytest.approx(9000.0 + plant.systems["s"].units[0].loss_w(9000.0) + charge_w)


def test_on_battery_the_bank_carries_output_and_losses_and_the_input_nothing() -> None:
    plant, state = world(unit("1"), load=steady(3000.0, 3000.0, 3000.0))
    (one,) = after(plant, dark(state), 10.0).systems["s"].units
    assert one.bank.voltage_v * one.bank.current_a == pytest.approx(
        9000.0 + plant.systems["s"].units[0].loss_w(9000.0)
    )
    assert (one.mode, one.input_w) == (Mode.BATTERY, 0.0)


def test_a_units_own_lines_follow_its_line_order() -> None:
    turned = replace(unit("1"), line_order=(2, 3, 1))
    _, state = world(turned, load=steady(1000.0, 2000.0, 3000.0))
    assert state.systems["s"].units[0].watts == pytest.approx((2000.0, 3000.0, 1000.0))


def test_alone_a_system_holds_as_long_as_its_bank_gives_load_and_losses() -> None:
    plant, state = world(unit("1"), load=steady(4000.0, 4000.0, 4000.0))
    only = plant.systems["s"].units[0]
    want_s = runtime_s(only.bank, state.systems["s"].units[0].bank, 12_000.0 + only.loss_w(12_000.0))
    assert hold_up(plant, state, "s").seconds == pytest.approx(want_s, rel=0.02)


def test_equal_units_end_together_and_a_weak_ones_load_moves_to_the_other() -> None:
    plant, state = world(unit("1"), unit("2"), load=steady(4000.0, 4000.0, 4000.0))
    even = hold_up(plant, state, "s")
    assert even.seconds is not None
    weak = replace(state.systems["s"].units[0].bank, opens_after_s=60.0)
    limping = state.with_unit(("s", 0), replace(state.systems["s"].units[0], bank=weak))
    got = hold_up(plant, limping, "s")
    assert got.bank_ends_s["bank 1"] == pytest.approx(60.0, abs=2.0)
    assert got.seconds is not None
    alone_plant, alone = world(unit("2"), load=steady(4000.0, 4000.0, 4000.0))
    alone_s = hold_up(alone_plant, alone, "s").seconds
    assert alone_s is not None
    assert alone_s < got.seconds < even.seconds


def test_survivors_that_cannot_carry_the_load_drop_it() -> None:
    units = (unit("1", rating=12_000.0), unit("2", rating=12_000.0))
    plant, state = world(*units, load=steady(6000.0, 6000.0, 6000.0))  # one unit left: 150 %, 10 s
    weak = replace(state.systems["s"].units[0].bank, opens_after_s=30.0)
    state = state.with_unit(("s", 0), replace(state.systems["s"].units[0], bank=weak))
    assert hold_up(plant, state, "s").seconds == pytest.approx(30.0 + overload_s(1.5), abs=4.0)


def test_the_set_takes_over_then_the_units_walk_in_and_the_bank_is_recharged() -> None:
    generator = SetPlant("set", detect_s=4, fires_after_s=3, start_s=8, transfer_s=2)
    plant, state = world(unit("1"), load=steady(3000.0, 3000.0, 3000.0), generator=generator)
    state = after(plant, dark(state), 17.0)
    assert state.systems["s"].units[0].mode is Mode.BATTERY
    state = after(plant, state, 15.0 + 2.0)
    assert state.systems["s"].units[0].mode is Mode.WALKING_IN
    state = after(plant, state, 15.0 + 2.0)
    one = state.systems["s"].units[0]
    assert one.mode is Mode.NORMAL
    assert one.bank.current_a < 0.0


def test_a_set_that_hunts_is_refused() -> None:
    generator = SetPlant("set", detect_s=4, fires_after_s=3, start_s=8, transfer_s=2)
    plant, state = world(unit("1"), load=steady(3000.0, 3000.0, 3000.0), generator=generator)
    state = state.with_supply("north", replace(state.supplies["north"], hunts=True))
    state = after(plant, dark(state), 120.0)
    assert state.systems["s"].units[0].mode is Mode.BATTERY


def test_a_dropped_load_comes_back_with_the_mains() -> None:
    plant, state = world(unit("1"), load=steady(6000.0, 6000.0, 6000.0))
    lost = after(plant, dark(state), 3000.0)
    assert lost.systems["s"].lost
    assert sum(lost.systems["s"].units[0].watts) == 0.0
    back = lost.with_supply("north", incoming.mains_returns(lost.supplies["north"]))
    back = after(plant, back, 60.0)
    assert not back.systems["s"].lost
    assert sum(back.systems["s"].units[0].watts) == pytest.approx(18_000.0)


def test_the_same_world_played_twice_is_the_same() -> None:
    load = LoadShape("load", 5, (4000.0, 4100.0, 3900.0), (0.95, 0.9, 0.92))
    plant, state = world(unit("1"), unit("2"), load=load)
    assert after(plant, dark(state), 90.0) == after(plant, dark(state), 90.0)


def test_a_unit_whose_input_breaker_is_open_runs_on_its_bank_alone_and_comes_back_with_it() -> None:
    plant, state = world(unit("1"), unit("2"), load=steady(3000.0, 3000.0, 3000.0))
    cut = state.with_unit(("s", 0), replace(state.unit(("s", 0)), cut=True))
    held = after(plant, cut, 10.0)
    assert [u.mode for u in held.systems["s"].units] == [Mode.BATTERY, Mode.NORMAL]
    closed = held.with_unit(("s", 0), replace(held.unit(("s", 0)), cut=False))
    assert [u.mode for u in after(plant, closed, 60.0).systems["s"].units] == [Mode.NORMAL, Mode.NORMAL]
