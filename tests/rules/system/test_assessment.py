"""A system judged from readings and beliefs to the state that is shown."""

from __future__ import annotations

import pickle
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from rules.battery.model.health import BankBelief, belief_from_age
from rules.battery.state import ShownToCarry
from rules.generator.outage_source import SetSays
from rules.phrasing.reasons import said, say
from rules.plant.estate import Bank, Card, CardReports, Estate, Purpose, in_place
from rules.plant.reading import OutputSource
from rules.system.assessment import system_state, task_of
from rules.system.hold_up.judgement import HoldUpJudgement, hold_ups
from rules.system.hold_up.task import HoldUpTask, steadied
from rules.system.observation import SupplySight, SystemObservation, SystemView, glance
from rules.system.outage.end_known import end_known
from rules.system.outage.on_battery import on_battery
from rules.system.state import HoldUp, ShedFirst, ShedStep, Standing
from rules.values.code import Code
from rules.values.reason import Reason, reason, told
from rules.values.verdict import Basis, EndedBy, EndKnown, Verdict
from tests.rules.sample_plants import BY_HAND, NOON, NOW, START, estate, known_banks, month, reading, view

LIGHT = (1000.0, 1000.0, 1000.0)
FULL = (5400.0, 5400.0, 5400.0)


def beliefs(plant: Estate, shown: ShownToCarry | None = None) -> dict[str, BankBelief]:
    day = NOON.date()
    return {
        bank.id: replace(
            belief_from_age(bank, in_place(bank.fitted, day), day, 22.0, seed, rating_w=27_000.0),
            shown_to_carry=shown,
        )
        for seed, bank in enumerate(plant.banks.values())
    }


def judged(
    seen: SystemView, known: dict[str, BankBelief] | None = None
) -> tuple[SystemObservation, HoldUpJudgement]:
    first = glance(seen)
    judgement = hold_ups(task_of(seen, first), known if known is not None else beliefs(seen.estate), seed=7)
    return glance(seen, judgement), judgement


SHOWN = ShownToCarry(NOON - timedelta(days=90), 5_000.0, 300.0)


def test_two_light_units_hold_and_are_redundant() -> None:
    plant = estate(2)
    seen = view(plant, [reading("A1", LIGHT), reading("A2", LIGHT)], peaks=month(2500.0, 2500.0, 2500.0))
    first, judgement = judged(seen, beliefs(plant, SHOWN))
    state = system_state(seen, first, judgement)
    assert state.hold_up.now.low_s is not None
    assert state.hold_up.one_unit_lost.low_s is not None
    assert state.hold_up.now.low_s > state.hold_up.one_unit_lost.low_s > 195.0
    assert state.hold_up.now.basis is Basis.TABLE
    assert [item.unit for item in state.hold_up.each_unit_lost] == ["A1", "A2"]
    assert state.requirements[0].verdict is Verdict.ADEQUATE
    assert state.redundancy is not None
    assert state.redundancy.verdict is Verdict.ADEQUATE
    assert state.on_battery is None
    assert state.not_checked


def test_a_bank_never_shown_to_carry_leaves_the_generator_start_open() -> None:
    seen = view(estate(2), [reading("A1", LIGHT), reading("A2", LIGHT)])
    state = system_state(seen, *judged(seen))
    assert state.requirements[0].verdict is Verdict.CANNOT_TELL
    assert any("never shown to carry it" in text for text in said(state.requirements[0].because))


def test_before_the_first_judgement_nothing_is_promised() -> None:
    seen = view(estate(2), [reading("A1"), reading("A2")])
    state = system_state(seen, glance(seen), None)
    assert state.hold_up.now.low_s is None
    assert state.requirements[0].verdict is Verdict.CANNOT_TELL


def test_a_unit_that_cannot_be_told_is_named_although_the_name_of_a_silent_one_begins_with_its_own() -> None:
    plant = estate(10)
    heard = [reading("A1", source=OutputSource.OTHER), *(reading(f"A{n}") for n in range(2, 10))]
    missing = glance(view(plant, heard)).missing  # A10 has never answered
    assert "Unit A10 has never answered." in said(missing)
    assert "What unit A1 is doing cannot be told from its card." in said(missing)


def test_end_of_life_stands_beside_and_is_shorter_than_a_young_bank() -> None:
    seen = view(estate(2), [reading("A1", LIGHT), reading("A2", LIGHT)])
    held = judged(seen)[1].hold_ups
    assert held.at_end_of_life.all.median_s is not None
    assert held.now.median_s is not None
    assert held.at_end_of_life.all.median_s < held.now.median_s


def test_at_the_end_of_life_a_bank_gives_the_time_printed_for_a_quarter_more_power() -> None:
    # One bank, 25 degC: at power p it gives what the table prints for p / 0.8.
    plant = estate(1, spare_units=0)
    seen = view(plant, [reading("A1", (2000.0,) * 3)], coldest_c={"bank A1": 25.0})
    believed = beliefs(plant)
    held = judged(seen, believed)[1].hold_ups.at_end_of_life.all
    belief = believed["bank A1"]
    expected = float(belief.curve.seconds(belief.power_w_per_cell(6000.0) / 0.8))
    assert held.median_s == pytest.approx(expected, rel=0.03)


def test_the_same_seed_gives_the_same_judgement_and_it_travels() -> None:
    seen = view(estate(3), [reading(f"A{n}") for n in (1, 2, 3)])
    task = task_of(seen, glance(seen))
    known = beliefs(seen.estate)
    sent_task, sent_known = pickle.loads(pickle.dumps((task, known)))
    assert hold_ups(sent_task, sent_known, seed=5) == hold_ups(task, known, seed=5)
    assert pickle.loads(pickle.dumps(hold_ups(task, known, seed=5))) == hold_ups(task, known, seed=5)


def test_a_silent_unit_leaves_hold_up_open() -> None:
    seen = view(estate(2), [reading("A1")])
    state = system_state(seen, *judged(seen))
    assert state.hold_up.now.low_s is None
    assert state.requirements[0].verdict is Verdict.CANNOT_TELL


def test_a_judgement_from_before_a_silence_is_not_shown_as_now() -> None:
    whole = view(estate(2), [reading("A1"), reading("A2")])
    judgement = judged(whole)[1]
    later = view(whole.estate, [reading("A1", at_s=-60.0), reading("A2")])
    state = system_state(later, glance(later, judgement), judgement)
    assert state.hold_up.now.low_s is None
    assert state.requirements[0].verdict is Verdict.CANNOT_TELL


def test_a_need_that_a_silent_card_leaves_open_says_what_was_told_of_it_last() -> None:
    """Its alarm stands meanwhile: who reads the verdict beside it must find the same."""
    plant = estate(2, requirements=(START, BY_HAND))
    whole = view(plant, [reading("A1"), reading("A2")])
    told = judged(whole, beliefs(plant, SHOWN))[1]
    needs = system_state(whole, glance(whole, told), told).requirements
    later = replace(view(plant, [reading("A1", at_s=-60.0), reading("A2")]), told=told)
    for was, now in zip(needs, system_state(later, glance(later, told), told).requirements, strict=True):
        assert now.verdict is Verdict.CANNOT_TELL
        last = [why for why in now.because if why.code is Code.WHEN_LAST_TOLD]
        expected = [] if was.verdict is Verdict.CANNOT_TELL else [was.verdict]
        assert [why["verdict"] for why in last] == expected
    assert Verdict.INADEQUATE in {need.verdict for need in needs}


def test_where_every_unit_is_off_the_load_is_said_to_be_off() -> None:
    plant = estate()
    nothing = (0.0, 0.0, 0.0)
    seen = view(plant, [reading(n, nothing, source=OutputSource.NONE) for n in ("A1", "A2")])
    state = system_state(seen, glance(seen), None)
    assert state.feeds_nothing
    assert {said(need.because)[0] for need in state.requirements} == {
        "Every unit feeds nothing: the load is off."
    }


def test_all_on_bypass_holds_nothing() -> None:
    plant = estate(2, requirements=(START, BY_HAND))
    seen = view(plant, [reading(n, source=OutputSource.BYPASS) for n in ("A1", "A2")])
    state = system_state(seen, *judged(seen))
    assert state.hold_up.now.low_s == 0.0
    assert state.requirements[1].verdict is Verdict.INADEQUATE
    assert any("on bypass" in text for text in said(state.hold_up.because))


def test_no_load_is_said_and_seconds_are_not_known() -> None:
    seen = view(estate(2), [reading("A1", (0.0,) * 3), reading("A2", (0.0,) * 3)])
    state = system_state(seen, *judged(seen))
    assert state.hold_up.now.low_s is None
    assert said(state.requirements[0].because) == (
        "There is no load: nothing to hold, and nothing to judge by.",
    )


def test_on_battery_counts_to_the_earliest_end_and_the_last_moment_to_start() -> None:
    plant = estate(2)
    outage = [reading(n, LIGHT, source=OutputSource.BATTERY, on_battery_s=100.0) for n in ("A1", "A2")]
    seen = view(plant, outage)
    first, judgement = judged(seen)
    found = system_state(seen, first, judgement).on_battery
    assert found is not None
    assert found.since == NOON - timedelta(seconds=102)
    assert found.ends_earliest is not None
    assert found.start_set_before is not None
    # 15 crank + 12 run-up + 3 changeover + 20 accept + 10 hold-off + 20 walk-in
    assert (found.ends_earliest - found.start_set_before).total_seconds() == 80.0
    assert found.starts_failed == 2  # due at 55 s, 85 s, 115 s
    assert found.reckoned_since is None


def test_a_last_moment_to_start_the_set_that_lies_before_the_outage_is_none() -> None:
    """30 s left, and the generator takes 80 s: a start before the mains were lost was never anybody's to make."""
    plant = estate(2)
    outage = [reading(n, LIGHT, source=OutputSource.BATTERY, on_battery_s=5.0) for n in ("A1", "A2")]
    seen = view(plant, outage)
    first, judgement = judged(seen)
    assert judgement is not None
    short = replace(judgement.hold_ups.now, low_s=30.0, median_s=35.0, high_s=40.0)
    judgement = replace(judgement, hold_ups=replace(judgement.hold_ups, now=short))
    found = system_state(seen, first, judgement).on_battery
    assert found is not None
    assert found.ends_earliest is not None
    assert found.start_set_before is None


def test_starts_count_from_when_the_whole_supply_was_dead_and_not_at_all_while_a_unit_of_it_is_fed() -> None:
    plant = estate(2)
    outage = [reading(n, LIGHT, source=OutputSource.BATTERY, on_battery_s=1000.0) for n in ("A1", "A2")]
    seen = view(plant, outage)
    first, judgement = judged(seen)

    def starts(sight: SupplySight, **more: SetSays) -> tuple[int | None, bool]:
        found = system_state(replace(seen, supply=sight, **more), first, judgement).on_battery  # type: ignore[arg-type]
        assert found is not None
        return found.starts_failed, found.start_set_before is not None

    # due at 55 s, 85 s, 115 s after the supply died, however long one unit ran on its bank before
    assert starts(SupplySight(NOON - timedelta(seconds=60))) == (1, True)
    assert starts(SupplySight(NOON - timedelta(seconds=116))) == (3, True)
    assert starts(SupplySight(None, ("B1",))) == (None, False)
    assert starts(SupplySight(None)) == (None, True)
    offered = SupplySight(None, offered_since=NOON - timedelta(seconds=9))
    assert starts(offered) == (None, False), "voltage at an input: a start is over, or not needed"
    assert starts(SupplySight(NOON - timedelta(seconds=116)), set_says=SetSays.RUNS) == (None, False)


def test_a_start_by_hand_is_reckoned_from_setting_out_to_the_last_unit_on_it() -> None:
    plant = estate(2)
    outage = [reading(n, LIGHT, source=OutputSource.BATTERY, on_battery_s=100.0) for n in ("A1", "A2")]
    seen = view(plant, outage)
    first, judgement = judged(seen)

    def found(says: SetSays | None = None) -> tuple[float | None, timedelta | None]:
        on = system_state(replace(seen, set_says=says), first, judgement).on_battery
        assert on is not None
        assert on.ends_earliest is not None
        return on.hand_s, None if on.set_out_before is None else on.ends_earliest - on.set_out_before

    generator = plant.generator_of(seen.system)
    assert generator is not None
    assert generator.hand_start_s is not None
    hand_s = generator.hand_start_s + 80.0  # and 80 s from the hand on the starter, as above
    assert found() == (hand_s, timedelta(seconds=hand_s))
    assert found(SetSays.RUNS) == (None, None), "it runs: nobody is sent to start it"


def test_nothing_is_advised_to_be_shed_while_the_supply_is_about_to_be_taken() -> None:
    plant = estate(2)
    outage = [reading(n, LIGHT, source=OutputSource.BATTERY, on_battery_s=100.0) for n in ("A1", "A2")]
    shed = ShedFirst(NOON, 900.0, told("a start by hand"), (ShedStep("desks", 900.0),), None, reached=True)
    seen = view(plant, outage)
    first, judgement = judged(seen)

    def advised(by_s: float) -> ShedFirst | None:
        sight = SupplySight(takes_by=NOON + timedelta(seconds=by_s))
        found = system_state(replace(seen, supply=sight, shed=shed), first, judgement).on_battery
        assert found is not None
        return found.shed

    assert advised(18.0) is None
    assert advised(-1.0) == shed
    assert advised(1e6) == shed, "its banks end before that"


def test_once_the_site_says_that_the_generator_runs_nothing_is_shed_to_hold_for_a_start_by_hand() -> None:
    """To shut everything down, since it would not hold for a start by hand, stood beside "throw the changeover"."""
    plant = estate(2)
    outage = [reading(n, LIGHT, source=OutputSource.BATTERY, on_battery_s=100.0) for n in ("A1", "A2")]
    seen = view(plant, outage)
    first, judgement = judged(seen)

    def shed(wanted_for: Reason, says: SetSays | None) -> bool:
        asked = ShedFirst(NOON, 900.0, wanted_for, (ShedStep("desks", 900.0),), None, reached=True)
        on = system_state(replace(seen, shed=asked, set_says=says), first, judgement).on_battery
        assert on is not None
        return on.shed is not None

    down = reason(Code.WANTED_PURPOSE, purpose=Purpose.ORDERLY_SHUTDOWN)
    by_hand = reason(Code.WANTED_PURPOSE, purpose=Purpose.MANUAL_GENERATOR_START)
    assert [shed(by_hand, says) for says in (None, SetSays.STANDS)] == [True, True]
    assert [shed(by_hand, says) for says in (SetSays.RUNS, SetSays.CARRIES)] == [False, False]
    assert shed(down, SetSays.RUNS)


def test_a_unit_fed_beside_one_on_its_bank_ends_the_counting_and_where_it_carries_all_the_end_too() -> None:
    plant = estate(2)
    light = [reading("A1", LIGHT, source=OutputSource.BATTERY, on_battery_s=300.0), reading("A2", LIGHT)]
    seen = view(plant, light)
    found = system_state(seen, *judged(seen)).on_battery
    assert found is not None
    assert (found.starts_failed, found.start_set_before, found.fed) == (None, None, ("A2",))
    assert (found.carried, found.ends_earliest, found.ends_latest) == (True, None, None)
    # 2 x 5.4 kW on a line of 9 kW: the unit that is fed cannot carry it alone
    full = [reading("A1", FULL, source=OutputSource.BATTERY, on_battery_s=300.0), reading("A2", FULL)]
    seen = view(plant, full)
    found = system_state(seen, *judged(seen)).on_battery
    assert found is not None
    assert (found.carried, found.starts_failed, found.start_set_before) == (False, None, None)
    assert found.ends_earliest is not None


def test_silent_in_an_outage_it_stays_on_battery_by_reckoning_and_no_verdict_is_given() -> None:
    outage = [reading(n, LIGHT, source=OutputSource.BATTERY, on_battery_s=10.0) for n in ("A1", "A2")]
    plant = estate(2)
    first, judgement = judged(view(plant, outage))
    later = replace(
        view(plant, outage),
        now=replace(NOW, at=NOON + timedelta(seconds=100), monotonic_s=NOW.monotonic_s + 100.0),
    )
    seen = glance(later, judgement)
    state = system_state(later, seen, judgement)
    assert {unit.standing for unit in state.units} == {Standing.SILENT}
    assert state.requirements[0].verdict is Verdict.CANNOT_TELL
    assert state.on_battery is not None
    assert state.on_battery.reckoned_since == NOON - timedelta(seconds=2)
    before = system_state(view(plant, outage), first, judgement).on_battery
    assert before is not None
    assert before.ends_earliest is not None
    assert state.on_battery.ends_earliest is not None
    widened = (before.ends_earliest - state.on_battery.ends_earliest).total_seconds()
    assert widened == pytest.approx(10.2)


def test_a_judgement_that_cannot_tell_ends_no_countdown() -> None:
    outage = [reading(n, LIGHT, source=OutputSource.BATTERY, on_battery_s=10.0) for n in ("A1", "A2")]
    plant = estate(2)
    _, told = judged(view(plant, outage))
    silent = replace(
        view(plant, outage),
        now=replace(NOW, at=NOON + timedelta(seconds=100), monotonic_s=NOW.monotonic_s + 100.0),
    )
    seen, cannot = judged(silent)
    assert cannot.hold_ups.now.low_s is None
    held = system_state(replace(silent, told=told), seen, cannot).on_battery
    first_hand = system_state(silent, seen, told).on_battery
    assert held is not None
    assert held.ends_earliest is not None
    assert held == first_hand


def test_what_was_foretold_before_an_outage_does_not_end_it_an_hour_later() -> None:
    plant = estate(2)
    _, told = judged(view(plant, [reading("A1", LIGHT), reading("A2", LIGHT)]))
    old = replace(told, as_of=NOON - timedelta(hours=1))
    seen = view(plant, [reading(n, LIGHT, source=OutputSource.BATTERY) for n in ("A1", "A2")], told=old)
    found = system_state(seen, glance(seen), old).on_battery
    assert found is not None
    assert found.ends_earliest is None


def test_a_silent_unit_last_seen_on_battery_does_not_outvote_its_sibling_on_mains() -> None:
    seen = view(estate(2), [reading("A1", source=OutputSource.BATTERY, at_s=-100.0), reading("A2")])
    assert glance(seen).on_battery == ()


def test_a_test_of_the_bank_is_no_outage() -> None:
    seen = view(
        estate(2),
        [reading("A1", source=OutputSource.BATTERY, alarms=("upsAlarmTestInProgress",)), reading("A2")],
    )
    first = glance(seen)
    assert (first.on_battery, first.in_test) == ((), ("A1",))
    assert on_battery(seen, first, None, seen.estate.units_of("A")) is None


def test_after_an_outage_the_second_outage_stands_beside_what_full_banks_give() -> None:
    plant = estate(2)
    spent = {name: replace(b, used=np.full(b.draws, 0.4)) for name, b in beliefs(plant).items()}
    held = judged(view(plant, [reading("A1", LIGHT), reading("A2", LIGHT)]), spent)[1].hold_ups
    assert held.recharged is not None
    assert held.recharged.low_s is not None
    assert held.now.low_s is not None
    assert held.now.low_s < held.recharged.low_s
    assert any("not full" in text for text in said(held.because))


def test_redundancy_is_electrical_and_names_the_banks_not_shown_to_carry_beside_it() -> None:
    plant = estate(2)
    known = beliefs(plant, SHOWN)
    known["bank A1"] = replace(known["bank A1"], health=np.full(1000, 0.01), shown_to_carry=None)
    seen = view(plant, [reading("A1", LIGHT), reading("A2", LIGHT)])
    first, _ = judged(seen, known)
    assert first.redundancy is not None
    assert first.redundancy.verdict is Verdict.ADEQUATE
    assert first.redundancy.margin_w == pytest.approx(9_000.0 - 2_000.0)  # one unit of 27 kW on three lines
    assert first.redundancy.unproven_banks == ("bank A1",)
    assert said(first.redundancy.because)[0].endswith("bank bank A1 unproven.")


def test_one_card_for_two_units_cannot_tell_and_says_why() -> None:
    plant = estate(cards=[Card("both", ("A1", "A2"), CardReports.SUM)])
    seen = view(plant, [reading("A1")])
    state = system_state(seen, *judged(seen))
    assert state.load.power_w == 9000.0
    assert state.redundancy is not None
    assert state.redundancy.verdict is Verdict.CANNOT_TELL
    assert state.requirements[0].verdict is Verdict.CANNOT_TELL
    assert any("sum of units" in text for text in said(state.requirements[0].because))


def test_a_unit_without_a_bank_cannot_tell() -> None:
    plant = estate(2)
    only = replace(plant, banks={"bank A1": plant.banks["bank A1"]})
    seen = view(only, [reading("A1"), reading("A2")])
    assert said(judged(seen)[1].missing) == ("No bank is declared behind unit A2.",)


def test_a_bank_with_neither_table_nor_capacity_cannot_tell() -> None:
    plant = estate(1, banks=[Bank("b", ("A1",), 240, 1, ())])
    seen = view(plant, [reading("A1")])
    assert judged(seen)[1].hold_ups.now.low_s is None


def test_a_bank_that_ends_before_its_system_is_named() -> None:
    plant = estate(3, rating_va=60_000.0, rating_w=54_000.0)
    known = known_banks(plant)
    known["bank A3"] = replace(known["bank A3"], health=np.full(1000, 0.45))
    seen = view(plant, [reading(f"A{n}", (2500.0,) * 3) for n in (1, 2, 3)])
    ends = judged(seen, known)[1].ends
    assert [item.bank for item in ends] == ["bank A3"]
    assert ends[0].share == 1.0
    # 0.45 of 0.95 + 0.95 + 0.45 is gone from each of the three when the weak one ends
    assert ends[0].left_fraction == pytest.approx(1.0 - 3 * 0.45 / 2.35, abs=0.05)


def test_a_judgement_that_was_never_renewed_counts_no_more() -> None:
    seen = view(estate(2), [reading("A1", LIGHT), reading("A2", LIGHT)])
    first, judgement = judged(seen)
    old = replace(judgement, as_of=NOON - timedelta(minutes=6))
    found = system_state(seen, first, old).requirements[0]
    assert found.verdict is Verdict.CANNOT_TELL
    assert "too long ago" in say(found.because[0])


def test_what_sets_a_unit_apart_is_part_of_the_state() -> None:
    seen = view(estate(2), [reading("A1", (6000.0,) * 3), reading("A2", (1000.0,) * 3)])
    state = system_state(seen, glance(seen), None)
    assert {finding.about for finding in state.findings} == {"A1", "A2"}


def old_banks(plant: Estate) -> dict[str, BankBelief]:
    """Return what is believed of the plant's banks by table and age, four years after they were fitted."""
    day = NOON.date().replace(year=NOON.year + 1)
    return {
        bank.id: belief_from_age(bank, in_place(bank.fitted, day), day, 22.0, 3, rating_w=27_000.0)
        for bank in plant.banks.values()
    }


def test_the_tail_of_an_assumption_is_no_low_end_and_no_bad_verdict() -> None:
    # four years of ten: in one of twenty such banks age alone leaves nothing
    plant = estate(2, requirements=(START, BY_HAND))
    seen = view(plant, [reading("A1", LIGHT), reading("A2", LIGHT)])
    known = old_banks(plant)
    assert np.quantile(known["bank A1"].health, 0.05) < 0.1
    first, judgement = judged(seen, known)
    state = system_state(seen, first, judgement)
    held = state.hold_up
    assert (held.now.low_s, held.one_unit_lost.low_s) == (None, None)
    assert held.now.median_s is not None
    assert held.unproven == ("bank A1", "bank A2")
    assert [step.step.code for step in held.would_tell] == [Code.TELL_BY_PAST_TEST, Code.TELL_BY_CARRYING]
    assert {need.verdict for need in state.requirements} == {Verdict.CANNOT_TELL}
    assert all(need.would_tell for need in state.requirements)
    assert state.redundancy is not None
    assert state.redundancy.verdict is Verdict.ADEQUATE
    assert state.redundancy.unproven_banks == ("bank A1", "bank A2")


def test_above_the_table_the_time_is_carried_on_by_physics_wider_than_within_it_and_said_so() -> None:
    # 12 kW a unit are 53 W a cell, within the table (96 W for 5 min); with one lost 106 W are above it
    plant = estate(2)
    heavy = (4000.0,) * 3
    held = judged(view(plant, [reading("A1", heavy), reading("A2", heavy)]), known_banks(plant))[1].hold_ups
    lost = held.one_unit_lost
    assert lost.low_s is not None
    assert lost.median_s is not None
    assert lost.high_s is not None
    assert 0.0 < lost.median_s < 300.0
    assert held.now.low_s is not None
    assert held.now.median_s is not None
    assert held.now.high_s is not None
    assert lost.high_s / lost.low_s > held.now.high_s / held.now.low_s
    assert any("its table starts at 5 min" in text for text in said(held.because))


def test_far_above_the_table_it_cannot_be_told_and_the_same_sentence_says_why() -> None:
    plant = estate(2, rating_va=90_000.0, rating_w=81_000.0)
    heavy = (9000.0,) * 3
    seen = view(plant, [reading("A1", heavy), reading("A2", heavy)])
    first, judgement = judged(seen, known_banks(plant))
    state = system_state(seen, first, judgement)
    lost = state.hold_up.one_unit_lost
    assert (lost.low_s, lost.median_s) == (None, None)
    assert state.requirements[0].verdict is Verdict.CANNOT_TELL
    assert any("cannot be told: its table starts at 5 min" in text for text in said(state.hold_up.because))


def test_the_end_of_life_looks_no_better_than_today() -> None:
    # seen to give half: less than the 80 % of power at which a bank's life ends
    plant = estate(2)
    worn = known_banks(plant, 0.5)
    held = judged(view(plant, [reading("A1", LIGHT), reading("A2", LIGHT)]), worn)[1].hold_ups
    for then, today in (
        (held.at_end_of_life.all, held.now),
        (held.at_end_of_life.one_unit_lost, held.one_unit_lost),
    ):
        assert then.low_s is not None
        assert today.low_s is not None
        assert then.low_s <= today.low_s


def test_the_end_of_life_of_banks_that_nothing_was_seen_of_has_no_least_over_what_is_to_be_expected() -> None:
    """Of an old bank that nobody saw no least is told, and what is to be expected lies under the end of its life."""
    plant = estate(2)
    old = {
        name: replace(bank, health=np.linspace(0.02, 0.9, bank.draws))
        for name, bank in beliefs(plant).items()
    }
    held = judged(view(plant, [reading("A1", LIGHT), reading("A2", LIGHT)]), old)[1].hold_ups
    assert held.now.low_s is None
    for then in (held.at_end_of_life.all, held.at_end_of_life.one_unit_lost):
        assert then.low_s is not None
        assert then.median_s is not None
        assert then.low_s <= then.median_s


def test_what_one_bank_is_drawn_with_does_not_depend_on_the_others() -> None:
    three = view(estate(3), [reading(f"A{n}", LIGHT) for n in (1, 2, 3)])
    two = view(estate(2), [reading(f"A{n}", LIGHT) for n in (1, 2)])
    known = known_banks(three.estate)
    a = judged(three, known)[1].hold_ups.each_unit_lost[2].hold_up
    b = judged(view(two.estate, [reading(f"A{n}", (1500.0,) * 3) for n in (1, 2)]), known)[1].hold_ups.now
    assert a == b  # A3 lost of three at 1 kW, and two at 1.5 kW: the same question of the same banks


def test_noise_on_the_load_leaves_what_is_drawn_where_it_is_and_a_step_does_not() -> None:
    def task(watts: float) -> HoldUpTask:
        seen = view(estate(2), [reading("A1", (watts,) * 3), reading("A2", (watts,) * 3)])
        return task_of(seen, glance(seen))

    stood = task(3000.0)
    assert steadied(task(3020.0), stood).asked == stood.asked
    assert steadied(task(3300.0), stood).asked == task(3300.0).asked
    assert steadied(task(3020.0), None).asked == task(3020.0).asked
    one_off = view(estate(2), [reading("A1", source=OutputSource.NONE), reading("A2")])
    other = task_of(one_off, glance(one_off))
    assert steadied(other, stood).asked == other.asked


def test_a_foretold_end_that_has_passed_while_the_load_is_seen_carried_is_no_end() -> None:
    """One unit's card is silent, so no judgement can tell any more; the other is read, on its bank and carrying."""
    plant = estate(2)
    dark = [reading(n, LIGHT, source=OutputSource.BATTERY, on_battery_s=10.0) for n in ("A1", "A2")]
    _, told = judged(view(plant, dark))
    low_s = told.hold_ups.now.low_s
    assert low_s is not None
    for past_s in (low_s / 2, low_s + 60.0):
        at = replace(NOW, at=NOON + timedelta(seconds=past_s), monotonic_s=NOW.monotonic_s + past_s)
        read = [
            reading("A1", LIGHT, at_s=-400.0),
            reading("A2", LIGHT, source=OutputSource.BATTERY, at_s=past_s - 1.0, on_battery_s=past_s),
        ]
        seen = replace(view(plant, read), now=at, told=told, on_battery_since=NOON)
        first, cannot = judged(seen)
        assert cannot.hold_ups.now.low_s is None
        found = system_state(seen, first, cannot).on_battery
        assert found is not None
        assert found.reckoned_since is None
        assert (found.ends_earliest is None) == (past_s > low_s)
        assert (found.outlasted is not None) == (past_s > low_s)
        assert found.start_set_before is None or past_s < low_s


@pytest.mark.parametrize(
    ("for_s", "two_banks", "shown"), [(84.0, False, True), (20.0, False, False), (84.0, True, False)]
)
def test_a_bank_that_carries_for_a_minute_is_shown_to_carry(
    for_s: float, two_banks: bool, shown: bool
) -> None:
    plant = estate(2)
    if two_banks:  # behind one unit nobody sees which of two carries
        one = plant.banks_of("A1")[0]
        plant = replace(plant, banks={**plant.banks, "beside": replace(one, id="beside")})
    readings = [reading(u, source=OutputSource.BATTERY, on_battery_s=for_s) for u in ("A1", "A2")]
    seen = view(plant, readings)
    judged = hold_ups(task_of(seen, glance(seen)), known_banks(plant), 1)
    assert set(judged.shown.values()) == {None}, "nothing of it is on record yet"
    state = system_state(seen, glance(seen, judged), judged)
    told = " ".join(said(state.requirements[0].because))
    bank = plant.banks_of("A1")[0].id
    assert ("never shown" in told) is (two_banks and not shown), "which of two carries nobody sees"
    assert (f"Bank {bank} carries" in told) is (not two_banks and not shown)
    assert state.redundancy is not None
    assert (bank in state.redundancy.unproven_banks) is not shown


@pytest.mark.parametrize(("ago_s", "shown"), [(5.0, True), (170.0, True), (200.0, False)])
def test_what_a_bank_carried_until_now_counts_until_its_record_is_judged(ago_s: float, shown: bool) -> None:
    """The mains is back: the banks carry nothing any more, and what they carried is not on record yet."""
    plant = estate(2)
    fed = [reading(u) for u in ("A1", "A2")]
    banks = [bank.id for bank in plant.banks_of_system("A")]
    lately = {bank: ShownToCarry(NOON - timedelta(seconds=ago_s), 9_000.0, 182.0) for bank in banks}
    seen = replace(view(plant, fed), carried=lately)
    judged = hold_ups(task_of(seen, glance(seen)), known_banks(plant), 1)
    assert set(judged.shown.values()) == {None}, "nothing of it is on record yet"
    state = system_state(seen, glance(seen, judged), judged)
    told = " ".join(said(state.requirements[0].because))
    assert ("never shown to carry it" in told) is not shown
    assert state.redundancy is not None
    assert (state.redundancy.unproven_banks == ()) is shown


@pytest.mark.parametrize(("ago", "brief"), [(timedelta(minutes=1), True), (timedelta(days=800), False)])
def test_a_short_discharge_of_late_is_too_short_to_tell_a_least_and_not_too_old(
    ago: timedelta, brief: bool
) -> None:
    plant = estate(1, spare_units=0)
    seen = view(plant, [reading("A1")])
    bank = plant.banks_of("A1")[0].id
    known = known_banks(plant)[bank]
    wide = np.where(
        np.arange(known.draws) % 10 == 0, 0.1, known.health
    )  # a tenth of such banks may have ended since
    shown = ShownToCarry(NOON - ago, 9_000.0, 160.0)
    aged = replace(known, health=wide, shown_to_carry=shown, as_of=NOON)
    judged = hold_ups(task_of(seen, glance(seen)), {bank: aged}, 1)
    assert judged.hold_ups.now.low_s is None
    told = " ".join(said(judged.hold_ups.because))
    assert ("of late, 2.6 min of carrying, is too short to tell a least" in told) is brief
    assert ("is too old to tell a least" in told) is not brief


def test_units_that_trip_when_one_is_lost_are_said_to_and_on_which_line() -> None:
    plant = estate(
        2
    )  # of 9 kW a line each; the bank that is left would give this for some 70 s, the unit for some 40
    seen = view(plant, [reading(u, (5500.0, 5900.0, 5500.0)) for u in ("A1", "A2")])
    judged = hold_ups(task_of(seen, glance(seen)), known_banks(plant), 1)
    state = system_state(seen, glance(seen, judged), judged)
    over = [one for one in state.hold_up.because if one.code is Code.OVERLOADS_ONE_LOST]
    assert [(one.about, one["line"]) for one in over] == [("A1", 2), ("A2", 2)]
    assert all(": L2 is asked 13" in text for text in said(over))
    start = state.requirements[0]
    assert start.verdict is not Verdict.ADEQUATE
    assert set(over) <= set(start.because), (
        "a time that ends by overload does not read like a bank that runs out"
    )
    light = view(plant, [reading(u) for u in ("A1", "A2")])
    held = hold_ups(task_of(light, glance(light)), known_banks(plant), 1).hold_ups
    assert not any(one.code is Code.OVERLOADS_ONE_LOST for one in held.because)


def test_units_that_carry_the_load_of_one_lost_are_not_said_to_trip_though_the_last_of_them_will() -> None:
    plant = estate(3)  # of 9 kW a line each: two of three are asked 78 %, and the last of them alone 157 %
    seen = view(plant, [reading(u, (4700.0,) * 3) for u in ("A1", "A2", "A3")])
    held = hold_ups(task_of(seen, glance(seen)), known_banks(plant), 1).hold_ups
    assert {item.hold_up.ended_by for item in held.each_unit_lost} == {EndedBy.OVERLOAD}
    assert not any(one.code is Code.OVERLOADS_ONE_LOST for one in held.because)


@pytest.mark.parametrize("seen", [True, False])
def test_a_least_is_told_of_a_system_whose_others_carry_on_when_a_bank_seen_long_ago_ends_early(
    seen: bool,
) -> None:
    plant = estate(2)
    looked = view(plant, [reading(u, (1500.0,) * 3) for u in ("A1", "A2")])
    known = known_banks(plant)
    old = plant.banks_of("A2")[0].id
    bank = known[old]
    tail = np.where(
        np.arange(bank.draws) % 10 == 0, 0.1, bank.health
    )  # a tenth of such banks may have ended since
    known[old] = replace(bank, health=tail, basis=Basis.TESTED if seen else Basis.TABLE)
    assert not known[old].low_end_told
    held = hold_ups(task_of(looked, glance(looked)), known, 1).hold_ups
    assert (held.now.low_s is not None) is seen, "what nothing was seen of is never counted on"
    lost = {item.unit: item.hold_up for item in held.each_unit_lost}
    assert lost["A1"].low_s is None, "then the system hangs on the bank in doubt alone"
    assert (lost["A2"].low_s is not None) is True
    if seen:
        assert held.now.median_s is not None
        assert held.now.low_s is not None
        assert held.now.median_s / 3.0 <= held.now.low_s < held.now.median_s


@pytest.mark.parametrize(("watts", "carried"), [(4499.0, True), (4500.0, True), (4501.0, False)])
def test_a_fed_unit_carries_all_up_to_its_rating_on_a_line(watts: float, carried: bool) -> None:
    """Two units of 27 kW: one fed alone bears 9 kW a line, which both take now."""
    lines = (watts,) * 3
    seen = view(
        estate(2),
        [reading("A1", lines, source=OutputSource.BATTERY, on_battery_s=300.0), reading("A2", lines)],
    )
    found = system_state(seen, *judged(seen)).on_battery
    assert found is not None
    assert found.carried is carried


@pytest.mark.parametrize(("used", "charged"), [(0.049, False), (0.05, False), (0.051, True)])
def test_a_bank_counts_as_not_full_once_a_twentieth_is_missing(used: float, charged: bool) -> None:
    plant = estate(2)
    known = {name: replace(one, used=np.full(one.draws, used)) for name, one in known_banks(plant).items()}
    seen = view(plant, [reading("A1", LIGHT), reading("A2", LIGHT)])
    found = hold_ups(task_of(seen, glance(seen)), known, seed=7, draws=100)
    assert (Code.BANKS_BEING_CHARGED in [one.code for one in found.hold_ups.because]) is charged


@pytest.mark.parametrize(
    ("low_s", "high_s", "since_s", "word"),
    [
        (900.0, 1100.0, 111.0, None),  # less than a tenth of the run: 111 of 1,111 s
        (900.0, 1100.0, 112.0, EndKnown.CLOSELY),
        (899.0, 1101.0, 500.0, EndKnown.FAIRLY),
        (750.0, 1250.0, 500.0, EndKnown.FAIRLY),
        (749.0, 1251.0, 500.0, EndKnown.ROUGHLY),
        (500.0, 1500.0, 500.0, EndKnown.ROUGHLY),
        (499.0, 1501.0, 500.0, EndKnown.HARDLY),
    ],
)
def test_how_well_an_end_is_known_is_half_its_interval_beside_the_time_left(
    low_s: float, high_s: float, since_s: float, word: EndKnown | None
) -> None:
    now = HoldUp(low_s, 1000.0, high_s, EndedBy.BANK, Basis.TESTED)
    assert end_known(now, since_s) is word
    assert end_known(replace(now, low_s=None), since_s) is None, "no least is told: no end to be sure of"


def test_what_lies_within_a_minute_is_closely_known_however_little_is_left() -> None:
    assert end_known(HoldUp(30.0, 90.0, 150.0, EndedBy.BANK, Basis.TESTED), 600.0) is EndKnown.CLOSELY
    assert end_known(HoldUp(30.0, 90.0, 151.0, EndedBy.BANK, Basis.TESTED), 600.0) is EndKnown.HARDLY


def test_an_outage_says_from_a_tenth_of_it_on_how_well_its_end_is_known() -> None:
    def known(since_s: float) -> EndKnown | None:
        seen = view(
            estate(2),
            [reading(n, LIGHT, source=OutputSource.BATTERY, on_battery_s=since_s) for n in ("A1", "A2")],
        )
        found = system_state(seen, *judged(seen)).on_battery
        assert found is not None
        return found.known

    assert known(1.0) is None
    assert known(3000.0) is not None
