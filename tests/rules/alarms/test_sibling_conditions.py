"""What sets units apart and which alarm tells it; what is told elsewhere already; when a pair no longer fits."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from rules.alarms.catalogue import CATALOGUE, Cause, Explanation
from rules.alarms.conditions.comparison import (
    NOW,
    PAST,
    PAST_STANDS,
    TOLD_BY_READINGS,
    partner_condition,
    sibling_conditions,
)
from rules.alarms.conditions.condition import Condition
from rules.alarms.lifecycle.alarm import Alarm, alarm_id, new_alarm
from rules.alarms.lifecycle.states import State
from rules.alarms.windows import Window
from rules.monitor.inputs import PlannedWork, SystemJudged, Tick
from rules.monitor.state import Book, WatchState
from rules.monitor.step import step
from rules.phrasing.reasons import say
from rules.plant.topology import Thing
from rules.system.state import (
    Finding,
    FindingKind,
    LoadBasis,
    PartnerVerdict,
    Standing,
    SystemState,
    UnitStanding,
)
from rules.values.reason import told
from rules.values.verdict import Verdict
from tests.rules.sample_plant import START, UNITS, estate, stamp, system_state

KIND = CATALOGUE["cannot_take_partner"]


def state(*findings: Finding, standing: Standing = Standing.CARRYING, seconds: float = 0.0) -> SystemState:
    units = tuple(UnitStanding(u, Standing.CARRYING, 0.2, START) for u in UNITS["works"][1:])
    first = UnitStanding("W1", standing, 0.2, START)
    return replace(system_state("works", seconds), findings=findings, units=(first, *units))


def found(judged: SystemState, *remembered: Alarm) -> dict[str, Condition]:
    known = {a.id: a for a in remembered}
    return {
        f.kind: f for f in sibling_conditions(judged, lambda kind, about: known.get(alarm_id(kind, about)))
    }


def stood(kind: str, about: str, *, standing: bool = True) -> Alarm:
    """Return an alarm that stands, or waits out its delay."""
    since = START + timedelta(seconds=90.0) if standing else None
    alarm = new_alarm(CATALOGUE[kind], about, "", 0.0)
    return replace(alarm, condition=True, standing=standing, since=since)


def test_every_finding_is_told_by_an_alarm_of_the_catalogue() -> None:
    told = {**NOW, **PAST, **TOLD_BY_READINGS}
    assert set(told) == set(FindingKind)
    assert set(told.values()) <= set(CATALOGUE)


def test_none_of_them_opens_an_incident_beside_an_outage_or_a_unit_that_explains_it() -> None:
    mine = [CATALOGUE[a] for a in (*NOW.values(), *PAST.values(), "cannot_take_partner")]
    assert all(kind.cause is Cause.CONSEQUENCE and kind.about is Thing.SYSTEM for kind in mine)
    assert all(kind.on_delay_s >= 60.0 for kind in mine), "units are read seconds apart while they transfer"


@pytest.mark.parametrize("kind", list(NOW))
def test_a_difference_that_stands_is_present_and_named(kind: FindingKind) -> None:
    one = found(state(Finding(kind, "W2", told(f"Unit W2 differs in {kind.value}."), 0.2, 0.1)))[NOW[kind]]
    assert one.seen.present is True
    assert f"Unit W2 differs in {kind.value}." in say(one.seen.what)
    assert found(state())[NOW[kind]].seen.present is False


def test_two_units_apart_are_one_alarm_of_their_system() -> None:
    pair = [
        Finding(FindingKind.SHARE_REACTIVE, u, told(f"Unit {u} apart."), v)
        for u, v in (("W1", 0.12), ("W2", -0.2))
    ]
    said = found(state(*pair))["reactive_share"]
    assert said.about == "works"
    assert say(said.seen.what) == "Treatment works: Unit W2 apart. Unit W1 apart."


def test_while_a_unit_is_silent_nothing_clears() -> None:
    assert found(state(standing=Standing.SILENT))["voltage_apart"].seen.present is None
    apart = Finding(FindingKind.VOLTAGE, "W2", told("Unit W2 apart."), 245.0)
    assert found(state(apart, standing=Standing.SILENT))["voltage_apart"].seen.present is True


def test_a_unit_on_bypass_says_itself_that_there_are_two_sources() -> None:
    two = Finding(FindingKind.SOURCE, "W1", told("One bar, two sources."))
    bypassed = state(two, standing=Standing.BYPASS)
    said = found(bypassed, stood("on_bypass", "W1"))["two_sources"].seen
    assert said.explained == (Explanation.SAID_ALREADY.value,)
    waiting = stood("on_bypass", "W1", standing=False)
    assert found(bypassed, waiting)["two_sources"].seen.explained == (), "what waits out a delay was not said"
    assert found(state(two))["two_sources"].seen.explained == ()


def late(by_s: float) -> Finding:
    return Finding(
        FindingKind.LATE_BACK, "W3", told(f"Unit W3 came back {by_s:.0f} s late."), by_s, 20.0, at=START
    )


def test_late_back_is_told_after_the_outage_and_waits_to_be_reset() -> None:
    book, watch = Book(estate()), WatchState()

    def give(seconds: float) -> State | None:
        nonlocal watch
        for given in (SystemJudged(stamp(seconds), state(late(35.0), seconds=seconds)), Tick(stamp(seconds))):
            watch, _ = step(watch, given, book)
        alarm = watch.alarms.get("late_back:works")
        return None if alarm is None else alarm.state

    assert give(0.0) is State.NORMAL
    assert give(119.0) is State.NORMAL
    assert give(121.0) is State.ACTIVE_UNACKNOWLEDGED
    assert give(PAST_STANDS.total_seconds() + 1.0) is State.LATCHED


def test_a_unit_told_of_on_its_bank_is_not_told_twice_and_one_that_was_not_is_told_however_late_it_was() -> (
    None
):
    said = found(state(late(100.0)), stood("still_on_battery", "W3"))["late_back"].seen
    assert said.explained == (Explanation.SAID_ALREADY.value,)
    assert found(state(late(100.0)))["late_back"].seen.explained == ()
    waiting = stood("still_on_battery", "W3", standing=False)
    assert found(state(late(100.0)), waiting)["late_back"].seen.explained == ()


def test_what_was_told_of_a_late_unit_stays_told_when_its_alarm_is_forgotten() -> None:
    before = replace(stood("late_back", "works"), explained=(Explanation.SAID_ALREADY.value,))
    said = found(state(late(100.0)), before)["late_back"].seen
    assert said.explained == (Explanation.SAID_ALREADY.value,)


def test_what_was_late_in_an_old_outage_is_shown_and_no_alarm() -> None:
    old = state(late(35.0), seconds=(PAST_STANDS + timedelta(seconds=1)).total_seconds())
    assert found(old)["late_back"].seen.present is False


def test_work_on_one_unit_suppresses_what_it_does_to_its_system() -> None:
    book, watch = Book(estate()), WatchState()
    window = Window("w", Explanation.ISOLATION, "W2", START, START + timedelta(hours=4))
    watch, _ = step(watch, PlannedWork(stamp(0.0), (window,)), book)
    for seconds in (1.0, 400.0):
        apart = state(Finding(FindingKind.SHARE_REACTIVE, "W3", told("Unit W3 apart."), 0.2), seconds=seconds)
        watch, _ = step(watch, SystemJudged(stamp(seconds), apart), book)
    assert watch.alarms["reactive_share:works"].state is State.SUPPRESSED_BY_DESIGN


def pair(verdict: Verdict, margin: float | None) -> SystemState:
    made = PartnerVerdict(
        "control", verdict, (told("It asks too much."),), START, None, margin, 1, "w", LoadBasis.NOW
    )
    return replace(system_state("works", 0.0), partner=made)


def never(_kind: str, _qualifier: str) -> bool:
    return False


def always(_kind: str, _qualifier: str) -> bool:
    return True


def test_a_pair_that_no_longer_fits_is_an_alarm_with_a_deadband() -> None:
    assert partner_condition(pair(Verdict.INADEQUATE, -0.02), KIND, never).seen.present is True
    assert partner_condition(pair(Verdict.ADEQUATE, 0.02), KIND, never).seen.present is False
    assert partner_condition(pair(Verdict.ADEQUATE, 0.02), KIND, always).seen.present is True
    assert partner_condition(pair(Verdict.ADEQUATE, 0.04), KIND, always).seen.present is False


def test_a_pair_of_which_nothing_can_be_told_neither_raises_nor_clears() -> None:
    assert partner_condition(pair(Verdict.CANNOT_TELL, None), KIND, always).seen.present is None
    assert partner_condition(system_state("works", 0.0), KIND, always).seen.present is False
