"""Scenarios played out: mains lost, a generator that starts or does not, sheds, a unit out, two outages."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import numpy as np
import pytest

from rules.battery.model.health import BankBelief, belief_from_age
from rules.phrasing.reasons import said
from rules.planning.ridethrough.estate import EstateTask, ride_estate
from rules.planning.ridethrough.load_ahead import LoadAhead, QuarterLoad
from rules.planning.ridethrough.outcome import mains_back_s
from rules.planning.ridethrough.play import ride
from rules.planning.ridethrough.result import PlayedLoadBasis, Ridethrough, worst
from rules.planning.ridethrough.scenario import BankCase, PlannedShed, Scenario, refuse_unknown
from rules.planning.ridethrough.supply import MainsOut, SetCase, SetPlan, on_banks
from rules.plant.estate import Estate, LoadGroup, in_place
from rules.system.assessment import task_of
from rules.system.hold_up.judgement import hold_ups
from rules.system.hold_up.sharing import BoardLoad
from rules.system.hold_up.task import HoldUpTask
from rules.system.observation import glance
from rules.values.code import Code
from rules.values.reason import reason
from rules.values.verdict import Basis, Verdict
from tests.rules.sample_plants import NOON, SET, estate, known_banks, reading, view

UNITS = 2
WALK_S = 20.0 + 10.0 + 20.0  # accept, the last unit's hold-off, walk-in
THIRD_START_S = 5.0 + 75.0 + 12.0 + 3.0


def system(
    watts: float = 3000.0, groups: tuple[LoadGroup, ...] = ()
) -> tuple[Estate, HoldUpTask, dict[str, BankBelief]]:
    plant = estate(UNITS, load_groups=groups)
    seen = view(plant, [reading(f"A{n}", (watts,) * 3) for n in (1, 2)])
    known = known_banks(plant)
    return plant, task_of(seen, glance(seen)), known


def played(scenario: Scenario, watts: float = 3000.0, groups: tuple[LoadGroup, ...] = ()) -> Ridethrough:
    plant, task, known = system(watts, groups)
    return ride(
        task, known, scenario, generator=SET, units=plant.units_of("A"), groups=plant.load_groups, seed=3
    )


def test_the_set_bridges_at_its_last_start() -> None:
    found = played(Scenario((MainsOut(0.0, 7200.0),)))
    assert found.verdict is Verdict.ADEQUATE
    assert found.carried_share == 1.0
    whats = [(h.what, h.median_s) for h in found.happenings]
    assert (reason(Code.HAPPENS_START_FAILS, attempt=1), 20.0) in whats
    assert (reason(Code.HAPPENS_START_WORKS, attempt=3), 80.0) in whats
    assert (reason(Code.HAPPENS_SET_TAKES_LOAD), THIRD_START_S) in whats
    assert found.safety
    assert found.not_checked


def test_the_stretches_on_the_banks() -> None:
    plant, _, _ = system()
    stretches, _ = on_banks([MainsOut(0.0, 7200.0)], SetPlan(retransfer_s=600.0), SET, plant.units_of("A"))
    assert [(s.from_s, s.until_s) for s in stretches] == [
        (0.0, THIRD_START_S + WALK_S),
        (7800.0, 7800.0 + 3.0 + WALK_S),  # going back is another short stretch on the banks
    ]


def test_mains_back_before_the_set_runs_is_one_short_stretch() -> None:
    plant, _, _ = system()
    stretches, marks = on_banks([MainsOut(0.0, 18.0)], SetPlan(), SET, plant.units_of("A"))
    assert [(s.from_s, s.until_s) for s in stretches] == [(0.0, 18.0 + WALK_S)]
    assert [m.what.code for m in marks] == [Code.HAPPENS_MAINS_LOST, Code.HAPPENS_MAINS_BACK]


def test_a_set_out_of_fuel_puts_the_load_on_the_banks_again() -> None:
    plant, _, _ = system()
    stretches, _ = on_banks([MainsOut(0.0, None)], SetPlan(fuel_hours=1.0), SET, plant.units_of("A"))
    assert stretches[1].from_s == THIRD_START_S + 3600.0
    assert stretches[1].until_s == np.inf


def test_without_a_set_the_load_is_lost_when_hold_up_says() -> None:
    scenario = Scenario((MainsOut(0.0, None),), SetPlan(SetCase.NEVER))
    found = played(scenario, 4000.0)
    _, task, known = system(4000.0)
    now = hold_ups(task, known, seed=3).hold_ups.now
    assert found.verdict is Verdict.INADEQUATE
    assert found.hold_up is not None
    assert (found.hold_up.low_s, found.hold_up.median_s) == (now.low_s, now.median_s)  # drawn alike
    assert found.happenings[-1].what.code is Code.HAPPENS_LOAD_LOST
    assert any("No supply comes back" in text for text in said(found.because))


def test_what_table_and_age_alone_suggest_loses_no_load() -> None:
    plant, task, _ = system(2000.0)
    day = NOON.date().replace(year=NOON.year + 1)
    aged = {
        bank.id: belief_from_age(bank, in_place(bank.fitted, day), day, 22.0, 3, rating_w=27_000.0)
        for bank in plant.banks.values()
    }
    scenario = Scenario((MainsOut(0.0, 60.0),), SetPlan(SetCase.NEVER), units_out=frozenset({"A1"}))
    found = ride(task, aged, scenario, generator=SET, units=plant.units_of("A"), seed=3)
    assert found.verdict is Verdict.CANNOT_TELL
    assert "prove nothing" in said(found.because)[0]
    assert played(scenario, 2000.0).verdict is Verdict.ADEQUATE


@pytest.mark.parametrize("lasts_s", [10.0, 1800.0])
def test_a_plan_on_banks_of_which_no_least_is_told_promises_none(lasts_s: float) -> None:
    plant, task, _ = system(4000.0)
    day = NOON.date().replace(year=NOON.year + 3)
    aged = {
        bank.id: belief_from_age(bank, in_place(bank.fitted, day), day, 22.0, 3, rating_w=27_000.0)
        for bank in plant.banks.values()
    }
    assert hold_ups(task, aged, seed=3).hold_ups.now.low_s is None
    scenario = Scenario((MainsOut(0.0, lasts_s),), SetPlan(SetCase.NEVER))
    found = ride(task, aged, scenario, generator=SET, units=plant.units_of("A"), seed=3)
    assert found.margin_s is None
    assert found.hold_up is not None
    assert found.hold_up.low_s is None
    assert found.verdict is (Verdict.CANNOT_TELL if lasts_s < 60.0 else Verdict.INADEQUATE)
    assert not any("at the earliest" in text or "to spare" in text for text in said(found.because))


def test_the_margin_is_what_is_left_at_the_tightest_moment() -> None:
    scenario = Scenario((MainsOut(0.0, 60.0),), SetPlan(SetCase.NEVER))
    found = played(scenario, 4000.0)
    endless = played(Scenario((MainsOut(0.0, None),), SetPlan(SetCase.NEVER)), 4000.0)
    assert found.verdict is Verdict.ADEQUATE
    assert endless.hold_up is not None
    assert endless.hold_up.low_s is not None
    assert found.margin_s == pytest.approx(endless.hold_up.low_s - 60.0 - WALK_S)


def test_a_unit_out_shortens() -> None:
    scenario = Scenario((MainsOut(0.0, None),), SetPlan(SetCase.NEVER))
    both, one = played(scenario, 4000.0), played(replace(scenario, units_out=frozenset({"A1"})), 4000.0)
    assert both.hold_up is not None
    assert one.hold_up is not None
    assert one.hold_up.median_s is not None
    assert both.hold_up.median_s is not None
    assert one.hold_up.median_s < both.hold_up.median_s / 2.0
    assert {span.state for span in one.timeline if span.about == "A1"} == {"out"}


def test_a_second_outage_finds_banks_that_are_not_full() -> None:
    one = Scenario((MainsOut(0.0, 240.0),), SetPlan(SetCase.NEVER))
    two = replace(one, outages=(MainsOut(0.0, 240.0), MainsOut(1800.0, 240.0)))
    late = replace(one, outages=(MainsOut(0.0, 240.0), MainsOut(172_000.0, 240.0)), until_s=200_000.0)
    margins = [played(s, 4000.0).margin_s for s in (one, two, late)]
    assert margins[0] is not None
    assert margins[1] is not None
    assert margins[2] is not None
    assert margins[1] < margins[2]
    assert margins[2] == pytest.approx(margins[0], abs=20.0)


def test_sheds_help_and_are_on_the_time_line() -> None:
    lab = LoadGroup("lab", "A", (2000.0, 2000.0, 2000.0), 3)
    plain = Scenario((MainsOut(0.0, None),), SetPlan(SetCase.NEVER))
    with_shed = replace(plain, sheds=(PlannedShed("lab", at_s=120.0),))
    without, shed = played(plain, 4000.0), played(with_shed, 4000.0, (lab,))
    assert without.hold_up is not None
    assert shed.hold_up is not None
    assert shed.hold_up.low_s is not None
    assert without.hold_up.low_s is not None
    assert shed.hold_up.low_s > without.hold_up.low_s
    assert (Code.HAPPENS_SHED, 120.0) in [(h.what.code, h.median_s) for h in shed.happenings]


def test_end_of_life_in_the_cold_is_worse() -> None:
    plain = Scenario((MainsOut(0.0, None),), SetPlan(SetCase.NEVER))
    now = played(plain, 4000.0).hold_up
    old = played(replace(plain, banks=BankCase.END_OF_LIFE, coldest=True), 4000.0).hold_up
    assert now is not None
    assert old is not None
    assert now.median_s is not None
    assert old.median_s is not None
    assert old.median_s < now.median_s


def test_a_set_that_is_refused_for_minutes_counts() -> None:
    # Long enough for the banks to be full again before the load goes back to the mains.
    fine = played(Scenario((MainsOut(0.0, 120_000.0),)), 4000.0)
    refused = played(Scenario((MainsOut(0.0, 120_000.0),), SetPlan(refused_s=60.0)), 4000.0)
    assert fine.margin_s is not None
    assert refused.margin_s == pytest.approx(fine.margin_s - 60.0, abs=1.0)


def test_a_planned_shutdown_feed_by_feed_without_the_set() -> None:
    feeds = (MainsOut(0.0, 100.0, False, "one"), MainsOut(3600.0, 100.0, False, "two"))
    found = played(Scenario(feeds))
    feed = {Code.HAPPENS_FEED_OFF, Code.HAPPENS_FEED_ON}
    assert [(h.what.code, h.what.about) for h in found.happenings if h.what.code in feed] == [
        (Code.HAPPENS_FEED_OFF, "one"),
        (Code.HAPPENS_FEED_ON, "one"),
        (Code.HAPPENS_FEED_OFF, "two"),
        (Code.HAPPENS_FEED_ON, "two"),
    ]


def test_nothing_known_cannot_tell() -> None:
    plant, task, _ = system()
    found = ride(task, {}, Scenario(), generator=SET, units=plant.units_of("A"))
    assert found.verdict is Verdict.CANNOT_TELL


def test_strangers_are_refused() -> None:
    with pytest.raises(ValueError, match="units_out"):
        played(Scenario(units_out=frozenset({"X"})))
    with pytest.raises(ValueError, match="sheds"):
        played(Scenario(sheds=(PlannedShed("X", at_s=1.0),)))


def test_the_time_line_has_no_holes() -> None:
    found = played(Scenario((MainsOut(600.0, 7200.0),)))
    own = [span for span in found.timeline if span.about == "A"]
    assert own[0].from_s == 0.0
    assert all(a.until_s == b.from_s for a, b in pairwise(own))
    assert [span.state for span in own] == ["on supply", "on battery", "on supply", "on battery", "on supply"]


def test_a_set_of_whose_fuel_nothing_is_said_never_runs_out() -> None:
    stretches, marks = on_banks((MainsOut(0.0, None),), SetPlan(), SET, estate(2).units_of("A"))
    assert len(stretches) == 1
    assert [mark.what for mark in marks if np.isinf(mark.at_s)] == []


def test_many_systems_come_one_at_a_time() -> None:
    plant, task, known = system()
    many = ride_estate([EstateTask(task, known, SET, plant.units_of("A"))] * 3, Scenario())
    assert next(many).system == "A"
    assert len(list(many)) == 2


def test_one_system_of_many_is_played_as_if_it_were_asked_alone() -> None:
    plant, task, known = system()
    scenario = Scenario((MainsOut(0.0, 7200.0),), units_out=frozenset({"of another"}))
    (many,) = ride_estate([EstateTask(task, known, SET, plant.units_of("A"))], scenario, seed=5)
    alone = ride(
        task,
        known,
        replace(scenario, units_out=frozenset()),
        generator=SET,
        units=plant.units_of("A"),
        seed=5,
    )
    assert many == alone


def test_what_no_system_has_is_refused_and_the_worst_is_what_is_said_of_all() -> None:
    with pytest.raises(ValueError, match="units_out"):
        refuse_unknown(Scenario(units_out=frozenset({"X"})), {"A1"}, set())
    with pytest.raises(ValueError, match="load groups"):
        refuse_unknown(Scenario(sheds=(PlannedShed("X", at_s=1.0),)), {"A1"}, {"lab"})
    assert worst([Verdict.ADEQUATE, Verdict.CANNOT_TELL, Verdict.INADEQUATE]) is Verdict.INADEQUATE
    assert worst([Verdict.ADEQUATE, Verdict.CANNOT_TELL]) is Verdict.CANNOT_TELL
    assert worst([]) is Verdict.CANNOT_TELL


def hour(watts: float, low_w: float, high_w: float, from_s: float = 0.0) -> QuarterLoad:
    asked = BoardLoad(dict.fromkeys((1, 2, 3), watts / 3), dict.fromkeys((1, 2, 3), watts / 2.85))
    return QuarterLoad(from_s, asked, low_w, high_w)


def rides(ahead: LoadAhead | None, watts: float = 3000.0) -> Ridethrough:
    plant, task, known = system(watts)
    scenario = Scenario((MainsOut(0.0, None),), SetPlan(SetCase.NEVER))
    return ride(task, known, scenario, generator=SET, units=plant.units_of("A"), ahead=ahead)


def day_long(*quarters: QuarterLoad) -> LoadAhead:
    """Return a record of four hours that asks what the last of the given quarters does from there on."""
    last = quarters[-1]
    more = [replace(last, from_s=last.from_s + 900.0 * k) for k in range(1, 17)]
    return LoadAhead(NOON, (*quarters, *more))


def test_the_load_on_record_for_the_hour_is_played_in_place_of_the_load_now() -> None:
    now, later = rides(None), rides(day_long(hour(24_000.0, 24_000.0, 24_000.0)))
    assert now.load is not None
    assert later.load is not None
    assert (now.load.basis, later.load.basis) == (PlayedLoadBasis.NOW, PlayedLoadBasis.RECORD)
    assert (now.load.power_w, later.load.power_w) == pytest.approx((18_000.0, 24_000.0))
    assert now.hold_up is not None
    assert later.hold_up is not None
    assert later.hold_up.median_s is not None
    assert now.hold_up.median_s is not None
    assert later.hold_up.median_s < now.hold_up.median_s / (24.0 / 18.0)  # time falls faster than power rises
    assert any("24.0 kW" in text for text in said(later.assumptions))


def test_a_load_known_to_a_wide_interval_widens_that_of_the_hold_up() -> None:
    sharp = rides(day_long(hour(12_000.0, 11_900.0, 12_100.0))).hold_up
    wide = rides(day_long(hour(12_000.0, 9_000.0, 16_000.0))).hold_up
    assert sharp is not None
    assert wide is not None
    assert None not in {sharp.low_s, sharp.high_s, wide.low_s, wide.high_s}
    assert (wide.high_s or 0.0) - (wide.low_s or 0.0) > (sharp.high_s or 0.0) - (sharp.low_s or 0.0)
    assert (wide.low_s or 0.0) < (sharp.low_s or 0.0)


def test_the_quarter_that_asks_most_decides_and_a_gap_in_the_record_is_no_record() -> None:
    ahead = day_long(hour(9_000.0, 8_000.0, 10_000.0), hour(15_000.0, 14_000.0, 16_000.0, 900.0))
    found = ahead.during(0.0, 1800.0)
    assert found is not None
    assert found.asked.total_w == pytest.approx(15_000.0)
    early = ahead.during(0.0, 600.0)
    assert early is not None
    assert early.asked.total_w == pytest.approx(9_000.0)
    assert LoadAhead(NOON, (hour(1.0, 1.0, 1.0),)).during(0.0, 1800.0) is None
    bare = rides(LoadAhead(NOON, ()))
    assert bare.load is not None
    assert bare.load.basis is PlayedLoadBasis.NOW
    assert any("No load is on record" in text for text in said(bare.assumptions))


def test_a_scenario_that_sheds_everything_is_a_shutdown_in_order_and_has_no_days_to_spare() -> None:
    all_of_it = LoadGroup("everything", "A", (6000.0, 6000.0, 6000.0), 1)
    found = played(
        Scenario((MainsOut(0.0, 7200.0, generator=False),), sheds=(PlannedShed("everything", 60.0),)),
        groups=(all_of_it,),
    )
    assert found.verdict is Verdict.ADEQUATE
    assert found.margin_s is None
    assert "shutdown in order" in said(found.because)[0]
    assert "carried through" not in said(found.because)[0]


@pytest.mark.parametrize("spent", [0.07, 0.4])
def test_what_is_suggested_agrees_with_the_share_of_courses_that_carry(spent: float) -> None:
    plant, task, known = system()
    alone = {
        name: replace(
            bank,
            basis=Basis.TABLE,
            health=np.where(np.arange(bank.draws) < spent * bank.draws, 0.02, bank.health),
            health_slope=np.zeros(bank.draws),
        )
        for name, bank in known.items()
    }
    scenario = Scenario((MainsOut(0.0, 7200.0),))
    found = ride(task, alone, scenario, generator=SET, units=plant.units_of("A"), groups={}, seed=3)
    assert found.verdict is Verdict.CANNOT_TELL
    assert found.carried_share is not None
    assert (found.carried_share >= 0.95) is (spent < 0.1)
    plainly = "suggest that the load is carried through, and prove nothing" in said(found.because)[0]
    share = (
        f"suggest no more than that it is carried through in {int(100 * found.carried_share)} of 100 courses"
    )
    assert (plainly, share in said(found.because)[0]) == (spent < 0.1, spent > 0.1)


@pytest.mark.parametrize(
    ("basis", "verdict"), [(Basis.TESTED, Verdict.ADEQUATE), (Basis.TABLE, Verdict.CANNOT_TELL)]
)
def test_a_bank_seen_long_ago_whose_end_the_others_bear_leaves_no_plan_open(
    basis: Basis, verdict: Verdict
) -> None:
    plant, task, known = system()
    old = plant.banks_of("A2")[0].id
    tail = np.where(np.arange(known[old].draws) % 10 == 0, 0.1, known[old].health)
    known[old] = replace(known[old], health=tail, basis=basis)
    assert not known[old].low_end_told
    scenario = Scenario((MainsOut(0.0, 7200.0),))
    found = ride(task, known, scenario, generator=SET, units=plant.units_of("A"), groups={}, seed=3)
    assert found.verdict is verdict
    held = hold_ups(task, known, 3).hold_ups.now
    assert (held.low_s is not None) is (verdict is Verdict.ADEQUATE), "a plan says no other than the page"


def test_a_start_after_seconds_that_are_given_has_no_tries_and_one_at_a_try_has_those_before_it() -> None:
    units = estate(UNITS).units_of("A")
    starts = {Code.HAPPENS_START_FAILS, Code.HAPPENS_START_WORKS}

    def tried(plan: SetPlan) -> list[Code]:
        _, marks = on_banks([MainsOut(0.0, None)], plan, SET, units)
        return [mark.what.code for mark in marks if mark.what.code in starts]

    assert tried(SetPlan(SetCase.STARTS, after_s=40.0)) == []
    assert tried(SetPlan(SetCase.STARTS, at_try=2)) == [Code.HAPPENS_START_FAILS, Code.HAPPENS_START_WORKS]
    assert tried(SetPlan(SetCase.NEVER)) == [Code.HAPPENS_START_FAILS] * SET.attempts


def test_the_time_line_goes_on_for_ten_minutes_after_a_load_is_lost_and_an_hour_after_the_last_stretch() -> (
    None
):
    lost = played(Scenario((MainsOut(0.0, None),), SetPlan(SetCase.NEVER)), 4000.0)
    end = [span for span in lost.timeline if span.about == "A"][-1]
    assert end.state == "load lost"
    assert end.until_s - end.from_s == pytest.approx(600.0)
    carried = played(Scenario((MainsOut(0.0, 18.0),)))
    last = [span for span in carried.timeline if span.about == "A"][-1]
    assert last.until_s == pytest.approx(18.0 + WALK_S + 3600.0)


def emptied(hours_ahead: float | None, banks: BankCase = BankCase.NOW) -> float:
    """Return the least that a system holds whose banks have given half of what they have, so many hours before it begins."""
    plant, task, known = system(4000.0)
    known = {name: belief.spending(0.5 * belief.health, 6000.0) for name, belief in known.items()}
    assert task.as_of is not None
    ahead = None
    if hours_ahead is not None:
        same = day_long(hour(24_000.0, 24_000.0, 24_000.0))
        ahead = replace(same, starts_at=task.as_of + timedelta(hours=hours_ahead))
    scenario = Scenario((MainsOut(0.0, None),), SetPlan(SetCase.NEVER), banks=banks)
    found = ride(task, known, scenario, generator=SET, units=plant.units_of("A"), ahead=ahead)
    assert found.hold_up is not None
    assert found.hold_up.median_s is not None
    return found.hold_up.median_s


def test_a_plan_for_a_later_day_begins_with_banks_that_have_charged_until_then() -> None:
    """Tonight's half-empty banks are no matter of Saturday's."""
    now, at_once, by_noon, saturday = emptied(None), emptied(0.0), emptied(8.0), emptied(96.0)
    full = emptied(0.0, BankCase.FULL)
    assert at_once == pytest.approx(now, rel=0.1)
    assert at_once < 0.8 * full
    assert at_once < by_noon < saturday
    assert saturday == pytest.approx(full, rel=0.03)


@pytest.mark.parametrize(("lost_s", "back_s"), [(1199.0, None), (1236.0, 1200.0)])
def test_a_loss_after_the_mains_is_back_is_told_as_that(lost_s: float, back_s: float | None) -> None:
    once = Scenario((MainsOut(0.0, 1200.0),))
    assert mains_back_s(once, lost_s) == back_s
    assert mains_back_s(Scenario((MainsOut(0.0, None),)), lost_s) is None
    again = Scenario((MainsOut(0.0, 600.0), MainsOut(1000.0, 200.0)))
    assert mains_back_s(again, lost_s) == back_s
