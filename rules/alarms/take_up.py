"""How long units on their banks may take a supply that stands at all their inputs: until then nobody is sent anywhere."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

from rules.alarms.plant_memory import Scene
from rules.plant.estate import Unit

TAKE_UP_GRACE_S: Final = 10.0
"""How long past what is declared a unit may take to accept its supply before somebody is to look at it."""


def take_up_s(unit: Unit) -> float:
    """Return for how long a unit may give from its bank though a good supply stands at its input, in s.

    It qualifies the supply, waits its turn and walks in; while it walks in some cards still name the bank as its source.
    """
    return unit.accept_s + unit.hold_off_s + unit.walk_in_s + TAKE_UP_GRACE_S


def takes_by(
    on: Iterable[str], scene: Scene, *, came: Iterable[datetime] = (), fed_since: datetime | None = None
) -> datetime | None:
    """Return until when units on their banks may take the supply that stands at all their inputs; None where one has none.

    `came`: when units beside them were read to be fed again; one that was not read since the first of that is taken to have
    it too. `fed_since`: since when one beside them is fed: from then on it is offered to a unit whose card shows voltage and
    never showed it gone.
    """
    on = tuple(on)
    seen = [scene.units.get(unit) for unit in on]
    starts = [*came, *(m.volts_since for m in seen if m is not None and m.volts_since is not None)]
    first = min(starts, default=None)
    ends: list[datetime] = []
    for memory in seen:
        if memory is None or memory.silent or memory.at is None:
            return None
        since = memory.volts_since or (fed_since if memory.mains else None)
        since = since or (first if first is not None and memory.at < first else None)
        if since is None:
            return None
        ends.append(since + timedelta(seconds=take_up_s(scene.topology.estate.units[memory.unit])))
    return max(ends, default=None)
