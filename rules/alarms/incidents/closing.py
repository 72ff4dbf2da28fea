"""When an incident is over, and closes."""

from __future__ import annotations

from typing import Final

from rules.alarms.catalogue import Cause
from rules.alarms.incidents.context import StepContext
from rules.alarms.incidents.incident import Incident

SETTLE_S: Final = 30.0
"""A power incident closes when no unit has been on its bank, and no system of it dark, for this long."""


def is_over(incident: Incident, ground: StepContext) -> bool:
    """Return whether the cause is gone; what follows from it may outlive it.

    The end of what somebody was called to at once, as an overload, does not wait for what only follows from it. An
    outage that emptied banks goes on until what they fed is fed again.
    """
    if incident.cause is Cause.OWN and any(
        ground.catalogue[a.kind].breaks_out for a in ground.known(incident.ever)
    ):
        return all(ground.cause(ground.alarms[m]) is Cause.CONSEQUENCE for m in incident.members)
    if incident.cause is not Cause.POWER:
        return not incident.members
    if any(part.dark or part.on for part in incident.parts.values()):
        return False  # units that have just gone to their banks are on them before their alarm is due
    return not any(ground.cause(ground.alarms[m]) is Cause.POWER for m in incident.members)
