"""Where a cleaned discharge cannot be what it is said to be: meters that stand still, cells or strings declared wrong.

What can be left out is left out and said. Where the declaration and the record cannot both be right, nothing
is told but that, and what to look at.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from rules.battery.discharge.curve.voltage import VoltageCourse, early_offset_v
from rules.battery.discharge.log import Battery, CleanDischarge, NotADischarge
from rules.battery.discharge.log_doubts import standing_still
from rules.battery.model.health import MOST_HEALTH

FEW: Final = 0.6
_REST_V: Final = (1.9, 2.45)
_FLOAT_V: Final = 2.26
_FARTHEST_V: Final = 0.12  # the products learnt from lie within -0.04 and +0.03
_MOST_STILL: Final = 4


def moving(discharge: CleanDischarge, course: VoltageCourse) -> tuple[CleanDischarge, tuple[str, ...]]:
    """Return a discharge without the rows in which its voltage stands still while it is drawn on."""
    said: list[str] = []
    keep = np.ones(len(discharge.t_s), dtype=bool)
    for _ in range(_MOST_STILL):
        rows = np.flatnonzero(keep)
        still = standing_still(discharge.voltage_v[rows], course.used[rows], discharge.step_v)
        if still is None:
            break
        first, last = int(rows[still[0]]), int(rows[still[1]])
        keep[first + 1 : last + 1] = False
        from_s = discharge.start_t_s + float(discharge.t_s[first])
        upto_s = discharge.start_t_s + float(discharge.t_s[last])
        said.append(
            f"the voltage stands at {discharge.voltage_v[first]:.3f} V per cell from t_s = {from_s:g} to {upto_s:g} "
            "while the bank is drawn on: those rows are left out; see whether the card refreshes it"
        )
    if not said:
        return discharge, ()
    return replace(
        discharge,
        t_s=discharge.t_s[keep],
        voltage_v=discharge.voltage_v[keep],
        power_w=discharge.power_w[keep],
        current_a=discharge.current_a[keep],
    ), tuple(said)


def can_be(discharge: CleanDischarge, course: VoltageCourse, battery: Battery) -> None:
    """Raise NotADischarge where a record cannot be of the bank that is declared."""
    rest = discharge.rest_voltage_v
    if rest is not None and not _REST_V[0] < rest < _REST_V[1]:
        fit = battery.cells_read * rest / _FLOAT_V
        raise NotADischarge(
            f"the bank stands at {rest:.2f} V per cell before the transfer: {battery.cells_read} cells are declared, "
            f"about {fit:.0f} fit. See the number of cells"
        )
    off = early_offset_v(course)
    if off is None or abs(off) < _FARTHEST_V:
        return
    which = "over" if off > 0.0 else "under"
    raise NotADischarge(
        f"early in the discharge the bank stands {abs(off):.2f} V per cell {which} what any product shows at this rate: "
        f"see the number of cells ({battery.cells_read} declared), of strings ({battery.strings}), and the table"
    )


def believable(health: float, battery: Battery, said: list[str]) -> None:
    """Raise NotADischarge for a health above any maker's table; say what else may be behind a very low one."""
    if health > MOST_HEALTH:
        raise NotADischarge(
            f"the bank would give {100.0 * health:.0f} % of its published time, more than any does: see the number of "
            f"strings ({battery.strings} declared), the table, and that current and output power are of the whole bank"
        )
    if health < FEW and battery.strings > 1:
        said.append(
            f"so little also follows where one of the {battery.strings} strings does not carry, or fewer are there "
            "than declared"
        )
