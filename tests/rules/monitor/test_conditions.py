"""Units, systems and banks in conditions that somebody must act on."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from rules.alarms.conditions.service import ServiceFigures
from rules.alarms.incidents.incident import COUNTED_FROM, NoticeKind
from rules.alarms.lifecycle.states import State
from rules.battery.state import WouldTell
from rules.monitor.inputs import (
    BankJudged,
    EquipmentDeclared,
    ServiceLooked,
    SystemJudged,
    WorkLooked,
)
from rules.monitor.state import Book
from rules.phrasing.reasons import say
from rules.planning.programme.service_due import WorkDue
from rules.plant.estate import NormalMode
from rules.plant.reading import OutputSource
from rules.system.state import HoldUp, OnBattery, SystemState
from rules.values.reason import told
from rules.values.severity import Severity
from rules.values.verdict import Basis, EndedBy, Verdict
from tests.rules.monitor.watching import NORTH, Watch, outage
from tests.rules.sample_plant import (
    START,
    estate,
    on_bank,
    overdue_bank,
    reading,
    stamp,
    system_state,
)


def test_a_requirement_not_met_says_what_is_needed_what_holds_and_which_loss_is_worst() -> None:
    watch = Watch()
    for seconds in (0, 31):
        state = system_state("works", seconds, holds_s=468.0, verdict=Verdict.INADEQUATE, margin_s=-102.0)
        watch.give(SystemJudged(stamp(seconds), state))
    alarm = watch.state.alarms["requirement_not_met:works:hand"]
    assert alarm.state is State.ACTIVE_UNACKNOWLEDGED
    assert (
        say(alarm.what)
        == "Treatment works needs 9.5 min for a start by hand, holds 7.8 min at the least with unit W1 lost."
    )


def test_a_verdict_that_cannot_be_told_is_another_alarm_and_clears_nothing() -> None:
    watch = Watch()
    for seconds in (0, 31):
        state = system_state("works", seconds, verdict=Verdict.INADEQUATE, margin_s=-102.0)
        watch.give(SystemJudged(stamp(seconds), state))
    unknown = system_state("works", 60, holds_s=None, verdict=Verdict.CANNOT_TELL, margin_s=None)
    watch.give(SystemJudged(stamp(60), unknown))
    watch.pass_time(61, 700, every=10)
    assert watch.alarm_state("requirement_not_met:works:hand").active
    assert watch.alarm_state("requirement_unknown:works:hand").active


def test_what_stands_from_before_is_told_once_it_is_known_again_and_never_as_if_it_were_so() -> None:
    """An estate file with a wrong rating said "0 s"; while it was judged by the right one that went out once more."""
    watch = Watch()
    for seconds in (0, 61):
        state = system_state("works", seconds, spare=Verdict.INADEQUATE, spare_margin_w=-440.0)
        watch.give(SystemJudged(stamp(seconds), state))
    watch.pass_time(62, 80)
    assert len(watch.notices()) == 1
    wrong = system_state(
        "works", 81, holds_s=0.0, verdict=Verdict.INADEQUATE, margin_s=-570.0, spare_margin_w=0.0
    )
    for seconds in (81, 113):
        watch.give(SystemJudged(stamp(seconds), wrong))  # told with the next change, some minutes on
    unknown = system_state("works", 115, holds_s=None, verdict=Verdict.CANNOT_TELL, margin_s=None)
    for seconds in range(115, 3600 * 8, 600):
        watch.give(SystemJudged(stamp(seconds), unknown))
    assert watch.alarm_state("requirement_not_met:works:hand").active
    assert [n.what for n in watch.notices() if "0 s at the least" in " ".join((n.what, *n.lines))] == []
    right = system_state("works", 29_000, holds_s=468.0, verdict=Verdict.INADEQUATE, margin_s=-102.0)
    for seconds in (29_000, 29_031, 29_400):
        watch.give(SystemJudged(stamp(seconds), right))
    (opened,) = watch.notices("own-requirement_not_met")
    assert "holds 7.8 min at the least" in opened.what


def test_redundancy_lost_names_the_line_and_the_watts() -> None:
    watch = Watch()
    for seconds in (0, 61):
        state = system_state("works", seconds, spare=Verdict.INADEQUATE, spare_margin_w=-440.0)
        watch.give(SystemJudged(stamp(seconds), state))
    what = say(watch.state.alarms["redundancy_lost:works"].what)
    assert "Line 2 of Treatment works asks 0.44 kW more than the units left can carry" in what


def test_bypass_in_economy_mode_is_suppressed_by_design() -> None:
    site = estate()
    units = dict(site.units)
    units["D1"] = replace(units["D1"], normal_mode=NormalMode.ECONOMY)
    watch = Watch(Book(replace(site, units=units)))
    for seconds in range(0, 30, 5):
        watch.give(reading("D1", seconds, source=OutputSource.BYPASS))
    assert watch.alarm_state("on_bypass:D1") is State.SUPPRESSED_BY_DESIGN
    assert watch.notices() == []


def test_the_last_unit_off_is_critical_and_one_of_many_is_major() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(reading("W1", 10, source=OutputSource.NONE, power_w=0.0))
    watch.give(reading("D1", 10, source=OutputSource.NONE, power_w=0.0))
    assert watch.state.alarms["output_off:W1"].severity is Severity.MAJOR
    assert watch.state.alarms["output_off:D1"].severity is Severity.CRITICAL


def test_the_end_of_an_overload_is_told_as_it_ends_and_not_with_what_follows_from_it() -> None:
    """The spare it cost stays away for five minutes more; its own minute on overload was said to have lasted six."""
    watch = Watch()
    watch.calm(5)
    for seconds in range(10, 500, 5):
        over = seconds < 100
        watch.give(reading("W1", seconds, load_pct=115.0 if over else 57.0))
        spare = {"spare": Verdict.INADEQUATE, "spare_margin_w": -440.0} if over else {}
        watch.give(SystemJudged(stamp(seconds + 1), system_state("works", seconds + 1, **spare)))  # type: ignore[arg-type]
    opened, changed, closed = watch.notices("unit-W1")
    assert [n.kind for n in (opened, changed, closed)] == [
        NoticeKind.OPENED,
        NoticeKind.CHANGED,
        NoticeKind.CLOSED,
    ]
    assert closed.at < START + timedelta(seconds=125)
    assert closed.what.startswith("Over after 1 min 30 s: ")
    assert watch.alarm_state("redundancy_lost:works") is not State.ACTIVE_UNACKNOWLEDGED


def test_peers_overloaded_after_one_drops_are_one_message_beside_it() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(reading("C1", 10, source=OutputSource.NONE, power_w=0.0))
    watch.give(*(reading(u, 10.5, power_w=9500.0, load_pct=106.0) for u in ("C2", "C3", "C4")))
    watch.pass_time(11, 20)
    assert sorted(n.incident for n in watch.notices()) == ["overload-north-1", "unit-C1-1"]


def test_banks_that_must_be_renewed_together_are_one_message_about_what_they_share() -> None:
    watch = Watch()
    for n, unit in enumerate(NORTH):
        watch.give(BankJudged(stamp(10 + n * 0.1), overdue_bank(unit)))
    watch.pass_time(11, 100)
    assert watch.notices() == [], "what is asked of them may not be known yet"
    watch.pass_time(100, 150)
    notices = watch.notices()
    assert [n.about for n in notices] == ["north"]
    assert notices[0].what.startswith("10 banks at supply north: the day by which")


def test_incidents_are_counted_on_from_where_a_loss_left_them() -> None:
    watch = Watch()
    watch.state = replace(watch.state, numbers={COUNTED_FROM: 100})
    watch.calm(5)
    for seconds in (10, 900):
        watch.give(reading("C1", seconds, source=OutputSource.NONE, power_w=0.0))
        watch.pass_time(seconds + 1, seconds + 60)
        watch.give(reading("C1", seconds + 61))
        watch.pass_time(seconds + 62, seconds + 800)
    opened = [n.incident for n in watch.notices() if n.kind is NoticeKind.OPENED]
    assert opened == ["unit-C1-101", "unit-C1-102"]


def test_load_share_is_judged_against_the_mean_of_the_carrying_units() -> None:
    watch = Watch()
    for seconds in range(0, 400, 5):
        watch.give(*(reading(u, seconds, power_w=3000.0) for u in ("C1", "C2", "C3")))
        watch.give(reading("C4", seconds, power_w=6000.0))
    # C4 carries 18 of 27 kW = 67 %, the others 33 %: the mean is 42 %, so 25 and 8 points off
    assert watch.alarm_state("load_share:C4").active
    assert watch.alarm_state("load_share:C1") is State.NORMAL


def test_an_unclassified_alarm_of_a_maker_is_kept_raw() -> None:
    watch = Watch()
    for seconds in range(0, 60, 5):
        watch.give(reading("D1", seconds, alarms=("1.3.6.1.4.1.99999.7.3",)))
    assert watch.alarm_state("unclassified_card_alarm:D1:1.3.6.1.4.1.99999.7.3").active


def test_a_card_alarm_that_says_what_is_known_already_is_listed_and_not_told() -> None:
    watch = Watch()
    outage(watch)
    assert watch.alarm_state("card_alarm:W1:upsAlarmOnBattery") is State.SUPPRESSED_BY_DESIGN


def test_a_card_alarm_that_contradicts_the_reading_is_told() -> None:
    watch = Watch()
    for seconds in range(0, 30, 5):
        watch.give(reading("D1", seconds, alarms=("upsAlarmOnBattery",)))
    assert watch.alarm_state("card_alarm:D1:upsAlarmOnBattery").active


def test_different_equipment_stands_until_somebody_declares_it() -> None:
    watch = Watch()
    watch.calm(0)
    for seconds in (5, 20, 3600):
        watch.give(reading("D1", seconds, model="Tarn 60"))
    assert watch.alarm_state("different_equipment:D1").active
    assert "Tarn 30 before, Tarn 60 now" in say(watch.state.alarms["different_equipment:D1"].what)
    watch.give(EquipmentDeclared(stamp(3700), "D1"), reading("D1", 3705, model="Tarn 60"))
    assert not watch.alarm_state("different_equipment:D1").active


def test_a_channel_that_fails_is_an_alarm() -> None:
    watch = Watch()
    for seconds in (0, 61):
        figures = ServiceFigures(channels={"post": True, "broker": False}, why={"post": "refused"})
        watch.give(ServiceLooked(stamp(seconds), figures))
    assert watch.alarm_state("channel_failing:post").active
    assert watch.alarm_state("channel_failing:broker") is State.NORMAL


def test_work_that_is_due_asks_until_it_is_done_and_what_is_not_on_the_estate_is_passed_over() -> None:
    watch = Watch()
    unit = NORTH[0]
    why = told(f"Renew fans of {unit}: due by 01 Mar 2026; last done 01 Mar 2021, every 5 years.")
    watch.give(
        WorkLooked(
            stamp(1),
            (
                WorkDue("fans_due", unit, why),
                WorkDue("capacitors_due", unit, None),
                WorkDue("visit_due", "gone", why),
            ),
        )
    )
    assert watch.alarm_state(f"fans_due:{unit}") is State.ACTIVE_UNACKNOWLEDGED
    assert watch.alarm_state(f"capacitors_due:{unit}") is State.NORMAL
    assert "visit_due:gone" not in watch.state.alarms
    assert watch.state.alarms[f"fans_due:{unit}"].what == why
    watch.give(WorkLooked(stamp(2), (WorkDue("fans_due", unit, None),)))
    assert not watch.alarm_state(f"fans_due:{unit}").active


def unproven(seconds: float, verdict: Verdict = Verdict.CANNOT_TELL) -> SystemState:
    """Return a judgement of the works, nothing having been seen of two of its banks."""
    made = system_state("works", seconds, verdict=verdict, margin_s=None)
    held = HoldUp(None, 900.0, 1500.0, EndedBy.BANK, Basis.TABLE)
    steps = (WouldTell(told("Import a past test of banks bank-W1 and bank-W2."), told("Its capacity.")),)
    return replace(
        made,
        hold_up=replace(
            made.hold_up, now=held, one_unit_lost=held, unproven=("bank-W1", "bank-W2"), would_tell=steps
        ),
        requirements=tuple(replace(need, verdict=verdict, basis=Basis.TABLE) for need in made.requirements),
    )


@pytest.mark.parametrize("verdict", [Verdict.CANNOT_TELL, Verdict.INADEQUATE])
def test_banks_that_nothing_was_seen_of_are_one_warning_of_their_system(verdict: Verdict) -> None:
    watch = Watch()
    for seconds in range(0, 1200, 30):
        watch.give(SystemJudged(stamp(seconds), unproven(seconds, verdict)))
    standing = {alarm.id: alarm for alarm in watch.state.alarms.values() if alarm.state.active}
    assert set(standing) == {"banks_unproven:works"}
    alarm = standing["banks_unproven:works"]
    assert alarm.severity is Severity.WARNING
    assert "banks bank-W1 and bank-W2" in say(alarm.what)
    assert say(alarm.do) == "Import a past test of banks bank-W1 and bank-W2."


def test_nobody_is_told_in_an_outage_that_nothing_was_seen_of_the_banks_yet() -> None:
    watch = Watch()
    for seconds in range(0, 1200, 30):
        state = replace(unproven(seconds), on_battery=OnBattery(START, None, None))
        watch.give(SystemJudged(stamp(seconds), state))
    alarm = watch.state.alarms.get("banks_unproven:works")
    assert alarm is None or not alarm.state.active


def test_new_blocks_that_nothing_was_seen_of_leave_no_verdict_on_the_old_standing() -> None:
    watch = Watch()
    for seconds in (0, 31):
        state = system_state("works", seconds, verdict=Verdict.INADEQUATE, margin_s=-102.0)
        watch.give(SystemJudged(stamp(seconds), state))
    assert watch.alarm_state("requirement_not_met:works:hand").active
    for seconds in range(60, 400, 30):
        watch.give(SystemJudged(stamp(seconds), unproven(seconds)))
    assert not watch.alarm_state("requirement_not_met:works:hand").active


def test_nobody_is_told_in_an_outage_that_readiness_cannot_be_told() -> None:
    watch = Watch()
    for seconds in range(0, 1500, 30):
        state = system_state("works", seconds, holds_s=None, verdict=Verdict.CANNOT_TELL, margin_s=None)
        watch.give(SystemJudged(stamp(seconds), replace(state, on_battery=OnBattery(START, None, None))))
    alarm = watch.state.alarms.get("requirement_unknown:works:hand")
    assert alarm is None or not alarm.state.active


def test_what_outlives_a_power_incident_knows_in_which_one_it_was_told() -> None:
    watch = Watch()
    watch.calm(5)
    for seconds in range(10, 900, 5):
        on_battery = seconds < 70
        for n, unit in enumerate(NORTH):
            at = seconds + 0.1 * n
            watch.give(on_bank(unit, at) if on_battery else reading(unit, at))
        judged = system_state("works", seconds + 2, verdict=Verdict.INADEQUATE, margin_s=-60.0)
        watch.give(SystemJudged(stamp(seconds + 2), judged))
    (left,) = watch.state.incidents.values()
    assert (left.members, left.told_in) == (("requirement_not_met:works:hand",), "power-north-1")
    assert [n.incident for n in watch.notices() if n.kind is NoticeKind.OPENED] == ["power-north-1"]


def test_what_is_found_after_the_return_is_told_behind_the_return() -> None:
    watch = Watch()
    watch.calm(5)
    for seconds in range(10, 200, 5):
        for n, unit in enumerate(NORTH):
            at = seconds + 0.1 * n
            watch.give(on_bank(unit, at) if seconds < 60 else reading(unit, at))
        if seconds >= 40:
            judged = system_state("works", seconds + 2, verdict=Verdict.INADEQUATE, margin_s=-60.0)
            watch.give(SystemJudged(stamp(seconds + 2), judged))
    kinds = [n.kind for n in watch.notices("power-north")]
    assert kinds == [NoticeKind.OPENED, NoticeKind.CLOSED], "told once that it is back"
    closed = watch.notices("power-north")[-1]
    assert closed.what.startswith("Back on supply")
    assert not closed.urgent
    assert any(line.startswith("Still stands: For the next outage: ") for line in closed.lines)
