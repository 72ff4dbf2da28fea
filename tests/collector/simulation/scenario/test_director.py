"""Events do what they say, once, at their time."""

from itertools import pairwise

import pytest

from collector.simulation.cards.faulty_cards import Lie
from collector.simulation.plant import battery
from collector.simulation.plant import world as worlds
from collector.simulation.plant.battery import BankPlant, CellType
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.load import LoadShape
from collector.simulation.plant.published import runtime_s
from collector.simulation.plant.supply import SupplyPlant, SupplyState
from collector.simulation.plant.system import SimSystem, SystemPlant
from collector.simulation.plant.unit import Mode, SimUnit, UnitPlant
from collector.simulation.plant.world import WorldPlant, WorldState
from collector.simulation.scenario.director import (
    BankOpens,
    BankRenewed,
    BankWeak,
    Behaviour,
    CardFreezes,
    CardHangs,
    CardLies,
    CardResets,
    Cue,
    DirectorStage,
    Event,
    MainsFails,
    MainsReturns,
    Script,
    SetWill,
    TestEnds,
    UnitIsolated,
    UnitReturned,
    UnitTested,
    played,
)
from collector.simulation.scenario.script import FIRST_OUTAGE_AT_S, OPENING, demonstration, taken_up

UNITS = tuple(
    UnitPlant(f"u{i}", BankPlant(f"b{i}", CellType(20.0), cells=192), 20_000.0, 18_000.0) for i in (1, 2)
)
LOAD = LoadShape("s", 1, (3000.0, 3000.0, 3000.0), (1.0, 1.0, 1.0), 1.0, 1.0, 0.0)
PLANT = WorldPlant({"m": SupplyPlant("m")}, {"s": SystemPlant("s", "m", UNITS, LOAD)})


def stage() -> DirectorStage:
    units = tuple(SimUnit(Mode.NORMAL, new_bank(u.bank)) for u in UNITS)
    world = worlds.after(PLANT, WorldState(1e9, {"m": SupplyState()}, {"s": SimSystem(units)}), 1.0)
    return DirectorStage(world, {"c": Behaviour(booted_s=1e9 - 500.0)})


def after(*events: Event, seconds: float = 5.0) -> DirectorStage:
    now = stage()
    for event in events:
        now = played(PLANT, now, event)
    return DirectorStage(worlds.after(PLANT, now.world, seconds), now.cards)


def modes(now: DirectorStage) -> list[Mode]:
    return [u.mode for u in now.world.systems["s"].units]


def test_mains_fails_and_returns() -> None:
    assert modes(after(MainsFails("m"))) == [Mode.BATTERY, Mode.BATTERY]
    assert modes(after(MainsFails("m"), MainsReturns("m"))) == [Mode.NORMAL, Mode.NORMAL]


def test_an_isolated_units_peer_takes_the_load_and_gives_half_of_it_back() -> None:
    out = after(UnitIsolated("u1"))
    assert [sum(u.watts) for u in out.world.systems["s"].units] == pytest.approx([0.0, 9000.0])
    back = after(UnitIsolated("u1"), UnitReturned("u1"))
    assert [sum(u.watts) for u in back.world.systems["s"].units] == pytest.approx([4500.0, 4500.0])


def test_a_test_puts_one_bank_to_work_until_it_ends() -> None:
    trying = after(UnitTested("u1"))
    assert trying.world.unit(("s", 0)).bank.current_a > 0.0
    assert trying.world.unit(("s", 1)).bank.current_a < 0.0
    assert modes(after(UnitTested("u1"), TestEnds("u1"))) == [Mode.NORMAL, Mode.NORMAL]


def test_banks_grow_weak_part_and_are_renewed() -> None:
    sound = stage().world.unit(("s", 0)).bank

    def held_s(*events: Event) -> float:
        return runtime_s(UNITS[0].bank, after(*events).world.unit(("s", 0)).bank, 9000.0)

    whole_s = runtime_s(UNITS[0].bank, sound, 9000.0)
    assert held_s(BankWeak("b1", cells=24, capacity=0.5)) < 0.5 * whole_s
    assert held_s(BankOpens("b1", after_s=30.0)) == pytest.approx(30.0, abs=1.0)
    assert held_s(BankOpens("b1"), BankRenewed("b1")) == pytest.approx(whole_s, rel=0.02)
    assert battery.charge_fraction(UNITS[0].bank, sound) == pytest.approx(1.0)


def test_cards_hang_freeze_restart_and_lie() -> None:
    now = after(CardHangs("c", 60.0), CardFreezes("c", 30.0), CardLies("c", (Lie.GAUGES,)), CardResets("c"))
    card = now.cards["c"]
    assert card.hung_until_s == pytest.approx(1e9 + 61.0)
    assert card.frozen_until_s == pytest.approx(1e9 + 31.0)
    assert card.lies == (Lie.GAUGES,)
    assert card.uptime_s(1e9 + 11.0) == pytest.approx(10.0)


def test_how_the_set_will_behave_is_remembered_until_it_is_needed() -> None:
    state = after(SetWill("m", fires_at=None, late_s=9.0, hunts=True)).world.supplies["m"]
    assert (state.fires_at, state.late_s, state.hunts) == (None, 9.0, True)


def test_a_name_that_is_not_there_is_an_error() -> None:
    with pytest.raises(KeyError):
        after(UnitIsolated("nobody"))


def test_cues_are_handed_out_once_and_in_time() -> None:
    script = Script([Cue(1.0, MainsFails("m")), Cue(5.0, MainsReturns("m"))])
    assert script.due(0.5) == []
    assert [cue.at_s for cue in script.due(1.0)] == [1.0]
    assert script.next_at_s == 5.0
    assert [cue.at_s for cue in script.due(99.0)] == [5.0]
    assert script.next_at_s is None


def test_the_demonstration_begins_with_an_outage_and_never_ends() -> None:
    cues = demonstration(4)
    first = [next(cues) for _ in range(120)]
    times = [cue.at_s for cue in first]
    assert times == sorted(times)
    assert next(c.at_s for c in OPENING if isinstance(c.event, MainsFails)) == FIRST_OUTAGE_AT_S
    again = demonstration(4)
    assert [next(again) for _ in range(120)] == first
    assert all(float(cue.at_s).is_integer() for cue in first)
    failed: set[str] = set()
    for cue in first:  # no supply fails twice without having returned
        match cue.event:
            case MainsFails(supply):
                assert supply not in failed
                failed.add(supply)
            case MainsReturns(supply):
                failed.discard(supply)
            case _:
                pass


def test_a_script_never_played_begins_at_its_beginning() -> None:
    fresh = taken_up(demonstration(1), 0)
    assert (fresh.lasting, fresh.failures) == ((), {})
    assert next(fresh.cues) == OPENING[0]


def test_what_a_script_did_to_banks_and_sets_lasts_and_what_was_under_way_does_not() -> None:
    half = taken_up(iter(OPENING), len(OPENING))
    assert BankRenewed("brackmere-3-bank") in half.lasting
    assert not any(isinstance(event, MainsFails | CardHangs | CardFreezes) for event in half.lasting)
    assert half.failures == {"brackmere-mains": 2, "tollwick-mains": 1, "ossenby-mains": 1}
    assert list(half.cues) == []


@pytest.mark.parametrize("played_before", range(1, len(OPENING)))
def test_a_script_taken_up_anywhere_begins_something_a_minute_in(played_before: int) -> None:
    to_come = list(taken_up(iter(OPENING), played_before).cues)
    rest = OPENING[played_before:]
    assert [c.event for c in to_come] == [c.event for c in rest][len(rest) - len(to_come) :]
    assert all(isinstance(c.event, MainsReturns) for c in rest[: len(rest) - len(to_come)])
    assert to_come[0].at_s == FIRST_OUTAGE_AT_S
    assert not isinstance(to_come[0].event, MainsReturns)
    gaps = {b.at_s - a.at_s for a, b in pairwise(to_come)}
    assert gaps <= {b.at_s - a.at_s for a, b in pairwise(OPENING)}
