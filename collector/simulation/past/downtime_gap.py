"""The time in which the demonstration was stopped: its invented plant stood at rest, and its cards say so.

What an estate of the world did while nobody read it is not known, and its history keeps the gap. An
invented one may be asked afterwards: a reading every quarter of an hour, as in the quiet time of `past`,
from each unit's newest reading to now.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final

import numpy as np

from collector.simulation.cards.card import Meters
from collector.simulation.past.generate import Progress
from collector.simulation.past.idle_readings import QUARTER_S, IdleWriter, installed_in, quiet_moments
from collector.simulation.scenario.demonstration import UNITS, Installed, SimScenario
from collector.storage.history.store import HistoryStore, WireReading

_BATCH: Final = 4000


async def write_meanwhile(
    store: HistoryStore,
    scenario: SimScenario,
    now: datetime,
    *,
    bads: Mapping[str, int] | None = None,
    progress: Progress | None = None,
) -> bool:
    """Write what was not read since each unit's newest reading, up to `now`; return whether it was any.

    `bads`: how often each system's mains has been lost until now; 0 where left out. A unit of which nothing
    was ever read is left alone. Raises what the store raises.
    """
    written = False
    for done, installed in enumerate(UNITS, start=1):
        last = await store.last(installed.unit)
        if last is None:
            continue
        lost = 0 if bads is None else bads.get(installed.system, 0)
        made = await asyncio.to_thread(_at_rest, scenario, installed, last.at, now, lost)
        for first in range(0, len(made), _BATCH):
            await store.append(made[first : first + _BATCH])
        written = written or bool(made)
        if made and progress is not None:
            progress(f"{installed.unit} at rest while this was stopped", done / len(UNITS))
    return written


def _at_rest(
    scenario: SimScenario, installed: Installed, after: datetime, now: datetime, bads: int
) -> Sequence[WireReading]:
    """Return a unit's readings on the grid of quarters, later than `after` and before `now`."""
    first_s = (math.floor(after.timestamp() / QUARTER_S) + 1.0) * QUARTER_S
    t_s = np.arange(first_s, now.timestamp(), QUARTER_S)
    if not len(t_s):
        return ()
    system = scenario.plant.systems[installed.system]
    place = [u.unit for u in installed_in(installed.system)].index(installed.unit)
    writer = IdleWriter(installed, system.units[place], Meters.of(scenario.seed, installed.unit), first_s)
    at = quiet_moments(scenario, system, place, t_s, np.full_like(t_s, float(bads)))
    return writer.readings(t_s, at, QUARTER_S, slow=True)
