"""What people do to alarms."""

from __future__ import annotations

from dataclasses import replace

from rules.alarms.incidents.incident import NoticeKind
from rules.alarms.lifecycle.states import State
from rules.monitor.inputs import (
    OperatorCommand,
)
from rules.monitor.outputs import RefusedCommand
from rules.monitor.state import Book
from rules.plant.estate import AnswerTimes
from rules.plant.reading import OutputSource
from rules.values.code import Code
from rules.values.reason import reason
from tests.rules.monitor.watching import NORTH, Watch, act, outage
from tests.rules.sample_plant import estate, reading


def test_acknowledging_an_incident_acknowledges_all_of_it() -> None:
    watch = Watch()
    outage(watch)
    act(watch, OperatorCommand.ACKNOWLEDGE, "power-north-1", 20)
    states = {watch.alarm_state(f"on_battery:{u}") for u in NORTH}
    assert states == {State.ACTIVE_ACKNOWLEDGED}
    who = watch.state.alarms["on_battery:W1"].acknowledged
    assert who is not None
    assert (who.by, who.note) == ("R. Haugen", "on the way")


def test_what_cannot_be_done_is_refused_with_a_reason() -> None:
    watch = Watch()
    outage(watch)
    act(watch, OperatorCommand.ACKNOWLEDGE, "on_battery:D1", 20)
    act(watch, OperatorCommand.SHELVE, "on_battery:W1", 20)
    act(watch, OperatorCommand.RESET, "on_battery:W1", 20)
    reasons = [r.why for r in watch.of(RefusedCommand)]
    assert reasons == [
        reason(Code.REFUSED_NO_ALARM),
        reason(Code.REFUSED_NO_END),
        reason(Code.REFUSED_BY_STATE, state=State.ACTIVE_UNACKNOWLEDGED),
    ]


def test_what_undoes_nothing_is_refused_however_long_ago_the_alarm_was_last_seen() -> None:
    watch = Watch()
    outage(watch)
    before = watch.state.alarms["on_battery:W1"]
    act(watch, OperatorCommand.UNSHELVE, "on_battery:W1", 20)
    act(watch, OperatorCommand.RETURN_TO_SERVICE, "on_battery:W1", 30)
    act(watch, OperatorCommand.ACKNOWLEDGE, "on_battery:W1", 40)
    act(watch, OperatorCommand.ACKNOWLEDGE, "on_battery:W1", 50)
    assert [(r.action.deed, r.why) for r in watch.of(RefusedCommand)] == [
        (OperatorCommand.UNSHELVE, reason(Code.REFUSED_BY_STATE, state=State.ACTIVE_UNACKNOWLEDGED)),
        (OperatorCommand.RETURN_TO_SERVICE, reason(Code.REFUSED_BY_STATE, state=State.ACTIVE_UNACKNOWLEDGED)),
        (OperatorCommand.ACKNOWLEDGE, reason(Code.REFUSED_BY_STATE, state=State.ACTIVE_ACKNOWLEDGED)),
    ]
    after = watch.state.alarms["on_battery:W1"]
    assert (after.notes, after.shelved_until, after.run_s) == (
        before.notes,
        before.shelved_until,
        before.run_s,
    )


def test_nobody_acknowledging_brings_one_reminder_for_the_incident_not_one_a_unit() -> None:
    watch = Watch()
    outage(watch)
    watch.pass_time(20, 1830, every=5)
    reminders = [n for n in watch.notices() if n.kind is NoticeKind.ESCALATED]
    assert len(reminders) == 1
    assert reminders[0].level == 1
    assert reminders[0].what.startswith("Acknowledged by nobody for 30 min")


def test_a_site_sets_how_long_an_alarm_may_stand_unanswered() -> None:
    plant = estate()
    patient = replace(plant.sites["fellbeck"], answer_within=AnswerTimes(major_s=600.0))
    watch = Watch(Book(replace(plant, sites={"fellbeck": patient})))
    outage(watch)
    watch.pass_time(20, 590, every=5)
    assert [n for n in watch.notices() if n.kind is NoticeKind.ESCALATED] == []
    watch.pass_time(595, 630, every=5)
    reminders = [n for n in watch.notices() if n.kind is NoticeKind.ESCALATED]
    assert [r.what.startswith("Acknowledged by nobody for 10 min") for r in reminders] == [True]


def test_a_shelved_alarm_leaves_its_incident_and_comes_back_as_a_new_one() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(reading("D1", 10, source=OutputSource.BYPASS), reading("D1", 15, source=OutputSource.BYPASS))
    watch.pass_time(16, 21)
    act(watch, OperatorCommand.SHELVE, "on_bypass:D1", 30, hours=1)
    watch.pass_time(31, 3660, every=10)
    told = [(n.incident, n.kind) for n in watch.notices()]
    assert told == [
        ("unit-D1-1", NoticeKind.OPENED),
        ("unit-D1-1", NoticeKind.CLOSED),
        ("unit-D1-2", NoticeKind.OPENED),
    ]
