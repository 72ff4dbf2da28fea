"""What is said of a scenario played out, of shedding and of a signed plan, one reason a line."""

from typing import Final

from rules.plant.estate import Purpose
from rules.system.state import Standing
from rules.values.code import Code
from rules.values.reason import Reason, reason

STANDS: Final = (
    "The load stands as given but for what the scenario adds or sheds; it may differ by 2 % as a whole."
)
LOOKED_S: Final = 86_400.0

RIDES: Final[tuple[tuple[Reason, str], ...]] = (
    (
        reason(Code.RIDE_ABOVE_TABLE, banks=("b1", "b2")),
        "Bank b1, b2 would be asked more power than its table prints: nothing is promised.",
    ),
    (
        reason(Code.RIDE_ALL_SHED, shed_s=120.0),
        "Everything is shed 2.0 min after the start: a shutdown in order, carried until then. Nothing is left to ride through.",
    ),
    (
        reason(Code.RIDE_CARRIED, margin_s=599.0),
        "The load is carried through at the least, with 9.9 min to spare at the tightest moment.",
    ),
    (reason(Code.RIDE_CARRIED, margin_s=None), "The load is carried through at the least."),
    (
        reason(Code.RIDE_UNPROVEN, of_100=None),
        "No discharge stands behind every bank: table and age alone suggest that the load is carried through, and prove nothing.",
    ),
    (
        reason(Code.RIDE_UNPROVEN, of_100=60),
        "No discharge stands behind every bank: table and age alone suggest no more than that it is carried through in 60 of 100 "
        "courses, and prove nothing.",
    ),
    (
        reason(Code.RIDE_SEEN_TOO_OLD, of_100=None),
        "What was seen of the banks is too old or too short to tell a least: to be expected is that the load is carried through.",
    ),
    (
        reason(Code.RIDE_LOST, low_s=599.0),
        "The load is lost 9.9 min after the start at the earliest.",
    ),
    (
        reason(Code.RIDE_LOST, low_s=1236.0, back_s=1200.0),
        "The load is lost 36 s after the mains is back, before the units have taken it, at the earliest.",
    ),
    (
        reason(Code.RIDE_LOST_EXPECTED, median_s=1236.0, back_s=1200.0),
        "The load is expected to be lost about 36 s after the mains is back, before the units have taken it, and nothing "
        "proves that it holds so long.",
    ),
    (
        reason(Code.RIDE_LOST_EXPECTED, median_s=599.0),
        "The load is expected to be lost about 9.9 min after the start, and nothing proves that it holds so long.",
    ),
    (
        reason(Code.RIDE_CARRIED_AT_TIMES, of_100=41),
        "It is carried through in 41 of 100 courses: not enough to count on.",
    ),
    (
        reason(Code.RIDE_NO_SUPPLY_BACK),
        "No supply comes back within this scenario: shed, or shut down in order.",
    ),
    (
        reason(Code.RIDE_FUEL_OUT, after_s=72_095.0),
        "The generator's fuel is out 20.0 h after the start: refuel before, or the banks carry alone again.",
    ),
    (reason(Code.RIDE_NO_UNIT), "No unit stands behind the load."),
    (
        reason(Code.LOAD_BY_RECORD, power_w=24_000.0, low_w=21_040.0, high_w=27_000.0),
        "The load is what the same hour of the week asked in the last weeks: 24.0 kW (21.0 to 27.0), at the quarter of an hour "
        "that asks most.",
    ),
    (reason(Code.LOAD_AS_GIVEN), STANDS),
    (
        reason(Code.LOAD_HOUR_NOT_ON_RECORD),
        f"No load is on record for the hour that is named: the load now is played. {STANDS}",
    ),
    (
        reason(Code.ASSUMED_SHARING),
        "Units share in proportion to their ratings, to about 2.5 %.",
    ),
    (
        reason(Code.ASSUMED_RECHARGE),
        "Between outages, and until the start, 90 % of the hold-up comes back in 8 to 24 h, on mains and on the generator alike.",
    ),
    (
        reason(Code.ASSUMED_SHED_LOADS_BACK),
        "Loads shed by what is left come back with the supply.",
    ),
    (
        reason(Code.ASSUMED_END_OF_LIFE),
        "Banks give 80 % of their published power: the end of their life.",
    ),
    (reason(Code.ASSUMED_LAST_TRY, tries=3), "The generator starts at the last of its 3 tries."),
    (reason(Code.ASSUMED_NO_SET), "No generator is declared behind this supply."),
    (
        reason(Code.CARE_READINGS_OLD, age_s=7_300.0),
        "Its readings are 2.0 h old: what has changed since is not in it.",
    ),
    (
        reason(Code.CARE_ON_BATTERY, units=("A1", "A2")),
        "Unit A1, A2 were on battery when read: the banks begin with what was left of them, and the load may be that of an "
        "outage.",
    ),
    (
        reason(Code.CARE_IN_TEST, units=("A1",)),
        "Unit A1 tested its bank when read: the bank begins with what was left of it.",
    ),
    (
        reason(Code.NOT_CHECKED_SET),
        "whether the generator bears the load and its steps, or the units accept its frequency",
    ),
    (reason(Code.NOT_CHECKED_CHANGEOVER), "changeover gear, breakers, feeds and their labels"),
    (
        reason(Code.NOT_CHECKED_COOLING),
        "cooling while the mains is off, and what the heat does to loads and banks",
    ),
    (
        reason(Code.NOT_CHECKED_SINGLE_BLOCKS),
        "single blocks: an open cell or a corroded link shows only in a discharge",
    ),
    (
        reason(Code.REMEDY_EVERYTHING),
        "Nothing less than shedding everything carries it: shut down in order before it begins, or make it shorter.",
    ),
    (
        reason(Code.REMEDY_NO_GROUP),
        "No load group is declared that could be shed: make it shorter, or let the generator carry it.",
    ),
    (
        reason(Code.REMEDY_SHED_TOO_LATE, groups=("lab", "fans"), lost_s=599.0),
        "To shed lab, fans then is too late: shed by 9.9 min.",
    ),
    (
        reason(Code.REMEDY_NOT_ENOUGH),
        "All that is declared to be shed does not carry it: make it shorter, or let the generator carry it.",
    ),
    (
        reason(Code.REMEDY_SHED, groups=("lab",), power_w=6_000.0, by_s=599.0),
        "Shed lab (6.0 kW) by 9.9 min after the start, and it is carried.",
    ),
    (
        reason(Code.REMEDY_SHED, groups=("lab", "fans"), power_w=7_000.0, by_s=0.0),
        "Shed lab, fans (7.0 kW) before the start, and it is carried.",
    ),
)

SHEDDING: Final[tuple[tuple[Reason, str], ...]] = (
    (reason(Code.WANTED_HOUR), "an hour, since no need is declared"),
    (reason(Code.WANTED_PURPOSE, purpose=Purpose.MANUAL_GENERATOR_START), "a start by hand"),
    (
        reason(Code.PLAN_BANKS_NOT_KNOWN),
        "Too little is known of the banks to reckon what shedding gives.",
    ),
    (
        reason(Code.PLAN_AGREED_ORDER, groups=("lab", "store", "control")),
        "The agreed order is lab, then store, then control.",
    ),
    (
        reason(Code.PLAN_NOTHING_TO_SHED, holds_s=LOOKED_S, most_s=LOOKED_S),
        "Nothing needs to be shed: it holds 24.0 h or more at the least.",
    ),
    (
        reason(Code.PLAN_WITHOUT_SHEDDING, holds_s=599.0, wanted_s=601.0),
        "Without shedding it holds 9.9 min at the least; wanted are 10.1 min.",
    ),
    (reason(Code.PLAN_NO_GROUP), "No load group is declared that could be shed."),
    (
        reason(Code.PLAN_TOO_LATE, at_s=700.0, by_s=599.0, reached=False),
        "Too late: at 11.6 min the load may be lost already; shed by 9.9 min at the latest.",
    ),
    (
        reason(Code.PLAN_TOO_LATE, at_s=700.0, by_s=0.0, reached=True),
        "Too late: at 11.6 min the load may be lost already; shed before the supply is lost.",
    ),
    (
        reason(Code.PLAN_STEPS_GIVE, groups=("lab", "fans"), holds_s=700.0, most_s=LOOKED_S),
        "Shedding lab, fans gives 11.6 min.",
    ),
    (
        reason(Code.PLAN_EVERYTHING, by_s=599.0),
        "After that nothing is left to shed but everything: that is a shutdown in order, not a hold-up. Begin it by 9.9 min "
        "after the supply is lost.",
    ),
    (
        reason(Code.PLAN_GIVES, power_w=6_000.0, part=0.25, holds_s=700.0, most_s=LOOKED_S),
        "Shedding 6.0 kW (25 % of the load) gives 11.6 min.",
    ),
    (reason(Code.PLAN_STILL_SHORT, short_s=601.0), "That is still short by 10.1 min."),
    (reason(Code.PLAN_SHED_BY, by_s=599.0), "Shed by 9.9 min it is still enough."),
    (
        reason(Code.PLAN_WAITING_COSTS, costs_s=21.4),
        "Every minute of waiting costs about 21 s of that.",
    ),
    (
        reason(Code.PLAN_NOBODY_SHEDS, groups=("lab", "fans")),
        "Nobody is declared to shed lab, fans (shed_by): say who does.",
    ),
    (
        reason(Code.NOT_CHECKED_GROUPS),
        "whether each group is really fed by this system and takes what is declared",
    ),
    (
        reason(Code.NOT_CHECKED_PROCESS),
        "what the process needs: a load called unimportant may be needed to stop another safely",
    ),
)

SIGNED: Final[tuple[tuple[Reason, str], ...]] = (
    (
        reason(Code.BREACH_LOAD_NOT_KNOWN),
        "The load is not known: the plan cannot be watched.",
    ),
    (
        reason(Code.BREACH_LOAD, load_w=20_000.0, planned_w=18_040.0),
        "The load is 20.0 kW; 18.0 kW were planned with.",
    ),
    (
        reason(
            Code.BREACH_UNITS,
            units=(
                reason(Code.UNIT_STANDS, "A1", standing=Standing.OFF),
                reason(Code.UNIT_STANDS, "A2", standing=Standing.SILENT),
            ),
        ),
        "Of the units that the plan counts on, A1 is off, A2 is silent.",
    ),
    (
        reason(Code.BREACH_OVERRUN, late_s=45.0),
        "Still on the banks 45 s after the plan says they rest.",
    ),
    (reason(Code.BREACH_END_NOT_KNOWN), "How long the banks still hold is not known."),
    (
        reason(Code.BREACH_ENDS_TOO_EARLY, short_s=130.0),
        "The banks may end 2.1 min before supply is planned back.",
    ),
    (
        reason(Code.BREACH_MARGIN, spare_s=130.0, signed_s=300.0),
        "Only 2.1 min are to spare; 5.0 min were signed for.",
    ),
    (reason(Code.ROW_LOAD), "load"),
    (reason(Code.ROW_LEFT), "left at the tightest moment"),
    (reason(Code.ROW_WATCHED), "watched"),
    (reason(Code.ROW_STRETCH, number=2), "stretch 2 on the banks"),
    (reason(Code.SAID_CARRIED), "carried"),
    (reason(Code.SAID_LOST), "lost"),
    (reason(Code.SAID_CARRIED_AS_SEEN), "carried as far as was seen"),
    (reason(Code.SAID_CARRIED_WITHOUT_BANKS), "carried without the banks"),
    (reason(Code.SAID_AT_LEAST, seconds=170.0), "2.8 min at the least"),
    (reason(Code.SAID_LEFT, seconds=170.0), "2.8 min"),
    (reason(Code.SAID_AT_MOST, seconds=170.0), "at most 2.9 min"),
    (reason(Code.SAID_LASTED, seconds=170.0), "2 min 50 s"),
    (reason(Code.SAID_NOT_KNOWN), "not known"),
    (reason(Code.SAID_NOT_HAPPENED), "did not happen"),
    (reason(Code.SAID_THROUGHOUT), "throughout"),
    (reason(Code.SAID_NOT_FOR, seconds=120.0), "not for 2 min 0 s"),
)

SPOKEN: Final = (
    *RIDES,
    *SHEDDING,
    *SIGNED,
    # ---- what happens
    (reason(Code.HAPPENS_MAINS_LOST), "mains lost"),
    (reason(Code.HAPPENS_MAINS_BACK), "mains back"),
    (reason(Code.HAPPENS_FEED_OFF, "one"), "feed one off"),
    (reason(Code.HAPPENS_FEED_ON, "one"), "feed one on"),
    (reason(Code.HAPPENS_START_FAILS, attempt=2), "start 2 fails"),
    (reason(Code.HAPPENS_START_WORKS, attempt=3), "start 3 works"),
    (reason(Code.HAPPENS_SET_TAKES_LOAD), "generator takes the load"),
    (reason(Code.HAPPENS_FUEL_OUT), "fuel is out"),
    (reason(Code.HAPPENS_LOAD_TO_MAINS), "load goes back to the mains"),
    (reason(Code.HAPPENS_LOAD_LOST), "load lost"),
    (reason(Code.HAPPENS_BANK_ENDS), "bank ends"),
    (reason(Code.HAPPENS_UNIT_DROPS_OUT), "unit drops out"),
    (reason(Code.HAPPENS_SHED), "shed"),
)
