"""Alarms of a system on its banks: starts that failed, and no supply within the time the generator is allowed.

The works has 75 s for its generator (three attempts) and 10 s of grace; its units accept supply at once.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest

from rules.alarms.catalogue import CATALOGUE
from rules.alarms.conditions.condition import Condition
from rules.alarms.conditions.deadline import deadline
from rules.alarms.conditions.outage import on_battery_do, outage_conditions, words_at
from rules.alarms.lifecycle.alarm import Deadline, new_alarm
from rules.generator.outage_source import SetSays
from rules.phrasing.reasons import first_step, say
from rules.system.state import OnBattery, ShedFirst, ShedStep
from rules.values.code import Code
from rules.values.reason import advised, reason, told
from tests.rules.sample_plant import START, estate, system_state


def conditions(at_s: float, outage: OnBattery | None) -> dict[str, Condition]:
    state = system_state("works", at_s, on_battery=outage)
    at = after(at_s)
    found = outage_conditions(state, estate(), CATALOGUE["ends_soon"], was=lambda _k, _q: False, at=at)
    return {c.kind: c for c in found}


def after(seconds: float) -> datetime:
    return START + timedelta(seconds=seconds)


def on_banks(
    *,
    ends_s: float | None = 4000.0,
    failed: int | None = 0,
    fed: tuple[str, ...] = (),
    unfed_s: float | None = 0.0,
    offered_s: float | None = None,
    reckoned_s: float | None = None,
    start_before_s: float | None = None,
) -> OnBattery:
    def moment(seconds: float | None) -> datetime | None:
        return None if seconds is None else after(seconds)

    return OnBattery(
        START,
        moment(ends_s),
        None,
        start_set_before=moment(start_before_s),
        starts_failed=failed,
        reckoned_since=moment(reckoned_s),
        fed=fed,
        unfed_since=moment(unfed_s),
        offered_since=moment(offered_s),
    )


OFFICE = ShedStep("office", 11_900.0)


def shedding(by_s: float, *, reached: bool = True) -> ShedFirst:
    wanted = reason(Code.WANTED_HOUR)
    return ShedFirst(after(0.0), 3600.0, wanted, (OFFICE,), after(5000.0), reached, after(by_s))


@pytest.mark.parametrize(
    ("shed_by_s", "at_s", "moment_s", "why"),
    [
        (500.0, 100.0, 500.0, Deadline.SHED),
        (500.0, 501.0, 900.0, Deadline.START_SET),  # too late to shed: that is asked no more
        (950.0, 100.0, 900.0, Deadline.START_SET),
        (None, 901.0, 1000.0, Deadline.BANKS_END),  # a moment that is past is not named
        (None, 100.0, 900.0, Deadline.START_SET),
    ],
)
def test_the_moment_to_act_before_is_the_earliest_that_still_helps(
    shed_by_s: float | None, at_s: float, moment_s: float, why: Deadline
) -> None:
    shed = None if shed_by_s is None else shedding(shed_by_s)
    outage = replace(on_banks(ends_s=1000.0, start_before_s=900.0), shed=shed)
    assert deadline(outage, after(at_s)) == (after(moment_s), why)


@pytest.mark.parametrize(
    ("kind", "about"), [("on_battery", "W1"), ("starts_failed", "works"), ("no_supply_in_time", "works")]
)
def test_an_alarm_read_seconds_after_it_was_looked_at_counts_to_the_moment_it_is_read(
    kind: str, about: str
) -> None:
    outage = replace(on_banks(ends_s=1000.0, failed=3), shed=shedding(500.0))
    state = system_state("works", 100.0, on_battery=outage)
    alarm = replace(new_alarm(CATALOGUE[kind], about, "", 0.0), condition=True, standing=True)
    first, _ = words_at(alarm, state, estate(), CATALOGUE, after(100.0))
    what, do = words_at(replace(alarm, what=first), state, estate(), CATALOGUE, after(112.0))
    assert what is not None
    assert first is not None
    assert (first["left_s"], what["left_s"]) == (900.0, 888.0)
    if about == "works":
        assert "shed within 6.4 min" in say(do)
    over = replace(alarm, condition=False, what=first)
    assert words_at(over, state, estate(), CATALOGUE, after(112.0)) == (first, over.do)


def test_a_unit_on_its_bank_beside_fed_ones_is_not_told_of_the_generator_wherever_it_is_read() -> None:
    alarm = replace(
        new_alarm(CATALOGUE["on_battery"], "W1", "", 0.0), condition=None, known=True, standing=True
    )
    alarm = replace(alarm, do=advised(CATALOGUE["on_battery"].do))
    alone, beside = on_banks(ends_s=1000.0), replace(on_banks(ends_s=1000.0), fed=("W2",))
    for outage, do_first in (
        (alone, "See that the generator runs and carries"),
        (beside, "Look at its own input breaker and its display"),
    ):
        _, do = words_at(
            alarm, system_state("works", 100.0, on_battery=outage), estate(), CATALOGUE, after(100.0)
        )
        assert first_step(do) == do_first
    assert on_battery_do("works", alone, after(100.0)) is None  # the catalogue says it
    assert on_battery_do("works", beside, after(100.0)) == do


@pytest.mark.parametrize("ends_s", [None, 1000.0])
def test_banks_that_nothing_was_seen_of_are_not_said_to_tell_nothing_beside_an_end_that_is_told(
    ends_s: float | None,
) -> None:
    state = system_state("works", 100.0, on_battery=on_banks(ends_s=ends_s))
    cannot = told("How long it holds cannot be told.")
    unseen = replace(
        new_alarm(CATALOGUE["banks_unproven"], "works", "", 0.0),
        condition=None,
        known=True,
        standing=True,
        what=cannot,
    )
    what, _ = words_at(unseen, state, estate(), CATALOGUE, after(100.0))
    assert what is not None
    assert what.code is (cannot.code if ends_s is None else Code.BANKS_BEING_PROVEN)


def test_no_moment_is_named_where_none_is_known_or_nothing_will_end() -> None:
    assert deadline(None, START) is None
    assert deadline(on_banks(ends_s=None), START) is None
    assert deadline(replace(on_banks(), carried=True), START) is None
    assert deadline(on_banks(ends_s=1000.0), START) == (after(1000.0), Deadline.BANKS_END)
    unreached = replace(on_banks(ends_s=1000.0), shed=shedding(500.0, reached=False))
    assert deadline(unreached, START) == (after(1000.0), Deadline.BANKS_END)


def no_supply(at_s: float, outage: OnBattery) -> Condition:
    return conditions(at_s, outage)["no_supply_in_time"]


@pytest.mark.parametrize(("at_s", "present"), [(84.0, False), (85.0, False), (86.0, True)])
def test_after_the_time_for_the_set_and_ten_seconds_no_supply_is_told(at_s: float, present: bool) -> None:
    assert no_supply(at_s, on_banks()).seen.present is present


def test_it_says_how_long_the_bank_has_carried_and_what_is_left() -> None:
    found = no_supply(90.0, on_banks(ends_s=990.0)).seen
    assert found.facts == {"left_s": 900.0, "on_battery_s": 90.0}
    assert found.by_when == after(990.0)
    assert no_supply(90.0, on_banks(start_before_s=300.0)).seen.by_when == after(300.0)


def test_where_others_on_the_supply_are_fed_the_way_in_is_at_fault() -> None:
    found = no_supply(90.0, on_banks(fed=("C1", "C2"))).seen
    assert "2 other units on its supply are fed" in say(found.what)
    assert say(found.do).startswith("Look at the breakers between the supply and this system")
    alone = no_supply(90.0, on_banks()).seen
    assert "fed" not in say(alone.what)
    assert "breakers between" not in say(alone.do)


def test_a_unit_of_its_own_that_is_fed_ends_it() -> None:
    assert no_supply(90.0, on_banks(fed=("W1",))).seen.present is False


def test_what_cannot_be_seen_is_left_open() -> None:
    assert no_supply(90.0, on_banks(unfed_s=None)).seen.present is None
    assert no_supply(90.0, on_banks(reckoned_s=20.0)).seen.present is None


def test_voltage_that_it_does_not_take_is_refused_only_after_its_own_waits() -> None:
    longest_s = max(u.accept_s + u.hold_off_s + u.walk_in_s for u in estate().units_of("works")) + 10.0
    assert no_supply(200.0, on_banks(offered_s=200.0 - longest_s)).seen.present is None
    refused = no_supply(200.0, on_banks(offered_s=199.0 - longest_s)).seen
    assert refused.present is True
    assert "does not take it" in say(refused.what)


@pytest.mark.parametrize(("failed", "present"), [(2, False), (3, True), (4, True)])
def test_as_many_starts_as_it_tries_have_failed(failed: int, present: bool) -> None:
    found = conditions(90.0, on_banks(failed=failed))["starts_failed"].seen
    assert found.present is present
    assert found.facts == {"starts_failed": float(failed)}


def test_starts_that_were_not_counted_are_open_where_cards_are_silent_and_none_where_they_answer() -> None:
    assert conditions(90.0, on_banks(failed=None))["starts_failed"].seen.present is False
    assert conditions(90.0, on_banks(failed=None, reckoned_s=20.0))["starts_failed"].seen.present is None


def test_off_its_banks_none_of_them_is_present() -> None:
    assert {c.seen.present for c in conditions(90.0, None).values()} == {False}


@pytest.mark.parametrize(
    ("offered_s", "present", "code"),
    [(None, True, Code.NO_WAY_IN), (95.0, None, None), (45.0, True, Code.SUPPLY_REFUSED)],
)
def test_a_system_whose_own_inputs_have_voltage_again_is_not_sent_to_its_breakers_while_others_are_fed(
    offered_s: float | None, present: bool | None, code: Code | None
) -> None:
    """It is given the time to take it, as where nobody is fed; and then it is the units that refuse it."""
    seen = conditions(100.0, on_banks(fed=("N1",), offered_s=offered_s))["no_supply_in_time"].seen
    assert (seen.present, None if seen.what is None else seen.what.code) == (present, code)


# ---- a supply that is there again and is about to be taken -------------------------------------------------------------


def ends_soon(at_s: float, outage: OnBattery) -> Condition:
    return conditions(at_s, outage)["ends_soon"]


def test_nobody_is_told_to_shed_or_to_go_to_the_generator_while_the_supply_is_about_to_be_taken() -> None:
    """Two of three are fed and the third is due in 18 s; it refuses the supply once its time is over."""
    lit = replace(on_banks(ends_s=300.0, failed=None, fed=("W1", "W2"), unfed_s=None), shed=shedding(200.0))
    taking = replace(lit, shed=None, takes_by=after(118.0), offered_since=after(68.0))
    assert ends_soon(100.0, lit).seen.present is True
    assert ends_soon(100.0, taking).seen.present is None
    refused = ends_soon(118.0, replace(taking, shed=lit.shed)).seen
    assert refused.present is True
    assert say(refused.do).startswith("Look at what the units' displays say of their input")


def test_an_end_that_comes_before_the_supply_would_be_taken_is_told_all_the_same() -> None:
    assert ends_soon(100.0, replace(on_banks(ends_s=110.0), takes_by=after(118.0))).seen.present is True


@pytest.mark.parametrize("kind", ["ends_soon", "no_supply_in_time"])
def test_an_alarm_that_stands_says_that_the_supply_is_there_and_asks_no_more_than_to_see_it_taken(
    kind: str,
) -> None:
    outage = replace(on_banks(ends_s=500.0, failed=None), offered_since=after(100.0), takes_by=after(150.0))
    alarm = replace(
        new_alarm(CATALOGUE[kind], "works", "", 0.0), condition=None, known=True, standing=True,
        what=told("No supply."), do=told("Go to the generator and start it by hand."),
    )  # fmt: skip
    what, do = words_at(
        alarm, system_state("works", 123.0, on_battery=outage), estate(), CATALOGUE, after(123.0)
    )
    assert say(what) == (
        "Treatment works has supply at the inputs of all that run on their banks, and is about to take it. "
        "It holds 6.2 min more at the least."
    )
    assert say(do) == (
        "See that what runs on its bank takes the supply within 27 s; if it does not, look at its input breaker and display."
    )


# ---- what the site says of its generator, and the time that a start by hand takes --------------------------------------

KINDS = ("ends_soon", "no_supply_in_time")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("says", "first"),
    [
        (SetSays.RUNS, "Throw the changeover to the generator"),
        (SetSays.CARRIES, "Look at the breakers between the generator and this system"),
        (SetSays.STANDS, "Send somebody to the generator now, and shut down in order what can be"),
    ],
)
def test_nobody_is_sent_to_start_a_generator_of_which_the_site_says_that_it_runs(
    kind: str, says: SetSays, first: str
) -> None:
    lit = replace(on_banks(ends_s=500.0, failed=None), set_says=says, ends_latest=after(1400.0))
    lit = replace(lit, hand_s=1250.0, set_out_before=after(-750.0))
    seen = conditions(100.0, lit)[kind].seen
    assert seen.present is True
    assert first_step(seen.do) == first
    assert "site says" in say(seen.do) or says is SetSays.STANDS


def by_hand(ends_s: float, latest_s: float, shed: ShedFirst | None = None) -> OnBattery:
    """Return an outage of a system whose generator takes 600 s to start by hand until it carries."""
    lit = on_banks(ends_s=ends_s, failed=3)
    return replace(
        lit, ends_latest=after(latest_s), hand_s=600.0, set_out_before=after(ends_s - 600.0), shed=shed
    )


@pytest.mark.parametrize("kind", ["no_supply_in_time", "starts_failed"])
@pytest.mark.parametrize(
    ("ends_s", "latest_s", "code"),
    [
        (701.0, 800.0, None),  # at 100 s somebody has a second left to set out
        (699.0, 800.0, Code.DO_WITHOUT_SET),
    ],
)
def test_a_start_by_hand_that_comes_too_late_is_not_asked_for(
    kind: str, ends_s: float, latest_s: float, code: Code | None
) -> None:
    do = conditions(100.0, by_hand(ends_s, latest_s))[kind].seen.do
    assert do is not None
    by_hand_code = Code.DO_SEND_TO_SET if kind == "starts_failed" else Code.DO_START_SET_BY_HAND
    assert do.code is (code or by_hand_code)
    assert "10.0 min until it carries, with the way there" in say(do)


def test_where_shedding_makes_the_banks_last_for_a_start_by_hand_both_are_asked_and_else_a_shutdown() -> None:
    shed = replace(shedding(300.0), wanted_s=700.0, ends_earliest=after(900.0))
    assert first_step(conditions(100.0, by_hand(500.0, 550.0, shed))["starts_failed"].seen.do) == (
        "Shed load and send somebody to the generator now"
    )
    late = replace(shed, shed_by=after(99.0))
    for none in (None, late, replace(shed, ends_earliest=after(650.0)), replace(shed, reached=False)):
        do = conditions(100.0, by_hand(500.0, 550.0, none))["starts_failed"].seen.do
        assert first_step(do) == "Shut down in order what can be"
        assert "too late to start the generator by hand" in say(do)


def test_the_last_moment_is_to_set_out_where_a_start_by_hand_is_declared_and_is_not_named_once_past() -> None:
    lit = replace(by_hand(1000.0, 1100.0), start_set_before=after(900.0))
    assert deadline(lit, after(399.0)) == (after(400.0), Deadline.SET_OUT)
    assert deadline(lit, after(401.0)) == (after(1000.0), Deadline.BANKS_END)


@pytest.mark.parametrize(
    ("at_s", "says"),
    [
        (100.0, "See that the generator runs and carries; if not, send somebody within 5.0 min: a start by"),
        (
            500.0,
            "See that the generator runs and carries; a start by hand takes 10.0 min until it carries, wi",
        ),
    ],
)
def test_a_unit_on_its_bank_says_how_long_is_left_to_send_somebody(at_s: float, says: str) -> None:
    assert say(on_battery_do("works", by_hand(1000.0, 1100.0), after(at_s))).startswith(says)
