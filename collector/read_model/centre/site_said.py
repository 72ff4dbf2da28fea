"""What one site said last, part by part, under its name; and whether it is still heard, by the centre's own seconds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from collector.messaging.centre import parts
from collector.messaging.centre.parts import (
    QUIET_AFTER_S,
    AlarmsPart,
    BankPart,
    BeatPart,
    PlantPart,
    SystemPart,
    Told,
)
from collector.messaging.delivery.letter import Telling
from collector.process.clock import Clock
from collector.read_model.centre.naming import SiteNames
from collector.read_model.own_figures import HeardSite, ShownAct
from rules.planning.isolation.check import Isolation
from rules.plant.estate import Estate
from rules.plant.reading import Fault, Reading, Silence

LONGEST_S: Final = 300.0
"""Nobody is taken for heard for longer after a sign of life, whatever it says."""


@dataclass(slots=True)
class SiteSaid:
    """One site, as the centre's file names it: `address` is where its own page is."""

    site: str
    address: str
    clock: Clock
    plant: PlantPart | None = None
    names: SiteNames | None = None
    estate: Estate | None = None
    heard_at: datetime | None = None
    """When it was last heard, by the centre's clock; None: never since the folder was begun."""
    dirty: set[str] = field(default_factory=set)
    """Topics of parts that are not kept yet."""
    told: dict[str, Told] = field(default_factory=dict)
    """The newest of each part, as it came, by topic."""
    _heard_s: float | None = None
    _within_s: float = QUIET_AFTER_S
    _named: dict[str, parts.Part] = field(default_factory=dict)

    # --- what comes in --------------------------------------------------------------------------------------

    def take(self, topic: str, told: Told, *, retained: bool) -> bool:
        """Take a part in; return whether it is news. What is retained says nothing of whether the site is heard."""
        if not retained:
            self._heard_s, self.heard_at = self.clock.monotonic_s(), self.clock.now()
        if isinstance(told.part, BeatPart):
            self._within_s = min(max(told.part.next_within_s, QUIET_AFTER_S), LONGEST_S)
            return False
        before = self.told.get(topic)
        if before is not None and before.start == told.start and told.number <= before.number:
            return False  # sent twice, or behind what came newer
        self.told[topic] = told
        self.dirty.add(topic)
        if isinstance(told.part, PlantPart):
            self._plan(told.part)
        elif self.names is not None:
            self._named[topic] = self.names.put(told.part)
        return True

    def restore(self, told: Mapping[str, Told], heard_at: datetime | None) -> None:
        """Go on from what was kept: shown as of then, until it is heard again."""
        for topic, one in told.items():
            self.take(topic, one, retained=True)
        self.dirty.clear()
        self.heard_at = heard_at

    def _plan(self, plant: PlantPart) -> None:
        self.plant = plant
        self.names = SiteNames(self.site, plant.estate)
        self.estate = self.names.put(plant.estate)
        rest = {t: one.part for t, one in self.told.items() if not isinstance(one.part, PlantPart)}
        self._named = {topic: self.names.put(part) for topic, part in rest.items()}

    # --- what is known --------------------------------------------------------------------------------------

    @property
    def quiet(self) -> bool:
        """Return whether it is not heard: not since the start of the centre, or for longer than it said."""
        return self._heard_s is None or self.clock.monotonic_s() - self._heard_s > self._within_s

    @property
    def quiet_since(self) -> datetime | None:
        """Return since when it is quiet, None while it is heard; of one never heard, the newest of what was told of it."""
        if not self.quiet:
            return None
        newest = max((one.at for one in self.told.values()), default=None)
        return self.heard_at or newest

    def systems(self) -> dict[str, SystemPart]:
        """Return its systems that its plant declares, by their names at the centre."""
        known = {} if self.estate is None else self.estate.systems
        found = (p for p in self._named.values() if isinstance(p, SystemPart))
        return {p.state.id: p for p in found if p.state.id in known and self._fits(p)}

    def _fits(self, part: SystemPart) -> bool:
        """Return whether a system's part is of the units that the plant declares: another plant may be on its way."""
        declared = (
            {unit.id for unit in self.estate.units_of(part.state.id)} if self.estate is not None else set()
        )
        samples: tuple[Reading | Silence | Fault | Isolation, ...] = (
            *part.readings, *part.silences, *part.faults, *part.isolations,
        )  # fmt: skip
        return {u.id for u in part.state.units} | {one.unit for one in samples} <= declared

    def banks(self) -> dict[str, BankPart]:
        """Return its banks that its plant declares, by their names at the centre."""
        known = {} if self.estate is None else self.estate.banks
        found = (p for p in self._named.values() if isinstance(p, BankPart))
        return {p.state.id: p for p in found if p.state.id in known}

    def alarms(self) -> AlarmsPart:
        """Return its alarms."""
        found = self._named.get(parts.ALARMS)
        return found if isinstance(found, AlarmsPart) else AlarmsPart()

    def tellings(self) -> dict[str, tuple[Telling, ...]]:
        """Return who was told of its incidents, by their names at the centre."""
        if self.names is None:
            return {}
        return {self.names.of(incident): told for incident, told in self.alarms().told.items()}

    def shown(self, acts: tuple[ShownAct, ...] = (), *, takes_acts: bool = False) -> HeardSite:
        """Return how it is heard, as it is shown; `acts`: what was handed on to it and stands open or failed."""
        plant, estate = self.plant, self.estate
        return HeardSite(
            id=self.site,
            name=self.site if plant is None else plant.title,
            address=self.address,
            heard_at=self.heard_at,
            quiet=self.quiet,
            quiet_since=self.quiet_since,
            systems_count=0 if estate is None else len(estate.systems),
            version="" if plant is None else plant.version,
            program="" if plant is None else plant.program,
            takes_acts=takes_acts,
            acts=acts,
        )
