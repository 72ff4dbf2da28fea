"""What happened at the demonstration's sites in two years: outages and tests, by day."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from collector.simulation.past.idle_readings import installed_in
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.system import SimSystem, SystemPlant
from collector.simulation.plant.unit import Mode, SimUnit
from collector.simulation.plant.wander import Floats
from collector.simulation.scenario.demonstration import SimScenario
from collector.storage.ledger.records import Evidence


@dataclass(frozen=True, slots=True)
class Episode:
    """Something that put banks to work: when, and seconds without mains.

    `days_ago` counts midnights (UTC) back; its fraction is the time of that day. `fires_at` as in `SupplyState`; `tests` names the units whose bank was tried instead.
    """

    system: str
    days_ago: float
    lasts_s: float
    fires_at: int | None = 1
    tests: tuple[str, ...] = ()

    def start_s(self, now_s: float) -> float:
        """Return when it began, in seconds since the epoch."""
        days = math.floor(self.days_ago)
        return (now_s // 86_400.0 - days + (self.days_ago - days)) * 86_400.0 // 1.0


EPISODES: Final = (
    Episode("ossenby", 690.3, 900.0),
    Episode("ossenby", 540.6, 1500.0, fires_at=2),
    Episode("ossenby", 402.1, 700.0),
    Episode("ossenby", 267.45, 190.0, fires_at=None),
    Episode("ossenby", 141.8, 2400.0),
    Episode("ossenby", 37.55, 1100.0),
    Episode("ossenby", 621.4, 300.0, tests=("ossenby-1",)),
    Episode("ossenby", 620.4, 300.0, tests=("ossenby-2",)),
    Episode("ossenby", 256.4, 360.0, tests=("ossenby-1",)),
    Episode("ossenby", 255.4, 360.0, tests=("ossenby-2",)),
    Episode("brackmere", 701.2, 1300.0),
    Episode("brackmere", 655.7, 800.0, fires_at=2),
    Episode("brackmere", 480.35, 2600.0),
    Episode("brackmere", 333.9, 260.0, fires_at=None),
    Episode("brackmere", 190.15, 1900.0, fires_at=2),
    Episode("brackmere", 46.13, 400.0, fires_at=None),
    Episode("brackmere", 590.4, 240.0, tests=("brackmere-1", "brackmere-3")),
    Episode("brackmere", 589.4, 240.0, tests=("brackmere-2",)),
    Episode("brackmere", 231.4, 300.0, tests=("brackmere-1", "brackmere-3")),
    Episode("brackmere", 230.4, 300.0, tests=("brackmere-2",)),
    Episode("tollwick", 430.7, 300.0),
    Episode("tollwick", 352.2, 40.0),
    Episode("tollwick", 210.55, 640.0),
    Episode("tollwick", 97.85, 420.0),
    Episode("tollwick", 15.3, 95.0),
)


def steady_state(scenario: SimScenario, system: SystemPlant, t_s: float) -> SimSystem:
    """Return a system at rest at a moment: banks full on float, worn as their age and room made them."""
    units = []
    for plant, installed in zip(system.units, installed_in(system.id), strict=True):
        bank = new_bank(plant.bank, wear=scenario.wear(installed, t_s), temperature_c=system.room_at(t_s))
        units.append(SimUnit(Mode.NORMAL, bank))
    return SimSystem(tuple(units))


def line_bads_before(system: str, now_s: float, t_s: Floats) -> Floats:
    """Return how often the input lines of a system had gone bad before each moment."""
    lost = sorted(e.start_s(now_s) for e in EPISODES if e.system == system and not e.tests)
    return np.searchsorted(np.array(lost), t_s, side="right").astype(np.float64)


@dataclass(frozen=True, slots=True)
class PastDischarge:
    """A discharge of the past: the unit, when its bank gave current (UTC), and the records kept of it."""

    unit: str
    start: datetime
    end: datetime
    records: tuple[Evidence, ...] = ()
