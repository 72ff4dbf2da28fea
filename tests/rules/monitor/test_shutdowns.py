"""A planned shutdown through the watch: what breaks it off, what it explains, and what it never explains."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from rules.alarms.conditions.shutdown import DO, Met, ShutdownFigures
from rules.alarms.lifecycle.states import State
from rules.alarms.planned_work import windows
from rules.monitor.inputs import PlannedWork, ShutdownLooked, SystemJudged
from rules.phrasing.reasons import say
from rules.planning.ridethrough.scenario import Scenario
from rules.planning.ridethrough.signed_plan import Criterion, SignedPlan
from rules.planning.ridethrough.supply import MainsOut, OnBanks, SupplyChange
from rules.system.state import OnBattery
from rules.values.reason import told
from rules.values.severity import Severity
from tests.rules.monitor.watching import Watch
from tests.rules.planning.ridethrough.test_signed_plan import signed
from tests.rules.sample_plant import START, on_bank, stamp, system_state

WORKS = ("W1", "W2", "W3", "W4", "W5", "W6")


def plan(*, generator: bool) -> SignedPlan:
    """Return a plan of the works: mains off from 100 s to 400 s after the beginning, 50 s of walk-in behind it."""
    made, _ = signed()
    return replace(
        made,
        system="works",
        starts_at=START + timedelta(seconds=100),
        scenario=Scenario((MainsOut(0.0, 300.0, generator=generator),)),
        stretches=(OnBanks(0.0, 350.0, SupplyChange.MAINS_LOST, SupplyChange.MAINS_BACK),),
    )


def met(criterion: Criterion, spare_s: float | None = None) -> Met:
    return Met(criterion.value, told("The reason."), spare_s)


def test_every_abort_criterion_says_what_to_do() -> None:
    assert set(DO) == {criterion.value for criterion in Criterion}
    assert all(say(one).startswith("Break off: ") for one in DO.values())


def test_a_breach_is_told_at_once_in_one_sentence_with_what_to_do() -> None:
    watch = Watch()
    watch.calm(5)
    early = ShutdownFigures("works", (met(Criterion.ENDS_TOO_EARLY, -30.0),))
    watch.give(ShutdownLooked(stamp(120), early))
    watch.pass_time(121, 127)
    notice = watch.notices()[0]
    assert notice.what == "Planned shutdown of Treatment works: The reason."
    assert notice.do == say(DO["ends_too_early"])
    assert notice.severity is Severity.CRITICAL
    assert notice.urgent
    assert (notice.at - START).total_seconds() <= 125.0
    assert len(notice.short) <= 160
    assert "Break off" in notice.short


def test_a_second_breach_joins_the_first_and_both_go_when_the_plan_is_over() -> None:
    watch = Watch()
    watch.calm(5)
    first, second = met(Criterion.LOAD_ABOVE_PLAN), met(Criterion.LASTS_TOO_LONG, -40.0)
    watch.give(ShutdownLooked(stamp(120), ShutdownFigures("works", (first,))))
    watch.pass_time(121, 130)
    assert watch.state.alarms["break_off:works:load_above_plan"].severity is Severity.MAJOR
    watch.give(ShutdownLooked(stamp(140), ShutdownFigures("works", (second, first))))
    watch.pass_time(141, 150)
    assert len(watch.state.incidents) == 1
    assert [n.do for n in watch.notices()] == [say(DO["load_above_plan"]), say(DO["lasts_too_long"])]
    watch.give(ShutdownLooked(stamp(160), ShutdownFigures("works")))
    watch.pass_time(161, 200)
    assert not any(a.state.active for a in watch.state.alarms.values() if a.kind == "break_off")


def test_a_plan_that_would_not_be_signed_again_is_told_before_its_start_and_by_when() -> None:
    watch = Watch()
    watch.calm(5)
    against = (told("The load is lost 9 min after the start at the earliest."),)
    starts = START + timedelta(hours=2)
    for seconds in (10, 50):
        watch.give(ShutdownLooked(stamp(seconds), ShutdownFigures("works", (), against, starts)))
    watch.pass_time(51, 60)
    notice = watch.notices()[0]
    assert say(against[0]) in notice.what
    assert notice.do.startswith("Do not switch off on this plan")
    assert notice.by_when == starts


def test_the_planned_outage_of_the_system_is_explained_and_its_neighbours_on_the_supply_is_not() -> None:
    watch = Watch()
    watch.give(PlannedWork(stamp(0), tuple(windows(plan(generator=False), "p"))))
    watch.calm(95)
    watch.give(*(on_bank(u, 101 + 0.1 * n) for n, u in enumerate(WORKS)))
    watch.pass_time(102, 120)
    assert watch.notices() == []
    assert watch.alarm_state("on_battery:W1") is State.SUPPRESSED_BY_DESIGN
    watch.give(on_bank("C1", 121))
    watch.pass_time(122, 132)
    assert watch.alarm_state("on_battery:C1").active
    assert len(watch.notices()) == 1


def test_a_mains_lost_a_minute_before_its_hour_is_no_part_of_the_plan() -> None:
    watch = Watch()
    watch.give(PlannedWork(stamp(0), tuple(windows(plan(generator=False), "p"))))
    watch.calm(30)
    watch.give(*(on_bank(u, 40 + 0.1 * n) for n, u in enumerate(WORKS)))
    watch.pass_time(41, 60)
    assert watch.alarm_state("on_battery:W1").active
    assert len(watch.notices()) == 1


def test_a_mains_that_stays_away_is_told_once_the_signed_stretch_and_its_overrun_are_over() -> None:
    watch = Watch()
    watch.give(PlannedWork(stamp(0), tuple(windows(plan(generator=False), "p"))))
    watch.calm(95)
    watch.give(*(on_bank(u, 101 + 0.1 * n) for n, u in enumerate(WORKS)))
    watch.pass_time(102, 479)  # 100 s + 350 s + 30 s of overrun
    assert watch.notices() == []
    watch.pass_time(480, 490)
    assert watch.alarm_state("on_battery:W1").active
    assert len(watch.notices()) == 1


def test_no_set_is_missed_where_the_plan_has_it_isolated_and_it_is_where_it_has_not() -> None:
    for generator, missed in ((False, False), (True, True)):
        watch = Watch()
        watch.give(PlannedWork(stamp(0), tuple(windows(plan(generator=generator), "p"))))
        watch.calm(95)
        watch.give(*(on_bank(u, 101 + 0.1 * n) for n, u in enumerate(WORKS)))
        went = START + timedelta(seconds=101)
        lit = OnBattery(went, START + timedelta(seconds=4000), None, unfed_since=went)
        for seconds in (150, 200):  # the generator has 75 s
            watch.give(SystemJudged(stamp(seconds), system_state("works", seconds, on_battery=lit)))
            watch.pass_time(seconds + 1, seconds + 10)
        assert watch.alarm_state("no_supply_in_time:works").active is missed
        assert bool(watch.notices()) is missed
