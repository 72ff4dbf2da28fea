"""Where a cleaned discharge cannot be what it is said to be: meters that stand still, cells or strings declared wrong.

What can be left out is left out and said. Where the declaration and the record cannot both be right, nothing
is told but that, and what to look at.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from rules.battery.discharge.curve.voltage import VoltageCourse, early_offset_v
from rules.battery.discharge.record.clean_discharge import Battery, CleanDischarge, NotADischarge
from rules.battery.discharge.record.log_doubts import standing_still
from rules.battery.model.health import MOST_HEALTH
from rules.values.code import Code
from rules.values.reason import Reason, reason

FEW: Final = 0.6
_REST_V: Final = (1.9, 2.45)
_FLOAT_V: Final = 2.26
_FARTHEST_V: Final = 0.12  # the products learnt from lie within -0.04 and +0.03
_MOST_STILL: Final = 4


def moving(discharge: CleanDischarge, course: VoltageCourse) -> tuple[CleanDischarge, tuple[Reason, ...]]:
    """Return a discharge without the rows in which its voltage stands still while it is drawn on."""
    said: list[Reason] = []
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
        level_v = float(discharge.voltage_v[first])
        said.append(reason(Code.LOG_STANDS_STILL, per_cell_v=level_v, from_s=from_s, upto_s=upto_s))
    if not said:
        return discharge, ()
    # What was drawn meanwhile counts: by the amperes as they were read, at the volts that lie between.
    between = np.interp(discharge.t_s, discharge.t_s[keep], discharge.voltage_v[keep])
    held = ~keep & np.isfinite(discharge.current_a)
    power = np.where(held, discharge.power_w * between / discharge.voltage_v, discharge.power_w)
    return replace(
        discharge,
        t_s=discharge.t_s[keep],
        voltage_v=discharge.voltage_v[keep],
        power_w=discharge.power_w[keep],
        current_a=discharge.current_a[keep],
        drawn=(discharge.t_s, power),
    ), tuple(said)


def can_be(discharge: CleanDischarge, course: VoltageCourse, battery: Battery) -> None:
    """Raise NotADischarge where a record cannot be of the bank that is declared."""
    rest = discharge.rest_voltage_v
    if rest is not None and not _REST_V[0] < rest < _REST_V[1]:
        fit = battery.cells_read * rest / _FLOAT_V
        raise NotADischarge(
            reason(Code.LOG_CELLS_DO_NOT_FIT, per_cell_v=rest, cells=battery.cells_read, fit=fit)
        )
    off = early_offset_v(course)
    if off is None or abs(off) < _FARTHEST_V:
        return
    raise NotADischarge(
        reason(Code.LOG_OFF_EVERY_PRODUCT, per_cell_v=off, cells=battery.cells_read, strings=battery.strings)
    )


def believable(health: float, battery: Battery, said: list[Reason]) -> None:
    """Raise NotADischarge for a health above any maker's table; say what else may be behind a very low one."""
    if health > MOST_HEALTH:
        raise NotADischarge(reason(Code.LOG_GIVES_TOO_MUCH, health=health, strings=battery.strings))
    if health < FEW and battery.strings > 1:
        said.append(reason(Code.LOG_STRINGS_MAY_LACK, strings=battery.strings))
