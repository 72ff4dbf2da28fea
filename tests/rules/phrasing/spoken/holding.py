"""What is said of how long a system holds, and whether that is enough, one reason a line."""

from datetime import date
from typing import Final

from rules.plant.estate import Purpose
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Verdict

SPOKEN: Final[tuple[tuple[Reason, str], ...]] = (
    (reason(Code.UNIT_NOT_TOLD, "A1"), "What unit A1 is doing cannot be told from its card."),
    (reason(Code.UNIT_RATING_NOT_KNOWN, "A1"), "The rating of unit A1 is not known."),
    (reason(Code.LOAD_NOT_KNOWN_ON_LINES), "The load is not known on every line."),
    (reason(Code.UNIT_WITHOUT_BANK, "A1"), "No bank is declared behind unit A1."),
    (
        reason(Code.VA_NOT_KNOWN_ON_LINES),
        "Volt-amperes are not known on every line: overload is judged in watts alone.",
    ),
    (
        reason(Code.RESTING_UNITS_COUNTED_ON),
        "Units that rest are counted on to carry when the mains fails.",
    ),
    (
        reason(Code.BANKS_NOT_JUDGED_YET, banks=("b1",)),
        "Bank b1 has not been judged yet since the start.",
    ),
    (
        reason(Code.BANKS_NOT_JUDGED_YET, banks=("b2", "b1")),
        "Banks b1 and b2 have not been judged yet since the start.",
    ),
    (
        reason(Code.BANK_WITHOUT_TABLE, "b1"),
        "Neither a run time table nor a rated capacity is known for bank b1.",
    ),
    (
        reason(Code.LOAD_ON_BYPASS),
        "The load is on bypass: if the mains fails now it is lost at once.",
    ),
    (reason(Code.NO_LOAD_TO_HOLD), "There is no load to hold."),
    (
        reason(Code.BANKS_BEING_CHARGED, full_low_s=599.0),
        "The banks are not full: holding is reckoned from what they hold now; full they would hold 9.9 min at the least.",
    ),
    (
        reason(Code.BANKS_BEING_CHARGED, full_low_s=None),
        "The banks are not full: holding is reckoned from what they hold now.",
    ),
    (
        reason(Code.BANKS_UNSEEN, banks=("b1",), generic=False, median_s=599.0, at_end=False),
        "No discharge of bank b1 tells enough yet. Table and age alone suggest about 9.9 min.",
    ),
    (
        reason(Code.BANKS_UNSEEN, banks=("b1", "b2"), generic=True, median_s=9.0, at_end=True),
        "No discharge of banks b1 and b2 tells enough yet. A typical curve and age alone suggest that they may be at their end.",
    ),
    (
        reason(Code.BANKS_UNSEEN, banks=("b1",), generic=True, median_s=None, at_end=False),
        "No discharge of bank b1 tells enough yet.",
    ),
    (
        reason(Code.BANKS_SEEN_TOO_LONG_AGO, banks=("b1",)),
        "What was seen of bank b1 is too old to tell a least: banks like it may have ended since.",
    ),
    (
        reason(Code.BANKS_SEEN_TOO_BRIEFLY, banks=("b1", "b2"), lately_s=180.0),
        "What was seen of banks b1 and b2 of late, 3.0 min of carrying, is too short to tell a least, and what went before is "
        "too old.",
    ),
    (
        reason(Code.OVERLOADS_ONE_LOST, "A1", line=2, share=1.204),
        "Overload with unit A1 lost: L2 is asked 121 % of what the units left may carry; they trip, whatever their banks hold.",
    ),
    (
        reason(Code.BANK_OUT_OF_REACH, "b1", lost=("A1",), shortest_s=300.0),
        "How long bank b1 holds with unit A1 lost cannot be told: its table starts at 5 min, far under this load.",
    ),
    (
        reason(Code.BANK_BEYOND_TABLE, "b1", lost=(), shortest_s=300.0),
        "Bank b1: its table starts at 5 min; beyond it the time is carried on by physics, and wide.",
    ),
    (reason(Code.HOLD_UP_NOT_RECKONED), "Hold-up has not been reckoned yet."),
    (
        reason(Code.HOLD_UP_RECKONED_LONG_AGO, over_s=300.0),
        "Hold-up was last reckoned over 5 min ago: too long ago to count.",
    ),
    (reason(Code.HOLD_UP_NOT_KNOWN), "The hold-up is not known."),
    # ---- what is required
    (reason(Code.NO_GENERATOR_DECLARED), "No generator is declared behind this supply."),
    (
        reason(Code.HAND_START_NOT_DECLARED, generator="G1"),
        "How long a start of G1 by hand takes is not declared (hand_start_s).",
    ),
    (
        reason(Code.TIME_NOT_DECLARED, purpose=Purpose.ORDERLY_SHUTDOWN),
        "How long an orderly shutdown takes is not declared (required_s).",
    ),
    (
        reason(Code.NO_LOAD_TO_JUDGE_BY),
        "There is no load: nothing to hold, and nothing to judge by.",
    ),
    (
        reason(Code.LOAD_IS_OFF),
        "Every unit feeds nothing: the load is off.",
    ),
    (
        reason(Code.TABLES_NOT_KNOWN),
        "Neither a run time table nor a rated capacity is known for a bank.",
    ),
    (
        reason(Code.NEVER_SHOWN_TO_CARRY, "b1", need_w=2_500.0, wanted_s=60.0, months=12),
        "Bank b1 was never shown to carry it: no discharge of 2.5 kW for 60 s within 12 months is on record.",
    ),
    (
        reason(Code.CARRIES_TOO_SHORT_YET, "b1", power_w=12_100.0, for_s=40.0, need_w=6_050.0, wanted_s=60.0),
        "Bank b1 carries 12.1 kW for 40 s so far; 6.0 kW for 60 s show that it can.",
    ),
    (
        reason(
            Code.WHEN_LAST_TOLD,
            ago_s=130.0,
            verdict=Verdict.INADEQUATE,
            because=(reason(Code.HOLDS_TOO_SHORT, held_s=100.0, needed_s=195.0),),
        ),
        "When it could be told last, 2 min 10 s ago, it was not met: holds 100 s at the least, needs 3.3 min: short by 95 s.",
    ),
    (
        reason(
            Code.SHOWN_TO_CARRY_LONG_AGO,
            "b1",
            shown=date(2024, 10, 7),
            need_w=2_500.0,
            wanted_s=60.0,
            months=12,
        ),
        "Bank b1 was last shown to carry on 7 Oct 2024; wanted is 2.5 kW for 60 s within 12 months.",
    ),
    (
        reason(
            Code.SHOWN_TO_CARRY_TOO_LITTLE,
            "b1",
            power_w=1_000.0,
            for_s=30.0,
            need_w=2_500.0,
            wanted_s=60.0,
            months=12,
        ),
        "Bank b1 was shown to carry 1.0 kW for 30 s only; wanted is 2.5 kW for 60 s within 12 months.",
    ),
    # ---- what is to be expected, and what is promised
    (
        reason(Code.EXPECTED_BEYOND_TABLE, low_s=134.2, median_s=172.9, needed_s=135.0, one_lost=True),
        "With one unit lost it holds 2.2 min at the least and 2.8 min as is to be expected; needed are 2.3 min, so it may hold and "
        "may not.",
    ),
    (
        reason(Code.EXPECTED_BEYOND_TABLE, low_s=80.0, median_s=100.0, needed_s=90.0, one_lost=False),
        "At this load it holds 80 s at the least and 100 s as is to be expected; needed are 90 s, so it may hold and may not.",
    ),
    (
        reason(
            Code.EXPECTED_THOUGH_SEEN,
            banks=("d3",),
            lately_s=None,
            median_s=600.0,
            needed_s=195.0,
            one_lost=False,
            trips=False,
        ),
        "What was seen of bank d3 is too old to tell a least; to be expected is about 10.0 min, which reaches the 3.3 min needed "
        "but proves nothing.",
    ),
    (
        reason(
            Code.EXPECTED_THOUGH_SEEN,
            banks=("d3",),
            lately_s=180.0,
            median_s=100.0,
            needed_s=195.0,
            one_lost=True,
            trips=True,
        ),
        "What was seen of bank d3 of late, 3.0 min of carrying, is too short to tell a least, and what went before is too old; to "
        "be expected is about 100 s with one unit lost, until the units left trip by overload, which does not reach the 3.3 min "
        "needed but proves nothing.",
    ),
    (
        reason(
            Code.EXPECTED_THOUGH_SEEN,
            banks=(),
            lately_s=None,
            median_s=600.0,
            needed_s=195.0,
            one_lost=False,
            trips=False,
        ),
        "Too long has passed since these banks were judged; to be expected is about 10.0 min, which reaches the 3.3 min needed "
        "but proves nothing.",
    ),
    (
        reason(
            Code.EXPECTED_UNSEEN,
            banks=("d3",),
            generic=False,
            median_s=600.0,
            at_end=False,
            needed_s=195.0,
            one_lost=False,
            trips=False,
        ),
        "No discharge of bank d3 tells enough yet; table and age alone suggest about 10.0 min, which reaches the 3.3 min needed "
        "but proves nothing.",
    ),
    (
        reason(
            Code.EXPECTED_UNSEEN,
            banks=(),
            generic=True,
            median_s=9.0,
            at_end=True,
            needed_s=195.0,
            one_lost=True,
            trips=False,
        ),
        "No discharge tells enough yet; a typical curve and age alone suggest that they may be at their end with one unit lost, "
        "which does not reach the 3.3 min needed but proves nothing.",
    ),
    (
        reason(Code.HOLDS, held_s=659.2, needed_s=658.0),
        "Holds 659 s at the least, needs 658 s.",
    ),
    (
        reason(Code.HOLDS_TOO_SHORT, held_s=100.0, needed_s=195.0),
        "Holds 100 s at the least, needs 3.3 min: short by 95 s.",
    ),
    (
        reason(Code.HOLDS_ONE_LOST, held_s=300.0, needed_s=195.0, worst="A2", all_s=800.0),
        "Holds 5.0 min at the least with unit A2 lost; with all units 13.3 min; needs 3.3 min.",
    ),
    (
        reason(Code.HOLDS_ONE_LOST, held_s=300.0, needed_s=195.0, worst=None, all_s=None),
        "Holds 5.0 min at the least with one unit lost; needs 3.3 min.",
    ),
    (
        reason(Code.HOLDS_WITH_ALL, held_s=800.0, needed_s=195.0),
        "With all units it holds 13.3 min at the least and needs 3.3 min: enough.",
    ),
    (
        reason(Code.FAILS_ONE_LOST, units=("A1", "A2"), held_s=100.0, needed_s=195.0),
        "Only with unit A1 or A2 lost it fails: 100 s, short by 95 s.",
    ),
    (
        reason(Code.FAILS_ONE_LOST, units=(), held_s=100.0, needed_s=195.0),
        "Only with unit one lost it fails: 100 s, short by 95 s.",
    ),
    (
        reason(Code.FAILS_ONE_LOST, units=("A1",), held_s=0.0, needed_s=47.0, expected_s=156.0),
        "Only with unit A1 lost it may fail: 0 s at the least, short by 47 s, and 2.6 min to be expected.",
    ),
    (
        reason(Code.FAILS_WITH_ALL, held_s=100.0, needed_s=195.0),
        "Fails with all units in service: 100 s at the least, needs 3.3 min.",
    ),
    (
        reason(Code.FAILS_WITH_ALL, held_s=43.0, needed_s=54.0, expected_s=117.0),
        "May fail with all units in service: 43 s at the least and 117 s to be expected, needs 54 s.",
    ),
    (reason(Code.HOLDS_WITH_ONE_LOST, held_s=90.0, lost=None), "With one lost it holds 90 s."),
    (reason(Code.HOLDS_WITH_ONE_LOST, held_s=90.0, lost="U3"), "With U3 lost it holds 90 s."),
)
