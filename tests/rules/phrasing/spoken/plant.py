"""What is said of supplies, units, systems, banks and sets, one reason a line."""

from datetime import date
from typing import Final

from rules.plant.estate import Purpose
from rules.plant.reading import BatteryStatus
from rules.plant.unread import Unread
from rules.values.code import Code
from rules.values.reason import Reason, reason, told

NAME: Final = "unit A1 (Hall)"
LINE: Final = reason(Code.LINE_LOADED, line=2, pct=110.4, figure=7_360.0, rating=6_666.7, limit="va")
BY_CARD: Final = reason(Code.LINE_LOADED_BY_CARD, line=1, pct=101.0)
DAY: Final = date(2026, 9, 9)
APART: Final = (told("Unit W2 apart."), told("Unit W1 apart."))

SPOKEN: Final[tuple[tuple[Reason, str], ...]] = (
    (reason(Code.MAINS_LOST, "S1", name="supply S1"), "Mains lost at supply S1."),
    (
        reason(Code.SUPPLY_BACK, "S1", name="supply S1", took_s=60.0),
        "Supply is back at supply S1 after 1 min 0 s; whether mains or a generator, the cards do not say.",
    ),
    (
        reason(Code.NOT_ON_BATTERY, "A1", name=NAME, others=1),
        "Unit A1 (Hall) has no mains and is not on its bank, while 1 other on its supply is.",
    ),
    (
        reason(Code.NOT_ON_BATTERY, "A1", name=NAME, others=2),
        "Unit A1 (Hall) has no mains and is not on its bank, while 2 others on its supply are.",
    ),
    (
        reason(Code.STILL_ON_BATTERY, "A1", name=NAME, others=2),
        "Unit A1 (Hall) still runs on its bank while 2 others on its supply came back.",
    ),
    # ---- a unit and its card
    (
        reason(Code.BANK_LOW, "A1", system="Hall", status=BatteryStatus.DEPLETED),
        "Unit A1 (Hall) says its bank is depleted while it carries the load.",
    ),
    (
        reason(Code.ON_BYPASS, "A1", system="Hall"),
        "Unit A1 (Hall) is on bypass: a mains failure drops its load at once.",
    ),
    (
        reason(Code.OUTPUT_OFF, "A1", system="Hall", carrying=2),
        "Unit A1 (Hall) feeds nothing; 2 beside it carry the load.",
    ),
    (
        reason(Code.OUTPUT_OFF, "A1", system="Hall", carrying=0),
        "Unit A1 (Hall) feeds nothing; no unit beside it carries.",
    ),
    (BY_CARD, "101 % of its rating on line 1 (by the card's per cent)"),
    (LINE, "110 % of its rating on line 2 (7.36 kVA of 6.67)"),
    (
        reason(Code.OVERLOAD, "A1", system="Hall", lines=(BY_CARD, LINE)),
        "Unit A1 (Hall) carries 101 % of its rating on line 1 (by the card's per cent); 110 % of its rating on line 2 (7.36 kVA "
        "of 6.67).",
    ),
    (
        reason(Code.BANK_HOT, "A1", system="Hall", temperature_c=41.4, limit_c=40.0),
        "It is 41 °C at the bank of unit A1 (Hall), limit 40.",
    ),
    (
        reason(Code.LOAD_SHARE, "A1", system="Hall", fraction=0.32, mean=0.25),
        "Unit A1 (Hall) carries 32 % of its rating, the mean of its system is 25 %.",
    ),
    (
        reason(Code.SELF_TEST_FAILED, "A1", system="Hall", error=True, detail="no current"),
        "The last test of unit A1 (Hall) ended with an error. It says: no current.",
    ),
    (
        reason(Code.SELF_TEST_FAILED, "A1", system="Hall", error=False, detail=""),
        "The last test of unit A1 (Hall) ended with a warning.",
    ),
    (
        reason(Code.CARD_ALARM, "A1", system="Hall", alarm="upsAlarmInputBad"),
        "Unit A1 (Hall) finds its input out of tolerance.",
    ),
    (
        reason(Code.CARD_ALARM_UNCLASSIFIED, "A1", system="Hall", alarm="1.3.6.1.4.1.9.7"),
        "The card of unit A1 (Hall) reports 1.3.6.1.4.1.9.7, which only its maker can name.",
    ),
    (
        reason(Code.READING_OLD, "A1", name=NAME, age_s=31.0, why=Unread.NOT_JUDGED, on_bank=True),
        "The last reading of unit A1 (Hall) is 31 s old: what its card said waits to be judged. It was last seen on battery.",
    ),
    # ---- a system
    (
        reason(Code.BANKS_UNPROVEN, "A", name="Hall", banks=("b1", "b2")),
        "No discharge of banks b1 and b2 tells enough yet: how long Hall holds, and when to renew, cannot be told.",
    ),
    (
        reason(Code.BANKS_BEING_PROVEN, "A", name="Hall"),
        "No discharge of the banks of Hall had been judged before this one: how long it holds is reckoned from what they show "
        "now.",
    ),
    (
        reason(
            Code.REQUIREMENT_MARGIN,
            "A",
            name="Hall",
            purpose=Purpose.MANUAL_GENERATOR_START,
            required_s=570.0,
            held_s=469.0,
            lost="A1",
        ),
        "Hall needs 9.5 min for a start by hand, holds 7.8 min at the least with unit A1 lost.",
    ),
    (reason(Code.REQUIREMENT_WHY, "A", name="Hall", because=told("It is so.")), "Hall: It is so."),
    (
        reason(
            Code.REQUIREMENT_UNKNOWN, "A", name="Hall", purpose=Purpose.PLANNED, because=(told("No table."),)
        ),
        "Whether Hall holds for the planned work cannot be told. No table.",
    ),
    (reason(Code.SPARE_GONE, "A", name="Hall", because=()), "Hall cannot spare a unit."),
    (
        reason(Code.SPARE_GONE_ON_LINE, "A", name="Hall", line=2, limit="va", over=12_340.0, peak=True),
        "Line 2 of Hall asks 12.3 kVA more than the units left can carry with the spare gone (volt-amperes, at its 30-day "
        "peak).",
    ),
    (
        reason(Code.SPARE_GONE_ON_LINE, "A", name="Hall", line=2, limit="w", over=440.0, peak=False),
        "Line 2 of Hall asks 0.44 kW more than the units left can carry with the spare gone (watts).",
    ),
    (
        reason(Code.SPARE_UNKNOWN, "A", name="Hall", because=(told("A2 is silent."),)),
        "Whether Hall can spare a unit cannot be told. A2 is silent.",
    ),
    (
        reason(Code.PHASES_APART, "A", name="Hall", line=3, power_w=9_000.0, excess_fraction=0.31),
        "Line 3 of Hall carries 9.00 kW, 31 % over the mean of its lines.",
    ),
    (
        reason(Code.UNITS_DIFFER, "A", name="Hall", findings=APART, more=0),
        "Hall: Unit W2 apart. Unit W1 apart.",
    ),
    (
        reason(Code.UNITS_DIFFER, "A", name="Hall", findings=APART, more=2),
        "Hall: Unit W2 apart. Unit W1 apart. And 2 more.",
    ),
    (
        reason(Code.PARTNER_NOT_TAKEN, "A", name="Hall", because=(told("Too much."),)),
        "Hall could not take its partner's load. Too much.",
    ),
    (
        reason(Code.PLAN_TO_BREAK_OFF, "A", name="Hall", because=told("Too long.")),
        "Planned shutdown of Hall: Too long.",
    ),
    (
        reason(Code.PLAN_NO_LONGER_HOLDS, "A", name="Hall", because=(told("One."), told("Two."))),
        "The planned shutdown of Hall would not be signed as things stand now. One. Two.",
    ),
    (
        reason(Code.DO_RESTORE_ENDS_TOO_EARLY),
        "Break off: restore the mains now; until it is back, shed what can be spared.",
    ),
    (
        reason(Code.DO_RESTORE_LASTS_TOO_LONG),
        "Break off: restore the mains now, or start the generator by hand.",
    ),
    (
        reason(Code.DO_RESTORE_MARGIN_GONE),
        "Break off: restore the mains while there is time to spare.",
    ),
    (
        reason(Code.DO_RESTORE_LOAD_ABOVE_PLAN),
        "Break off: restore the mains, or take off at once what was added.",
    ),
    (reason(Code.DO_RESTORE_UNIT_MISSING), "Break off: restore the mains; then see why the unit left."),
    (
        reason(Code.DO_RESTORE_NOT_SEEN),
        "Break off: restore the mains, unless somebody stands at the units and reads them.",
    ),
    # ---- a bank, a generator
    (
        reason(Code.BANK_PAST_AGE, "b1", years=9.96, worn_years=11.2, design_life_years=10.0),
        "Bank b1 is 10.0 years old, worn as after 11.2; its design life is 10.",
    ),
    (
        reason(Code.BANK_PAST_AGE, "b1", years=9.96, worn_years=None, design_life_years=10.0),
        "Bank b1 is 10.0 years old; its design life is 10.",
    ),
    (reason(Code.BANK_RENEW_NOW, "b1"), "Bank b1 is to be renewed now."),
    (
        reason(
            Code.BANK_RENEWAL_MISSED,
            "b1",
            by=DAY,
            early=date(2026, 6, 1),
            late=date(2027, 6, 1),
            today=date(2026, 10, 1),
        ),
        "Bank b1 should have been renewed by Sep 2026.",
    ),
    (
        reason(
            Code.BANK_ORDER_NOW, "b1", lead_days=56, by=DAY, early=None, late=None, today=date(2026, 8, 1)
        ),
        "Order bank b1 now: its successor takes 56 days and is needed by 9 Sep 2026.",
    ),
    (
        reason(
            Code.BANK_ORDER_NOW, "b1", lead_days=56, by=None, early=None, late=None, today=date(2026, 8, 1)
        ),
        "Order bank b1 now: its successor takes 56 days and is needed.",
    ),
    (
        reason(
            Code.BANK_DATES_MOVED,
            "b1",
            before=date(2027, 9, 9),
            before_span=(date(2025, 1, 1), date(2031, 1, 1)),
            after=date(2026, 3, 1),
            after_span=(date(2024, 1, 1), date(2030, 1, 1)),
            why=reason(Code.NEWS_DISCHARGE_JUDGED, day=DAY),
        ),
        "Bank b1: the day to have replaced it by moved from 2027 to 2026 because the discharge of 9 Sep 2026 was judged.",
    ),
    (
        reason(
            Code.BANK_DATES_MOVED,
            "b1",
            before=date(2027, 9, 9),
            before_span=(date(2025, 1, 1), date(2031, 1, 1)),
            after=date(2027, 3, 1),
            after_span=(date(2024, 1, 1), date(2030, 1, 1)),
            why=reason(Code.NEWS_TIME_PASSED),
        ),
        "Bank b1: the day to have replaced it by moved from 9 Sep 2027 to 1 Mar 2027 because of the time that has passed since.",
    ),
    (
        reason(
            Code.BANK_DATES_MOVED,
            "b1",
            before=None,
            before_span=(None, None),
            after=date(2027, 3, 1),
            after_span=(None, None),
            why=reason(Code.NEWS_DECLARED),
        ),
        "Bank b1: the day to have replaced it by moved from none that can be told to 1 Mar 2027 because other things are "
        "declared of it.",
    ),
    (reason(Code.NEWS_DISCHARGE_JUDGED, day=DAY), "the discharge of 9 Sep 2026 was judged"),
    (
        reason(Code.NEWS_DISCHARGE_KNOWN),
        "another discharge of it came to be known, or was judged anew",
    ),
    (reason(Code.NEWS_DECLARED), "other things are declared of it"),
    (reason(Code.NEWS_NOTHING_ASKED), "nothing is asked of it now"),
    (reason(Code.NEWS_TIME_ASKED, required_s=615.0), "10.3 min are asked of it now"),
    (
        reason(Code.NEWS_LOAD_ASKED, before_w=9_000.0, asked_w=12_040.0),
        "the load asked of it went from 9.0 to 12.0 kW",
    ),
    (reason(Code.NEWS_TIME_PASSED), "of the time that has passed since"),
    (
        reason(Code.NEWS_OF_OTHERS),
        "other banks that share its type, its site or its place showed how long they last",
    ),
    (
        reason(Code.LIFE_BY_OTHERS, banks=4, before=1, lasts=0.7, within=(0.3, 1.51)),
        "By what three other banks and its earlier blocks showed, it lasts 0.70 times what its class lets expect (0.30 to 1.51), "
        "before its own discharges are counted.",
    ),
    (
        reason(Code.LIFE_BY_OTHERS, banks=1, before=0, lasts=1.2, within=(0.5, 2.5)),
        "By what one other bank showed, it lasts 1.20 times what its class lets expect (0.50 to 2.50), before its own discharges "
        "are counted.",
    ),
    (
        reason(Code.LIFE_BY_OTHERS, banks=1, before=1, lasts=1.2, within=(0.5, 2.5)),
        "By what blocks that were here before showed, it lasts 1.20 times what its class lets expect (0.50 to 2.50), before its "
        "own discharges are counted.",
    ),
    (
        reason(Code.CHARGING_WRONG, "b1", because=(told("Too high."), told("Too warm."))),
        "Bank b1 is not kept as it should be. Too high. Too warm.",
    ),
    (
        reason(Code.BANK_FINDINGS, "b1", findings=(told("A cell is shorted."), told("It is warm."))),
        "Bank b1: A cell is shorted. It is warm.",
    ),
    (
        reason(Code.DO_RENEW_LARGER, offers=(told("A larger bank."),)),
        "Do not renew like for like. A larger bank. Until then shed load or keep its unit from being the only one.",
    ),
    (
        reason(Code.SET_TEST_DUE, "G1", because=told("It never ran.")),
        "Generator G1 is to be run on load. It never ran.",
    ),
    (
        reason(Code.SET_WORDS_FAILING, why="refused"),
        "The broker of [set_words] is not listened to. It says: refused.",
    ),
)
