"""What was last seen of every unit, and what that says of their supplies: the ground grouping stands on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime

from rules.plant.reading import OutputSource
from rules.plant.topology import Topology
from rules.system.state import SystemState


@dataclass(frozen=True, slots=True)
class UnitMemory:
    """What is remembered of one unit between readings.

    `seen_s` and `at`: when it was last read (watch seconds, UTC). `on_battery`, `mains`: as last read;
    a silent unit keeps them, since nothing says that they ended. `since`: when `on_battery` became so.
    `volts_since`: on battery, its input was seen dead and has voltage again since then: it is about to accept it.
    """

    unit: str
    seen_s: float | None = None
    at: datetime | None = None
    silent_since: datetime | None = None
    source: OutputSource | None = None
    on_battery: bool | None = None
    on_battery_since: datetime | None = None
    testing: bool = False
    mains: bool | None = None
    volts_since: datetime | None = None
    power_w: float | None = None
    load_fraction: float | None = None
    uptime_s: float | None = None
    bad_count: int | None = None
    identity: tuple[str | None, ...] | None = None

    @property
    def silent(self) -> bool:
        """Return whether the card does not answer."""
        return self.silent_since is not None

    @property
    def carrying(self) -> bool:
        """Return whether the unit, as last read, feeds the output from its inverter."""
        return self.source in (
            OutputSource.NORMAL,
            OutputSource.BATTERY,
            OutputSource.BOOSTER,
            OutputSource.REDUCER,
        )


@dataclass(frozen=True)
class Scene:
    """The estate as last seen, for one step."""

    topology: Topology
    units: Mapping[str, UnitMemory]
    systems: Mapping[str, SystemState]

    def known(self, units: Iterable[str]) -> tuple[UnitMemory, ...]:
        """Return the memories of those units that answer and say whether they are on battery."""
        found = (self.units.get(unit) for unit in units)
        return tuple(u for u in found if u is not None and not u.silent and u.on_battery is not None)

    def seen_since(self, units: Iterable[str], since_s: float) -> bool:
        """Return whether every one of the units that answer was read after `since_s`."""
        memories = (self.units.get(unit) for unit in units)
        return all(m is None or m.silent or (m.seen_s is not None and m.seen_s >= since_s) for m in memories)

    def extent(self, on_battery: Iterable[str]) -> str:
        """Return the thing that lost its supply, if these units are on battery.

        The lowest thing above them all, raised, at most to the supply, as long as no unit below that thing
        is known to have supply.
        """
        units = set(on_battery)
        about = self.topology.common(units)
        if about is None:
            return ""
        path = self.topology.path(min(units))
        above = path[: path.index(about) + 1]
        supply = self.topology.supply(about)
        best = about
        for thing in reversed(above):
            if any(m.unit not in units and not m.on_battery for m in self.known(self.topology.units(thing))):
                break
            best = thing
            if thing == supply:
                break
        return best

    def dropped(self, system: str) -> bool:
        """Return whether every unit of the system was last seen feeding nothing."""
        units = self.topology.units(system)
        memories = [self.units.get(unit) for unit in units]
        return bool(memories) and all(m is not None and m.source is OutputSource.NONE for m in memories)
