"""What the watch remembers, as JSON too, and what it goes by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Final

from rules.alarms.catalogue import CATALOGUE, AlarmKind, Explanation
from rules.alarms.conditions.supply import SupplyMemory
from rules.alarms.incidents.incident import Incident
from rules.alarms.lifecycle.alarm import Alarm
from rules.alarms.plant_memory import UnitMemory
from rules.alarms.windows import Window
from rules.plant.estate import Estate
from rules.plant.reading import Stamp
from rules.plant.topology import Topology
from rules.system.state import SystemState
from rules.values.serial import from_plain, to_plain


@dataclass(frozen=True, slots=True)
class WatchState:
    """Everything the watch remembers. A plain value: see `snapshot` and `restore`."""

    now_s: float = 0.0
    last: Stamp | None = None
    alarms: Mapping[str, Alarm] = field(default_factory=dict)
    units: Mapping[str, UnitMemory] = field(default_factory=dict)
    systems: Mapping[str, SystemState] = field(default_factory=dict)
    supplies: Mapping[str, SupplyMemory] = field(default_factory=dict)
    incidents: Mapping[str, Incident] = field(default_factory=dict)
    numbers: Mapping[str, int] = field(default_factory=dict)
    windows: tuple[Window, ...] = ()
    windows_open: tuple[str, ...] = ()


BY_ID: Final = ("units", "systems", "supplies", "alarms", "incidents", "numbers")
"""The fields of a state that hold many things by id; each thing is a part of its own."""
WHOLE: Final = ("windows", "windows_open")
"""The fields that are one part each."""

Touched = dict[tuple[str, str], object]
"""Parts of a state that changed, by field and key (empty for a field that is one part), with what each was before.

None stands for a part that was not there.
"""


def snapshot(state: WatchState) -> dict[str, Any]:
    """Return the state as JSON holds it."""
    plain: dict[str, Any] = to_plain(state)
    return plain


def restore(plain: Mapping[str, Any]) -> WatchState:
    """Return the state of a snapshot. Raises TypeError or ValueError for what is none."""
    return from_plain(WatchState, plain)


def isolated_units(state: WatchState) -> frozenset[str]:
    """Return the units that planned work of kind isolation, open now, names itself.

    Work on a whole system or site does not say which unit is out, so it names none.
    """
    return frozenset(
        w.about for w in state.windows if w.id in state.windows_open and w.explains is Explanation.ISOLATION
    )


@dataclass(frozen=True)
class Book:
    """What the watch goes by: the estate, and the alarms as the site wants them."""

    estate: Estate
    catalogue: Mapping[str, AlarmKind] = field(default_factory=lambda: CATALOGUE)

    @cached_property
    def topology(self) -> Topology:
        """Return the tree of the estate."""
        return Topology(self.estate)

    @cached_property
    def _by_site(self) -> Mapping[str, Mapping[str, AlarmKind]]:
        return {
            site.id: {
                name: replace(kind, answer_within=site.answer_within) for name, kind in self.catalogue.items()
            }
            for site in self.estate.sites.values()
        }

    def entry(self, kind: str, about: str) -> AlarmKind:
        """Return an alarm's entry as it holds where `about` stands; the service itself is of the first site."""
        site = self.topology.site(about) or next(iter(self.estate.sites), None)
        return self.catalogue[kind] if site is None else self._by_site[site][kind]
