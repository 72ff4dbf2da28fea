"""What a log itself shows of how full its bank was when the discharge began.

Rows on float before it, an earlier discharge in the same log and what went back in between, or the fast fall
by which a rested bank opens: each says something. A log that starts in the middle says nothing of what went
before, and the interval has to.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from rules.battery.discharge.curve.voltage import course_of
from rules.battery.discharge.record.clean_discharge import Battery, CleanDischarge, DischargeBeginning
from rules.battery.model.float_voltage import float_setpoint_v
from rules.battery.model.recharge import (
    FULL,
    IN_THE_MIDDLE,
    Nodes,
    Recharge,
    after_recharge,
    by_rest,
    middle_of,
    nodes_of,
)
from rules.battery.model.runtime_curve import RuntimeCurve
from rules.values.code import Code
from rules.values.reason import Reason, reason

_DRAWS: Final = 400
_HOURS_10: Final = 36_000.0
_CELL_V: Final = 1.95
WORTH_SAYING: Final = 0.03


def missing_by_log(
    times: Sequence[CleanDischarge], chosen: CleanDischarge, battery: Battery, curve: RuntimeCurve
) -> tuple[Nodes, tuple[Reason, ...]]:
    """Return what was missing at the start of one of a log's times on the bank, and what to say of it."""
    said: list[Reason] = []
    if chosen.times > 1:
        said.append(
            reason(
                Code.LOG_HOLDS_SEVERAL,
                times=chosen.times,
                place=chosen.place,
                from_s=chosen.start_t_s,
                upto_s=chosen.start_t_s + float(chosen.t_s[-1]),
            )
        )
    nodes: Nodes | None = None
    for one in times:
        nodes = _missing(one, nodes, said if one is chosen else [], battery, curve)
        if one is chosen:
            break
        nodes = _after(one, times[times.index(one) + 1], nodes, battery, curve)
    return nodes or FULL, tuple(said)


def _missing(
    one: CleanDischarge, carried: Nodes | None, said: list[Reason], battery: Battery, curve: RuntimeCurve
) -> Nodes:
    if carried is not None:
        if max(carried) > WORTH_SAYING:
            said.append(
                reason(Code.LOG_NOT_ALL_BACK, middle=middle_of(carried), low=min(carried), high=max(carried))
            )
        return carried
    if one.start is DischargeBeginning.MIDDLE:
        said.append(reason(Code.LOG_BEGINS_IN_THE_MIDDLE))
        return IN_THE_MIDDLE
    if one.start is not DischargeBeginning.AT_REST or one.rest_voltage_v is None:
        return FULL
    setpoint = float_setpoint_v(25.0 if one.temperature_c is None else one.temperature_c)
    charging_c = None if one.charging_a is None else one.charging_a / capacity_ah(battery, curve)
    nodes = by_rest(one.rest_voltage_v - setpoint, one.rest_voltage_v, charging_c)
    if max(nodes) > WORTH_SAYING and charging_c is not None:
        said.append(reason(Code.LOG_STILL_CHARGING, charging_a=one.charging_a))
    elif min(nodes) > 0.0 or middle_of(nodes) > WORTH_SAYING:
        said.append(reason(Code.LOG_MAY_NOT_BE_FULL, per_cell_v=one.rest_voltage_v))
    return nodes


def _after(
    one: CleanDischarge, following: CleanDischarge, nodes: Nodes, battery: Battery, curve: RuntimeCurve
) -> Nodes:
    """Return what was missing when the next began."""
    course = course_of(one, battery, curve)
    hours = max(following.start_t_s - one.start_t_s - float(one.t_s[-1]), 0.0) / 3600.0
    rated_ah = capacity_ah(battery, curve)
    amps = one.power_w * battery.strings / one.voltage_v
    drawn = float(np.trapezoid(amps, one.t_s)) / 3600.0 / rated_ah
    used = np.resize(np.asarray(nodes), _DRAWS) + course.used_now
    removed = drawn * float(np.median(used)) / max(course.used_now, 1e-3)
    returned = None if following.returned_ah is None else following.returned_ah / rated_ah
    setpoint = float_setpoint_v(25.0 if following.temperature_c is None else following.temperature_c)
    seen = Recharge(
        hours,
        returned,
        0.0 if returned is None else hours,
        None if following.rest_voltage_v is None else following.rest_voltage_v - setpoint,
        None if following.charging_a is None else following.charging_a / rated_ah,
    )
    return nodes_of(after_recharge(used, removed, seen, 1, draws=_DRAWS))


def capacity_ah(battery: Battery, curve: RuntimeCurve) -> float:
    """Return the rated ampere-hours of a bank, by its table's ten hours where none are declared."""
    if battery.rated_capacity_ah:
        return battery.rated_capacity_ah * battery.strings
    return float(curve.watts(_HOURS_10)) * _HOURS_10 / 3600.0 / _CELL_V * battery.strings
