"""What a step works on: everything that is remembered, how it is found, and where what is new goes."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime
from typing import Protocol

from rules.alarms.conditions.supply import SupplyMemory
from rules.alarms.incidents.context import OpenIncidents
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.plant_memory import UnitMemory
from rules.alarms.windows import Window
from rules.system.state import SystemState


class WatchStore(OpenIncidents, Protocol):
    """The state of the watch while a step changes it (`rules.monitor.state.WatchState` says what each part is)."""

    @property
    def now_s(self) -> float:
        """Return the watch's own seconds."""
        ...

    @property
    def units(self) -> Mapping[str, UnitMemory]:
        """Return what is remembered of each unit."""
        ...

    @property
    def systems(self) -> Mapping[str, SystemState]:
        """Return the last judgement of each system."""
        ...

    @property
    def supplies(self) -> Mapping[str, SupplyMemory]:
        """Return what is remembered of each supply."""
        ...

    @property
    def windows(self) -> tuple[Window, ...]:
        """Return planned work that is not over yet."""
        ...

    @property
    def windows_open(self) -> tuple[str, ...]:
        """Return the ids of planned work that is under way."""
        ...

    def due(self, at: datetime, sites: Collection[str | None]) -> list[Alarm]:
        """Return, in the order of their ids, all alarms that time has an effect on now, and all at these sites.

        `at`: the moment in UTC, which shelving goes by.
        """
        ...

    def put_unit(self, memory: UnitMemory) -> None:
        """Keep what is remembered of a unit."""
        ...

    def put_system(self, state: SystemState) -> None:
        """Keep the judgement of a system."""
        ...

    def put_supply(self, supply: str, memory: SupplyMemory) -> None:
        """Keep what is remembered of a supply."""
        ...

    def put_windows(self, windows: tuple[Window, ...], windows_open: tuple[str, ...]) -> None:
        """Keep planned work as it now stands."""
        ...
