"""What a bank has spent and got back: the belief carried forward from reading to reading.

Between two judgements the used fraction is carried forward by the output power, which is exact and
cheap. It comes back as `recharge` says: by the charging current where the card tells one, else as chargers usual
for sealed banks bring it. A card's charge percent is never used: many stay at 100 throughout a discharge, or follow a table
of voltages.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from rules.battery.model.health import BankBelief
from rules.battery.model.recharge import recharged

LEAST_CURRENT_RATE: Final = 0.02
"""A smaller current, per hour of rated capacity, is as likely float as charge, and cards round it."""
PROBE_STEP_K: Final = 1.5
LONGEST_STEP_S: Final = 120.0
"""A longer gap between readings is not bridged by one power: the caller is told how much was unseen."""


@dataclass(frozen=True, slots=True)
class BankMoment:
    """What one moment says of a bank. `output_power_w` behind it; `current_a` positive while it discharges."""

    at: datetime
    on_battery: bool | None
    output_power_w: float | None
    current_a: float | None = None
    temperature_c: float | None = None


def carried_to(belief: BankBelief, moment: BankMoment, rated_capacity_ah: float | None) -> BankBelief:
    """Return the belief at `moment`, taking what it says to have held since `belief.as_of`.

    On battery with no power known, or with the source not known, the used fraction stays: nothing is made
    up, and the caller's age of evidence grows. A moment before the belief changes nothing.
    """
    seconds = (moment.at - belief.as_of).total_seconds()
    if seconds <= 0.0:
        return belief
    if warmed(belief, moment.temperature_c):
        belief = replace(belief, temperature_c=moment.temperature_c)
    if moment.on_battery is None or (moment.on_battery and moment.output_power_w is None):
        return replace(belief, as_of=moment.at)
    if moment.on_battery:
        return belief.carried(moment.output_power_w or 0.0, seconds, moment.at)
    return _charged(belief, moment, seconds, rated_capacity_ah)


def only_rests(belief: BankBelief, on_battery: bool | None, temperature_c: float | None) -> bool:
    """Return whether a moment says no more than that a full bank is still full: `carried_to` then moves its date alone."""
    return on_battery is False and belief.full and not warmed(belief, temperature_c)


def warmed(belief: BankBelief, temperature_c: float | None) -> bool:
    """Return whether a probe says a temperature that what a bank holds is reckoned anew for."""
    return temperature_c is not None and _moved(belief.temperature_c, temperature_c)


def _moved(before_c: float | None, now_c: float) -> bool:
    """Return whether a probe says something new: whole degrees come and go, and one costs less than 1 % of capacity."""
    return before_c is None or abs(now_c - before_c) >= PROBE_STEP_K


def _charged(
    belief: BankBelief, moment: BankMoment, seconds: float, rated_capacity_ah: float | None
) -> BankBelief:
    if belief.full:
        return belief.rested(moment.at)
    hours, returned = seconds / 3600.0, None
    if rated_capacity_ah and moment.current_a is not None:
        rate = -moment.current_a / (rated_capacity_ah * belief.strings)
        returned = rate * hours if rate > LEAST_CURRENT_RATE else None
    return replace(belief.left_with(recharged(belief.used, hours, returned=returned)), as_of=moment.at)
