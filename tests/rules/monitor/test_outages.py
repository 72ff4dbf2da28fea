"""A mains failure, from the first sign to the summary."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from rules.alarms.catalogue import CATALOGUE
from rules.alarms.incidents.incident import IncidentChange, IncidentPart, NoticeKind
from rules.alarms.lifecycle.alarm import Deadline
from rules.battery.state import ReplacementDates
from rules.generator.outage_source import SetSays
from rules.monitor.inputs import (
    BankJudged,
    OperatorCommand,
    SystemJudged,
)
from rules.monitor.outputs import PollNow
from rules.monitor.state import Book
from rules.phrasing.notice_case import left_words
from rules.plant.estate import AnswerTimes
from rules.plant.reading import OutputSource
from rules.system.outage.line_over import LineOver
from rules.system.state import Relief, ShedFirst, ShedStep
from rules.values.code import Code
from rules.values.reason import told as reason_told
from rules.values.severity import Severity
from rules.values.verdict import Verdict
from tests.rules.day import on_battery_since
from tests.rules.monitor.watching import NORTH, Watch, act, outage
from tests.rules.sample_plant import (
    START,
    UNITS,
    estate,
    on_bank,
    overdue_bank,
    reading,
    stamp,
    system_state,
)


def test_ten_units_on_battery_are_one_incident_about_their_supply() -> None:
    watch = Watch()
    outage(watch)
    notices = watch.notices()
    assert len(notices) == 1
    assert notices[0].about == "north"
    assert notices[0].kind is NoticeKind.OPENED
    assert notices[0].what == "Mains lost at supply north: 10 units on battery."
    assert notices[0].counted == 40, "ten units, each on battery and with three alarms of its card"


@pytest.mark.parametrize(
    ("counts_s", "went_s"),
    [
        (0.0, 10.0),
        (3.0, 7.0),
        (7.0, 5.0),
        (60.0, 10.0),
    ],  # the third is a little off, the fourth counts something else
)
def test_a_unit_went_when_its_card_says_but_never_before_it_was_seen_off_its_bank(
    counts_s: float, went_s: float
) -> None:
    watch = Watch()
    watch.calm(5)
    said = on_bank("D1", 10.0)
    watch.give(replace(said, battery=replace(said.battery, on_battery_s=counts_s)))
    watch.pass_time(11, 20)
    since = watch.state.units["D1"].on_battery_since
    assert since is not None
    assert round((since - START).total_seconds()) == went_s


def test_the_time_left_says_whose_end_it_is_where_several_are_on_their_banks() -> None:
    def part(system: str, ends_s: float) -> IncidentPart:
        return IncidentPart(
            system, START, ends_earliest=START + timedelta(seconds=ends_s), name=system.title()
        )

    works, control = part("works", 900.0), part("control", 400.0)
    assert left_words((works, control), START) == "6.6 min left at least at Control"
    assert left_words((works, replace(control, until=START)), START) == "15.0 min left at least"


def test_an_end_that_was_told_to_be_near_and_is_no_longer_is_told_as_that() -> None:
    """The depot has no generator; its load is shed at 100 s, and its bank then lasts an hour."""
    watch = Watch()
    outage(watch, units=("D1",))
    for seconds in range(17, 600, 5):
        watch.give(on_bank("D1", seconds))
        lasts_s = 300.0 if seconds < 100 else 4000.0
        judged = system_state("depot", seconds + 2, on_battery=on_battery_since(10.0, lasts_s=lasts_s))
        watch.give(SystemJudged(stamp(seconds + 2), judged))
    told = watch.notices("power-south-1")
    near = next(n for n in told if n.severity is Severity.CRITICAL)
    eased = [n for n in told if n.at > near.at and n.kind is NoticeKind.CHANGED]
    assert len(eased) == 1
    assert eased[0].severity is Severity.MAJOR
    assert eased[0].what.startswith("No longer soon: ")
    assert "left at the least" in eased[0].what


def test_the_first_notice_goes_out_within_five_seconds_of_the_first_sign() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(on_bank("W1", 10.0))
    watch.pass_time(11, 20)
    first = watch.notices()[0]
    assert (first.at - START).total_seconds() <= 15.0


def test_the_first_notice_does_not_wait_when_all_siblings_have_been_read() -> None:
    watch = Watch()
    outage(watch)
    assert (watch.notices()[0].at - START).total_seconds() == 12.0, "on-delay 2 s after the first of ten"


def test_the_first_card_that_shows_it_has_its_siblings_read_at_once() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(on_bank("W1", 10.0))
    asked = watch.of(PollNow)
    assert [set(p.units) for p in asked] == [set(NORTH) - {"W1"}]


def test_a_sag_is_in_the_journal_and_tells_nobody() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(on_bank("W1", 10.0), reading("W1", 11.0))
    watch.pass_time(12, 60)
    assert watch.kinds() == ["unit_to_battery", "unit_from_battery"]
    assert watch.notices() == []


def test_an_outage_ends_with_one_summary_of_prediction_and_outcome() -> None:
    watch = Watch()
    outage(watch)
    watch.give(
        SystemJudged(stamp(16), system_state("works", 16, on_battery=on_battery_since(10, lasts_s=1032)))
    )
    watch.pass_time(17, 65)
    watch.calm(66, NORTH)
    watch.pass_time(67, 120)
    closing = watch.notices("power-north")[-1]
    assert closing.kind is NoticeKind.CLOSED
    assert closing.what == "Back on supply after 56 s on battery; the load was carried throughout."
    works = next(line for line in closing.lines if line.startswith("Treatment works"))
    assert "First predicted, from its start: 17.2 min to 19.8 min." in works
    assert "Never less than 16.2 min left." in works, (
        "1032 s less the 55 s until the last judgement in the dark"
    )
    assert watch.state.incidents == {}
    assert {"mains_lost", "supply_back"} <= set(watch.kinds())


def test_an_end_that_moves_much_nearer_is_told_and_one_that_moves_little_is_not() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(SystemJudged(stamp(9), system_state("works", 9)))
    watch.give(*(on_bank(u, 10.0) for u in NORTH))
    watch.give(
        SystemJudged(stamp(10), system_state("works", 10, on_battery=on_battery_since(10, lasts_s=1500)))
    )
    watch.pass_time(11, 16)
    assert len(watch.notices()) == 1
    watch.give(
        SystemJudged(stamp(30), system_state("works", 30, on_battery=on_battery_since(10, lasts_s=1450)))
    )
    assert len(watch.notices()) == 1
    watch.give(
        SystemJudged(stamp(40), system_state("works", 40, on_battery=on_battery_since(10, lasts_s=1000)))
    )
    assert len(watch.notices()) == 2
    assert "16.1 min left at the least" in watch.notices()[1].what


def test_an_end_within_ten_minutes_is_critical_and_told_at_once() -> None:
    watch = Watch()
    outage(watch)
    watch.give(
        SystemJudged(stamp(20), system_state("works", 20, on_battery=on_battery_since(10, lasts_s=500)))
    )
    watch.pass_time(21, 30)
    assert watch.alarm_state("ends_soon:works").active
    latest = watch.notices("power-north")[-1]
    assert latest.severity is Severity.CRITICAL
    assert latest.do.startswith("Shed what can be spared now")
    assert latest.by_when == START + timedelta(seconds=510)


def test_a_message_and_every_alarm_of_an_outage_have_one_moment_to_act_before() -> None:
    """The last moment to start the generator, once it is known: not the time to respond of the one and the end of the other."""
    watch = Watch()
    outage(watch)
    last = START + timedelta(seconds=900)
    judged = replace(on_battery_since(10, lasts_s=1040, failed=3), start_set_before=last)
    watch.give(SystemJudged(stamp(90), system_state("works", 90, on_battery=judged)))
    watch.pass_time(91, 97)
    latest = watch.notices("power-north")[-1]
    assert (latest.by_when, latest.by_when_for) == (last, Deadline.START_SET)
    on = [a for i in latest.alarms if (a := watch.state.alarms[i]).about in ("works", "W1", "W2", "W3")]
    assert {a.kind for a in on} == {"on_battery", "starts_failed"}
    assert {(a.by_when, a.by_when_for) for a in on} == {(last, Deadline.START_SET)}


def test_what_a_message_says_of_an_alarm_and_of_its_system_is_counted_to_one_moment() -> None:
    watch = Watch()
    outage(watch)
    state = system_state("works", 90, on_battery=on_battery_since(10, lasts_s=1040, failed=3))
    watch.give(SystemJudged(stamp(90), state))
    watch.pass_time(91, 97)
    latest = watch.notices("power-north")[-1]
    left = f"{(1050.0 - (latest.at - START).total_seconds()) // 6 / 10:.1f} min"
    assert f"holds {left} more at the least" in latest.what
    assert any(f"{left} left at the least" in line for line in latest.lines)


@pytest.mark.parametrize("late", [("W2",), tuple(NORTH[1:])])
def test_a_unit_that_was_not_read_since_the_mains_went_counts_for_neither_side(late: tuple[str, ...]) -> None:
    """Its last reading shows mains, but of before: it has none "still", and is said not to be read."""
    watch = Watch()
    watch.calm(5)
    for seconds in range(10, 17):
        watch.give(*(on_bank(u, float(seconds)) for u in NORTH if u not in late))
    (opened,) = watch.notices()
    on = len(NORTH) - len(late)
    count = f"{on} units" if on > 1 else "1 unit"
    assert f": {count} on battery, {len(late)} not read since." in opened.what
    assert "still" not in opened.what
    assert "mains failure" not in opened.do


def test_failed_starts_break_out_and_send_somebody_to_the_set() -> None:
    watch = Watch()
    outage(watch)
    state = system_state("works", 90, on_battery=on_battery_since(10, lasts_s=1040, failed=3))
    watch.give(SystemJudged(stamp(90), state))
    watch.pass_time(91, 97)
    latest = watch.notices("power-north")[-1]
    assert latest.severity is Severity.CRITICAL
    # by the clock only: what the generator itself does no card tells
    assert "3 starts of set-1 should have brought supply by now" in latest.what
    assert latest.do.startswith("Send somebody to the generator now")


def test_no_supply_within_its_budget_is_an_alarm_of_its_own() -> None:
    watch = Watch()
    outage(watch)
    for seconds, expected in ((94.0, False), (96.0, True)):  # 75 s allowed and 10 s of grace, from 10 s on
        state = system_state("works", seconds, on_battery=on_battery_since(10, lasts_s=1040))
        watch.give(SystemJudged(stamp(seconds), state))
        assert watch.alarm_state("no_supply_in_time:works").active is expected


def test_a_sign_that_stays_alone_is_told_at_the_end_of_the_five_seconds() -> None:
    watch = Watch()
    watch.calm(5)
    watch.give(on_bank("W1", 10.0))
    watch.pass_time(10.5, 20, every=0.25)
    assert (watch.notices("power")[0].at - START).total_seconds() == 15.0


def test_an_outage_is_over_for_people_half_a_minute_after_the_last_bank_rests() -> None:
    watch = Watch()
    outage(watch)
    watch.calm(30, NORTH)
    watch.pass_time(30.5, 90, every=0.5)
    closed = [n for n in watch.notices() if n.kind is NoticeKind.CLOSED]
    assert len(closed) == 1
    waited_s = (closed[0].at - START).total_seconds() - 30.0
    off_delay_s = CATALOGUE["on_battery"].off_delay_s
    assert waited_s == pytest.approx(30.0 + off_delay_s, abs=0.6)


def test_an_outage_is_not_over_while_units_have_just_gone_to_their_banks_again() -> None:
    """They went 29 s after the last one rested; a second later it was told as over, and then as a new one."""
    watch = Watch()
    outage(watch)
    watch.calm(30, NORTH)
    watch.pass_time(31, 63)
    assert watch.notices("power-north")[-1].kind is not NoticeKind.CLOSED
    for seconds in (64, 65, 66, 67, 68):
        watch.give(*(on_bank(u, float(seconds)) for u in NORTH))
        watch.pass_time(seconds, seconds)
    assert {n.incident for n in watch.notices("power-north")} == {"power-north-1"}
    assert NoticeKind.CLOSED not in [n.kind for n in watch.notices("power-north")]
    watch.calm(80, NORTH)
    watch.pass_time(81, 130)
    assert watch.notices("power-north")[-1].kind is NoticeKind.CLOSED


def test_a_system_whose_banks_ended_is_said_to_have_dropped_its_load_and_not_to_be_back() -> None:
    watch = Watch()
    outage(watch)
    ended = [reading(u, 200.0, source=OutputSource.NONE, input_v=0.0) for u in UNITS["control"]]
    watch.give(*(on_bank(u, 200.0) for u in UNITS["works"]), *ended)
    watch.pass_time(201, 300)
    said = [n for n in watch.notices("power") if n.kind is NoticeKind.CHANGED]
    told = [n for n in said if "dropped its load" in n.what]
    assert told
    assert told[0].short.startswith("Control")
    assert not any("Back on supply" in n.what for n in said)
    lines = [line for n in said for line in n.lines]
    assert not any(line.startswith("Control") and "back on supply" in line for line in lines)


def test_a_system_whose_banks_ended_is_back_when_it_is_fed_again_and_not_when_it_left_them() -> None:
    watch = Watch()
    outage(watch)
    ended = [reading(u, 200.0, source=OutputSource.NONE, input_v=0.0) for u in UNITS["control"]]
    watch.give(*(on_bank(u, 200.0) for u in UNITS["works"]), *ended)
    watch.pass_time(201, 300)
    last = {part.system: part for part in watch.notices("power")[-1].parts}
    assert (last["control"].dropped, last["control"].fed_at) == (True, None)
    watch.give(*(on_bank(u, 301.0) for u in UNITS["works"]), *(reading(u, 301.0) for u in UNITS["control"]))
    watch.pass_time(302, 400)
    watch.calm(401, NORTH)
    watch.pass_time(402, 500)
    over = {part.system: part for part in watch.notices("power")[-1].parts}
    assert over["control"].fed_at == START + timedelta(seconds=301), "not at 200 s, when its banks ended"
    assert over["works"].fed_at == START + timedelta(seconds=401)


def _all_dark() -> Watch:
    """Return a watch of an outage in which both systems of the supply came to the end of their banks, one after the other."""
    watch = Watch()
    outage(watch)
    ended = [reading(u, 200.0, source=OutputSource.NONE, input_v=0.0) for u in UNITS["control"]]
    watch.give(*(on_bank(u, 200.0) for u in UNITS["works"]), *ended)
    watch.pass_time(201, 300)
    watch.give(*(reading(u, 300.0, source=OutputSource.NONE, input_v=0.0) for u in NORTH))
    watch.pass_time(301, 800)
    return watch


def test_an_outage_goes_on_until_what_its_banks_fed_is_fed_again() -> None:
    watch = _all_dark()
    assert not any(n.kind is NoticeKind.CLOSED for n in watch.notices())
    last = watch.notices("power")[-1]
    assert last.urgent
    assert "Control centre and Treatment works feed nothing: their loads are off." in last.what
    assert last.do.startswith("Start the generator by hand.")
    watch.calm(801, UNITS["control"])
    watch.pass_time(802, 900)
    told = watch.notices("power")[-1]
    assert (told.kind, told.what) == (NoticeKind.CHANGED, "Back on supply: Control centre.")
    watch.calm(901, NORTH)
    watch.pass_time(902, 1000)
    closed = [n for n in watch.notices() if n.kind is NoticeKind.CLOSED]
    assert len(closed) == 1
    assert "Load was dropped: Control centre and Treatment works" in closed[0].what
    assert any("fed again 14 min 51 s after it lost its mains" in line for line in closed[0].lines)


def test_units_whose_banks_ended_in_an_outage_are_told_of_with_it_and_not_as_a_fault_of_their_own() -> None:
    watch = _all_dark()
    assert [n.incident for n in watch.notices() if not n.incident.startswith("power-")] == []
    assert not any("restart" in n.do for n in watch.notices())
    assert watch.state.alarms["output_off:C1"].incident == watch.notices("power")[0].incident


def test_a_unit_that_is_switched_off_beside_an_outage_it_had_no_part_in_is_told_of_by_itself() -> None:
    watch = Watch()
    outage(watch, units=UNITS["works"])
    watch.give(*(on_bank(u, 100.0) for u in UNITS["works"]))
    watch.give(
        reading("C1", 100.0, source=OutputSource.NONE), *(reading(u, 100.0) for u in UNITS["control"][1:])
    )
    watch.pass_time(101, 130)
    assert any(n.about == "C1" and "feeds nothing" in n.what for n in watch.notices())
    assert not (watch.state.alarms["output_off:C1"].incident or "power-").startswith("power-")


def test_of_a_system_that_dropped_its_load_nothing_is_to_be_shed_any_more() -> None:
    """Its alarms stand a moment longer; what is asked for is asked of the system that still holds."""
    watch = Watch()
    outage(watch)
    for system, lasts_s in (("works", 180), ("control", 500)):
        judged = replace(on_battery_since(10, lasts_s=lasts_s), shed=shed_all(system))
        watch.give(SystemJudged(stamp(30), system_state(system, 30, on_battery=judged)))
    watch.pass_time(31, 180)
    assert "works racks" in watch.notices("power")[-1].do
    ended = [reading(u, 190.0, source=OutputSource.NONE, input_v=0.0) for u in UNITS["works"]]
    watch.give(*(on_bank(u, 190.0) for u in UNITS["control"]), *ended)
    watch.pass_time(191, 300)
    told = next(n for n in watch.notices("power") if "dropped its load" in n.what)
    assert told.what.startswith("Treatment works dropped its load")
    assert "works racks" not in told.do
    assert "control racks" in told.do
    keep = "Keep the loads of Treatment works off until its units feed again, then switch them on in order."
    assert told.do.endswith(keep)


def test_where_nothing_holds_any_more_the_generator_is_what_is_left_to_start() -> None:
    site = estate()
    south = replace(site.supplies["south"], generator="set-1")
    watch = Watch(Book(replace(site, supplies={**site.supplies, "south": south})))
    outage(watch, units=UNITS["depot"])
    watch.give(reading("D1", 200.0, source=OutputSource.NONE, input_v=0.0))
    watch.pass_time(201, 210)
    told = next(n for n in watch.notices("power") if "dropped its load" in n.what)
    keep = "Keep the loads of Depot off until its units feed again, then switch them on in order."
    assert told.do == f"Start the generator by hand. {keep}"


def shed_all(system: str) -> ShedFirst:
    return ShedFirst(
        START,
        1300.0,
        reason_told("a start by hand"),
        (ShedStep(f"{system} racks", 8800.0),),
        reached=False,
        all_shed=True,
        shed_by=START,
        without_ends=START,
        ends_earliest=START,
    )


@pytest.mark.parametrize("answered", [False, True])
def test_a_reminder_of_what_is_foretold_for_another_outage_waits_until_this_one_is_over(
    answered: bool,
) -> None:
    watch = Watch(impatient())
    watch.calm(0)
    for seconds in (1, 40, 46):
        short = system_state("works", seconds, verdict=Verdict.INADEQUATE, margin_s=-102.0)
        watch.give(SystemJudged(stamp(seconds), short))
    (opened,) = watch.notices("own-requirement_not_met")
    watch.give(*(on_bank(u, 60.0) for u in NORTH))
    watch.pass_time(61, 300, every=5)
    ended = [reading(u, 300.0, source=OutputSource.NONE, input_v=0.0) for u in UNITS["works"]]
    watch.give(*ended)
    watch.pass_time(301, 900, every=5)
    assert watch.notices(opened.incident) == [opened]
    if answered:
        act(watch, OperatorCommand.ACKNOWLEDGE, opened.alarms[0], 901)
    watch.calm(905, NORTH)
    watch.pass_time(906, 960, every=5)
    reminders = [n.kind for n in watch.notices(opened.incident)[1:]]
    assert reminders == ([] if answered else [NoticeKind.ESCALATED])


def impatient() -> Book:
    """Return the plant of a site that wants a major alarm answered within ten minutes."""
    plant = estate()
    site = replace(plant.sites["fellbeck"], answer_within=AnswerTimes(major_s=600.0))
    return Book(replace(plant, sites={"fellbeck": site}))


def test_the_first_message_says_that_a_start_by_hand_would_come_too_late_and_later_ones_what_the_site_says() -> (
    None
):
    """The banks hold for 9 min, and somebody takes 20 to start the generator by hand."""
    watch = Watch()
    watch.calm(5)
    watch.give(*(on_bank(u, 10 + 0.1 * n) for n, u in enumerate(NORTH)))
    lit = on_battery_since(10, lasts_s=900)
    assert lit.ends_earliest is not None
    out = lit.ends_earliest - timedelta(seconds=1200)
    lit = replace(lit, hand_s=1200.0, set_out_before=out)
    watch.give(SystemJudged(stamp(12), system_state("works", 12, on_battery=lit)))
    watch.pass_time(13, 17)
    (opened,) = watch.notices("power-north")
    assert opened.do.startswith(
        "See that the generator runs and carries; a start by hand takes 20.0 min until it carries, with the way there, and "
        "comes too late"
    )
    assert opened.by_when_for is Deadline.BANKS_END
    says = replace(lit, hand_s=None, set_out_before=None, set_says=SetSays.RUNS)
    watch.give(SystemJudged(stamp(100), system_state("works", 100, on_battery=says)))
    watch.pass_time(101, 110)
    told = [n for n in watch.notices("power-north") if n.at >= START + timedelta(seconds=100)]
    assert told
    assert all(n.do.startswith("Throw the changeover to the generator") for n in told)


def test_of_a_unit_alone_on_its_bank_the_message_says_what_its_end_overloads_and_what_to_shed_by_when() -> (
    None
):
    """The bank of one of six lasts 15 min; then line 1 asks more than the others can carry."""
    watch = Watch()
    watch.calm(5)
    others = tuple(u for u in NORTH if u != "W1")
    watch.give(on_bank("W1", 10.0))
    watch.calm(11, others)
    relief = Relief((LineOver(1, 3750.0, "va"),), (ShedStep("desks", 3900.0),), enough=True)
    lit = replace(on_battery_since(10, lasts_s=900), fed=others, relief=relief)
    watch.give(SystemJudged(stamp(12), system_state("works", 12, on_battery=lit)))
    watch.pass_time(13, 17)
    (opened,) = watch.notices("power-north")
    over = "When its bank ends, the units that are fed have to carry 3.75 kVA on line 1 too much."
    assert opened.what.endswith(over)
    assert opened.do.startswith(
        "Shed 3.75 kVA on line 1 within 13.9 min: desks, 3.90 kW."
    )  # 60 s before the earliest end
    assert "input breaker" in opened.do
    asked = watch.state.alarms["on_battery:W1"].do
    assert asked is not None
    assert asked.code is Code.DO_RELIEVE_LINES
    near = replace(lit, ends_earliest=stamp(600).at)
    watch.give(SystemJudged(stamp(120), system_state("works", 120, on_battery=near)))
    watch.pass_time(121, 130)
    told = [n for n in watch.notices("power-north") if n.at >= stamp(120).at]
    assert told
    assert told[-1].do.startswith("Shed 3.75 kVA on line 1 within")


def test_a_warning_that_comes_to_an_outage_heads_no_letter_of_it_and_is_told_at_its_end() -> None:
    """A unit's fan fails while it gives from its bank: that is no news of the outage, which is critical meanwhile."""
    watch = Watch()
    outage(watch)
    watch.give(
        SystemJudged(stamp(16), system_state("works", 16, on_battery=on_battery_since(10, lasts_s=500)))
    )
    watch.pass_time(17, 30)
    told = len(watch.notices("power-north"))
    apart = system_state(
        "works", 31, lines_w=(20_000.0, 3000.0, 3000.0), on_battery=on_battery_since(10, lasts_s=500)
    )
    for seconds in range(31, 1300, 30):
        watch.give(*(on_bank(u, seconds) for u in NORTH))
        watch.give(SystemJudged(stamp(seconds), replace(apart, as_of=stamp(seconds).at)))
        watch.pass_time(seconds, seconds + 29, every=10.0)
    assert not watch.alarm_state("phase_imbalance:works").active, "what is planned is not judged in an outage"
    later = watch.notices("power-north")[told:]
    assert all("line 1" not in notice.what for notice in later)


def test_what_is_planned_of_a_bank_neither_opens_nor_ends_while_its_system_gives_from_its_banks() -> None:
    watch = Watch()
    watch.calm(5)
    due = overdue_bank("W1")
    outage(watch)
    for seconds in range(20, 1000, 60):
        watch.give(*(on_bank(u, seconds) for u in NORTH))
        watch.give(BankJudged(stamp(seconds), due))
    assert not [
        a for a in watch.state.alarms if a.startswith("bank_replace_now") and watch.alarm_state(a).active
    ]
    watch.calm(1000, NORTH)
    for seconds in range(1001, 1400, 20):
        watch.calm(seconds, NORTH)
        watch.give(BankJudged(stamp(seconds), due))
        watch.pass_time(seconds, seconds + 19, every=5.0)
    assert watch.alarm_state("bank_replace_now:bank-W1").active, "it waits until the outage is over"
    watch.give(*(on_bank(u, 1400.0) for u in NORTH))
    sound = replace(due, dates=ReplacementDates(None, None, None))
    for seconds in range(1410, 1800, 20):
        watch.give(*(on_bank(u, seconds) for u in NORTH))
        watch.give(BankJudged(stamp(seconds), sound))
        watch.pass_time(seconds, seconds + 19, every=5.0)
    assert watch.alarm_state("bank_replace_now:bank-W1").active, "nor does it end in one"


def test_that_all_is_back_is_told_once_and_wants_nobody() -> None:
    watch = Watch()
    outage(watch)
    for seconds in range(20, 100, 5):
        watch.give(*(on_bank(u, seconds) for u in NORTH))
        watch.pass_time(seconds, seconds + 4)
    for seconds in range(100, 160, 5):
        watch.calm(seconds, NORTH)
        watch.pass_time(seconds, seconds + 4)
    back = [n for n in watch.notices("power-north") if n.at >= stamp(100).at]
    assert [(n.kind, n.urgent) for n in back] == [(NoticeKind.CLOSED, False)]


def test_an_outage_that_is_back_and_not_told_so_yet_asks_nothing_of_anybody_where_it_is_looked_at() -> None:
    watch = Watch()
    outage(watch)
    assert watch.state.incidents["power-north-1"].do is not None
    for seconds in range(20, 30, 5):
        watch.calm(seconds, NORTH)
        watch.pass_time(seconds, seconds + 4)
    kept = [c for c in watch.of(IncidentChange) if c.notice is None][-1].incident
    assert kept.do is None
    assert all(part.until is not None for part in kept.parts.values())
