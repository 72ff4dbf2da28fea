"""An advised discharge as reasons, to be said: what to do, what it buys, what it risks."""

from __future__ import annotations

from rules.battery.state import DischargeAdvice
from rules.values.code import Code
from rules.values.reason import Reason, reason


def do_discharge(bank: str, advice: DischargeAdvice) -> Reason:
    """Return which discharge to make, when and how."""
    return reason(
        Code.DO_DISCHARGE,
        bank,
        power_w=advice.power_w,
        for_s=advice.for_s,
        on=advice.on,
        latest=advice.latest,
        means=advice.means,
    )


def discharge_buys(advice: DischargeAdvice) -> Reason:
    """Return how the day to order moves by it."""
    return reason(
        Code.DISCHARGE_BUYS,
        on=advice.on,
        order_by=advice.order_by,
        order_early=advice.order_early,
        order_late=advice.order_late,
        expected_days=advice.expected_days,
        later=advice.later_probability,
        later_days=advice.later_days,
        sooner=advice.sooner_probability,
        sooner_days=advice.sooner_days,
    )


def discharge_risks(advice: DischargeAdvice) -> Reason:
    """Return how likely the bank ends in it."""
    return reason(Code.DISCHARGE_RISKS, least_s=advice.least_s, ends=advice.ends_probability)


def discharge_advised(bank: str, advice: DischargeAdvice) -> Reason:
    """Return all three as one."""
    return reason(
        Code.DISCHARGE_ADVISED,
        do=do_discharge(bank, advice),
        buys=discharge_buys(advice),
        risks=discharge_risks(advice),
    )
