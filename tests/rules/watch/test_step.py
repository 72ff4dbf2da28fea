"""Order of inputs, replay, restart."""

from __future__ import annotations

import json
from datetime import timedelta
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.alarms.changes import Change
from rules.alarms.incidents import Incident, IncidentChange, Notice, NoticeKind
from rules.alarms.inputs import (
    Deed,
    Input,
    SystemJudged,
    Tick,
)
from rules.alarms.lifecycle import Effect, Happened, State
from rules.reading import OutputSource
from rules.watch.state import restore, snapshot
from tests.rules.day import on_battery_since, recorded_day
from tests.rules.plant import (
    START,
    fault,
    on_bank,
    reading,
    silence,
    stamp,
    system_state,
)
from tests.rules.watch.watching import EVERY, Watch, act, outage


def faces(incidents: dict[str, Incident] | object) -> object:
    assert isinstance(incidents, dict)
    return {i.id: (i.about, i.members, i.severity, i.counted, i.opened_at) for i in incidents.values()}


@settings(max_examples=15, deadline=None)
@given(order=st.permutations(range(len(EVERY) + 2)), notes=st.booleans())
def test_the_order_of_simultaneous_readings_does_not_change_the_incidents(
    order: list[int], notes: bool
) -> None:
    simultaneous: list[Input] = [on_bank(u, 10.0) for u in EVERY]
    simultaneous[2] = reading("W3", 10.0, source=OutputSource.NONE, input_v=0.0, power_w=0.0)
    simultaneous.append(
        reading("C4", 10.0, source=OutputSource.BYPASS, input_v=0.0, alarms=("upsAlarmBypassBad",))
    )
    simultaneous.append(
        SystemJudged(stamp(10), system_state("works", 10, on_battery=on_battery_since(10, lasts_s=900)))
    )
    simultaneous[9] = reading("C3", 10.0, power_w=9900.0, load_pct=110.0)

    def run(inputs: list[Input]) -> tuple[object, list[Notice]]:
        watch = Watch()
        watch.calm(5)
        watch.give(*inputs)
        watch.pass_time(11, 40)
        return faces(dict(watch.state.incidents)), sorted(watch.notices(), key=lambda n: n.id)

    # two readings of one unit at one moment keep their order: the later one counts
    first = [i for i in order if i != 8]
    straight = [simultaneous[i] for i in range(len(simultaneous)) if i != 8]
    assert run([simultaneous[i] for i in first]) == run(straight)


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
    act(watch, Deed.SHELVE, "on_bypass:D1", 30, hours=1)
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


SCENES = st.lists(
    st.tuples(
        st.sampled_from(EVERY),
        st.sampled_from(
            ["mains", "battery", "bypass", "off", "silent", "fault", "fan", "unknown", "ack", "shelve"]
        ),
        st.sampled_from([0.5, 3.0, 20.0, 200.0]),
    ),
    max_size=40,
)


@settings(max_examples=30, deadline=None)
@given(scene=SCENES)
def test_no_path_leads_to_an_active_alarm_that_no_notice_named(scene: list[tuple[str, str, float]]) -> None:
    watch = Watch()
    watch.calm(0)
    seconds = 1.0
    for unit, what, wait in scene:
        seconds += wait
        if what in ("ack", "shelve"):
            for alarm_id in sorted(watch.state.alarms):
                deed = Deed.ACKNOWLEDGE if what == "ack" else Deed.SHELVE
                act(watch, deed, alarm_id, seconds, hours=0.1)
        else:
            inputs: dict[str, Input] = {
                "mains": reading(unit, seconds),
                "battery": on_bank(unit, seconds),
                "bypass": reading(unit, seconds, source=OutputSource.BYPASS),
                "off": reading(unit, seconds, source=OutputSource.NONE, power_w=0.0),
                "silent": silence(unit, seconds),
                "fault": fault(unit, seconds),
                "fan": reading(unit, seconds, alarms=("upsAlarmFanFailure",)),
                "unknown": reading(unit, seconds, source=None, alarms=None),
            }
            watch.give(inputs[what])
        watch.give(Tick(stamp(seconds)))
    watch.pass_time(seconds, seconds + 800, every=50)
    named: dict[str, int] = {}
    raised: dict[str, int] = {}
    for n, change in enumerate(watch.changes):
        if isinstance(change, Happened) and Effect.TELL in change.effects:
            raised[change.alarm.id] = n
        if isinstance(change, IncidentChange) and change.notice is not None:
            named |= dict.fromkeys(change.notice.alarms, n)
    for alarm in watch.state.alarms.values():
        if alarm.state.active:
            assert named.get(alarm.id, -1) > raised[alarm.id], alarm.id
        if alarm.standing:
            assert alarm.state.active or alarm.state.held
    notices = watch.notices()
    assert len({n.id for n in notices}) == len(notices)
    assert all(len(n.short) <= 160 and n.short.isascii() for n in notices)
    opened = {n.incident for n in notices if n.kind is NoticeKind.OPENED}
    assert {n.incident for n in notices if n.kind is NoticeKind.CLOSED} - opened <= {
        n.incident for n in notices if n.incident.startswith(("own-", "card_alarm"))
    }
