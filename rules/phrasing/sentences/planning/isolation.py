"""What the checks before a unit is taken out say (`rules.planning.isolation.rows`)."""

from __future__ import annotations

import re
from datetime import date

from rules.phrasing.dates import PURPOSES, day_words
from rules.phrasing.durations import minutes, minutes_up
from rules.phrasing.figures import down, end_percent, up
from rules.phrasing.says import says
from rules.plant.estate import Purpose
from rules.values.code import Code


def _joined(parts: tuple[str, ...]) -> str:
    """Return clauses and sentences as one sentence."""
    return "; ".join(part.rstrip(".") for part in parts) + "."


# ---- readings and cards --------------------------------------------------------------------------------------


@says(Code.READING_NOT_FRESH)
def reading_not_fresh(*, units: tuple[str, ...]) -> str:
    """Name the units whose reading is old."""
    return f"No fresh reading of unit {', '.join(units)}."


@says(Code.READINGS_FRESH)
def readings_fresh(*, age_s: float) -> str:
    """Say how old the oldest reading is, in s."""
    return f"Every unit was read within {age_s:.0f} s."


@says(Code.CARD_SHARED)
def card_shared(*, units: tuple[str, ...]) -> str:
    """Name the units that one card speaks for."""
    return f"One card speaks for units {', '.join(units)}: none can be seen by itself."


@says(Code.CARD_EACH)
def card_each() -> str:
    """Say that no card is shared."""
    return "Every unit has a card of its own."


@says(Code.CARD_NOT_PROVED)
def card_not_proved(about: str) -> str:
    """Say that a card may be another cabinet's."""
    return f"Nobody has proved that the card of {about} is the one in that cabinet: `ridethrough confirm`."


@says(Code.CARD_PROVED)
def card_proved(*, by: str, day: date) -> str:
    """Say who proved a card, and on which day by the site's clock."""
    return f"Proved by {by} on {day_words(day)}."


# ---- the other units -----------------------------------------------------------------------------------------


@says(Code.NO_OTHER_UNIT)
def no_other_unit() -> str:
    """Say that the only unit is asked for."""
    return "There is no other unit: the load would be on the raw supply."


@says(Code.UNIT_STANDS)
def unit_stands(about: str, *, standing: str) -> str:
    """Say how a unit stands, as a clause."""
    return f"{about} is {standing.replace('_', ' ')}"


@says(Code.OTHERS_NOT_CARRYING)
def others_not_carrying(*, wrong: tuple[str, ...]) -> str:
    """Say of each other unit that is not in normal operation what it does."""
    return _joined(wrong)


@says(Code.OTHERS_CARRYING)
def others_carrying(*, units: tuple[str, ...]) -> str:
    """Name the other units."""
    return f"Unit {', '.join(units)} in normal operation."


@says(Code.TEST_OR_SHUTDOWN_RUNS)
def test_or_shutdown_runs(*, units: tuple[str, ...]) -> str:
    """Name the units that are busy."""
    return f"A test or a shutdown runs on unit {', '.join(units)}."


@says(Code.TESTS_NOT_TOLD)
def tests_not_told() -> str:
    """Say that a card has no table of alarms."""
    return "Not every card tells of tests and shutdowns."


@says(Code.NO_TEST_NO_SHUTDOWN)
def no_test_no_shutdown() -> str:
    """Say that nothing is under way."""
    return "No test and no shutdown countdown."


@says(Code.OTHER_UNIT_NOT_KNOWN)
def other_unit_not_known() -> str:
    """Say that what the others can carry is not known."""
    return "The state or the rating of another unit is not known."


# ---- the load ------------------------------------------------------------------------------------------------


def _when(window: bool) -> str:
    return "in the window, by the weeks before" if window else "now"


def _amount(left: float, limit: str) -> str:
    return f"{down(left / 1e3, 2):.2f} {'kW' if limit == 'w' else 'kVA'}"


def _lacks(over: float, limit: str) -> str:
    return f"{up(over / 1e3, 2):.2f} {'kW' if limit == 'w' else 'kVA'}"


def _room(left: float, limit: str, left_fraction: float, line: int, *, window: bool) -> str:
    return f"{_amount(left, limit)} ({end_percent(left_fraction)} %) left on line {line} {_when(window)}"


@says(Code.LOAD_NOT_KNOWN)
def load_not_known(*, window: bool) -> str:
    """Say that a line's load is not known, now or in the window."""
    if window:
        return "What the weeks before asked in the window is not on record for every line."
    return "The load now is not known on every line."


@says(Code.LOAD_TOO_MUCH)
def load_too_much(*, line: int, limit: str, over: float, window: bool) -> str:
    """Say by how much a line asks more than the others carry: W or VA, as `limit` ("w", "va") says."""
    return f"Line {line} asks {_lacks(over, limit)} more {_when(window)} than the others carry."


@says(Code.LOAD_ROOM_SMALL)
def load_room_small(
    *, line: int, limit: str, left: float, left_fraction: float, wanted_fraction: float, window: bool
) -> str:
    """Say that less is left on the tightest line than is wanted."""
    room = _room(left, limit, left_fraction, line, window=window)
    return f"Only {room}; wanted are {100 * wanted_fraction:.0f} %."


@says(Code.LOAD_FITS)
def load_fits(*, line: int, limit: str, left: float, left_fraction: float, window: bool) -> str:
    """Say what is left on the tightest line."""
    return f"{_room(left, limit, left_fraction, line, window=window)}, the tightest."


@says(Code.LOAD_AHEAD_NOT_KNOWN)
def load_ahead_not_known() -> str:
    """Say that no load is on record for the window, or that the others' limits are not known."""
    return "What the load will be is not known yet."


# ---- the banks -----------------------------------------------------------------------------------------------


def _asked(window: bool) -> str:
    return "at the window's highest expected load" if window else "at the load now"


@says(Code.NO_BANK_BEHIND)
def no_bank_behind() -> str:
    """Say that the only unit's bank is out with it."""
    return "No bank stands behind the load while the only unit is out."


@says(Code.OTHERS_HOLD_NOT_KNOWN)
def others_hold_not_known() -> str:
    """Say that the others' hold-up is not known."""
    return "How long the other units would hold is not known."


@says(Code.OTHERS_HOLD_UNASKED)
def others_hold_unasked(*, low_s: float, window: bool) -> str:
    """Say what the others hold where nothing is required."""
    return f"The others hold {minutes(low_s)} at the least {_asked(window)}; nothing is required."


@says(Code.OTHERS_HOLD)
def others_hold(*, low_s: float, needed_s: float, purpose: str, window: bool) -> str:
    """Say what the others hold beside the longest time that is required."""
    needs = f"{PURPOSES[Purpose(purpose)]} needs {minutes_up(needed_s)}"
    return f"The others hold {minutes(low_s)} at the least {_asked(window)}; {needs}."


@says(Code.CHARGE_NOT_KNOWN)
def charge_not_known() -> str:
    """Say that the charge is not known."""
    return "The banks' charge is not known."


@says(Code.BANKS_NOT_FULL)
def banks_not_full() -> str:
    """Say that banks are still being charged."""
    return "The banks are not full again since the last discharge."


@says(Code.BANKS_FULL)
def banks_full() -> str:
    """Say that all is charged, as far as it counts (`rules.system.hold_up.judgement.NOT_FULL`)."""
    return "The banks are charged to 95 % or more."


# ---- supplies ------------------------------------------------------------------------------------------------


@says(Code.AT_FREQUENCY)
def at_frequency(about: str, *, frequency_hz: float) -> str:
    """Say at which frequency a unit's bypass is, as a clause."""
    return f"{about} at {frequency_hz:.1f} Hz"


@says(Code.AT_VOLTAGE)
def at_voltage(about: str, *, line: int, voltage_v: float) -> str:
    """Say at which voltage a line is, as a clause."""
    return f"{about} line {line} at {voltage_v:.0f} V"


@says(Code.ON_BATTERY_NOW)
def on_battery_now(about: str) -> str:
    """Say that a unit is on its bank, as a clause."""
    return f"{about} on battery"


@says(Code.BYPASS_OUT_OF_BAND)
def bypass_out_of_band(*, wrong: tuple[str, ...]) -> str:
    """Say what of the bypass is out of its band."""
    return f"Bypass out of band: {', '.join(wrong)}."


@says(Code.BYPASS_NOT_TOLD)
def bypass_not_told(*, units: tuple[str, ...]) -> str:
    """Name the units whose bypass no card tells."""
    return f"The bypass of unit {', '.join(units)} is not told."


@says(Code.BYPASS_IN_BAND)
def bypass_in_band() -> str:
    """Say that the bypass can be used."""
    return "Bypass within 10 % of nominal volts and 1 Hz on every staying unit."


@says(Code.INPUT_OUT_OF_BAND)
def input_out_of_band(*, wrong: tuple[str, ...]) -> str:
    """Say what of the input is out of its band."""
    return f"Input out of band: {', '.join(wrong)}."


@says(Code.INPUT_NOT_TOLD)
def input_not_told(*, units: tuple[str, ...]) -> str:
    """Name the units whose input no card tells."""
    return f"The input of unit {', '.join(units)} is not told."


@says(Code.INPUT_IN_BAND)
def input_in_band() -> str:
    """Say that the input is as it should be."""
    return "Input within 10 % of nominal volts on every staying unit."


@says(Code.INPUT_WENT_BAD)
def input_went_bad(*, units: tuple[str, ...], times: tuple[int, ...]) -> str:
    """Say how often the input of each unit went bad today."""
    names = ", ".join(f"{unit} {count} times" for unit, count in zip(units, times, strict=True))
    return f"The input went bad in the last 24 h: {names}."


# ---- alarms and the generator --------------------------------------------------------------------------------------


@says(Code.CARD_SAYS)
def card_says(about: str, *, alarm: str) -> str:
    """Say a card's own alarm (RFC 1628, upsWellKnownAlarms) as a clause: "input bad" of upsAlarmInputBad."""
    plain = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", alarm.removeprefix("upsAlarm")).lower()
    return f"the card of {about} says {plain}"


@says(Code.ALARMS_NOT_EXPLAINED)
def alarms_not_explained(*, alarms: tuple[str, ...]) -> str:
    """Say what stands that nobody has explained."""
    return f"Not explained: {_joined(alarms)}"


@says(Code.NO_ALARM_STANDS)
def no_alarm_stands() -> str:
    """Say that nothing stands."""
    return "No alarm stands on the system or its cards."


@says(Code.SET_NOT_COUNTED_ON)
def set_not_counted_on() -> str:
    """Say that no requirement rests on a generator."""
    return "No start of a generator is counted on for this system."


@says(Code.SET_NOT_READY)
def set_not_ready() -> str:
    """Say what the site said of its generator."""
    return "The site says that its generator is not ready."


@says(Code.SET_FOR_A_PERSON)
def set_for_a_person(*, said_ready: bool) -> str:
    """Say what a person is to confirm at the generator."""
    said = "The site says that its generator is ready; " if said_ready else ""
    return f"{said}have someone confirm it at the generator: in automatic, fuel, start battery."


# ---- what no card tells, and what is for a person ------------------------------------------------------------


@says(Code.UNSEEN_SYNCHRONISM)
def unseen_synchronism() -> str:
    """Say that synchronism is not read."""
    return "Whether the unit's output is in step with the bypass is not in RFC 1628."


@says(Code.UNSEEN_BREAKERS)
def unseen_breakers() -> str:
    """Say that positions are not read."""
    return "Positions of breakers, isolators and key interlocks are not in RFC 1628."


@says(Code.UNSEEN_NEUTRAL_AND_EARTH)
def unseen_neutral_and_earth() -> str:
    """Name what nobody reads of neutral and earth."""
    return "Continuity of neutral and earth links during and after switching."


@says(Code.UNSEEN_PHASE_ROTATION)
def unseen_phase_rotation() -> str:
    """Name phase rotation."""
    return "Phase rotation of the supply, the bypass and the unit after work."


@says(Code.UNSEEN_WALL_BYPASS_RATING)
def unseen_wall_bypass_rating() -> str:
    """Name the wall bypass."""
    return "Rating and state of the wall bypass and its cables."


@says(Code.UNSEEN_STORED_DC)
def unseen_stored_dc() -> str:
    """Name stored charge."""
    return "Voltage left on capacitors and on the bank's side of its breaker."


@says(Code.UNSEEN_CONTROL_LOOP)
def unseen_control_loop() -> str:
    """Name the loop between the units."""
    return "Whether the parallel control loop is whole without this unit."


@says(Code.PERSON_PERMIT)
def person_permit() -> str:
    """Ask for the papers."""
    return "Permit and method statement issued; maker's manual and the site's switching schedule at hand."


@says(Code.PERSON_TWO_PEOPLE)
def person_two_people() -> str:
    """Ask for two people."""
    return "Two competent people present; the control room and those fed by the system told."


@says(Code.PERSON_OTHERS_WARNED)
def person_others_warned() -> str:
    """Ask that other work rests."""
    return "Other work on this supply, its boards and its generator stopped for the time."


@says(Code.PERSON_CAUTIONS)
def person_cautions() -> str:
    """Say what is live."""
    return (
        "The bank stays live at up to 600 V DC and cannot be switched off inside; arc flash; insulated tools, no "
        "metal worn; the output may be fed by peers, bypass or generator; prove dead before touching."
    )


@says(Code.PERSON_WALL_BYPASS)
def person_wall_bypass() -> str:
    """Say what the wall bypass must never meet."""
    return "Never close the wall bypass against a running inverter; on it, the load has no bank behind it."
