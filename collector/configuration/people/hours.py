"""Whether a moment lies in the days and hours in which somebody is told."""

from __future__ import annotations

from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from collector.configuration.people.tables import TellTable

DAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def within_hours(tell: TellTable, at: datetime, time_zone: str) -> bool:
    """Return whether a moment lies in the days and hours of `tell`.

    Hours over midnight (`until` before `from`) belong to the day they began on.
    """
    here = at.astimezone(ZoneInfo(time_zone))
    day, clock = here.weekday(), here.time()
    start, end = tell.from_time, tell.until_time
    if start is None and end is None:
        return DAYS[day] in tell.days
    begins = start or clock.min
    ends = end or clock.max
    if begins <= ends:
        return DAYS[day] in tell.days and begins <= clock < ends
    return (DAYS[day] in tell.days and clock >= begins) or (DAYS[day - 1] in tell.days and clock < ends)
