"""What is said of how a bank is kept, and what to do about it (`rules.battery.assessment.charging`)."""

from __future__ import annotations

from typing import Final

from rules.battery.state import SiblingFigure
from rules.phrasing.says import says
from rules.values.code import Code

# ---- nothing to judge by -------------------------------------------------------------------------------------


@says(Code.NO_BLOCKS_IN_BANK)
def no_blocks_in_bank() -> str:
    """Say that a place is empty, as a clause."""
    return "no blocks are declared in this place"


@says(Code.VOLTAGE_NEVER_READ)
def voltage_never_read() -> str:
    """Say that no whole hour was read, as a clause."""
    return "no battery voltage was read for a whole hour yet"


@says(Code.VOLTAGE_NOT_READ_LATELY)
def voltage_not_read_lately(*, within_s: float) -> str:
    """Say that no whole hour was read of late, as a clause."""
    return f"no battery voltage was read for a whole hour in the last {within_s / 3600.0:.0f} h"


@says(Code.VOLTAGE_READ_TOO_BRIEFLY)
def voltage_read_too_briefly(*, hours: int, wanted: int) -> str:
    """Say how many hours were read and how many it takes, as a clause."""
    return f"battery voltage was read in {hours} of the hours by the clock so far, and it takes {wanted}"


@says(Code.RECHARGING)
def recharging() -> str:
    """Say that a bank is not at rest, as a clause."""
    return "recharging after a discharge"


# ---- what is wrong -------------------------------------------------------------------------------------------


@says(Code.FLOAT_OUTSIDE)
def float_outside(*, volts: float, off_v: float, at_c: float | None) -> str:
    """Say the float voltage per cell, by how much it is off, and what that does."""
    at = "" if at_c is None else f" at {at_c:.0f} °C"
    harm = (
        "dries the blocks out and heats them"
        if off_v > 0.0
        else "leaves them short of charge, and sulphates them"
    )
    return (
        f"Float is {volts:.3f} V per cell{at}, {abs(off_v) * 1000.0:.0f} mV {'above' if off_v > 0.0 else 'below'} what suits "
        f"the bank; this {harm}."
    )


@says(Code.DO_CHECK_FLOAT_VOLTAGE)
def do_check_float_voltage() -> str:
    """Say who sets a float voltage right."""
    return "Have the charger's voltage and its temperature compensation checked against the maker's figure."


@says(Code.NOTHING_CHARGES)
def nothing_charges(*, volts: float, since_s: float | None) -> str:
    """Say at which voltage per cell a bank stands, and how long after its last discharge."""
    after = "" if since_s is None else f" {since_s / 3600.0:.0f} h after the last discharge"
    return f"The bank stands at {volts:.2f} V per cell{after}: nothing charges it."


@says(Code.DO_LOOK_AT_CHARGER)
def do_look_at_charger() -> str:
    """Say what may have parted a bank from its charger."""
    return "See whether the charger is on, the battery breaker closed and its fuse whole. The bank empties by itself."


@says(Code.FLOAT_NOT_COMPENSATED)
def float_not_compensated(*, per_kelvin_v: float | None) -> str:
    """Say how the float voltage moves with temperature; None: not at all."""
    how = (
        "does not follow"
        if per_kelvin_v is None
        else f"changes by {per_kelvin_v * 1000.0:+.1f} mV per cell and kelvin with"
    )
    return f"The float voltage {how} the bank's temperature; makers ask for about -3 mV per cell and kelvin."


@says(Code.DO_CHECK_COMPENSATION)
def do_check_compensation() -> str:
    """Say what makes a voltage follow wrongly."""
    return "Have the charger's temperature probe and compensation checked."


@says(Code.RECHARGE_TOO_SLOW)
def recharge_too_slow(*, volts: float, since_s: float) -> str:
    """Say how long after a discharge a bank is not full."""
    return f"{since_s / 3600.0:.0f} h after the discharge the bank has not reached its float voltage ({volts:.2f} V per cell)."


@says(Code.DO_CHECK_CURRENT_LIMIT)
def do_check_current_limit() -> str:
    """Say what makes a recharge long."""
    return "Have the charger's current limit checked; shorted cells also lengthen a recharge. Until then count on less."


@says(Code.NOT_CHARGED_SINCE_LOAD)
def not_charged_since_load(*, since_s: float) -> str:
    """Say since when a bank has waited for its charge."""
    return f"The bank carried load {since_s / 3600.0:.0f} h ago and has not been charged since."


@says(Code.RESTS_NOT_FULL)
def rests_not_full(*, volts: float) -> str:
    """Say at which voltage per cell a bank rests that is not full."""
    return f"The bank rests at {volts:.3f} V per cell: it is not full."


@says(Code.RESTS_UNCHARGED)
def rests_uncharged(*, longest_s: float) -> str:
    """Say that a bank has rested for longer than it may."""
    return f"The bank has rested for more than {longest_s / 86_400.0:.0f} days without a charge."


@says(Code.DO_CHECK_REST_PERIODS)
def do_check_rest_periods() -> str:
    """Say what ends a rest."""
    return "See that the charger's rest periods end and that the charger works."


@says(Code.RUNAWAY_SUSPECTED)
def runaway_suspected(*, now_a: float, usual_a: float, now_c: float, usual_c: float) -> str:
    """Say how float current and temperature rose together."""
    return (
        f"Float current has risen to {now_a:.1f} A (usually {usual_a:.1f}) while the bank warmed from {usual_c:.0f} to "
        f"{now_c:.0f} °C: it may be heating itself."
    )


@says(Code.DO_STOP_CHARGE)
def do_stop_charge() -> str:
    """Say what stops a runaway."""
    return "Lower or stop the charge and cool the room now; nobody should stand over the blocks. Then have them inspected."


_FIGURES: Final = {
    SiblingFigure.FLOAT_VOLTAGE: ("Float voltage", "V per cell"),
    SiblingFigure.TEMPERATURE: ("Temperature", "°C"),
    SiblingFigure.RESISTANCE: ("Resistance", "Ω per cell"),
}


@says(Code.APART_FROM_SIBLINGS)
def apart_from_siblings(about: str, *, what: str, value: float, theirs: float) -> str:
    """Say which figure of a bank is not that of its siblings."""
    name, unit = _FIGURES[SiblingFigure(what)]
    return f"{name} of {about} is {value:.4g} {unit}; its siblings have {theirs:.4g}."


@says(Code.DO_COMPARE_BLOCKS)
def do_compare_blocks() -> str:
    """Say how a difference is found."""
    return "Measure the block voltages of this bank and of a sibling, and compare."
