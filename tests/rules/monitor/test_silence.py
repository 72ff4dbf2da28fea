"""Cards that fall silent, and faults of our own."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from rules.alarms.lifecycle.states import State
from rules.monitor.inputs import (
    SystemJudged,
)
from rules.phrasing.reasons import say
from tests.rules.day import on_battery_since
from tests.rules.monitor.watching import EVERY, NORTH, Watch, outage
from tests.rules.sample_plant import (
    START,
    UNITS,
    fault,
    on_bank,
    reading,
    silence,
    stamp,
    system_state,
)


def test_a_whole_network_lost_is_one_incident_and_says_not_known() -> None:
    watch = Watch()
    watch.calm(5)
    for seconds in range(10, 100, 5):
        watch.give(*(silence(u, seconds) for u in EVERY))
        watch.pass_time(seconds, seconds + 4)
    notices = watch.notices()
    assert len(notices) == 1
    assert notices[0].about == "fellbeck"
    assert "11 cards" in notices[0].what
    assert "not known" in notices[0].what


def test_a_system_last_seen_on_battery_stays_on_battery_when_it_falls_silent() -> None:
    watch = Watch()
    outage(watch)
    told = on_battery_since(10, lasts_s=1500)
    watch.give(SystemJudged(stamp(16), system_state("works", 16, on_battery=told)))
    for seconds in range(20, 100, 5):
        watch.give(*(silence(u, seconds) for u in UNITS["works"]))
    reckoned = replace(told, reckoned_since=START + timedelta(seconds=20))
    watch.give(SystemJudged(stamp(100), system_state("works", 100, on_battery=reckoned)))
    assert watch.alarm_state("on_battery:W1").active
    texts = [text for n in watch.notices("power-north") for text in (n.what, *n.lines)]
    assert any("goes on by reckoning" in text or "reckoned since" in text for text in texts)
    assert any("It was last seen on battery" in say(a.what) for a in watch.state.alarms.values())


def test_a_card_that_falls_silent_on_its_bank_is_to_be_looked_after_before_that_ends() -> None:
    """A hall went dark with its card: the call to look after it said four hours."""
    watch = Watch()
    outage(watch)
    told = on_battery_since(10, lasts_s=300)
    watch.give(SystemJudged(stamp(16), system_state("works", 16, on_battery=told)))
    for seconds in range(20, 60, 2):
        watch.give(silence("W1", seconds))
        watch.pass_time(seconds, seconds + 1)
    alarm = watch.state.alarms["card_silent:W1"]
    assert alarm.state.active
    assert told.ends_earliest is not None
    assert alarm.by_when is not None
    assert alarm.by_when <= told.ends_earliest


def test_an_outage_through_which_a_card_was_not_heard_is_not_said_to_have_been_carried_throughout() -> None:
    """Its bank ended, it was dark for 48 s with its card, and came back with the mains: it was told as carried throughout."""
    for unheard_s, said in ((48, "carried as far as it was seen"), (4, "carried throughout")):
        watch = Watch()
        outage(watch)
        for seconds in range(20, 100, 2):
            heard = NORTH if seconds > 22 + unheard_s else [u for u in NORTH if u not in UNITS["control"]]
            watch.give(*(on_bank(u, float(seconds)) for u in heard))
            watch.give(*(silence(u, seconds) for u in NORTH if u not in heard))
            watch.pass_time(seconds, seconds + 1)
        watch.calm(100, NORTH)
        watch.pass_time(101, 180)
        closed = watch.notices("power-north")[-1]
        assert said in closed.what


def test_a_card_that_falls_silent_while_its_unit_is_on_its_bank_is_missed_within_20_s() -> None:
    """The others go on answering, every two seconds; at rest the same takes the minute a card may hang."""
    for on_bank_, latest_s in ((True, 20.0), (False, 68.0)):
        watch = Watch()
        watch.calm(5)
        others = [u for u in NORTH if u != "W1"]
        for seconds in range(10, 110, 2):
            if on_bank_:
                watch.give(*(on_bank(u, float(seconds)) for u in others))
            else:
                watch.give(*(reading(u, float(seconds)) for u in others))
            lost = seconds >= 30
            watch.give(
                silence("W1", seconds) if lost else (on_bank if on_bank_ else reading)("W1", float(seconds))
            )
            watch.pass_time(seconds, seconds + 1)
        told = [n for n in watch.notices() if "card_silent:W1" in n.alarms]
        assert told, "somebody is told"
        took_s = (told[0].at - START).total_seconds() - 28.0  # since its last answer
        assert took_s <= latest_s
        assert on_bank_ or took_s > 60.0


def test_a_fault_of_our_own_is_said_to_be_one_and_the_next_reading_ends_it() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(fault("W1", 10.0))
    assert watch.alarm_state("cannot_judge_unit:W1").active
    assert "fault in ridethrough" in say(watch.state.alarms["cannot_judge_unit:W1"].what)
    watch.calm(20)
    watch.pass_time(21, 90)
    assert watch.alarm_state("cannot_judge_unit:W1") is State.RETURNED_UNACKNOWLEDGED


def test_a_source_that_is_not_known_neither_raises_nor_clears() -> None:
    watch = Watch()
    outage(watch)
    watch.give(*(reading(u, 30.0, source=None, alarms=None) for u in NORTH))
    watch.pass_time(31, 300, every=10)
    assert all(watch.alarm_state(f"on_battery:{u}").active for u in NORTH)
