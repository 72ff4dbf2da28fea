"""What is said of a logged discharge: why it tells nothing, how full its bank began, what it is judged by (`rules.battery.discharge`).

All are clauses: a note or a "Cannot tell: " stands before them.
"""

from __future__ import annotations

from typing import Final

from rules.phrasing.says import says
from rules.values.code import Code
from rules.values.verdict import Basis

# ---- nothing to judge ----------------------------------------------------------------------------------------


@says(Code.LOG_TOO_FEW_ROWS)
def log_too_few_rows() -> str:
    """Say that a log is empty, or nearly."""
    return "fewer than three rows with a time and a bank voltage"


@says(Code.LOG_TOO_FEW_TIMES)
def log_too_few_times() -> str:
    """Say that a log's time stands."""
    return "fewer than three different times"


@says(Code.LOG_TOO_FEW_DISCHARGING)
def log_too_few_discharging() -> str:
    """Say that a log holds no discharge."""
    return "fewer than three rows in which the bank discharges"


@says(Code.LOG_NOTHING_DISCHARGING)
def log_nothing_discharging() -> str:
    """Say that a log holds no discharge at all."""
    return "no rows in which the bank discharges"


@says(Code.LOG_WITHOUT_POWER)
def log_without_power() -> str:
    """Say what a log lacks."""
    return "neither battery current nor output power is known"


@says(Code.LOG_VOLTAGE_STANDS)
def log_voltage_stands(*, volts: float) -> str:
    """Say at which voltage of the bank a meter stands."""
    return f"the voltage stands at {volts:g} V throughout: see whether the card refreshes it"


@says(Code.LOG_NOT_LEAD_ACID)
def log_not_lead_acid(*, per_cell_v: float) -> str:
    """Say which voltage no cell has."""
    block = next((n for n in (6, 3, 2) if 1.6 < per_cell_v / n < 2.5), None)
    like = (
        "" if block is None else f" A block of {block} cells shows that: are the blocks given for the cells?"
    )
    return f"{per_cell_v:.3f} V per cell cannot be a lead-acid cell: do voltage and cells agree?{like}"


def meters_are_apart(ratio: float) -> str:
    """Return how far two meters are apart, as a clause."""
    return f"output power is {ratio:.2f} of what volts and amperes give"


@says(Code.LOG_METERS_CONTRADICT)
def log_meters_contradict(*, ratio: float) -> str:
    """Say how far two meters are apart, too far to judge."""
    return f"{meters_are_apart(ratio)}: see that current and output power are of the whole bank, in A and W, and in their own columns"


@says(Code.LOG_TOO_LITTLE_USED)
def log_too_little_used() -> str:
    """Say that a discharge was too short."""
    return "too little of the bank was used to tell"


@says(Code.LOG_TOO_LITTLE_LEFT)
def log_too_little_left(*, stands: str) -> str:
    """Say why too little is left of a discharge."""
    return f"{stands}, and what is left is too little to tell"


@says(Code.LOG_ABOVE_TABLE)
def log_above_table(*, power_w_per_cell: float) -> str:
    """Say which power no table covers."""
    return f"the power, {power_w_per_cell:.1f} W per cell, is above the table's largest"


@says(Code.LOG_WITHOUT_CURVE)
def log_without_curve() -> str:
    """Say what would be judged by."""
    return "neither a constant-power table, a rated capacity nor a complete reference is given"


# ---- what cannot be of this bank -----------------------------------------------------------------------------


@says(Code.LOG_STANDS_STILL)
def log_stands_still(*, per_cell_v: float, from_s: float, upto_s: float) -> str:
    """Say from when to when by the log a voltage stands still while the bank is drawn on."""
    return (
        f"the voltage stands at {per_cell_v:.3f} V per cell from t_s = {from_s:g} to {upto_s:g} "
        "while the bank is drawn on: those rows are left out; see whether the card refreshes it"
    )


@says(Code.LOG_CELLS_DO_NOT_FIT)
def log_cells_do_not_fit(*, per_cell_v: float, cells: int, fit: float) -> str:
    """Say how many cells are declared, and how many would stand at the usual voltage."""
    return (
        f"the bank stands at {per_cell_v:.2f} V per cell before the transfer: {cells} cells are declared, "
        f"about {fit:.0f} fit. See the number of cells"
    )


@says(Code.LOG_OFF_EVERY_PRODUCT)
def log_off_every_product(*, per_cell_v: float, cells: int, strings: int) -> str:
    """Say by how much a cell lies over (or under, where less than nothing) what any product shows."""
    which = "over" if per_cell_v > 0.0 else "under"
    return (
        f"early in the discharge the bank stands {abs(per_cell_v):.2f} V per cell {which} what any product shows at this "
        f"rate: see the number of cells ({cells} declared), of strings ({strings}), and the table"
    )


@says(Code.LOG_GIVES_TOO_MUCH)
def log_gives_too_much(*, health: float, strings: int) -> str:
    """Say that a bank would give more than any does."""
    return (
        f"the bank would give {100.0 * health:.0f} % of its published time, more than any does: see the number of "
        f"strings ({strings} declared), the table, and that current and output power are of the whole bank"
    )


@says(Code.LOG_STRINGS_MAY_LACK)
def log_strings_may_lack(*, strings: int) -> str:
    """Say what else makes a bank give little."""
    return f"so little also follows where one of the {strings} strings does not carry, or fewer are there than declared"


@says(Code.LOG_RUNS_ON_UNDER_END)
def log_runs_on_under_end(*, end_v: float, for_s: float, cells: int, fit: float) -> str:
    """Say for how long a bank carries on under an end voltage (V per cell) that it cannot be under, and which cells would fit."""
    return (
        f"by its {cells} cells the bank carries on for {for_s / 60.0:.0f} min under {end_v:.2f} V per cell, as no bank does: see the "
        f"number of cells (about {fit:.0f} would fit) and the end voltage"
    )


@says(Code.LOG_DECLARED_OTHERWISE)
def log_declared_otherwise(
    *, cells: int, strings: int, fit_cells: int, fit_strings: int, fraction: float
) -> str:
    """Say which cells or strings would explain a discharge as well as those declared, and what the bank gives by them."""
    strung = f"{fit_strings} string{'s' if fit_strings != 1 else ''} in place of {strings}"
    which = strung if fit_strings != strings else f"{fit_cells} cells in place of {cells}"
    return (
        f"{which} would explain this discharge as well, and the bank would give {100.0 * fraction:.0f} %: the interval holds "
        "both; see what is there"
    )


# ---- how full the bank began ---------------------------------------------------------------------------------


@says(Code.LOG_HOLDS_SEVERAL)
def log_holds_several(*, times: int, place: int, from_s: float, upto_s: float) -> str:
    """Say which of a log's times on the bank is judged."""
    return (
        f"the log holds {times} times on the bank: number {place}, from t_s = {from_s:g} to {upto_s:g}, took the most and is "
        "judged"
    )


@says(Code.LOG_NOT_ALL_BACK)
def log_not_all_back(*, middle: float, low: float, high: float) -> str:
    """Say how much was missing since the discharge before, as shares of published time."""
    return (
        f"about {100.0 * middle:.0f} % of the published time was not back from the discharge before it "
        f"({100.0 * low:.0f} to {100.0 * high:.0f} %)"
    )


@says(Code.LOG_BEGINS_IN_THE_MIDDLE)
def log_begins_in_the_middle() -> str:
    """Say that a log lacks its beginning."""
    return (
        "the log starts in the middle of a discharge, and what was used before is not known: give it from "
        "before the transfer on"
    )


@says(Code.LOG_STILL_CHARGING)
def log_still_charging(*, charging_a: float) -> str:
    """Say what flowed into the bank just before."""
    return f"the bank was still being charged with {charging_a:.1f} A before the transfer: it was not full"


@says(Code.LOG_MAY_NOT_BE_FULL)
def log_may_not_be_full(*, per_cell_v: float) -> str:
    """Say at which voltage the bank stood just before."""
    return f"the bank stood at {per_cell_v:.2f} V per cell before the transfer: it may not have been full"


# ---- what it is judged by ------------------------------------------------------------------------------------


@says(Code.LOG_REFERENCE_USELESS)
def log_reference_useless(*, why: str) -> str:
    """Say why a reference teaches nothing."""
    return f"a reference is left out: {why}"


@says(Code.LOG_REFERENCE_IN_THE_MIDDLE)
def log_reference_in_the_middle() -> str:
    """Say that a reference lacks its beginning."""
    return "a reference is left out: its log starts in the middle of a discharge"


@says(Code.LOG_REFERENCE_TOO_SHORT)
def log_reference_too_short() -> str:
    """Say that a reference is short."""
    return "a reference is left out: it is too short to teach the type's shape"


_CURVES: Final = {
    Basis.TABLE: "maker's table",
    Basis.TESTED: "references of the type instead of a table",
    Basis.GENERIC: "generic curve from the rated capacity, no table",
    Basis.NONE: "none",
}


@says(Code.LOG_JUDGED_BY)
def log_judged_by(*, curve: str, learnt: int | None) -> str:
    """Say by which curve and shape a log is judged; `learnt`: of how many discharges of the type, None: of no shape."""
    if learnt is None:
        return _CURVES[Basis(curve)]
    shape = (
        f"shape learnt from {learnt} of the type's discharges" if learnt else "no discharge of the type known"
    )
    return f"{_CURVES[Basis(curve)]}; {shape}"
