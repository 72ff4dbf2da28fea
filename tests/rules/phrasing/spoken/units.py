"""What is said of units in parallel, what sets them apart, spares and partners, one reason a line."""

from typing import Final

from rules.plant.unread import Unread
from rules.system.state import Standing
from rules.values.code import Code
from rules.values.reason import Reason, reason

IDLE: Final = reason(
    Code.NOT_SEEN_CARRYING, "A2", carries_w=0.0, peers=("A1",), beside_w=9_000.0,
    hints=(reason(Code.HINT_NO_VOLTAGE),),
)  # fmt: skip
IDLE_SAID: Final = (
    "Unit A2 carries 0.0 kW while A1 carries 9.0 kW: it is not seen carrying. It has no voltage at its output. Its output may "
    "be open, it may stand by at low load (if it is meant to, declare may_rest), or its part may go by a bypass: its panel "
    "and the position of its output breaker tell."
)
PASSES: Final = reason(
    Code.EVERY_LINE_PASSES, line=2, limit="w", asked=4_000.0, remains=6_670.0, gone=("A1",), now=False
)
PASSES_SAID: Final = "With A1 gone every line passes in W and in VA; tightest is line 2: it asks 4.00 kW at its peak, 6.67 kW remain."

PARALLEL: Final[tuple[tuple[Reason, str], ...]] = (
    (reason(Code.UNIT_UNREAD, "A1", why=Unread.NO_ANSWER, age_s=None), "Unit A1 has never answered."),
    (
        reason(Code.UNIT_UNREAD, "A1", why=Unread.NO_ANSWER, age_s=40.2),
        "Unit A1 has not answered for 40 s.",
    ),
    (
        reason(Code.UNIT_UNREAD, "A1", why=Unread.NOT_ASKED, age_s=None),
        "Unit A1 has not been asked yet.",
    ),
    (
        reason(Code.UNIT_UNREAD, "A1", why=Unread.NOT_ASKED, age_s=40.2),
        "Unit A1 was not asked in time: its last reading is 40 s old.",
    ),
    (
        reason(Code.UNIT_UNREAD, "A1", why=Unread.NOT_JUDGED, age_s=None),
        "The first reading of unit A1 waits to be judged.",
    ),
    (
        reason(Code.UNIT_UNREAD, "A1", why=Unread.NOT_JUDGED, age_s=40.2),
        "Readings of unit A1 wait 40 s to be judged.",
    ),
    (
        reason(Code.UNIT_UNREAD, "A1", why=Unread.CANNOT_BE_JUDGED, age_s=40.2),
        "What unit A1 says cannot be judged, by a fault in ridethrough.",
    ),
    (
        reason(Code.UNIT_VOUCHED_FOR, "A1", why=Unread.NO_ANSWER, age_s=20.0),
        "Unit A1 has not answered for 20 s; its peers carry no more than their part, so it still carries its own.",
    ),
    (
        reason(Code.CARD_GIVES_SUM, "N1", units=("A1", "A2")),
        "Card N1 gives the sum of units A1, A2: what one of them carries cannot be told.",
    ),
    (
        reason(Code.CARD_GIVES_ONE, "N1", units=("A1", "A2")),
        "Card N1 gives one unit of A1, A2 only: neither the load of the system nor the other units' can be told.",
    ),
    (reason(Code.NO_CURRENT_ON_LINE, line=2), "no current on line 2"),
    (
        reason(Code.NO_POWER_ON_LINE, line=3, low_w=1_000.0, high_w=1_500.0),
        "no power on line 3: taken as 1.00 to 1.50 kW by what its peers carry",
    ),
    (
        reason(Code.CARD_LEAVES_OUT, "A1", dark=(1, 2), rest=(reason(Code.NO_CURRENT_ON_LINE, line=3),)),
        "Unit A1 gives no power on line 1, 2, and nothing beside it tells it; no current on line 3.",
    ),
    (IDLE, IDLE_SAID),
    (reason(Code.HINT_CARD_SAYS, alarms=("upsAlarmUpsOutputOff",)), "Its card says upsAlarmUpsOutputOff."),
    (reason(Code.HINT_NO_VOLTAGE), "It has no voltage at its output."),
    (reason(Code.HINT_VOLTAGE, voltage_v=229.6), "It reads 230 V at its output."),
    (reason(Code.HINT_BY_BYPASS, power_w=9_000.0), "9.0 kW go by its bypass."),
    (
        reason(Code.SHARE_OFF, "A1", off_fraction=0.123),
        "Unit A1 carries 12 points of its rating more than the mean in watts: its output leads or lags the others in angle.",
    ),
    (
        reason(Code.REACTIVE_SHARE_OFF, "A1", off_fraction=-0.2),
        "Unit A1 carries 20 points of its rating less reactive power than the mean: its voltage is set apart.",
    ),
    (
        reason(Code.BOARD_LINES_APART, "A", apart_fraction=0.31, line=3),
        "The board's lines differ by up to 31 % of their mean; line 3 carries most.",
    ),
    (
        reason(Code.HARDLY_A_WATT, "A1", apparent_va=4_000.0, power_w=200.0),
        "Unit A1 carries 4.0 kVA with only 0.2 kW: current may circulate between the units. The card cannot show the direction.",
    ),
    (
        reason(Code.POWER_FACTOR_APART, "A1", factor=0.71, siblings=0.93),
        "Unit A1 works at power factor 0.71 where its siblings have 0.93 on the same load: current may circulate.",
    ),
    (
        reason(Code.VOLTAGE_APART, "A1", voltage_v=245.0, siblings_v=230.0, line=2),
        "Unit A1 reads 245 V on board line 2, its siblings 230 V, on one busbar: a wrong meter, a wrong scale, or the unit is not "
        "on the bar.",
    ),
    (
        reason(Code.FREQUENCY_APART, "A1", frequency_hz=50.4, siblings_hz=50.0),
        "Unit A1 reads 50.4 Hz, its siblings 50.0 Hz: parallel units run in step.",
    ),
    (
        reason(Code.ALONE_ON_BATTERY, "A1", beside=("A2", "A3")),
        "Unit A1 is on battery while A2, A3 have mains.",
    ),
    (
        reason(Code.READS_NORMAL_ALONE, "A1", beside=("A2", "A3")),
        "Unit A1 reads normal while A2, A3 are on battery.",
    ),
    (
        reason(Code.ON_BYPASS_ALONE, "A1", beside=("A2", "A3")),
        "Unit A1 is on bypass while A2, A3 carry by inverter: one bar, two sources.",
    ),
    (
        reason(Code.BY_INVERTER_ALONE, "A1", beside=("A2", "A3")),
        "Unit A1 carries by inverter while A2, A3 are in economy mode: one bar, two sources.",
    ),
    (
        reason(Code.SOFTWARE_DIFFERS, "A1", said="1.0", siblings="2.0"),
        "Unit A1 runs software 1.0, its siblings 2.0.",
    ),
    (
        reason(Code.SETTINGS_DIFFER, "A1", said=(230, 50, 2), siblings=(240, 50, 5)),
        "Unit A1 is set for 230 V, 50 Hz, low battery 2 min, its siblings 240 V, 50 Hz, low battery 5 min.",
    ),
    (
        reason(Code.RATING_DIFFERS, "A1", said=20, siblings=40),
        "Unit A1 is rated 20 kVA, its siblings 40 kVA.",
    ),
    (reason(Code.STAYED_ON_MAINS, "A1"), "Unit A1 did not go on battery with its siblings."),
    (
        reason(Code.CAME_BACK_LATE, "A1", late_s=35.0, first="A2", allowed_s=20.0),
        "Unit A1 came back 35 s after A2; 20 s are allowed.",
    ),
)

SPARES: Final[tuple[tuple[Reason, str], ...]] = (
    (
        reason(Code.UNIT_NO_SPARE, "A1", standing=Standing.BYPASS),
        "Unit A1 is on bypass and is no spare.",
    ),
    (reason(Code.IDLE_NO_SPARE, because=IDLE), f"It is no spare: {IDLE_SAID}"),
    (reason(Code.RATINGS_NOT_KNOWN, units=("A1", "A2")), "The rating of unit A1, A2 is not known."),
    (
        reason(Code.NOT_ENOUGH_EVEN_IF_SOUND),
        "Even with every unit that does not answer counted as sound, it would not be enough.",
    ),
    (
        reason(Code.BOUNDS_DISAGREE),
        "By the upper bound of what is reckoned it would not be enough, by the lower one it would.",
    ),
    (
        reason(Code.PEAK_OF_LESS_THAN_A_DAY),
        "The peak is the highest of less than a day on record, not yet of 30 days.",
    ),
    (
        reason(Code.JUDGED_BY_LOAD_NOW),
        "Judged by the load now: less than a day of load is recorded yet.",
    ),
    (reason(Code.PEAK_OF_DAYS, days=12.4), "The peak is that of 12 recorded days, not yet of 30."),
    (PASSES, PASSES_SAID),
    (
        reason(
            Code.LINE_FAILS, line=2, limit="va", asked=11_100.0, remains=10_670.0, gone=("A1", "A2"), now=True
        ),
        "Line 2 asks 11.10 kVA now; with A1 and A2 gone 10.67 kVA remain.",
    ),
    (
        reason(Code.WITH_BANKS_UNPROVEN, first=PASSES, banks=("b2", "b1")),
        "With A1 gone every line passes in W and in VA; tightest is line 2: it asks 4.00 kW at its peak, 6.67 kW remain; banks b1 "
        "and b2 unproven.",
    ),
    (
        reason(Code.UNIT_TAKES_NOTHING, "A1", standing=Standing.ISOLATED),
        "Unit A1 is isolated for work and takes nothing.",
    ),
    (reason(Code.IDLE_NOT_COUNTED_ON, because=IDLE), f"It is not counted on: {IDLE_SAID}"),
    (reason(Code.PARTNER_NOT_READ, name="Hall"), "Hall has not been read since the start."),
    (
        reason(Code.PARTNERS_RECORD_SHORT),
        "Of one of the two less than a day of load is recorded: its load now is counted.",
    ),
    (
        reason(Code.PARTNERS_LOADS_NOT_KNOWN, here=True, partner="Hall"),
        "The load here and of Hall is not known on every line.",
    ),
    (
        reason(Code.PARTNERS_LOADS_NOT_KNOWN, here=False, partner="Hall"),
        "The load of Hall is not known on every line.",
    ),
    (reason(Code.PARTNER_LOAD_NOT_KNOWN_NOW, name="Hall"), "The load of Hall is not known now."),
    (
        reason(Code.PARTNER_LINE_UNCARRIED, name="Hall", line=3, limit="w", asked=2_000.0, now=True),
        "With the load of Hall added, line 3 asks 2.00 kW now, and no unit carries it.",
    ),
    (
        reason(
            Code.PARTNER_LOAD_FITS, name="Hall", line=2, limit="w", asked=9_000.0, carried=18_000.0, now=False
        ),
        "The load of Hall fits on every line; tightest is line 2: both ask 9.00 kW at the peaks of both, the units carry 18.00.",
    ),
    (
        reason(
            Code.PARTNER_LOAD_DOES_NOT_FIT,
            name="Hall",
            line=2,
            limit="va",
            asked=21_100.0,
            carried=18_000.0,
            now=True,
        ),
        "The load of Hall does not fit on line 2: both ask 21.10 kVA now, the units carry 18.00.",
    ),
    (
        reason(Code.NOT_CHECKED_POSITIONS),
        "breaker and isolator positions, synchronism, the parallel control loop and cabling",
    ),
    (
        reason(Code.NOT_CHECKED_STARTING_LOADS),
        "loads that start only when the mains fails or returns",
    ),
)

SPOKEN: Final = (*PARALLEL, *SPARES)
