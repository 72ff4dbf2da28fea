"""What of the watch's state has to be kept, and that all of it together is the state again."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

from rules.battery.assessment.faults import TEST_DUE
from rules.battery.state import BankFinding
from rules.monitor.inputs import BankJudged, SystemJudged, Tick
from rules.monitor.state import WatchState
from rules.monitor.state_diff import clock, whole
from rules.plant.reading import OutputSource
from rules.values.code import Code
from rules.values.reason import reason
from rules.values.serial import to_plain
from rules.values.severity import Severity
from tests.rules.day import on_battery_since, recorded_day
from tests.rules.monitor.watching import Watch, difference, outage
from tests.rules.sample_plant import overdue_bank, reading, stamp, system_state


def test_all_parts_together_are_the_state_again() -> None:
    watch = Watch()
    watch.give(*recorded_day())
    state = watch.state
    parts = json.loads(json.dumps(to_plain(difference(WatchState(), state).parts)))
    assert whole(json.loads(json.dumps(clock(state))), parts) == state


def test_the_parts_of_every_moment_of_a_day_add_up_to_what_matters_of_its_end() -> None:
    watch, kept, parts = Watch(), WatchState(), dict[str, object]()
    for given in recorded_day():
        watch.give(given)
        news = difference(kept, watch.state)
        parts |= news.parts
        for name in news.gone:
            del parts[name]
        kept = watch.state
    again = whole(clock(watch.state), to_plain(parts))
    assert not difference(again, watch.state)
    assert again.alarms.keys() == watch.state.alarms.keys()


def test_watts_and_seconds_that_pass_are_no_change() -> None:
    watch = Watch()
    outage(watch)
    watch.give(
        SystemJudged(stamp(20), system_state("works", 20, on_battery=on_battery_since(10, lasts_s=900)))
    )
    before = watch.state
    watch.give(reading("D1", 21, power_w=5300.0), Tick(stamp(22)))
    watch.give(
        SystemJudged(stamp(23), system_state("works", 23, on_battery=on_battery_since(10, lasts_s=900)))
    )
    assert before != watch.state
    assert not difference(before, watch.state)


def test_an_end_foretold_anew_is_a_change_of_its_system() -> None:
    watch = Watch()
    outage(watch)
    watch.give(
        SystemJudged(stamp(20), system_state("works", 20, on_battery=on_battery_since(10, lasts_s=900)))
    )
    before = watch.state
    watch.give(
        SystemJudged(stamp(23), system_state("works", 23, on_battery=on_battery_since(10, lasts_s=880)))
    )
    assert set(difference(before, watch.state).parts) == {"systems/works"}


def test_a_condition_that_waits_out_its_delay_is_a_change_although_nobody_is_told_yet() -> None:
    watch = Watch()
    watch.calm(5)
    before = watch.state
    watch.give(reading("D1", 10, source=OutputSource.BYPASS))
    assert {"alarms/on_bypass:D1", "units/D1"} <= set(difference(before, watch.state).parts)
    assert not watch.notices()


def test_an_alarm_that_is_no_longer_remembered_is_gone() -> None:
    watch = Watch()
    watch.calm(5)
    before = watch.state
    watch.give(reading("D1", 10, source=OutputSource.BYPASS))
    during = watch.state
    watch.give(reading("D1", 11))
    assert "alarms/on_bypass:D1" in difference(during, before).gone


def test_another_day_in_what_an_alarm_says_is_a_change_a_restart_and_a_printed_report_must_know_of() -> None:
    watch = Watch()

    def due(second: float, since: date) -> BankJudged:
        what = reason(Code.TEST_IS_DUE, due=since, why=reason(Code.TEST_TWO_YEARLY), last=None)
        finding = BankFinding(TEST_DUE, what, reason(Code.DO_PLAN_DISCHARGE), Severity.WARNING)
        return BankJudged(stamp(second), replace(overdue_bank("W1"), findings=(finding,)))

    watch.give(due(10, date(2025, 11, 11)))
    before = watch.state
    watch.give(due(20, date(2025, 10, 29)))
    assert "alarms/bank_test_due:bank-W1" in set(difference(before, watch.state).parts)
