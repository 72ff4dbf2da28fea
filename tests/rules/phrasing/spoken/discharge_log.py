"""What is said of a logged discharge, one reason a line."""

from typing import Final

from rules.values.code import Code
from rules.values.reason import Reason, reason, told
from rules.values.verdict import Basis

SPOKEN: Final[tuple[tuple[Reason, str], ...]] = (
    (reason(Code.LOG_TOO_FEW_ROWS), "fewer than three rows with a time and a bank voltage"),
    (reason(Code.LOG_TOO_FEW_TIMES), "fewer than three different times"),
    (reason(Code.LOG_TOO_FEW_DISCHARGING), "fewer than three rows in which the bank discharges"),
    (reason(Code.LOG_NOTHING_DISCHARGING), "no rows in which the bank discharges"),
    (reason(Code.LOG_WITHOUT_POWER), "neither battery current nor output power is known"),
    (
        reason(Code.LOG_VOLTAGE_STANDS, volts=491.0),
        "the voltage stands at 491 V throughout: see whether the card refreshes it",
    ),
    (
        reason(Code.LOG_NOT_LEAD_ACID, per_cell_v=4.5416),
        "4.542 V per cell cannot be a lead-acid cell: do voltage and cells agree? A block of 2 cells shows that: are the blocks "
        "given for the cells?",
    ),
    (
        reason(Code.LOG_NOT_LEAD_ACID, per_cell_v=0.9),
        "0.900 V per cell cannot be a lead-acid cell: do voltage and cells agree?",
    ),
    (
        reason(Code.LOG_METERS_CONTRADICT, ratio=0.318),
        "output power is 0.32 of what volts and amperes give: see that current and output power are of the whole bank, in A "
        "and W, and in their own columns",
    ),
    (reason(Code.LOG_TOO_LITTLE_USED), "too little of the bank was used to tell"),
    (
        reason(Code.LOG_TOO_LITTLE_LEFT, stands=told("the voltage stands")),
        "the voltage stands, and what is left is too little to tell",
    ),
    (
        reason(Code.LOG_ABOVE_TABLE, power_w_per_cell=70.04),
        "the power, 70.0 W per cell, is above the table's largest",
    ),
    (
        reason(Code.LOG_WITHOUT_CURVE),
        "neither a constant-power table, a rated capacity nor a complete reference is given",
    ),
    # ---- what cannot be of this bank
    (
        reason(Code.LOG_RUNS_ON_UNDER_END, end_v=1.67, for_s=780.0, cells=288, fit=240.2),
        "by its 288 cells the bank carries on for 13 min under 1.67 V per cell, as no bank does: see the number of cells (about "
        "240 would fit) and the end voltage",
    ),
    (
        reason(
            Code.LOG_DECLARED_OTHERWISE, cells=240, strings=2, fit_cells=240, fit_strings=1, fraction=0.842
        ),
        "1 string in place of 2 would explain this discharge as well, and the bank would give 84 %: the interval holds both; see "
        "what is there",
    ),
    (
        reason(Code.LOG_DECLARED_OTHERWISE, cells=240, strings=1, fit_cells=234, fit_strings=1, fraction=0.7),
        "234 cells in place of 240 would explain this discharge as well, and the bank would give 70 %: the interval holds both; "
        "see what is there",
    ),
    (
        reason(Code.LOG_STANDS_STILL, per_cell_v=2.0104, from_s=60.0, upto_s=360.5),
        "the voltage stands at 2.010 V per cell from t_s = 60 to 360.5 while the bank is drawn on: those rows are left out; see "
        "whether the card refreshes it",
    ),
    (
        reason(Code.LOG_CELLS_DO_NOT_FIT, per_cell_v=1.132, cells=240, fit=120.2),
        "the bank stands at 1.13 V per cell before the transfer: 240 cells are declared, about 120 fit. See the number of cells",
    ),
    (
        reason(Code.LOG_OFF_EVERY_PRODUCT, per_cell_v=-0.154, cells=240, strings=2),
        "early in the discharge the bank stands 0.15 V per cell under what any product shows at this rate: see the number of "
        "cells (240 declared), of strings (2), and the table",
    ),
    (
        reason(Code.LOG_OFF_EVERY_PRODUCT, per_cell_v=0.13, cells=240, strings=2),
        "early in the discharge the bank stands 0.13 V per cell over what any product shows at this rate: see the number of "
        "cells (240 declared), of strings (2), and the table",
    ),
    (
        reason(Code.LOG_GIVES_TOO_MUCH, health=1.524, strings=1),
        "the bank would give 152 % of its published time, more than any does: see the number of strings (1 declared), the "
        "table, and that current and output power are of the whole bank",
    ),
    (
        reason(Code.LOG_STRINGS_MAY_LACK, strings=2),
        "so little also follows where one of the 2 strings does not carry, or fewer are there than declared",
    ),
    # ---- what was mended
    (reason(Code.LOG_OUT_OF_ORDER), "rows were out of order or repeated a time"),
    (
        reason(Code.LOG_VOLTAGE_SCALED, factor=0.1, per_cell_v=22.54),
        "voltage taken times 0.1: otherwise 22.54 V per cell",
    ),
    (reason(Code.LOG_SIGN_TURNED), "current is counted negative while discharging: sign turned"),
    (
        reason(Code.LOG_CURRENT_SCALED, factor=10.0, ratio=9.34),
        "current taken times 10: otherwise output is 9.34 of battery power",
    ),
    (
        reason(Code.LOG_CURRENT_OF_ONE_STRING, strings=2),
        "current taken times 2: it is of one string",
    ),
    (reason(Code.LOG_ROWS_REPEAT, rows=10), "10 rows that only repeat the one before are left out"),
    (reason(Code.LOG_ROWS_REPEAT, rows=1), "1 row that only repeats the one before is left out"),
    (reason(Code.LOG_ROWS_STRAY, rows=2), "2 rows with a stray voltage are left out"),
    (reason(Code.LOG_ROWS_STRAY, rows=1), "1 row with a stray voltage is left out"),
    (
        reason(Code.LOG_ROWS_WITHOUT_POWER, rows=1),
        "1 row without current or output power: taken from its neighbours",
    ),
    (
        reason(Code.LOG_CURRENT_STOPPED, rows=1),
        "1 row with 0 A while the voltage goes on falling: its current is not believed",
    ),
    (
        reason(Code.LOG_LAST_ROW_STRAY, last_v=1.204, before_v=1.752),
        "the last row, 1.20 V per cell after 1.75, is left out as stray",
    ),
    (reason(Code.LOG_GAP, gap_s=900.4), "a gap of 900 s: its power is taken from its two ends"),
    (
        reason(Code.LOG_POWER_BY_OUTPUT),
        "no battery current: battery power estimated from the output",
    ),
    (
        reason(Code.LOG_ROWS_WITHOUT_POWER, rows=3),
        "3 rows without current or output power: taken from their neighbours",
    ),
    (
        reason(Code.LOG_METERS_DISAGREE, ratio=0.7),
        "output power is 0.70 of what volts and amperes give, which no inverter does: one of the meters is wrong, the power "
        "lies between them",
    ),
    (
        reason(Code.LOG_COLUMNS_SWAPPED, one="bank_current_a", other="output_power_w"),
        "current and output power stand in each other's columns: changed back",
    ),
    (reason(Code.LOG_TEMPERATURE_ZERO), "temperature is 0 throughout: taken as not known"),
    (
        reason(Code.LOG_TEMPERATURE_FAHRENHEIT, read=77.0, at_c=25.0),
        "temperature 77 taken as degF, 25 degC: no bank is that hot",
    ),
    (
        reason(Code.LOG_TEMPERATURE_TENTHS, read=220.0, at_c=22.0, kelvin_c=None),
        "temperature 220 taken as tenths, 22 degC",
    ),
    (
        reason(Code.LOG_TEMPERATURE_TENTHS, read=298.0, at_c=29.8, kelvin_c=24.85),
        "temperature 298 taken as tenths, 30 degC (as kelvin it would be 25 degC; the interval allows for either)",
    ),
    (
        reason(Code.LOG_TEMPERATURE_NONE, read=900.0),
        "temperature 900 is none that a bank has: taken as not known; see the probe and its unit",
    ),
    (reason(Code.LOG_CURRENT_ZERO), "current stands at 0 beside output power: not believed"),
    (
        reason(Code.LOG_CURRENT_STUCK, amps=12.5),
        "current stands at 12.5 A, on mains as on the bank: not believed",
    ),
    (
        reason(Code.LOG_CURRENT_STOPPED, rows=7),
        "7 rows with 0 A while the voltage goes on falling: their current is not believed",
    ),
    (
        reason(Code.LOG_CURRENT_STANDS, amps=33.5, from_s=60.0, upto_s=900.0),
        "current stands at 33.5 A from t_s = 60 to 900 while volts and output power say that it moves: not believed; see "
        "whether the card refreshes it",
    ),
    (
        reason(Code.LOG_ROWS_BRIDGED, rows=1),
        "1 row within the discharge in which the bank seems to rest while its voltage runs on: bridged",
    ),
    (reason(Code.LOG_ROWS_WITHOUT_VOLTS, rows=3), "3 rows with 0 V: left out"),
    # ---- how full the bank began
    (
        reason(Code.LOG_HOLDS_SEVERAL, times=2, place=2, from_s=900.0, upto_s=1500.0),
        "the log holds 2 times on the bank: number 2, from t_s = 900 to 1500, took the most and is judged",
    ),
    (
        reason(Code.LOG_NOT_ALL_BACK, middle=0.121, low=0.05, high=0.22),
        "about 12 % of the published time was not back from the discharge before it (5 to 22 %)",
    ),
    (
        reason(Code.LOG_BEGINS_IN_THE_MIDDLE),
        "the log starts in the middle of a discharge, and what was used before is not known: give it from before the transfer "
        "on",
    ),
    (
        reason(Code.LOG_STILL_CHARGING, charging_a=2.04),
        "the bank was still being charged with 2.0 A before the transfer: it was not full",
    ),
    (
        reason(Code.LOG_MAY_NOT_BE_FULL, per_cell_v=2.131),
        "the bank stood at 2.13 V per cell before the transfer: it may not have been full",
    ),
    # ---- what it is judged by
    (
        reason(Code.LOG_REFERENCE_USELESS, why=reason(Code.LOG_TOO_FEW_TIMES)),
        "a reference is left out: fewer than three different times",
    ),
    (
        reason(Code.LOG_REFERENCE_IN_THE_MIDDLE),
        "a reference is left out: its log starts in the middle of a discharge",
    ),
    (
        reason(Code.LOG_REFERENCE_TOO_SHORT),
        "a reference is left out: it is too short to teach the type's shape",
    ),
    (reason(Code.LOG_JUDGED_BY, curve=Basis.NONE, learnt=None), "none"),
    (
        reason(Code.LOG_JUDGED_BY, curve=Basis.TABLE, learnt=0),
        "maker's table; no discharge of the type known",
    ),
    (
        reason(Code.LOG_JUDGED_BY, curve=Basis.TESTED, learnt=2),
        "references of the type instead of a table; shape learnt from 2 of the type's discharges",
    ),
    (
        reason(Code.LOG_JUDGED_BY, curve=Basis.GENERIC, learnt=1),
        "generic curve from the rated capacity, no table; shape learnt from 1 of the type's discharges",
    ),
)
