"""Order of inputs, replay, restart."""

from __future__ import annotations

import json
from datetime import timedelta
from functools import cache

import pytest
from hypothesis import given, settings

from rules.alarms.lifecycle.states import State
from rules.monitor.inputs import (
    OperatorCommand,
    Tick,
)
from rules.monitor.outputs import Change
from rules.monitor.state import restore, snapshot
from rules.plant.reading import OutputSource
from tests.rules.day import recorded_day
from tests.rules.monitor.properties import ORDERS, SCENES, everything_is_told, order_does_not_matter
from tests.rules.monitor.watching import Watch, act, outage
from tests.rules.sample_plant import (
    START,
    fault,
    on_bank,
    reading,
    silence,
    stamp,
)


@cache
def whole_day() -> tuple[Change, ...]:
    watch = Watch()
    watch.give(*recorded_day())
    return tuple(watch.changes)


def test_a_recorded_day_gives_the_same_alarms_twice() -> None:
    day = recorded_day()
    watch = Watch()
    watch.give(*day)
    assert tuple(watch.changes) == whole_day()
    assert watch.notices()


@pytest.mark.parametrize("cut", [65, 780, 850, 1700])
def test_a_restart_from_the_snapshot_changes_nothing(cut: int) -> None:
    day = recorded_day()
    first = Watch()
    first.give(*day[:cut])
    second = Watch()
    second.state = restore(json.loads(json.dumps(snapshot(first.state))))
    second.give(*day[cut:])
    assert (*first.changes, *second.changes) == whole_day()


def test_delays_do_not_count_the_time_nobody_looked() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(on_bank("D1", 10.0))
    watch.run = "run-2"
    watch.give(Tick(stamp(500, "run-2")))
    assert watch.alarm_state("on_battery:D1") is State.NORMAL
    watch.give(on_bank("D1", 501.0, start="run-2"), on_bank("D1", 502.0, start="run-2"))
    assert watch.alarm_state("on_battery:D1").active
    assert watch.state.alarms["on_battery:D1"].since == START + timedelta(seconds=10)


def test_shelving_ends_by_the_calendar_across_a_restart() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(reading("D1", 10, source=OutputSource.BYPASS), reading("D1", 15, source=OutputSource.BYPASS))
    act(watch, OperatorCommand.SHELVE, "on_bypass:D1", 30, hours=1)
    watch.run = "run-2"
    watch.give(Tick(stamp(3700, "run-2")))
    assert watch.alarm_state("on_bypass:D1") is State.ACTIVE_UNACKNOWLEDGED


def test_time_that_runs_backwards_changes_nothing() -> None:
    watch = Watch()
    outage(watch)
    before = watch.state.now_s
    watch.give(Tick(stamp(1)))
    assert watch.state.now_s == before


def test_input_about_what_the_estate_does_not_have_is_passed_over() -> None:
    watch = Watch()
    watch.give(reading("X9", 1), silence("X9", 2), fault("X9", 3))
    assert watch.changes == []


@settings(max_examples=15, deadline=None)
@given(order=ORDERS)
def test_the_order_of_simultaneous_readings_does_not_change_the_incidents(order: list[int]) -> None:
    order_does_not_matter(order)


@settings(max_examples=30, deadline=None)
@given(scene=SCENES)
def test_no_path_leads_to_an_active_alarm_that_no_notice_named(scene: list[tuple[str, str, float]]) -> None:
    everything_is_told(scene)
