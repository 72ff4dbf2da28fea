"""By when to act on a system that is on its banks: one moment, and what it is the last moment for."""

from __future__ import annotations

from datetime import datetime

from rules.alarms.conditions.shedding import LAST_MOMENT, holds_without
from rules.alarms.lifecycle.alarm import Deadline
from rules.system.state import OnBattery


def deadline(outage: OnBattery | None, at: datetime) -> tuple[datetime, Deadline] | None:
    """Return the earliest of the moments that count, and which it is; None: none is known, or nothing will end.

    The last moment at which shedding is still enough, to start the generator or to set out for it, and the earliest end of the
    banks. Of what is too late no moment is named; that it is too late is said in words.
    """
    if outage is None or outage.carried or outage.ends_earliest is None:
        return None
    moments = [(outage.ends_earliest, Deadline.BANKS_END)]
    if outage.set_out_before is not None:
        if outage.set_out_before >= at:
            moments.append((outage.set_out_before, Deadline.SET_OUT))
    elif outage.start_set_before is not None and outage.start_set_before >= at:
        moments.append((outage.start_set_before, Deadline.START_SET))
    shed = outage.shed
    if shed is not None and shed.reached and shed.steps and shed.shed_by is not None and not shed.all_shed:
        last = min(shed.shed_by, outage.ends_earliest - LAST_MOMENT)
        if last >= at and not holds_without(shed, at, outage.ends_earliest):
            moments.append((last, Deadline.SHED))
    return min(moments)
