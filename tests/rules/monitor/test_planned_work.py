"""Planned work explains what it explains, and ends."""

from __future__ import annotations

from dataclasses import replace

from rules.alarms.catalogue import Explanation
from rules.alarms.events import PowerEvent
from rules.alarms.lifecycle.states import State
from rules.alarms.windows import Window
from rules.monitor.inputs import (
    PlannedWork,
    SystemJudged,
    Tick,
)
from rules.monitor.state import isolated_units
from rules.phrasing.reasons import say
from rules.plant.reading import BatteryStatus, OutputSource
from rules.values.serial import from_plain, to_plain
from rules.values.verdict import Verdict
from tests.rules.monitor.watching import Watch, outage, window
from tests.rules.sample_plant import (
    on_bank,
    reading,
    stamp,
    system_state,
)


def test_a_planned_mains_shutdown_explains_the_outage_and_not_a_weak_bank() -> None:
    watch = Watch()
    watch.give(PlannedWork(stamp(0), (window(Explanation.MAINS_OFF, "north", 1, 3600),)))
    outage(watch)
    assert watch.notices() == []
    assert watch.alarm_state("on_battery:W1") is State.SUPPRESSED_BY_DESIGN
    low = on_bank("W3", 40.0)
    watch.give(replace(low, battery=replace(low.battery, status=BatteryStatus.LOW)))
    watch.pass_time(41, 46)
    assert [n.about for n in watch.notices()] == ["W3"]


def test_a_forgotten_window_ends_says_so_and_what_still_stands_is_told() -> None:
    watch = Watch()
    watch.give(PlannedWork(stamp(0), (window(Explanation.MAINS_OFF, "north", 1, 100),)))
    outage(watch)
    watch.pass_time(20, 110)
    assert {"planned_work_begins", "planned_work_ends"} <= set(watch.kinds())
    assert [n.about for n in watch.notices()] == ["north"]
    ended = next(e for e in watch.of(PowerEvent) if e.kind == "planned_work_ends")
    assert "10 conditions it explained still stand" in say(ended.what)


def test_isolating_one_unit_explains_the_lost_redundancy_and_not_another_unit_off() -> None:
    watch = Watch()
    watch.give(PlannedWork(stamp(0), (window(Explanation.ISOLATION, "W1", 1, 3600),)))
    watch.calm(5)
    watch.give(reading("W1", 10, source=OutputSource.NONE, power_w=0.0))
    for seconds in (11, 80):
        state = system_state("works", seconds, spare=Verdict.INADEQUATE, spare_margin_w=-100.0)
        watch.give(SystemJudged(stamp(seconds), state))
    assert watch.alarm_state("output_off:W1") is State.SUPPRESSED_BY_DESIGN
    assert watch.alarm_state("redundancy_lost:works") is State.SUPPRESSED_BY_DESIGN
    watch.give(reading("W2", 85, source=OutputSource.NONE, power_w=0.0))
    assert watch.alarm_state("output_off:W2").active


def test_planned_isolation_has_the_unit_it_names_out_while_it_is_open() -> None:
    watch = Watch()
    watch.give(PlannedWork(stamp(0), (window(Explanation.ISOLATION, "W1", 10, 100),)))
    assert isolated_units(watch.state) == frozenset()
    watch.give(Tick(stamp(11)))
    assert isolated_units(watch.state) == {"W1"}
    watch.give(Tick(stamp(101)))
    assert isolated_units(watch.state) == frozenset()


def test_a_service_visit_has_no_unit_out() -> None:
    watch = Watch()
    watch.give(PlannedWork(stamp(0), (window(Explanation.SERVICE_VISIT, "W1", 1, 100),)))
    watch.give(Tick(stamp(11)))
    assert isolated_units(watch.state) == frozenset()


def test_open_work_that_is_withdrawn_is_told_and_work_that_still_runs_is_not() -> None:
    watch = Watch()
    first = window(Explanation.MAINS_OFF, "north", 1, 100)
    second = replace(window(Explanation.ISOLATION, "W1", 1, 100), id="w2")
    watch.give(PlannedWork(stamp(0), (first, second)), Tick(stamp(2)))
    watch.give(PlannedWork(stamp(3), (second,)))
    watch.give(Tick(stamp(4)))
    withdrawn = [e for e in watch.of(PowerEvent) if e.kind == "planned_work_withdrawn"]
    assert [say(e.what) for e in withdrawn] == ["Planned work w1 was withdrawn."]
    assert "planned_work_ends" not in watch.kinds()


def test_work_that_nobody_named_is_told_by_its_id_also_where_an_earlier_version_kept_an_empty_name() -> None:
    plain = to_plain(window(Explanation.MAINS_OFF, "north", 1, 100))
    kept = from_plain(Window, {**plain, "what": ""})
    for one in (kept, replace(kept, what=None)):
        watch = Watch()
        watch.give(PlannedWork(stamp(0), (one,)))
        watch.pass_time(1, 110)
        told_of = [say(e.what) for e in watch.of(PowerEvent) if e.kind.startswith("planned_work")]
        assert told_of == [
            "Planned work at supply north begins: w1.",
            "Planned work at supply north ends: w1.",
        ]
