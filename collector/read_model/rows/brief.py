"""What stands in a cell of a row in a word or two: by when to act, the next size, the first load to shed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, tzinfo

from rules.phrasing.dates import day_words
from rules.phrasing.figures import kilo
from rules.planning.ridethrough.shedding import shed_order
from rules.planning.sizing.replacement import Sizes
from rules.plant.estate import LoadGroup
from rules.system.state import SystemState

NOW = "now"


def by_when_words(when: datetime | date | None, now: datetime, zone: tzinfo) -> str:
    """Return by when to act: "now", "before 17:00" of today by the site's clock, "before 7 Dec", of another year with it.

    Before a day is before it begins, so it is never later than the moment it stands for. Empty: no moment is set.
    """
    if when is None:
        return ""
    here = now.astimezone(zone)
    if isinstance(when, datetime):
        if when <= now:
            return NOW
        local = when.astimezone(zone)
        if local.date() == here.date():
            return f"before {local:%H:%M}"
        day = local.date()
    elif when <= here.date():
        return NOW
    else:
        day = when
    words = day_words(day) if day.year != here.year else f"{day.day} {day:%b}"
    return f"before {words}"


def size_words(found: Sizes | None) -> str:
    """Return what rating in kVA each unit would have if it were replaced now, "20" or "15 to 20"; empty: not reckoned yet."""
    if found is None:
        return ""
    low, high = found.units.advised_from_va, found.units.advised_to_va
    if low is None:
        return "more units"
    return kilo(low, 0) if high in {None, low} else f"{kilo(low, 0)} to {kilo(high or low, 0)}"


def shed_words(state: SystemState | None, groups: Sequence[LoadGroup]) -> str:
    """Return which load goes first and what it takes, "pumps, 2.1 kW"; empty: no load group is declared.

    On its banks, what was reckoned for this outage; else the order that is declared, on the line that asks most.
    """
    shed = None if state is None or state.on_battery is None else state.on_battery.shed
    if shed is not None and (shed.steps or shed.reached):
        return (
            f"{shed.steps[0].group}, {kilo(shed.steps[0].power_w)}\u00a0kW" if shed.steps else "nothing yet"
        )
    if not groups:
        return ""
    lines = [] if state is None else [line for line in state.load.lines if line.power_w is not None]
    tight = max(lines, key=lambda line: (line.power_w or 0.0, -line.line)).line if lines else None
    first = shed_order(groups, tight)[0]
    return f"{first.id}, {kilo(sum(first.watts))}\u00a0kW"
