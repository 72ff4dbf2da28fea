"""How one alarm lives (IEC 62682)."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.alarms.catalogue import CATALOGUE, AlarmKind
from rules.alarms.lifecycle.alarm import Alarm, Happened, new_alarm
from rules.alarms.lifecycle.course import (
    CHATTER_QUIET_S,
    ROUNDING_S,
    Observation,
    as_it_comes,
    next_s,
    observe,
    progress,
    ran_s,
    unwatched,
)
from rules.alarms.lifecycle.operators import (
    acknowledge,
    reset,
    return_to_service,
    shelve,
    take_out_of_service,
    unshelve,
)
from rules.alarms.lifecycle.states import NEXT, AlarmEvent, Effect, State
from rules.phrasing.reasons import say
from rules.plant.estate import AnswerTimes
from rules.values.reason import told
from rules.values.severity import Severity

START = datetime(2026, 3, 1, 2, 14, tzinfo=UTC)
KIND = replace(CATALOGUE["on_bypass"], on_delay_s=5.0, off_delay_s=10.0, realarm_s=None)
PRESENT, ABSENT, UNKNOWN = Observation(True, what=told("On bypass.")), Observation(False), Observation(None)
EXPLAINED = replace(PRESENT, explained=("self_test",))


class Bench:
    """One alarm under test, on a clock the test turns."""

    def __init__(self, kind: AlarmKind = KIND) -> None:
        self.kind = kind
        self.now_s = 0.0
        self.alarm: Alarm = new_alarm(kind, "A1", "", 0.0)
        self.happened: list[Happened] = []

    @property
    def at(self) -> datetime:
        return START + timedelta(seconds=self.now_s)

    def state(self) -> State:
        return self.alarm.state

    def keep(self, result: tuple[Alarm, tuple[Happened, ...]]) -> None:
        self.alarm = result[0]
        self.happened.extend(result[1])

    def wait(self, seconds: float) -> None:
        self.now_s += seconds
        self.keep(progress(self.alarm, self.kind, now_s=self.now_s, at=self.at))

    def see(self, *seen: Observation, every_s: float = 0.0) -> None:
        for one in seen:
            self.keep(observe(self.alarm, self.kind, one, now_s=self.now_s, at=self.at))
            if every_s:
                self.wait(every_s)

    def acknowledge(self) -> None:
        self.keep(acknowledge(self.alarm, by="R. Haugen", note="going", now_s=self.now_s, at=self.at))

    def shelve(self, hours: float) -> None:
        until = self.at + timedelta(hours=hours)
        self.keep(
            shelve(
                self.alarm,
                self.kind,
                by="M. Okafor",
                note="fan ordered",
                until=until,
                now_s=self.now_s,
                at=self.at,
            )
        )

    def do(self, what: str) -> None:
        """Do one thing by name; "wait" does nothing."""
        now: dict[str, Any] = {"now_s": self.now_s, "at": self.at}
        who: dict[str, Any] = {"by": "R. Haugen", "note": "", **now}
        seen = {"present": PRESENT, "absent": ABSENT, "unknown": UNKNOWN, "explained": EXPLAINED}
        if what in seen:
            self.see(seen[what])
        elif what == "ack":
            self.acknowledge()
        elif what == "shelve":
            self.shelve(hours=1)
        elif what == "unshelve":
            self.keep(unshelve(self.alarm, self.kind, **now))
        elif what == "remove":
            self.keep(take_out_of_service(self.alarm, self.kind, **who))
        elif what == "restore":
            self.keep(return_to_service(self.alarm, self.kind, **now))
        elif what == "reset":
            self.keep(reset(self.alarm, **who))

    def told(self) -> int:
        return sum(Effect.TELL in h.effects for h in self.happened)


def test_every_state_meets_every_event() -> None:
    assert set(NEXT) == set(product(State, AlarmEvent))


def test_only_transitions_with_an_effect_change_the_state() -> None:
    for (state, event), (after, effects) in NEXT.items():
        assert effects or after is state, (state, event)


def test_whoever_becomes_active_and_unacknowledged_is_told_of() -> None:
    for (state, event), (after, effects) in NEXT.items():
        if after is State.ACTIVE_UNACKNOWLEDGED and state is not after:
            assert Effect.TELL in effects, (state, event)


def test_nothing_becomes_acknowledged_but_by_a_person() -> None:
    for (state, event), (after, _) in NEXT.items():
        if after is State.ACTIVE_ACKNOWLEDGED and state is not after:
            assert event is AlarmEvent.ACKNOWLEDGE


def test_a_condition_must_last_its_on_delay() -> None:
    bench = Bench()
    bench.see(PRESENT)
    bench.wait(4.9)
    assert bench.state() is State.NORMAL
    bench.wait(0.1)
    assert bench.state() is State.ACTIVE_UNACKNOWLEDGED
    assert bench.alarm.since == START
    assert bench.told() == 1


def test_a_sag_shorter_than_the_on_delay_raises_nothing() -> None:
    bench = Bench()
    bench.see(PRESENT)
    bench.wait(3.0)
    bench.see(ABSENT)
    bench.wait(60.0)
    assert bench.happened == []
    assert bench.alarm.resting


def test_an_acknowledged_alarm_returns_to_normal_and_an_unseen_one_waits() -> None:
    for seen, expected in ((True, State.NORMAL), (False, State.RETURNED_UNACKNOWLEDGED)):
        bench = Bench()
        bench.see(PRESENT, every_s=5.0)
        if seen:
            bench.acknowledge()
        bench.see(ABSENT, every_s=10.0)
        assert bench.state() is expected
    bench.acknowledge()
    assert bench.state() is State.NORMAL


def test_a_value_that_becomes_unknown_neither_raises_nor_clears() -> None:
    bench = Bench()
    bench.see(PRESENT)
    bench.wait(4.0)
    bench.see(UNKNOWN)
    bench.wait(3600.0)
    assert bench.state() is State.NORMAL
    bench.see(PRESENT)
    bench.wait(1.0)
    assert bench.state() is State.ACTIVE_UNACKNOWLEDGED
    bench.see(UNKNOWN)
    bench.wait(3600.0)
    assert bench.state().active
    assert say(bench.alarm.what) == "On bypass."


def test_a_shelved_alarm_comes_back_by_itself_and_is_told_of_again() -> None:
    bench = Bench()
    bench.see(PRESENT, every_s=5.0)
    bench.acknowledge()
    bench.shelve(hours=8)
    assert bench.state() is State.SHELVED
    bench.wait(8 * 3600.0 - 1)
    assert bench.state() is State.SHELVED
    bench.wait(1.0)
    assert bench.state() is State.ACTIVE_UNACKNOWLEDGED
    assert bench.told() == 2
    assert bench.alarm.acknowledged is None


def test_a_shelved_alarm_that_returned_meanwhile_comes_back_to_normal_untold() -> None:
    bench = Bench()
    bench.see(PRESENT, every_s=5.0)
    bench.shelve(hours=1)
    bench.see(ABSENT, every_s=20.0)
    assert bench.state() is State.SHELVED
    bench.wait(3600.0)
    assert bench.state() is State.NORMAL
    assert bench.told() == 1


def test_unshelving_early_tells_at_once() -> None:
    bench = Bench()
    bench.see(PRESENT, every_s=5.0)
    bench.shelve(hours=8)
    bench.keep(unshelve(bench.alarm, KIND, now_s=bench.now_s, at=bench.at))
    assert bench.state() is State.ACTIVE_UNACKNOWLEDGED
    assert bench.told() == 2


def test_what_is_explained_from_the_start_is_listed_and_never_told() -> None:
    bench = Bench()
    explained = replace(PRESENT, explained=("economy_mode",))
    bench.see(explained, every_s=30.0)
    assert bench.state() is State.SUPPRESSED_BY_DESIGN
    assert bench.told() == 0
    bench.see(PRESENT)
    assert bench.state() is State.ACTIVE_UNACKNOWLEDGED
    assert bench.told() == 1


def test_an_explained_alarm_whose_condition_ends_is_normal_again() -> None:
    bench = Bench()
    bench.see(replace(PRESENT, explained=("economy_mode",)), every_s=30.0)
    bench.see(replace(ABSENT, explained=("economy_mode",)), every_s=30.0)
    assert bench.state() is State.NORMAL


def test_out_of_service_ranks_above_shelved() -> None:
    bench = Bench()
    bench.see(PRESENT, every_s=5.0)
    bench.shelve(hours=1)
    bench.keep(
        take_out_of_service(bench.alarm, KIND, by="Chief", note="rewiring", now_s=bench.now_s, at=bench.at)
    )
    assert bench.state() is State.OUT_OF_SERVICE
    bench.keep(return_to_service(bench.alarm, KIND, now_s=bench.now_s, at=bench.at))
    assert bench.state() is State.SHELVED


def test_a_latched_alarm_waits_for_a_reset_by_hand() -> None:
    kind = replace(KIND, latching=True)
    bench = Bench(kind)
    bench.see(PRESENT, every_s=5.0)
    bench.see(ABSENT, every_s=10.0)
    assert bench.state() is State.LATCHED
    bench.acknowledge()
    assert bench.state() is State.LATCHED
    bench.keep(reset(bench.alarm, by="R. Haugen", note="", now_s=bench.now_s, at=bench.at))
    assert bench.state() is State.NORMAL


def test_an_alarm_nobody_acknowledges_is_told_to_more_people_a_limited_number_of_times() -> None:
    bench = Bench()  # major: every 30 min
    bench.see(PRESENT, every_s=5.0)
    bench.wait(1799.0)
    assert bench.alarm.escalations == 0
    bench.wait(1.0)
    assert bench.alarm.escalations == 1
    for _ in range(10):
        bench.wait(1800.0)
    assert bench.alarm.escalations == 3


@pytest.mark.parametrize(
    ("kind", "severity", "after_s"),
    [
        (KIND, Severity.CRITICAL, 300.0),
        (KIND, Severity.MINOR, None),
        (replace(KIND, answer_within=AnswerTimes(major_s=60.0, minor_s=7200.0)), Severity.MAJOR, 60.0),
        (replace(KIND, answer_within=AnswerTimes(major_s=60.0, minor_s=7200.0)), Severity.MINOR, 7200.0),
        (replace(KIND, answer_within=AnswerTimes(major_s=60.0), answer_s=90.0), Severity.MAJOR, 90.0),
        (replace(KIND, answer_s=0.0), Severity.CRITICAL, None),
    ],
)
def test_how_long_it_may_stand_unanswered_is_the_alarms_own_word_else_its_sites(
    kind: AlarmKind, severity: Severity, after_s: float | None
) -> None:
    assert kind.escalate_after_s(severity) == after_s


def test_an_acknowledged_alarm_that_keeps_standing_is_told_of_again() -> None:
    bench = Bench(replace(KIND, realarm_s=86400.0))
    bench.see(PRESENT, every_s=5.0)
    bench.acknowledge()
    bench.wait(86400.0)
    assert bench.state() is State.ACTIVE_UNACKNOWLEDGED
    assert bench.told() == 2


def test_an_acknowledged_alarm_that_becomes_worse_is_told_of_again() -> None:
    bench = Bench(CATALOGUE["on_battery"])
    bench.see(Observation(True, facts={"left_s": 1200.0}), every_s=2.0)
    bench.acknowledge()
    bench.see(Observation(True, facts={"left_s": 590.0}))
    assert bench.state() is State.ACTIVE_UNACKNOWLEDGED
    assert bench.told() == 2
    bench.see(Observation(True, facts={"left_s": 640.0}), Observation(True, facts={"left_s": 580.0}))
    assert bench.told() == 2, "about a limit, inside the deadband"


def test_chattering_is_damped_and_stays_in_sight() -> None:
    bench = Bench(replace(KIND, on_delay_s=0.0, off_delay_s=0.0))
    bench.see(*[PRESENT, ABSENT] * 30, every_s=2.0)
    assert bench.alarm.chattering
    assert bench.state().active
    assert bench.told() == 3, "the third occurrence within a minute is known as chattering"
    bench.see(ABSENT)
    bench.wait(CHATTER_QUIET_S)
    assert bench.state() is State.RETURNED_UNACKNOWLEDGED
    assert not bench.alarm.chattering


def test_what_comes_each_minute_and_a_half_is_told_as_coming_and_going_once() -> None:
    """A contact that does not hold: eleven seconds in each 97, which is never three in a minute."""
    bench = Bench(replace(KIND, on_delay_s=2.0, off_delay_s=5.0, breaks_out=True))
    for _ in range(40):
        bench.see(*[PRESENT] * 11, *[ABSENT] * 86, every_s=1.0)
    assert bench.told() == 3
    assert (bench.alarm.chattering, bench.alarm.came) == (True, 40)
    assert bench.alarm.came_within_s == pytest.approx(39 * 97.0, abs=3.0)
    words = say(as_it_comes(bench.alarm, bench.alarm.what))
    assert words == "On bypass. It comes and goes: 40 times within 1 h 3 min."
    stood = []
    for seconds in (CHATTER_QUIET_S - 100.0, 30.0):
        bench.wait(seconds)
        stood.append(bench.alarm.standing)
    assert stood == [True, False]
    assert say(as_it_comes(bench.alarm, bench.alarm.what)) == "On bypass."


def test_what_comes_each_seven_minutes_must_rest_for_twice_as_long() -> None:
    bench = Bench(replace(KIND, on_delay_s=0.0, off_delay_s=0.0))
    for _ in range(5):
        bench.see(PRESENT, every_s=20.0)
        bench.see(ABSENT, every_s=400.0)
    assert bench.told() == 3
    bench.wait(420.0)
    assert bench.alarm.chattering, "820 s after it went, of 840"
    bench.wait(30.0)
    assert not bench.alarm.standing


def test_what_came_and_went_and_then_stays_is_told_after_a_minute() -> None:
    bench = Bench(replace(KIND, on_delay_s=2.0, off_delay_s=5.0, breaks_out=True))
    for _ in range(5):
        bench.see(*[PRESENT] * 11, *[ABSENT] * 86, every_s=1.0)
    told, since = bench.told(), bench.at
    bench.see(*[PRESENT] * 59, every_s=1.0)
    assert bench.told() == told
    bench.see(*[PRESENT] * 3, every_s=1.0)
    assert bench.told() == told + 1
    assert (bench.alarm.chattering, bench.alarm.since) == (False, since)
    bench.see(*[ABSENT] * 7, every_s=1.0)
    assert not bench.alarm.standing, "as any other that stood"


def test_the_third_time_is_told_and_not_again_when_it_stays() -> None:
    bench = Bench(replace(KIND, on_delay_s=2.0, off_delay_s=5.0, breaks_out=True))
    for _ in range(2):
        bench.see(*[PRESENT] * 11, *[ABSENT] * 86, every_s=1.0)
    bench.see(*[PRESENT] * 90, every_s=1.0)
    assert (bench.told(), bench.alarm.chattering) == (3, False)


def test_what_nobody_was_told_of_is_none_of_the_times_that_it_came() -> None:
    bench = Bench(replace(KIND, on_delay_s=0.0, off_delay_s=0.0))
    bench.see(*[EXPLAINED, ABSENT] * 5, every_s=5.0)
    bench.see(PRESENT, every_s=5.0)
    assert (bench.told(), bench.alarm.chattering) == (1, False)


STEPS = st.lists(
    st.tuples(
        st.sampled_from(
            "present absent unknown explained ack shelve unshelve remove restore reset wait".split()
        ),
        st.sampled_from([0.0, 1.0, 7.0, 400.0, 4000.0]),
    ),
    max_size=40,
)


@settings(max_examples=100, deadline=None)
@given(steps=STEPS, latching=st.booleans())
def test_no_path_leads_to_an_active_alarm_that_nobody_was_told_of(
    steps: list[tuple[str, float]], latching: bool
) -> None:
    bench = Bench(replace(KIND, latching=latching, realarm_s=1000.0))
    told_since_entry = False
    for what, seconds in steps:
        before = len(bench.happened)
        bench.do(what)
        bench.wait(seconds)
        for news in bench.happened[before:]:
            if Effect.TELL in news.effects:
                told_since_entry = True
            elif not news.alarm.state.active:
                told_since_entry = False
        if bench.state().active:
            assert told_since_entry
        if bench.alarm.standing:
            assert bench.state().active or bench.state().held
        if bench.state() is State.SHELVED:
            assert bench.alarm.shelved_until is not None


@settings(max_examples=200, deadline=None)
@given(steps=STEPS, latching=st.booleans(), part=st.floats(0.0, 1.0))
def test_time_alone_changes_nothing_before_the_moment_that_is_named_and_something_then_at_the_latest(
    steps: list[tuple[str, float]], latching: bool, part: float
) -> None:
    bench = Bench(replace(KIND, latching=latching, realarm_s=1000.0))
    for what, seconds in steps:
        bench.do(what)
        bench.keep(progress(bench.alarm, bench.kind, now_s=bench.now_s, at=bench.at))
        due_s = next_s(bench.alarm, bench.kind)
        ahead_s = 1e6 if due_s is None else max(due_s - bench.now_s, 0.0)
        still_s = bench.now_s + part * ahead_s
        # shelving ends by the clock on the wall, which stands still here
        assert progress(bench.alarm, bench.kind, now_s=still_s, at=bench.at) == (bench.alarm, ())
        if due_s is not None:
            then_s = due_s + 2 * ROUNDING_S
            assert progress(bench.alarm, bench.kind, now_s=then_s, at=bench.at)[0] != bench.alarm
        bench.wait(seconds)


def test_a_run_stands_still_while_nothing_is_known_and_while_nobody_looks() -> None:
    bench = Bench()
    bench.see(PRESENT)
    bench.wait(2.0)
    bench.see(UNKNOWN)
    bench.wait(100.0)
    bench.see(PRESENT)
    bench.wait(1.0)
    assert ran_s(bench.alarm, bench.now_s) == 3.0
    gone = unwatched(bench.alarm, bench.now_s, bench.now_s + 3600.0)
    assert ran_s(gone, bench.now_s + 3601.0) == 4.0


@pytest.mark.parametrize("state", State)
def test_each_state_is_at_most_one_of_active_and_held(state: State) -> None:
    assert not (state.active and state.held)
