"""What the service says of itself, and what goes into the journal, one reason a line."""

from typing import Final

from rules.alarms.lifecycle.states import State
from rules.values.code import Code
from rules.values.reason import Reason, reason

NAME: Final = "unit A1 (Hall)"

SPOKEN: Final[tuple[tuple[Reason, str], ...]] = (
    (reason(Code.POLLS_LATE, figure=0.12), "12% of polls are late."),
    (reason(Code.READINGS_WAIT, figure=16.0), "Readings wait 16 s to be judged."),
    (reason(Code.JUDGEMENTS_WAIT, figure=90.4), "What is reckoned in the background waits 90 s."),
    (reason(Code.DISK_FILLING, figure=0.043), "4.3% of the disk is free."),
    (reason(Code.DELIVERY_BEHIND, figure=601.0), "The oldest unsent message is 601 s old."),
    (reason(Code.CLOCK_SET, by_s=-61.0), "The machine's clock was set back by 1 min 1 s."),
    (
        reason(Code.CLOCK_JUMPED, by_s=3600.0, times=1),
        "The machine's clock was set ahead by 1 h 0 min. What lasts and what is left was counted on.",
    ),
    (
        reason(Code.CLOCK_JUMPED, by_s=-5.0, times=3),
        "The machine's clock was set back by 5 s. It was set 3 times within an hour.",
    ),
    (
        reason(Code.ESTATE_FILE_BEHIND, changes=("bank b1", "unit A1")),
        "Recorded but not in the estate file: bank b1 and unit A1.",
    ),
    (
        reason(Code.CALENDAR_UNREADABLE, calendar="network", why="work.ics: line 3"),
        "The calendar network cannot be read: work.ics: line 3.",
    ),
    (reason(Code.CHANNEL_FAILING, "mail", why="refused"), "Channel mail fails. It says: refused."),
    (reason(Code.CHANNEL_FAILING, "mail", why=""), "Channel mail fails."),
    (
        reason(
            Code.COMES_AND_GOES,
            "mail",
            said=reason(Code.CHANNEL_FAILING, "mail", why=""),
            times=4,
            within_s=291,
        ),
        "Channel mail fails. It comes and goes: 4 times within 4 min 51 s.",
    ),
    (reason(Code.MESSAGES_UNDELIVERABLE, "mail", number=2), "2 messages by mail were given up."),
    (reason(Code.COLLECTOR_SILENT, "depot"), "Nothing is heard of depot."),
    (
        reason(Code.WATCH_WOULD_DIE, bare=("machine",), unanswered=("switches", "way_out")),
        "Fed from bare mains: the machine. Not known what feeds the switches to the cards and the way out.",
    ),
    # ---- the journal
    (
        reason(Code.CARD_SILENT_SINCE_NOW, "A1", name=NAME, why="no reply"),
        "The card of unit A1 (Hall) does not answer: no reply.",
    ),
    (
        reason(Code.CARD_SILENT, "A1", name=NAME, on_bank=False),
        "The card of unit A1 (Hall) does not answer, so nothing is known of it.",
    ),
    (
        reason(Code.CARD_SILENT, "A1", name=NAME, on_bank=True),
        "The card of unit A1 (Hall) does not answer, so nothing is known of it. It was last seen on battery.",
    ),
    (
        reason(Code.CANNOT_JUDGE_UNIT, "A1", name=NAME, fault="ValueError"),
        "Cannot judge unit A1 (Hall): fault in ridethrough (ValueError).",
    ),
    (
        reason(Code.DIFFERENT_EQUIPMENT, "A1", name=NAME, before=("M 20", "1.0"), now=("M 40", "2.0")),
        "Something else answers at the address of unit A1 (Hall): M 20 before, M 40 now; 1.0 before, 2.0 now.",
    ),
    (
        reason(Code.EQUIPMENT_DECLARED, "A1", name=NAME),
        "A change of equipment of unit A1 (Hall) was declared.",
    ),
    (
        reason(Code.PLANNED_WORK_BEGINS, "A", name="Hall", work="new switches"),
        "Planned work at Hall begins: new switches.",
    ),
    (
        reason(Code.PLANNED_WORK_ENDS, "A", name="Hall", work="new switches", left=2),
        "Planned work at Hall ends: new switches; 2 conditions it explained still stand and are told now.",
    ),
    (
        reason(Code.PLANNED_WORK_ENDS, "A", name="Hall", work="new switches", left=0),
        "Planned work at Hall ends: new switches.",
    ),
    (reason(Code.PLANNED_WORK_WITHDRAWN, "w-7"), "Planned work w-7 was withdrawn."),
    (
        reason(Code.CARD_ANSWERS, "A1", name=NAME, took_s=61.0),
        "Unit A1 (Hall) answers again after 1 min 1 s.",
    ),
    (reason(Code.UNIT_TESTS_BANK, "A1", name=NAME), "Unit A1 (Hall) tests its bank."),
    (reason(Code.UNIT_TO_BATTERY, "A1", name=NAME), "Unit A1 (Hall) went to its bank."),
    (
        reason(Code.UNIT_FROM_BATTERY, "A1", name=NAME, took_s=60.0),
        "Unit A1 (Hall) left its bank after 1 min 0 s.",
    ),
    (reason(Code.UNIT_FROM_BATTERY, "A1", name=NAME, took_s=None), "Unit A1 (Hall) left its bank."),
    (reason(Code.INPUT_DIP, "A1", name=NAME, times=2), "Unit A1 (Hall) saw its input go bad 2 times."),
    (reason(Code.UNIT_TO_BYPASS, "A1", name=NAME), "Unit A1 (Hall) went to bypass."),
    (reason(Code.UNIT_FROM_BYPASS, "A1", name=NAME), "Unit A1 (Hall) left bypass."),
    (reason(Code.UNIT_TO_OFF, "A1", name=NAME), "Unit A1 (Hall) went to no output."),
    (reason(Code.UNIT_FROM_OFF, "A1", name=NAME), "Unit A1 (Hall) left no output."),
    (reason(Code.CARD_RESTARTED, "A1", name=NAME), "Unit A1 (Hall) has a card that restarted."),
    # ---- planned work that is a signed shutdown; refusals
    (
        reason(Code.PLANNED_ON_BANKS, by="R. Haugen", number=1, of=2),
        "on the banks as signed by R. Haugen, stretch 1 of 2",
    ),
    (reason(Code.PLANNED_ON_BANKS, by="R. Haugen", number=1, of=1), "on the banks as signed by R. Haugen"),
    (
        reason(Code.PLANNED_SET_ISOLATED, by="R. Haugen", number=2, of=2),
        "generator isolated as signed by R. Haugen, stretch 2 of 2",
    ),
    (reason(Code.REFUSED_NO_ALARM), "there is no such alarm standing"),
    (reason(Code.REFUSED_NO_END), "shelving needs an end in the future"),
    (
        reason(Code.REFUSED_BY_STATE, state=State.ACTIVE_UNACKNOWLEDGED),
        "an alarm that is active unacknowledged cannot be changed so",
    ),
)
