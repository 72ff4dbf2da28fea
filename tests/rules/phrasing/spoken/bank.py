"""What is said of one bank: its faults and tests, how it is kept, what would tell and what helps, one reason a line."""

from datetime import date
from typing import Final

from rules.battery.state import DischargeMeans, SiblingFigure
from rules.values.code import Code
from rules.values.reason import Reason, reason, told

DAY: Final = date(2026, 9, 9)


def buys(
    order_by: date | None,
    expected_days: float | None,
    early: date = date(2027, 1, 3),
    late: date = date(2028, 2, 2),
) -> Reason:
    """Return what a discharge buys, on `DAY`."""
    return reason(
        Code.DISCHARGE_BUYS,
        on=DAY,
        order_by=order_by,
        order_early=early,
        order_late=late,
        expected_days=expected_days,
        later=0.664,
        later_days=155.0,
        sooner=0.256,
        sooner_days=62.0,
    )


SPOKEN: Final[tuple[tuple[Reason, str], ...]] = (
    # ---- signs
    (
        reason(Code.SHORT_SUSPECTED, under_v=2.14, cells=1, backed=True),
        "In discharge the bank lies 2.1 V under its own reference, about one cell: a short is suspected. Its float current or "
        "recharge time has risen too.",
    ),
    (
        reason(Code.SHORT_SUSPECTED, under_v=4.0, cells=2, backed=False),
        "In discharge the bank lies 4.0 V under its own reference, about 2 cells: a short is suspected.",
    ),
    (
        reason(Code.STRING_OPEN, before_v=545.2, lowest_v=119.6, silent=True, strings=2),
        "At the transfer the bank fell from 545 to 120 V at once and gave no current: strings are suspected to be open.",
    ),
    (
        reason(Code.STRING_OPEN, before_v=545.2, lowest_v=119.6, silent=False, strings=1),
        "At the transfer the bank fell from 545 to 120 V at once: its string is suspected to be open.",
    ),
    (
        reason(Code.RESISTANCE_ROSE, now_ohm=0.62, rise=0.24),
        "The bank's resistance is 620 mΩ, 24 % over its reference.",
    ),
    (
        reason(Code.CAPACITY_FELL, earlier=0.95, later=0.84),
        "Capacity fell from 95 to 84 % between two tests.",
    ),
    (
        reason(
            Code.BLOCKS_APART,
            what="voltage",
            odd=2,
            of=40,
            middle=13.52,
            named=(("block 3", 11.9), ("block 7", 11.4)),
        ),
        "By hand-measured voltage, 2 of 40 blocks stand apart (median 13.52): block 3 (11.9), block 7 (11.4).",
    ),
    (
        reason(Code.CARD_PROMISES_WRONG, ratio=2.04, discharges=3, missed=0),
        "The card promised 2.0 times what was there (median of 3 discharges).",
    ),
    (
        reason(Code.CARD_PROMISES_WRONG, ratio=0.7, discharges=3, missed=2),
        "The card promised 70 % of what was there (median of 3 discharges). It called the bank sound 2 times when it failed.",
    ),
    (
        reason(Code.DO_MEASURE_BLOCK_VOLTAGES),
        "Measure every block's voltage, at rest and under load; a block with a shorted cell is 2 V low.",
    ),
    (
        reason(Code.DO_CHECK_LINKS_AND_FUSES),
        "Do not count on this bank. Have links, fuses and every block checked by qualified people.",
    ),
    (
        reason(Code.DO_RETORQUE_LINKS),
        "Have the links retorqued and the blocks' ohmic values measured; test the capacity soon.",
    ),
    (
        reason(Code.DO_TEST_YEARLY),
        "Test yearly from now on, and order the replacement as the dates say.",
    ),
    (
        reason(Code.DO_MEASURE_BLOCKS_AGAIN),
        "Measure these blocks again under load; replace whole strings, and do not mix ages.",
    ),
    (reason(Code.DO_NOT_PLAN_BY_DISPLAY), "Do not plan by the minutes on the unit's display."),
    # ---- tests
    (reason(Code.TEST_NEVER_ACCEPTED), "no acceptance test is known"),
    (reason(Code.TEST_TWO_YEARLY), "every two years"),
    (reason(Code.TEST_BY_QUARTERS), "every quarter of the expected life"),
    (
        reason(Code.TEST_BY_QUARTERS, life_years=5.94),
        "every quarter of the 5.9 years of life expected at the last test",
    ),
    (reason(Code.TEST_YEARLY_BY_CAPACITY), "every year: capacity is under 90 %"),
    (reason(Code.TEST_YEARLY_BY_AGE), "every year: 85 % of life is over"),
    (reason(Code.TEST_YEARLY_SINCE, since=DAY), "every year: worn as known since 9 Sep 2026"),
    (
        reason(Code.TEST_IS_DUE, due=DAY, why=reason(Code.TEST_TWO_YEARLY), last=date(2024, 9, 9)),
        "A capacity test is due since 9 Sep 2026 (every two years; last tested on 9 Sep 2024).",
    ),
    (
        reason(Code.TEST_IS_DUE, due=DAY, why=reason(Code.TEST_NEVER_ACCEPTED), last=None),
        "A capacity test is due since 9 Sep 2026 (no acceptance test is known; never tested).",
    ),
    (
        reason(Code.DO_PLAN_DISCHARGE),
        "Plan a discharge of at least half the bank's time, with the generator ready and somebody present.",
    ),
    (
        reason(
            Code.DO_DISCHARGE,
            "d3",
            power_w=12_340.0,
            for_s=720.0,
            on=DAY,
            latest=date(2026, 11, 3),
            means=DischargeMeans.INPUT_OFF,
        ),
        "Let bank d3 carry its part of the load (about 12 kW now) for 12 min, between 9 Sep 2026 and 3 Nov 2026: "
        "switch off the input of its unit alone, with the generator ready and somebody present who switches it on again.",
    ),
    (
        reason(
            Code.DO_DISCHARGE,
            "d3",
            power_w=4_320.0,
            for_s=180.0,
            on=DAY,
            latest=DAY,
            means=DischargeMeans.INPUT_OFF,
        ),
        "Let bank d3 carry its part of the load (about 4.3 kW now) for 3 min, from 9 Sep 2026 on: "
        "switch off the input of its unit alone, with the generator ready and somebody present who switches it on again.",
    ),
    (
        reason(
            Code.DO_DISCHARGE,
            "d3",
            power_w=4_320.0,
            for_s=300.0,
            on=DAY,
            latest=DAY,
            means=DischargeMeans.OWN_TEST,
        ),
        "Have the unit of bank d3 make its own test, of 5 min as it was before, from 9 Sep 2026 on: a person starts it at the "
        "unit's panel, with the generator ready.",
    ),
    (
        buys(date(2027, 3, 1), 90.0),
        "It moves the day to order by, 1 Mar 2027: later with 66 % probability, by 5 months in the median; sooner with 26 %, "
        "by 2 months. On the average 3 months later, between 3 Jan 2027 and 2 Feb 2028 with 90 % probability.",
    ),
    (
        buys(date(2026, 9, 1), 200.0),
        "The day to order comes before it; after it the order is put off with 66 % probability, by 5 months in the median, or is "
        "to be placed at once. On the average 7 months later, between 3 Jan 2027 and 2 Feb 2028 with 90 % probability.",
    ),
    (
        buys(None, None),
        "It gives the bank its first day to order by, between 3 Jan 2027 and 2 Feb 2028 with 90 % probability.",
    ),
    (
        buys(None, None, DAY, date(2028, 2, 2)),
        "It gives the bank its first day to order by, between the day of the discharge and 2 Feb 2028 with 90 % probability.",
    ),
    (
        buys(None, None, date(2026, 9, 2), DAY),
        "It gives the bank its first day to order by, at once with 90 % probability.",
    ),
    (
        reason(Code.DISCHARGE_RISKS, least_s=1320.0, ends=0.004),
        "It holds that load for at least 22.0 min; it ends in the discharge with under 1 % probability.",
    ),
    (
        reason(Code.DISCHARGE_RISKS, least_s=None, ends=0.23),
        "How long it holds that load at the least is not known; it ends in the discharge with 23 % probability.",
    ),
    (
        reason(
            Code.DISCHARGE_ADVISED,
            do=told("Do it."),
            buys=told("It buys a year."),
            risks=told("It risks nothing."),
        ),
        "Do it. It buys a year. It risks nothing.",
    ),
    (
        reason(
            Code.CHEAPEST_DAY,
            by=date(2028, 3, 1),
            cost=1_612.4,
            fails=0.09,
            told_by=DAY,
            told_cost=1_655.0,
            told_fails=0.04,
        ),
        "By the prices stated it is cheapest to replace the bank by 1 Mar 2028: 1,612 a year, and with 9 % probability it ends "
        "before. The day told above, 9 Sep 2026, keeps the risk under 5 %: 1,655 a year, and 4 %.",
    ),
    (
        reason(
            Code.CHEAPEST_DAY,
            by=date(2028, 3, 1),
            cost=900.0,
            fails=0.2,
            told_by=None,
            told_cost=None,
            told_fails=None,
        ),
        "By the prices stated it is cheapest to replace the bank by 1 Mar 2028: 900 a year, and with 20 % probability it ends "
        "before.",
    ),
    (reason(Code.DISCHARGE_OTHERS_CARRY), "If it ends, the other units carry the load."),
    (
        reason(Code.DISCHARGE_OTHERS_SHORT),
        "If it ends, the other units do not carry the load on every line: it goes to the bypass. Do it at low load.",
    ),
    (
        reason(Code.DISCHARGE_OTHERS_NOT_KNOWN),
        "Whether the other units carry the load if it ends cannot be told.",
    ),
    (
        reason(Code.DISCHARGE_OF_ONLY_UNIT),
        "No other unit stands beside it: if it ends, the load goes to the bypass, or is lost where that is not there.",
    ),
    (
        reason(Code.DISCHARGE_OF_COMMON_BANK, units=("A1", "A2")),
        "The bank is common to A1 and A2: all of them are on it at once, and if it ends the load goes to the bypass.",
    ),
    (
        reason(Code.NO_TEST_PAYS, days=14.0, until=DAY),
        "To move the day to order no discharge pays: until 9 Sep 2026 none moves it by more than 14 days on the average.",
    ),
    (
        reason(Code.NO_TEST_PAYS_SAFELY, most=0.02),
        "No discharge is advised: even a short one ends the bank with more than 2 % probability.",
    ),
    (
        reason(Code.NO_TEST_PAYS_SHOWN_OVER),
        "No discharge is advised: what was seen of the bank showed already that it is over.",
    ),
    (
        reason(Code.NO_TEST_PAYS_WITHOUT_DATE),
        "No discharge pays: the bank has no day to order by within forty years.",
    ),
    (
        reason(Code.NO_TEST_PAYS_WITHOUT_TABLE),
        "What a discharge buys cannot be reckoned: no run time table covers the load.",
    ),
    (
        reason(Code.TEST_MAY_END_BANK, probability=0.256),
        "In a test to half its published time this bank may end, with a probability of 26 %.",
    ),
    (
        reason(Code.DO_TEST_WITH_CARE),
        "Test with the load on another unit or the generator running, or replace without a test.",
    ),
    # ---- whether it carries
    (reason(Code.FAILED_WHEN_ASKED), "The bank did not carry its load when it was last asked to."),
    (reason(Code.DO_INSPECT_AT_ONCE), "Do not count on it. Have it inspected and tested at once."),
    (
        reason(Code.NOT_SHOWN_TO_CARRY, days=400, last=DAY),
        "The bank has not been shown to carry its load for 400 days (last on 9 Sep 2026). An open cell would not show.",
    ),
    (
        reason(Code.NOT_SHOWN_TO_CARRY, days=400, last=None),
        "The bank has not been shown to carry its load for 400 days (never since its installation). An open cell would not "
        "show.",
    ),
    (
        reason(Code.DO_LET_IT_CARRY),
        "Have it carry the load for a minute or more, at a time when help is at hand.",
    ),
    (
        reason(Code.LOAD_BEYOND_TABLE, power_w_per_cell=70.4, largest_w=66.0, shortest_s=300.0, reached=True),
        "With a unit lost each cell would have to give 70 W; the table starts at 5 min with 66 W: beyond it the time is "
        "carried on by physics, and wide.",
    ),
    (
        reason(
            Code.LOAD_BEYOND_TABLE, power_w_per_cell=90.0, largest_w=66.0, shortest_s=450.0, reached=False
        ),
        "With a unit lost each cell would have to give 90 W; the table starts at 7.5 min with 66 W: how long the bank holds "
        "then cannot be told.",
    ),
    (
        reason(Code.DO_ASK_FOR_SHORTER_TIMES),
        "Ask the maker for shorter times, and put them into the estate file.",
    ),
    (
        reason(Code.BLOCKS_GIVE_LESS, asked_w=24_280.0, asked_s=1335.0, given_s=523.0, worn=True),
        "The bank is too small and worn besides: asked of it are 24.3 kW for 22.3 min; new blocks of this type give that for 8.7 min.",
    ),
    (
        reason(Code.BLOCKS_GIVE_LESS, asked_w=24_280.0, asked_s=1335.0, given_s=523.0, worn=False),
        "The bank is too small, not worn: asked of it are 24.3 kW for 22.3 min; new blocks of this type give that for 8.7 min.",
    ),
    (
        reason(Code.BLOCKS_GIVE_LESS, asked_w=24_280.0, asked_s=1335.0, given_s=523.0, worn=None),
        "The bank is too small: asked of it are 24.3 kW for 22.3 min; new blocks of this type give that for 8.7 min.",
    ),
    (
        reason(Code.BLOCKS_GIVE_LESS, asked_w=11_400.0, asked_s=660.0, given_s=679.0, worn=None),
        "The bank is too small: asked of it are 11.4 kW for 11.0 min; new blocks of this type give that for 11.3 min as "
        "published, which too few of them reach.",
    ),
    (
        reason(Code.DO_NOT_RENEW_ALIKE, offers=(told("Less load."), told("A shorter wait."))),
        "Do not renew like for like. Less load. A shorter wait.",
    ),
    (reason(Code.DO_NOT_RENEW_ALIKE, offers=()), "Do not renew like for like."),
    (
        reason(Code.BANK_UNSEEN, from_day=date(2030, 1, 1), to_day=date(2034, 1, 1)),
        "No discharge of this bank tells enough yet. By its age alone it comes to its end 2030 to 2034.",
    ),
    (
        reason(Code.BANK_UNSEEN, from_day=None, to_day=None),
        "No discharge of this bank tells enough yet.",
    ),
    (
        reason(Code.BANK_UNSEEN, from_day=None, to_day=None, best=DAY, low=0.42, high=1.07),
        "No discharge of this bank tells enough yet. The best, of 9 Sep 2026, says 42 to 107 % of rated.",
    ),
    # ---- how it is kept
    (reason(Code.NO_BLOCKS_IN_BANK), "no blocks are declared in this place"),
    (reason(Code.VOLTAGE_NEVER_READ), "no battery voltage was read for a whole hour yet"),
    (
        reason(Code.VOLTAGE_NOT_READ_LATELY, within_s=21_600.0),
        "no battery voltage was read for a whole hour in the last 6 h",
    ),
    (
        reason(Code.VOLTAGE_READ_TOO_BRIEFLY, hours=2, wanted=3),
        "battery voltage was read in 2 of the hours by the clock so far, and it takes 3",
    ),
    (reason(Code.RECHARGING), "recharging after a discharge"),
    (
        reason(Code.FLOAT_OUTSIDE, volts=2.312, off_v=0.062, at_c=24.6),
        "Float is 2.312 V per cell at 25 °C, 62 mV above what suits the bank; this dries the blocks out and heats them.",
    ),
    (
        reason(Code.FLOAT_OUTSIDE, volts=2.19, off_v=-0.06, at_c=None),
        "Float is 2.190 V per cell, 60 mV below what suits the bank; this leaves them short of charge, and sulphates them.",
    ),
    (
        reason(Code.DO_CHECK_FLOAT_VOLTAGE),
        "Have the charger's voltage and its temperature compensation checked against the maker's figure.",
    ),
    (
        reason(Code.NOTHING_CHARGES, volts=2.08, since_s=18_000.0),
        "The bank stands at 2.08 V per cell 5 h after the last discharge: nothing charges it.",
    ),
    (
        reason(Code.NOTHING_CHARGES, volts=2.08, since_s=None),
        "The bank stands at 2.08 V per cell: nothing charges it.",
    ),
    (
        reason(Code.DO_LOOK_AT_CHARGER),
        "See whether the charger is on, the battery breaker closed and its fuse whole. The bank empties by itself.",
    ),
    (
        reason(Code.FLOAT_NOT_COMPENSATED, per_kelvin_v=None),
        "The float voltage does not follow the bank's temperature; makers ask for about -3 mV per cell and kelvin.",
    ),
    (
        reason(Code.FLOAT_NOT_COMPENSATED, per_kelvin_v=0.003),
        "The float voltage changes by +3.0 mV per cell and kelvin with the bank's temperature; makers ask for about -3 mV per "
        "cell and kelvin.",
    ),
    (
        reason(Code.DO_CHECK_COMPENSATION),
        "Have the charger's temperature probe and compensation checked.",
    ),
    (
        reason(Code.RECHARGE_TOO_SLOW, volts=2.18, since_s=79_200.0),
        "22 h after the discharge the bank has not reached its float voltage (2.18 V per cell).",
    ),
    (
        reason(Code.DO_CHECK_CURRENT_LIMIT),
        "Have the charger's current limit checked; shorted cells also lengthen a recharge. Until then count on less.",
    ),
    (
        reason(Code.NOT_CHARGED_SINCE_LOAD, since_s=108_000.0),
        "The bank carried load 30 h ago and has not been charged since.",
    ),
    (reason(Code.RESTS_NOT_FULL, volts=2.08), "The bank rests at 2.080 V per cell: it is not full."),
    (
        reason(Code.RESTS_UNCHARGED, longest_s=35 * 86_400.0),
        "The bank has rested for more than 35 days without a charge.",
    ),
    (
        reason(Code.DO_CHECK_REST_PERIODS),
        "See that the charger's rest periods end and that the charger works.",
    ),
    (
        reason(Code.RUNAWAY_SUSPECTED, now_a=1.52, usual_a=0.1, now_c=38.0, usual_c=26.0),
        "Float current has risen to 1.5 A (usually 0.1) while the bank warmed from 26 to 38 °C: it may be heating itself.",
    ),
    (
        reason(Code.DO_STOP_CHARGE),
        "Lower or stop the charge and cool the room now; nobody should stand over the blocks. Then have them inspected.",
    ),
    (
        reason(Code.APART_FROM_SIBLINGS, "b1", what=SiblingFigure.FLOAT_VOLTAGE, value=2.2912, theirs=2.2504),
        "Float voltage of b1 is 2.291 V per cell; its siblings have 2.25.",
    ),
    (
        reason(Code.APART_FROM_SIBLINGS, "b1", what=SiblingFigure.TEMPERATURE, value=34.0, theirs=26.0),
        "Temperature of b1 is 34 °C; its siblings have 26.",
    ),
    (
        reason(Code.APART_FROM_SIBLINGS, "b1", what=SiblingFigure.RESISTANCE, value=0.0051, theirs=0.0032),
        "Resistance of b1 is 0.0051 Ω per cell; its siblings have 0.0032.",
    ),
    (
        reason(Code.DO_COMPARE_BLOCKS),
        "Measure the block voltages of this bank and of a sibling, and compare.",
    ),
    # ---- what would tell, what helps
    (
        reason(Code.TELL_BY_TABLE, banks=("d3",)),
        "Paste the maker's constant-power table of bank d3 into the estate file (constant_power).",
    ),
    (
        reason(Code.TELL_BY_SHORTER_TIMES, banks=("d1", "d3")),
        "Give the maker's table of banks d1 and d3 down to shorter times (constant_power): the load lies above it.",
    ),
    (
        reason(Code.BUYS_HOLD_UP),
        "Hold-up by the maker's own figures, where a typical curve is good to 20 %.",
    ),
    (
        reason(Code.TELL_BY_PAST_TEST, banks=("d3", "d1")),
        "Import a past test or discharge log of banks d1 and d3 (ridethrough import).",
    ),
    (
        reason(Code.BUYS_PAST_CAPACITY),
        "Its capacity as it was then: dates and verdicts at once.",
    ),
    (
        reason(Code.TELL_BY_CARRYING, banks=("d1",), asked_w=12_040.0, for_s=300.0, on=DAY),
        "Let bank d1 carry its part of the load (about 12 kW now) for 5 min, say on 9 Sep 2026, with help at hand.",
    ),
    (
        reason(Code.TELL_BY_CARRYING, banks=("d1", "d2"), asked_w=24_080.0, for_s=300.0, on=DAY),
        "Let banks d1 and d2 each carry its part of the load (about 24 kW together now) for 5 min, one unit at a time and a week "
        "apart, the first say on 9 Sep 2026, with help at hand.",
    ),
    (
        reason(Code.BUYS_CAPACITY),
        "Capacity to about 6 points, and that no cell is open: the generator's start can be judged from then on.",
    ),
    (
        reason(Code.BUYS_CARRYING),
        "That no cell is open: the generator's start can be judged from then on.",
    ),
    (
        reason(Code.HELPS_LARGER_BANK, strings=4, of=1, rated_ah=152, of_rated_ah=40.0),
        "A larger bank: 4 strings of this type in place of 1, or blocks of 152 Ah in place of 40.",
    ),
    (
        reason(Code.HELPS_LARGER_BANK, strings=4, of=1, rated_ah=None, of_rated_ah=None),
        "A larger bank: 4 strings of this type in place of 1.",
    ),
    (
        reason(
            Code.HELPS_LARGER_BANK,
            strings=4,
            of=1,
            rated_ah=152,
            of_rated_ah=40.0,
            asked_w=7_200.0,
            required_s=1335.0,
        ),
        "A larger bank: 4 strings of this type in place of 1, or blocks of 152 Ah in place of 40, for 7.2 kW over 22.3 min as "
        "asked of it today; how much the load grows is reckoned in the size of its system's replacement.",
    ),
    (
        reason(Code.HELPS_SHORTER_WAIT, wait_s=449.0, required_s=1335.0),
        "A shorter wait: 7.4 min in place of 22.3 min.",
    ),
    (reason(Code.HELPS_LESS_LOAD, less_w=6_310.0), "Less load: 6.4 kW less on this bank."),
)
