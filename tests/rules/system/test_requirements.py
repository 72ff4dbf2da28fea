"""The bridge to the generator, and the verdict on a required hold-up."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.battery.state import ShownToCarry, WouldTell
from rules.phrasing.durations import compared, minutes, minutes_up
from rules.phrasing.reasons import said, say
from rules.plant.estate import Purpose, Requirement, Unit
from rules.system.requirements import (
    BankSeen,
    RequirementEvidence,
    after_start_s,
    bridge,
    stale_after_s,
    starts_failed,
    verdict,
)
from rules.system.state import UNKNOWN_HOLD_UP, Against, HoldUp, UnitLost
from rules.values.code import Code
from rules.values.reason import Reason, reason, told
from rules.values.verdict import Basis, EndedBy, Verdict
from tests.rules.sample_plants import BY_HAND, NOON, SET, START

UNITS = [
    Unit("A1", "A", 3, (1, 2, 3), (), accept_s=20.0, hold_off_s=0.0, walk_in_s=20.0),
    Unit("A2", "A", 3, (1, 2, 3), (), accept_s=20.0, hold_off_s=60.0, walk_in_s=20.0),
]
SHOWN = ShownToCarry(NOON - timedelta(days=100), 6_000.0, 500.0)


def holds(low_s: float) -> HoldUp:
    return HoldUp(low_s, low_s * 1.1, low_s * 1.2, EndedBy.BANK, Basis.TESTED)


def evidence(now_s: float, lost_s: float, **more: object) -> RequirementEvidence:
    base = RequirementEvidence(
        now=holds(now_s),
        each_unit_lost=(UnitLost("A1", holds(lost_s + 30.0)), UnitLost("A2", holds(lost_s))),
        one_unit_lost=holds(lost_s),
        spare_units=1,
        as_of=NOON,
        banks=(BankSeen("bank A1", 9_000.0, SHOWN), BankSeen("bank A2", 9_000.0, SHOWN)),
    )
    return replace(base, **more)  # type: ignore[arg-type]


def test_the_bridge_counts_every_start_and_the_last_unit() -> None:
    steps = {step.step: step.allowed_s for step in bridge(SET, UNITS)}
    assert steps == {
        "detect": 5.0,
        "starts": 75.0,  # 15 on, 15 off, 15 on, 15 off, 15 on: NFPA 110 cyclic cranking
        "run_up": 12.0,
        "changeover": 3.0,
        "accept": 20.0,
        "hold_off": 60.0,
        "walk_in": 20.0,
    }


def test_by_hand_a_person_has_to_get_there_after_all_starts_failed() -> None:
    assert sum(step.allowed_s for step in bridge(SET, UNITS, by_hand=True)) == 195.0 + 375.0


def test_the_last_moment_to_start_counts_from_the_hand_on_the_starter() -> None:
    assert after_start_s(SET, UNITS) == 15.0 + 12.0 + 3.0 + 20.0 + 60.0 + 20.0


@pytest.mark.parametrize(("on_battery_s", "failed"), [(0.0, 0), (54.0, 0), (56.0, 1), (86.0, 2), (1000.0, 3)])
def test_starts_that_have_failed_by_the_clock(on_battery_s: float, failed: int) -> None:
    assert starts_failed(SET, UNITS, on_battery_s) == failed  # first due: 5 + 15 + 12 + 3 + 20 = 55 s


def test_adequate_with_the_worst_unit_lost() -> None:
    found = verdict(START, SET, UNITS, evidence(800.0, 300.0))
    assert (found.verdict, found.against, found.required_s, found.margin_s) == (
        Verdict.ADEQUATE,
        Against.ONE_UNIT_LOST,
        195.0,
        105.0,
    )
    assert said(found.because) == (
        "Holds 5.0 min at the least with unit A2 lost; with all units 13.3 min; needs 3.3 min.",
    )


def test_exactly_enough_is_enough() -> None:
    assert verdict(START, SET, UNITS, evidence(800.0, 195.0)).verdict is Verdict.ADEQUATE


def test_it_is_said_that_it_fails_only_with_one_lost() -> None:
    found = verdict(START, SET, UNITS, evidence(800.0, 100.0))
    assert found.verdict is Verdict.INADEQUATE
    assert "Only with unit A1 or A2 lost it fails: 100 s, short by 95 s." in said(found.because)


def test_it_is_said_that_it_fails_with_all_units() -> None:
    found = verdict(START, SET, UNITS, evidence(150.0, 40.0))
    assert found.verdict is Verdict.INADEQUATE
    assert say(found.because[0]).startswith("Fails with all units in service")


def test_a_low_end_that_is_too_short_is_no_failure_where_more_is_to_be_expected() -> None:
    """In the second outage of a night the banks' interval was 43 to 238 s, 54 were needed, and they held 354."""
    wide = replace(holds(150.0), median_s=400.0, high_s=800.0)
    found = verdict(START, SET, UNITS, replace(evidence(150.0, 40.0), now=wide))
    assert found.verdict is Verdict.INADEQUATE
    assert say(found.because[0]).startswith("May fail with all units in service: 2.5 min at the least")


def test_a_low_end_with_one_lost_that_is_too_short_is_no_failure_where_more_is_to_be_expected() -> None:
    """Of a bank worn to a third the interval was 0 to 302 s with its partner lost, 47 were needed, and it held 282."""
    known = evidence(800.0, 100.0)
    wide = replace(
        known, one_unit_lost=replace(known.one_unit_lost, low_s=100.0, median_s=400.0, high_s=900.0)
    )
    found = verdict(START, SET, UNITS, wide)
    assert found.verdict is Verdict.INADEQUATE
    assert "lost it may fail: 100 s at the least, short by 95 s, and 6.6 min to be expected." in str(
        said(found.because)
    )


def test_where_the_worst_loss_is_not_told_the_one_that_is_told_is_named() -> None:
    """Said of one unit lost, whichever, it would be three times what holds with the other."""
    known = evidence(170.0, 160.0)
    untold = replace(known.one_unit_lost, low_s=None)
    told_one = replace(known.each_unit_lost[1].hold_up, basis=Basis.TESTED)
    each = (
        replace(known.each_unit_lost[0], hold_up=untold),
        replace(known.each_unit_lost[1], hold_up=told_one),
    )
    found = verdict(START, SET, UNITS, replace(known, one_unit_lost=untold, each_unit_lost=each))
    assert any(text.startswith(f"With {each[1].unit} lost it holds") for text in said(found.because))


def test_without_a_spare_unit_all_units_are_counted() -> None:
    found = verdict(START, SET, UNITS, evidence(300.0, 0.0, spare_units=0))
    assert (found.verdict, found.against) == (Verdict.ADEQUATE, Against.NOW)


@pytest.mark.parametrize(
    ("shown", "words"),
    [
        (None, "was never shown to carry it"),
        (replace(SHOWN, at=NOON - timedelta(days=400)), "was last shown to carry on"),
        (replace(SHOWN, for_s=50.0), "for 50 s only"),
        (replace(SHOWN, power_w=4_000.0), "4.0 kW for 500 s only"),
    ],
)
def test_a_generator_start_needs_a_bank_that_was_shown_to_carry(
    shown: ShownToCarry | None, words: str
) -> None:
    banks = (BankSeen("bank A1", 9_000.0, shown),)
    found = verdict(START, SET, UNITS, evidence(800.0, 300.0, banks=banks))
    assert found.verdict is Verdict.CANNOT_TELL
    assert words in say(found.because[0])
    assert found.margin_s == 105.0


def test_a_true_minute_shows_it_though_its_ends_fall_between_two_reads() -> None:
    banks = (BankSeen("bank A1", 9_000.0, replace(SHOWN, for_s=57.6)),)  # 60 s read every 2 s
    found = verdict(START, SET, UNITS, evidence(800.0, 300.0, banks=banks))
    assert found.verdict is Verdict.ADEQUATE


def test_other_requirements_do_not_ask_that_it_was_shown() -> None:
    close_down = Requirement("close down", Purpose.ORDERLY_SHUTDOWN, 240.0)
    found = verdict(close_down, SET, UNITS, evidence(800.0, 300.0, banks=(BankSeen("b", 9e3, None),)))
    assert found.verdict is Verdict.ADEQUATE


def test_missing_evidence_cannot_tell() -> None:
    silent = evidence(800.0, 300.0, missing=(told("Unit A1 has not answered for 40 s."),))
    found = verdict(START, SET, UNITS, silent)
    assert found.verdict is Verdict.CANNOT_TELL
    assert say(found.because[0]) == "Unit A1 has not answered for 40 s."


def test_unknown_hold_up_cannot_tell() -> None:
    found = verdict(START, SET, UNITS, evidence(800.0, 300.0, one_unit_lost=UNKNOWN_HOLD_UP))
    assert found.verdict is Verdict.CANNOT_TELL
    assert found.margin_s is None


def test_no_load_is_said() -> None:
    found = verdict(
        START,
        SET,
        UNITS,
        evidence(800.0, 300.0, one_unit_lost=UNKNOWN_HOLD_UP, no_load=reason(Code.NO_LOAD_TO_JUDGE_BY)),
    )
    assert said(found.because) == ("There is no load: nothing to hold, and nothing to judge by.",)


def test_a_start_by_hand_without_its_time_cannot_tell() -> None:
    found = verdict(BY_HAND, replace(SET, hand_start_s=None), UNITS, evidence(800.0, 300.0))
    assert found.verdict is Verdict.CANNOT_TELL
    assert found.required_s is None


def test_no_generator_cannot_tell_a_start() -> None:
    assert verdict(START, None, UNITS, evidence(800.0, 300.0)).verdict is Verdict.CANNOT_TELL


def test_a_given_time_wins_over_the_computed_one() -> None:
    given_s = replace(START, required_s=60.0)
    assert verdict(given_s, SET, UNITS, evidence(800.0, 300.0)).required_s == 60.0


def test_readings_are_stale_after_three_polls_and_never_before_15_s() -> None:
    assert (stale_after_s(2.0), stale_after_s(5.0), stale_after_s(30.0)) == (15.0, 15.0, 90.0)


def test_times_in_words_are_rounded_down() -> None:
    assert [minutes(s) for s in (59.9, 119.0, 179.9, 7199.0, 7300.0)] == [
        "59 s",
        "119 s",
        "2.9 min",
        "119.9 min",
        "2.0 h",
    ]


@settings(max_examples=60, deadline=None)
@given(st.floats(0.0, 2000.0), st.floats(0.0, 2000.0), st.integers(0, 1))
def test_adequate_exactly_when_the_low_end_reaches_the_need(now_s: float, lost_s: float, spare: int) -> None:
    found = verdict(START, SET, UNITS, evidence(now_s, lost_s, spare_units=spare))
    assert (found.verdict is Verdict.ADEQUATE) == ((lost_s if spare else now_s) >= 195.0)


def suggests(low_s: float | None, median_s: float, basis: Basis = Basis.TABLE) -> HoldUp:
    return HoldUp(low_s, median_s, 2.0 * median_s, EndedBy.BANK, basis)


def alone(held: HoldUp) -> RequirementEvidence:
    banks = (BankSeen("bank A1", 9_000.0, SHOWN),)
    steps = (WouldTell(told("Import a past test."), told("Its capacity.")),)
    return RequirementEvidence(
        now=held,
        each_unit_lost=(),
        one_unit_lost=held,
        spare_units=0,
        as_of=NOON,
        banks=banks,
        would_tell=steps,
    )


@pytest.mark.parametrize(
    ("held", "expected"),
    [
        (suggests(250.0, 600.0), Verdict.ADEQUATE),  # the low end of an assumption may be good news
        (suggests(100.0, 600.0), Verdict.CANNOT_TELL),  # and is no bad news
        (suggests(None, 600.0), Verdict.CANNOT_TELL),
        (suggests(100.0, 150.0), Verdict.INADEQUATE),  # the median fails as well
        (suggests(100.0, 600.0, Basis.TESTED), Verdict.INADEQUATE),  # discharges stand behind it
    ],
)
def test_what_an_assumption_alone_suggests_is_no_bad_news(held: HoldUp, expected: Verdict) -> None:
    found = verdict(START, SET, UNITS, alone(held))  # 195 s are needed
    assert found.verdict is expected
    assert bool(found.would_tell) == (expected is Verdict.CANNOT_TELL)
    assert found.because


def above(*lost: str) -> Reason:
    return reason(Code.BANK_BEYOND_TABLE, "d1", lost=lost, shortest_s=300.0)


@pytest.mark.parametrize(
    ("now_s", "lost", "note", "expected"),
    [
        (800.0, suggests(190.0, 230.0, Basis.TESTED), above("A2"), Verdict.CANNOT_TELL),
        (800.0, suggests(196.0, 230.0, Basis.TESTED), above("A2"), Verdict.ADEQUATE),
        (
            800.0,
            suggests(120.0, 180.0, Basis.TESTED),
            above("A2"),
            Verdict.INADEQUATE,
        ),  # nor is the middle enough
        (
            100.0,
            suggests(90.0, 230.0, Basis.TESTED),
            above("A2"),
            Verdict.INADEQUATE,
        ),  # with all units it fails too
        (800.0, suggests(190.0, 230.0, Basis.TESTED), above(), Verdict.INADEQUATE),  # said of another load
    ],
)
def test_the_doubt_of_a_load_above_the_table_alone_calls_nothing_inadequate(
    now_s: float, lost: HoldUp, note: Reason, expected: Verdict
) -> None:
    """195 s are needed. A system that truly held 230 s was said to fail by one second, by what is assumed above a table."""
    each = (UnitLost("A1", holds(900.0)), UnitLost("A2", lost))
    found = verdict(
        START, SET, UNITS, evidence(now_s, 0.0, each_unit_lost=each, one_unit_lost=lost, notes=(note,))
    )
    assert found.verdict is expected
    if expected is Verdict.CANNOT_TELL:
        assert [why.code for why in found.because] == [Code.EXPECTED_BEYOND_TABLE, Code.BANK_BEYOND_TABLE]


def test_without_a_spare_the_load_of_all_units_may_lie_above_the_table() -> None:
    alone_above = replace(alone(suggests(190.0, 230.0, Basis.TESTED)), notes=(above(),))
    assert verdict(START, SET, UNITS, alone_above).verdict is Verdict.CANNOT_TELL


def unseen(median_s: float) -> Reason:
    return reason(Code.BANKS_UNSEEN, banks=("d3",), generic=False, median_s=median_s, at_end=median_s < 60.0)


def test_a_verdict_left_open_says_what_is_suggested_and_that_it_proves_nothing() -> None:
    held = replace(alone(suggests(None, 600.0)), notes=(unseen(600.0),))
    because = verdict(START, SET, UNITS, held).because
    assert said(because) == (
        "No discharge of bank d3 tells enough yet; table and age alone suggest about 10.0 min, which reaches the 3.3 min "
        "needed but proves nothing.",
    )


def test_a_test_that_is_too_old_to_tell_a_least_is_said_to_be() -> None:
    note = reason(Code.BANKS_SEEN_TOO_LONG_AGO, banks=("d3",))
    found = verdict(START, SET, UNITS, replace(alone(suggests(None, 600.0, Basis.TESTED)), notes=(note,)))
    assert found.verdict is Verdict.CANNOT_TELL
    assert said(found.because) == (
        "What was seen of bank d3 is too old to tell a least; to be expected is about 10.0 min, which reaches the "
        "3.3 min needed but proves nothing.",
    )


def test_a_bank_that_nothing_was_seen_of_hides_no_bad_news_of_its_neighbour() -> None:
    lost = (UnitLost("A1", suggests(None, 600.0)), UnitLost("A2", holds(60.0)))
    found = verdict(
        START, SET, UNITS, evidence(800.0, 300.0, each_unit_lost=lost, one_unit_lost=suggests(None, 600.0))
    )
    assert found.verdict is Verdict.INADEQUATE
    assert found.margin_s == 60.0 - 195.0


def test_a_loss_that_falls_short_is_no_word_on_all_units_where_nothing_tells_of_them() -> None:
    lost = (UnitLost("A1", suggests(None, 600.0)), UnitLost("A2", holds(60.0)))
    unknown = suggests(None, 600.0)
    seen = evidence(0.0, 0.0, now=unknown, each_unit_lost=lost, one_unit_lost=unknown)
    found = verdict(START, SET, UNITS, seen)
    assert found.verdict is Verdict.INADEQUATE
    assert said(found.because) == ("Holds 60 s at the least with unit A2 lost; needs 3.3 min.",)


def test_one_need_is_one_figure_wherever_it_is_said() -> None:
    assert (
        minutes_up(735.0) == "12.3 min"
    )  # as the page and the alarms round it: up, since it counts against us
    assert minutes_up(720.0) == "12.0 min"
    assert minutes_up(117.2) == "118 s"
    assert minutes(735.0) == "12.2 min"


@pytest.mark.parametrize(
    ("holds_s", "needs_s"), [(659.2, 658.0), (658.3, 658.2), (7300.0, 7290.0), (600.0, 600.0)]
)
def test_what_is_enough_is_never_said_in_figures_that_read_as_too_little(
    holds_s: float, needs_s: float
) -> None:
    holds, needs = compared(holds_s, needs_s)
    assert holds.split()[1] == needs.split()[1], "one unit for both"
    assert float(holds.split()[0]) >= float(needs.split()[0])


def test_enough_with_all_units_reads_as_enough() -> None:
    need = replace(START, required_s=658.0)
    (first, _) = verdict(need, SET, UNITS, evidence(659.2, 300.0)).because
    assert say(first) == "With all units it holds 659 s at the least and needs 658 s: enough."


def test_age_alone_never_gives_nought_seconds() -> None:
    note = unseen(0.4)
    found = verdict(START, SET, UNITS, replace(alone(suggests(None, 0.4)), notes=(note,)))
    assert " 0 s" not in say(found.because[0])
    assert "table and age alone suggest that they may be at their end" in say(found.because[0])
    assert [
        verdict(START, SET, UNITS, alone(suggests(None, s))).because[0]["at_end"] for s in (59.0, 60.0)
    ] == [
        True,
        False,
    ]
