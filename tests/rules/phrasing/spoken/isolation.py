"""What the checks before a unit is taken out say, one reason a line."""

from datetime import date
from typing import Final

from rules.phrasing.safety import ADVICE_ONLY, SAFETY
from rules.plant.estate import Purpose
from rules.values.code import Code
from rules.values.reason import Reason, reason, told

SPOKEN: Final[tuple[tuple[Reason, str], ...]] = (
    (told("The boiler is cold."), "The boiler is cold."),
    (reason(Code.ADVISED, first="Order the bank", rest=": it ages."), "Order the bank: it ages."),
    (reason(Code.SAFETY), SAFETY),
    (reason(Code.ADVICE_ONLY), ADVICE_ONLY),
    (reason(Code.READING_NOT_FRESH, units=("A1", "A2")), "No fresh reading of unit A1, A2."),
    (reason(Code.READINGS_FRESH, age_s=4.6), "Every unit was read within 5 s."),
    (
        reason(Code.CARD_SHARED, units=("A1", "A2")),
        "One card speaks for units A1, A2: none can be seen by itself.",
    ),
    (reason(Code.CARD_EACH), "Every unit has a card of its own."),
    (
        reason(Code.CARD_NOT_PROVED, "A1"),
        "Nobody has proved that the card of A1 is the one in that cabinet: `ridethrough confirm`.",
    ),
    (
        reason(Code.CARD_PROVED, by="R. Haugen", day=date(2026, 10, 7)),
        "Proved by R. Haugen on 7 Oct 2026.",
    ),
    (reason(Code.NO_OTHER_UNIT), "There is no other unit: the load would be on the raw supply."),
    (reason(Code.UNIT_STANDS, "A2", standing="on_battery"), "A2 is on battery"),
    (
        reason(
            Code.OTHERS_NOT_CARRYING,
            wrong=(told("A2 carries nothing."), reason(Code.UNIT_STANDS, "A3", standing="bypass")),
        ),
        "A2 carries nothing; A3 is bypass.",
    ),
    (reason(Code.OTHERS_CARRYING, units=("A2", "A3")), "Unit A2, A3 in normal operation."),
    (reason(Code.TEST_OR_SHUTDOWN_RUNS, units=("A2",)), "A test or a shutdown runs on unit A2."),
    (reason(Code.TESTS_NOT_TOLD), "Not every card tells of tests and shutdowns."),
    (reason(Code.NO_TEST_NO_SHUTDOWN), "No test and no shutdown countdown."),
    (reason(Code.OTHER_UNIT_NOT_KNOWN), "The state or the rating of another unit is not known."),
    (reason(Code.LOAD_NOT_KNOWN, window=False), "The load now is not known on every line."),
    (
        reason(Code.LOAD_TOO_MUCH, line=2, limit="va", over=1234.0, window=True),
        "Line 2 asks 1.24 kVA more in the window, by the weeks before than the others carry.",
    ),
    (
        reason(
            Code.LOAD_ROOM_SMALL,
            line=1,
            limit="w",
            left=120.0,
            left_fraction=0.02,
            wanted_fraction=0.05,
            window=False,
        ),
        "Only 0.12 kW (2 %) left on line 1 now; wanted are 5 %.",
    ),
    (
        reason(Code.LOAD_FITS, line=3, limit="w", left=3659.0, left_fraction=0.309, window=False),
        "3.65 kW (30 %) left on line 3 now, the tightest.",
    ),
    (reason(Code.LOAD_AHEAD_NOT_KNOWN), "What the load will be is not known yet."),
    (reason(Code.NO_BANK_BEHIND), "No bank stands behind the load while the only unit is out."),
    (reason(Code.OTHERS_HOLD_NOT_KNOWN), "How long the other units would hold is not known."),
    (
        reason(Code.OTHERS_HOLD_UNASKED, low_s=899.0, window=False),
        "The others hold 14.9 min at the least at the load now; nothing is required.",
    ),
    (
        reason(Code.OTHERS_HOLD, low_s=899.0, needed_s=75.5, purpose=Purpose.GENERATOR_START, window=True),
        "The others hold 14.9 min at the least at the window's highest expected load; the generator's start needs 76 s.",
    ),
    (reason(Code.CHARGE_NOT_KNOWN), "The banks' charge is not known."),
    (reason(Code.BANKS_NOT_FULL), "The banks are not full again since the last discharge."),
    (reason(Code.BANKS_FULL), "The banks are charged to 95 % or more."),
    (reason(Code.AT_FREQUENCY, "A2", frequency_hz=51.96), "A2 at 52.0 Hz"),
    (reason(Code.AT_VOLTAGE, "A2", line=1, voltage_v=181.4), "A2 line 1 at 181 V"),
    (reason(Code.ON_BATTERY_NOW, "A2"), "A2 on battery"),
    (
        reason(
            Code.BYPASS_OUT_OF_BAND,
            wrong=(
                reason(Code.AT_FREQUENCY, "A2", frequency_hz=52.0),
                reason(Code.AT_VOLTAGE, "A3", line=2, voltage_v=180.0),
            ),
        ),
        "Bypass out of band: A2 at 52.0 Hz, A3 line 2 at 180 V.",
    ),
    (reason(Code.BYPASS_NOT_TOLD, units=("A2",)), "The bypass of unit A2 is not told."),
    (
        reason(Code.BYPASS_IN_BAND),
        "Bypass within 10 % of nominal volts and 1 Hz on every staying unit.",
    ),
    (
        reason(Code.INPUT_OUT_OF_BAND, wrong=(reason(Code.ON_BATTERY_NOW, "A2"),)),
        "Input out of band: A2 on battery.",
    ),
    (reason(Code.INPUT_NOT_TOLD, units=("A2", "A3")), "The input of unit A2, A3 is not told."),
    (reason(Code.INPUT_IN_BAND), "Input within 10 % of nominal volts on every staying unit."),
    (
        reason(Code.INPUT_WENT_BAD, units=("A2", "A3"), times=(3, 1)),
        "The input went bad in the last 24 h: A2 3 times, A3 1 times.",
    ),
    (reason(Code.CARD_SAYS, "A1", alarm="upsAlarmInputBad"), "the card of A1 says input bad"),
    (
        reason(
            Code.ALARMS_NOT_EXPLAINED,
            alarms=(told("Unit A2 is on bypass."), reason(Code.CARD_SAYS, "A1", alarm="upsAlarmFanFailure")),
        ),
        "Not explained: Unit A2 is on bypass; the card of A1 says fan failure.",
    ),
    (reason(Code.NO_ALARM_STANDS), "No alarm stands on the system or its cards."),
    (reason(Code.SET_NOT_COUNTED_ON), "No start of a generator is counted on for this system."),
    (reason(Code.SET_NOT_READY), "The site says that its generator is not ready."),
    (
        reason(Code.SET_FOR_A_PERSON, said_ready=True),
        "The site says that its generator is ready; have someone confirm it at the generator: in automatic, fuel, start battery.",
    ),
    (
        reason(Code.UNSEEN_SYNCHRONISM),
        "Whether the unit's output is in step with the bypass is not in RFC 1628.",
    ),
    (
        reason(Code.UNSEEN_BREAKERS),
        "Positions of breakers, isolators and key interlocks are not in RFC 1628.",
    ),
    (
        reason(Code.UNSEEN_NEUTRAL_AND_EARTH),
        "Continuity of neutral and earth links during and after switching.",
    ),
    (
        reason(Code.UNSEEN_PHASE_ROTATION),
        "Phase rotation of the supply, the bypass and the unit after work.",
    ),
    (reason(Code.UNSEEN_WALL_BYPASS_RATING), "Rating and state of the wall bypass and its cables."),
    (
        reason(Code.UNSEEN_STORED_DC),
        "Voltage left on capacitors and on the bank's side of its breaker.",
    ),
    (reason(Code.UNSEEN_CONTROL_LOOP), "Whether the parallel control loop is whole without this unit."),
    (
        reason(Code.PERSON_PERMIT),
        "Permit and method statement issued; maker's manual and the site's switching schedule at hand.",
    ),
    (
        reason(Code.PERSON_TWO_PEOPLE),
        "Two competent people present; the control room and those fed by the system told.",
    ),
    (
        reason(Code.PERSON_OTHERS_WARNED),
        "Other work on this supply, its boards and its generator stopped for the time.",
    ),
    (
        reason(Code.PERSON_CAUTIONS),
        "The bank stays live at up to 600 V DC and cannot be switched off inside; arc flash; insulated tools, no metal "
        "worn; the output may be fed by peers, bypass or generator; prove dead before touching.",
    ),
    (
        reason(Code.PERSON_WALL_BYPASS),
        "Never close the wall bypass against a running inverter; on it, the load has no bank behind it.",
    ),
)
