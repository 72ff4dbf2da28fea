"""What is known of a system at one moment, gathered for its judgement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from collector.process.clock import Clock, stamp
from collector.recorder.current_state import Present
from collector.recorder.parts import Trackers
from rules.alarms.conditions.supply import SupplyLook
from rules.alarms.events import PowerEvent
from rules.alarms.plant_memory import Scene
from rules.alarms.take_up import takes_by
from rules.battery.state import ShownToCarry
from rules.generator.outage_source import SetSays
from rules.monitor.state import WatchState, isolated_units
from rules.plant.estate import Estate
from rules.plant.reading import Reading, Stamp
from rules.plant.topology import Topology
from rules.plant.unread import Unread
from rules.system.assessment import system_state
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.observation import SupplySight, SystemObservation, SystemView, bank_carries
from rules.system.partner import PartnerLoad
from rules.system.state import Finding, SystemState


class PollPeriods(Protocol):
    """Who knows how fast the cards are read."""

    def period_s(self, unit: str) -> float:
        """Return how often a unit is read now, in s."""


class UnreadReasons(Protocol):
    """Who knows why a unit is not read."""

    def why(self, unit: str, present: Present) -> Unread | None:
        """Return why there is no newer reading of a unit than the present one, None where nobody reads it here."""


class Views:
    """Gathers a system's view from what is true now and what is remembered."""

    def __init__(  # noqa: PLR0917 - of what, when, and all that is known
        self,
        estate: Estate,
        clock: Clock,
        present: Present,
        trackers: Trackers,
        pace: PollPeriods,
        punctuality: UnreadReasons,
        coldest_c: Mapping[str, float],
    ) -> None:
        self._coldest_c = coldest_c
        self._estate = estate
        self._topology = Topology(estate)
        self._clock = clock
        self._present = present
        self._trackers = trackers
        self._pace = pace
        self._punctuality = punctuality
        self._carried: dict[str, ShownToCarry] = {}

    def of(self, system: str, state: WatchState) -> SystemView:
        """Return what is known of a system now; `state` is the watch's."""
        units = [unit.id for unit in self._estate.units_of(system)]
        present, trackers = self._present, self._trackers
        readings = {unit: present.readings[unit] for unit in units if unit in present.readings}
        since = self._on_battery_since(system, state)
        return SystemView(
            estate=self._estate,
            system=system,
            readings=readings,
            silences={unit: present.silences[unit] for unit in units if unit in present.silences},
            now=stamp(self._clock),
            peaks=trackers.loads.peaks(system),
            isolated=isolated_units(state).intersection(units),
            coldest_c={
                bank.id: self._coldest_c[bank.id]
                for bank in self._estate.banks_of_system(system)
                if bank.id in self._coldest_c
            },
            poll_s={unit: self._pace.period_s(unit) for unit in units},
            on_battery_since=since,
            seen_steps=trackers.outages.seen_steps(system),
            shed=present.sheds.get(system),
            partner=self._partner(system),
            before=_findings_before(system, state),
            last_call=trackers.transfers.found(system),
            told=trackers.countdowns.told(system),
            supply=supply_sight(system, self._topology, state),
            set_says=self._set_says(system, state),
            unread={unit: why for unit in units if (why := self._punctuality.why(unit, present)) is not None},
            carried=self._carries(system, readings, since),
        )

    def _carries(
        self, system: str, readings: Mapping[str, Reading], since: datetime | None
    ) -> Mapping[str, ShownToCarry]:
        """Return what each bank was seen to carry last, with what it carries now noted: its record is judged later."""
        banks = self._estate.banks_of_system(system)
        for bank in banks:
            now = bank_carries(self._estate, bank.id, readings, since)
            if now is not None:
                self._carried[bank.id] = now
        return {bank.id: self._carried[bank.id] for bank in banks if bank.id in self._carried}

    def state_of(
        self, view: SystemView, seen: SystemObservation, judged: HoldUpJudgement | None, watch: WatchState
    ) -> tuple[SystemState, tuple[PowerEvent, ...]]:
        """Return a system's state, the work on its units included, and what of that work is news for the journal."""
        open_now = [window for window in watch.windows if window.id in watch.windows_open]
        work, events = self._trackers.works.take(seen, judged, open_now, view.now.at)
        return replace(system_state(view, seen, judged), work=work), events

    def _set_says(self, system: str, state: WatchState) -> SetSays | None:
        """Return what the site said of the generator since the supply was lost."""
        generator = self._estate.generator_of(system)
        supply = self._estate.systems[system].supply
        memory = state.supplies.get(supply)
        word = None if generator is None else self._trackers.outages.last_word(generator.id)
        if word is None or memory is None or memory.lost_since is None:
            return None
        return word.says if word.at >= memory.lost_since else None

    def _partner(self, system: str) -> PartnerLoad | None:
        """Return what is known of the system whose load this one must be able to take."""
        name = self._estate.systems[system].partner
        if name is None:
            return None
        state = self._present.systems.get(name)
        load = None if state is None else state.load
        return PartnerLoad(name, self._estate.systems[name].name, load, self._trackers.loads.peaks(name))

    def _on_battery_since(self, system: str, state: WatchState) -> datetime | None:
        """Return since when a system is on its banks, as far as that was known before this judgement.

        Right after a start it is what the watch remembers: a card that does not count must not make an outage
        young again. And before the first judgement of it: the page and the messages name one moment.
        """
        before = self._present.systems.get(system) or state.systems.get(system)
        if before is not None and before.on_battery is not None:
            return before.on_battery.since
        memories = (state.units.get(unit.id) for unit in self._estate.units_of(system))
        went = [m.on_battery_since for m in memories if m is not None and m.on_battery and m.on_battery_since]
        return min(went, default=None)


def read_since(view: SystemView, present: Present, now: Stamp) -> SystemView:
    """Return a view at a later moment, with what its units were read to be since: at rest not every round is judged."""
    units = [unit.id for unit in view.estate.units_of(view.system)]
    return replace(
        view,
        now=now,
        readings={unit: present.readings[unit] for unit in units if unit in present.readings},
        silences={unit: present.silences[unit] for unit in units if unit in present.silences},
    )


def supply_sight(system: str, topology: Topology, state: WatchState) -> SupplySight | None:
    """Return what is seen of a system's supply while one of its units is on battery, else None."""
    units = topology.units(system)
    supply = topology.supply(system)
    if supply is None or not any((m := state.units.get(u)) is not None and m.on_battery for u in units):
        return None
    scene = Scene(topology, state.units, state.systems)
    look = SupplyLook.at(scene, supply)
    memory = state.supplies.get(supply)
    fed = tuple(m.unit for m in look.fed)
    mine = [m for m in look.going if m.unit in units]
    went = [m.on_battery_since for m in mine if m.on_battery_since]
    offered = min((m.volts_since for m in mine if m.volts_since), default=None)
    own_since = None if set(fed).intersection(units) else max(went, default=None)
    lit = [u for u in units if (m := state.units.get(u)) is not None and m.on_battery and not m.testing]
    by = takes_by(lit, scene, fed_since=None if memory is None else memory.fed_since)
    return SupplySight(None if memory is None else memory.dead_since, fed, own_since, offered, by)


def _findings_before(system: str, state: WatchState) -> tuple[Finding, ...]:
    """Return what set the system's units apart at the last look, also one before a restart."""
    known = state.systems.get(system)
    return () if known is None else known.findings
