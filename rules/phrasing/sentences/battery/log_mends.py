"""What is said of the mends in a logged discharge (`rules.battery.discharge.record`).

All are clauses: a note stands before them.
"""

from __future__ import annotations

from typing import Final

from rules.phrasing.says import says
from rules.phrasing.sentences.battery.discharge_log import meters_are_apart
from rules.values.code import Code


def _rows(rows: int) -> str:
    return f"{rows} row{'s' if rows != 1 else ''}"


@says(Code.LOG_OUT_OF_ORDER)
def log_out_of_order() -> str:
    """Say that rows were sorted."""
    return "rows were out of order or repeated a time"


@says(Code.LOG_VOLTAGE_SCALED)
def log_voltage_scaled(*, factor: float, per_cell_v: float) -> str:
    """Say by what a voltage was multiplied, and what it would be per cell without."""
    return f"voltage taken times {factor:g}: otherwise {per_cell_v:.2f} V per cell"


@says(Code.LOG_SIGN_TURNED)
def log_sign_turned() -> str:
    """Say that a current was turned."""
    return "current is counted negative while discharging: sign turned"


@says(Code.LOG_CURRENT_SCALED)
def log_current_scaled(*, factor: float, ratio: float) -> str:
    """Say by what a current was multiplied, and why."""
    return f"current taken times {factor:g}: otherwise output is {ratio:.2f} of battery power"


@says(Code.LOG_CURRENT_OF_ONE_STRING)
def log_current_of_one_string(*, strings: int) -> str:
    """Say that a current is of one string."""
    return f"current taken times {strings}: it is of one string"


@says(Code.LOG_ROWS_REPEAT)
def log_rows_repeat(*, rows: int) -> str:
    """Say how many rows are stale."""
    return (
        f"{_rows(rows)} that only {'repeats' if rows == 1 else 'repeat'} the one before "
        f"{'is' if rows == 1 else 'are'} left out"
    )


@says(Code.LOG_ROWS_STRAY)
def log_rows_stray(*, rows: int) -> str:
    """Say how many rows are far from both neighbours."""
    return f"{_rows(rows)} with a stray voltage {'is' if rows == 1 else 'are'} left out"


@says(Code.LOG_LAST_ROW_STRAY)
def log_last_row_stray(*, last_v: float, before_v: float) -> str:
    """Say that the last row, in V per cell, was of the moment the unit let go."""
    return f"the last row, {last_v:.2f} V per cell after {before_v:.2f}, is left out as stray"


@says(Code.LOG_GAP)
def log_gap(*, gap_s: float) -> str:
    """Say how long nothing was logged."""
    return f"a gap of {gap_s:.0f} s: its power is taken from its two ends"


@says(Code.LOG_POWER_BY_OUTPUT)
def log_power_by_output() -> str:
    """Say what stands for a current that is not there."""
    return "no battery current: battery power estimated from the output"


@says(Code.LOG_ROWS_WITHOUT_POWER)
def log_rows_without_power(*, rows: int) -> str:
    """Say how many rows lack both."""
    return f"{_rows(rows)} without current or output power: taken from {'its' if rows == 1 else 'their'} neighbours"


@says(Code.LOG_METERS_DISAGREE)
def log_meters_disagree(*, ratio: float) -> str:
    """Say how far two meters are apart."""
    return f"{meters_are_apart(ratio)}, which no inverter does: one of the meters is wrong, the power lies between them"


_COLUMNS: Final = {
    "bank_voltage_v": "voltage",
    "bank_current_a": "current",
    "temperature_c": "temperature",
    "output_power_w": "output power",
}


@says(Code.LOG_COLUMNS_SWAPPED)
def log_columns_swapped(*, one: str, other: str) -> str:
    """Say which columns were changed back."""
    return f"{_COLUMNS[one]} and {_COLUMNS[other]} stand in each other's columns: changed back"


@says(Code.LOG_TEMPERATURE_ZERO)
def log_temperature_zero() -> str:
    """Say that a probe gives nothing."""
    return "temperature is 0 throughout: taken as not known"


@says(Code.LOG_TEMPERATURE_FAHRENHEIT)
def log_temperature_fahrenheit(*, read: float, at_c: float) -> str:
    """Say which scale a probe seems to have."""
    return f"temperature {read:.0f} taken as degF, {at_c:.0f} degC: no bank is that hot"


@says(Code.LOG_TEMPERATURE_TENTHS)
def log_temperature_tenths(*, read: float, at_c: float, kelvin_c: float | None) -> str:
    """Say that a probe seems to count tenths; `kelvin_c`: what it would be if it counted kelvin, where it might."""
    either = (
        ""
        if kelvin_c is None
        else f" (as kelvin it would be {kelvin_c:.0f} degC; the interval allows for either)"
    )
    return f"temperature {read:.0f} taken as tenths, {at_c:.0f} degC{either}"


@says(Code.LOG_TEMPERATURE_NONE)
def log_temperature_none(*, read: float) -> str:
    """Say which temperature no bank has."""
    return f"temperature {read:.0f} is none that a bank has: taken as not known; see the probe and its unit"


@says(Code.LOG_CURRENT_ZERO)
def log_current_zero() -> str:
    """Say that there is no current meter."""
    return "current stands at 0 beside output power: not believed"


@says(Code.LOG_CURRENT_STUCK)
def log_current_stuck(*, amps: float) -> str:
    """Say at what a current meter is stuck."""
    return f"current stands at {amps:g} A, on mains as on the bank: not believed"


@says(Code.LOG_CURRENT_STOPPED)
def log_current_stopped(*, rows: int) -> str:
    """Say in how many rows a current meter had stopped."""
    return f"{_rows(rows)} with 0 A while the voltage goes on falling: {'its' if rows == 1 else 'their'} current is not believed"


@says(Code.LOG_CURRENT_STANDS)
def log_current_stands(*, amps: float, from_s: float, upto_s: float) -> str:
    """Say from when to when a current stands that has to move."""
    return (
        f"current stands at {amps:g} A from t_s = {from_s:g} to {upto_s:g} while volts and output power say that it moves: not "
        "believed; see whether the card refreshes it"
    )


@says(Code.LOG_ROWS_BRIDGED)
def log_rows_bridged(*, rows: int) -> str:
    """Say in how many rows of a discharge something has the bank at rest."""
    return f"{_rows(rows)} within the discharge in which the bank seems to rest while its voltage runs on: bridged"


@says(Code.LOG_ROWS_WITHOUT_VOLTS)
def log_rows_without_volts(*, rows: int) -> str:
    """Say how many rows show no voltage at all."""
    return f"{_rows(rows)} with 0 V: left out"
