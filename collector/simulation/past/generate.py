"""Two years that the demonstration's estate has behind it, made in seconds.

Quiet time is a reading every quarter of an hour, computed for all moments at once: on float a bank is
what its charger and its room make it. Every discharge (acceptance tests, yearly tests, outages) is
played by the physics at full cadence, with the recharge after it. Readings are wire values, as the cards
would have sent them before their software was changed: an awkward card's past is honest.

The work is the same for the same seed and day, and a marker in the data folder says when it is done; a
part written by a process that was killed is written again, which the store takes as nothing new.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import math
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from collector.simulation.cards import card as voice
from collector.simulation.cards.card import Meters, Moments
from collector.simulation.past.idle_readings import QUARTER_S, IdleWriter, boot_s, installed_in, quiet_moments
from collector.simulation.past.records import evidence_of
from collector.simulation.plant import world as worlds
from collector.simulation.plant.battery import charge_fraction
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.load import LoadShape
from collector.simulation.plant.supply import FeedSource, SupplyState
from collector.simulation.plant.system import SimSystem, SystemPlant
from collector.simulation.plant.unit import Mode, SimUnit
from collector.simulation.plant.wander import Floats
from collector.simulation.plant.world import WorldPlant, WorldState
from collector.simulation.scenario.director import (
    DirectorStage,
    MainsFails,
    MainsReturns,
    PlantEvent,
    SetWill,
    TestEnds,
    UnitTested,
    played,
)
from collector.simulation.scenario.estate_file import UNITS, Installed, SimScenario
from collector.storage.history.store import HistoryStore, WireReading
from collector.storage.ledger import Ledger
from collector.storage.ledger.records import Evidence
from rules.plant.estate import Estate

AFTERWARDS_S: Final = 60.0
"""How long full cadence goes on after a discharge has ended."""

DISCHARGE_EVERY_S: Final = 2.0
DAYS: Final = 730
MARKER: Final = "past.json"
ACCEPTANCE_SHARE: Final = 0.4
"""Load of the load bank in an acceptance discharge, as a share of the unit's rated watts."""

_BATCH: Final = 4000

Progress = Callable[[str, float], None]
"""Told what is being made and how much of it is done, 0 to 1."""


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
class _Played:
    """An episode after the physics: readings by unit, and the span that they cover."""

    start_s: float
    end_s: float
    readings: Mapping[str, list[WireReading]]
    discharges: Mapping[str, tuple[float, float]]

    def has(self, writer: IdleWriter) -> bool:
        """Return whether the bank of a unit was put to work."""
        return writer.installed.unit in self.discharges


class _Recorder:
    """Takes readings of every unit of one system while a world is played."""

    def __init__(self, writers: Sequence[IdleWriter], seed: int, bads: float) -> None:
        self._writers = writers
        self._seed = seed
        self._bads = bads
        self._seen: dict[str, list[tuple[float, Moments, float]]] = {w.installed.unit: [] for w in writers}
        self.on_battery: dict[str, tuple[float, float]] = {}

    def take(self, world: WorldState, system: SystemPlant, period_s: float) -> None:
        """Read all units once."""
        feed = world.feeds[system.supply]
        t_s = np.array([world.t_s])
        for writer, state in zip(self._writers, world.systems[system.id].units, strict=True):
            unit = writer.installed.unit
            uptime_s = float((t_s - boot_s(self._seed, unit, t_s))[0])
            counted = replace(state, bads=state.bads + int(self._bads))
            at = voice.moment_of(writer.plant, counted, feed, uptime_s=uptime_s)
            self._seen[unit].append((world.t_s, at, period_s))
            if state.bank.current_a > 0.0:
                first, _ = self.on_battery.get(unit, (world.t_s, world.t_s))
                self.on_battery[unit] = (first, world.t_s)

    def readings(self) -> dict[str, list[WireReading]]:
        """Return what was taken by unit, in order; worked out for many moments at once, which is quick."""
        made: dict[str, list[WireReading]] = {}
        for writer in self._writers:
            of_unit = made[writer.installed.unit] = []
            for period_s, group in itertools.groupby(self._seen[writer.installed.unit], lambda seen: seen[2]):
                times, moments, _ = zip(*group, strict=True)
                of_unit += writer.readings(np.array(times), Moments.joined(moments), period_s, slow=False)
        return made


def _play(scenario: SimScenario, episode: Episode, writers: Sequence[IdleWriter]) -> _Played:
    """Play one episode from five seconds before it until the banks are full again (30 h at most)."""
    system = scenario.plant.systems[episode.system]
    now_s = scenario.now.timestamp()
    start_s = episode.start_s(now_s)
    plant = WorldPlant(
        {system.supply: scenario.plant.supplies[system.supply]}, {system.id: system}, scenario.seed
    )
    world = WorldState(
        start_s - 6.0,
        {system.supply: SupplyState(fires_at=episode.fires_at)},
        {system.id: steady_state(scenario, system, start_s)},
    )
    bads = float(line_bads_before(system.id, now_s, np.array([start_s - 1.0]))[0])
    recorder = _Recorder(writers, scenario.seed, bads)
    begins: list[PlantEvent]
    ends: list[PlantEvent]
    if episode.tests:
        begins, ends = [UnitTested(u) for u in episode.tests], [TestEnds(u) for u in episode.tests]
    else:
        begins = [SetWill(system.supply, episode.fires_at), MainsFails(system.supply)]
        ends = [MainsReturns(system.supply)]
    world = worlds.after(plant, world, 1.0)
    recorder.take(world, system, QUARTER_S)
    world = _applied(plant, worlds.after(plant, world, 5.0), begins)
    pending: list[PlantEvent] | None = ends
    calm_from_s = math.inf
    while world.t_s < start_s + 30 * 3600.0:
        if pending is not None and world.t_s >= start_s + episode.lasts_s:
            world, pending = _applied(plant, world, pending), None
        calm = pending is None and _settled(world, system)
        calm_from_s = min(calm_from_s, world.t_s) if calm else math.inf
        settled = world.t_s >= calm_from_s + AFTERWARDS_S
        if settled and _full(world, system):
            break
        dark = world.supplies[system.supply].source is FeedSource.NOTHING
        disturbed = dark or any(u.mode is not Mode.NORMAL for u in world.systems[system.id].units)
        period_s = QUARTER_S if settled else DISCHARGE_EVERY_S if disturbed or calm else 10.0
        # Back onto the grid of quarters once settled, so that quiet time goes on from there.
        wait_s = period_s - world.t_s % period_s if settled else period_s
        world = worlds.after(plant, world, wait_s, quiet_step_s=QUARTER_S)
        recorder.take(world, system, period_s)
    return _Played(start_s - 6.0, world.t_s, recorder.readings(), recorder.on_battery)


def _applied(plant: WorldPlant, world: WorldState, events: Sequence[PlantEvent]) -> WorldState:
    stage = DirectorStage(world)
    for event in events:
        stage = played(plant, stage, event)
    return stage.world


def _settled(world: WorldState, system: SystemPlant) -> bool:
    mains = world.supplies[system.supply]
    return mains.phase.value in ("resting", "failed") and all(
        u.mode is Mode.NORMAL for u in world.systems[system.id].units
    )


def _full(world: WorldState, system: SystemPlant) -> bool:
    return all(
        charge_fraction(p.bank, u.bank) > 0.985
        for p, u in zip(system.units, world.systems[system.id].units, strict=True)
    )


def _acceptance(scenario: SimScenario, installed: Installed, writer: IdleWriter) -> _Played:
    """Play a bank's acceptance discharge: two days after it was put in, alone on a load bank."""
    day = scenario.fitted_on(installed) + timedelta(days=2)
    start_s = datetime(day.year, day.month, day.day, 10, 30, tzinfo=UTC).timestamp()
    lines = len(installed.line_order)
    # Whoever tests stops when the meter shows the end voltage, a little after the bank itself is there.
    bank_plant = replace(writer.plant.bank, end_voltage_v=writer.plant.bank.end_voltage_v - 0.015)
    plant = replace(writer.plant, bank=bank_plant, line_order=tuple(range(1, lines + 1)), share_bias=0.0)
    load = LoadShape(
        "acceptance",
        scenario.seed,
        [ACCEPTANCE_SHARE * installed.rating_w / lines] * lines,
        [0.99] * lines,
        night_share=1.0,
        weekend_share=1.0,
        noise=0.003,
    )
    room = scenario.plant.systems[installed.system]
    alone = SystemPlant("acceptance", room.supply, (plant,), load, room_c=22.0, room_swing_c=0.0)
    world_plant = WorldPlant(
        {room.supply: scenario.plant.supplies[room.supply]}, {alone.id: alone}, scenario.seed
    )
    bank = new_bank(plant.bank, wear=scenario.wear(installed, start_s), temperature_c=22.0)
    world = WorldState(
        start_s - 6.0, {room.supply: SupplyState()}, {alone.id: SimSystem((SimUnit(Mode.NORMAL, bank),))}
    )
    recorder = _Recorder([writer], scenario.seed, 0.0)
    world = worlds.after(world_plant, world, 6.0)
    recorder.take(world, alone, QUARTER_S)
    world = _applied(world_plant, world, [UnitTested(installed.unit)])
    while world.t_s < start_s + 30 * 3600.0:
        state = world.systems[alone.id].units[0]
        tested = state.mode is Mode.TESTING
        if not tested and charge_fraction(plant.bank, state.bank) > 0.985:
            break
        period_s = DISCHARGE_EVERY_S if tested else QUARTER_S
        world = worlds.after(world_plant, world, period_s, quiet_step_s=QUARTER_S)
        recorder.take(world, alone, period_s)
    return _Played(start_s - 6.0, world.t_s, recorder.readings(), recorder.on_battery)


@dataclass(frozen=True, slots=True)
class PastDischarge:
    """A discharge of the past: the unit, when its bank gave current (UTC), and the records kept of it."""

    unit: str
    start: datetime
    end: datetime
    records: tuple[Evidence, ...] = ()


def batches(
    scenario: SimScenario,
    *,
    days: int = DAYS,
    found: list[PastDischarge] | None = None,
    estate: Estate | None = None,
) -> Iterator[tuple[float, list[WireReading]]]:
    """Yield the past in batches, each with the share that is done after it.

    `found` collects the discharges played; with the declared `estate`, also what its keeper records.
    """
    now_s = scenario.now.timestamp()
    first_s = np.ceil((now_s - days * 86_400.0) / QUARTER_S) * QUARTER_S
    share = 0.0
    for system_id, system in scenario.plant.systems.items():
        writers = [
            IdleWriter(u, p, Meters.of(scenario.seed, u.unit), first_s)
            for u, p in zip(installed_in(system_id), system.units, strict=True)
        ]
        span = [e for e in EPISODES if e.system == system_id and e.days_ago < days]
        episodes = [_play(scenario, e, writers) for e in sorted(span, key=lambda e: -e.days_ago)]
        for writer in writers:
            accepted = _acceptance(scenario, writer.installed, writer)
            own = sorted([accepted, *episodes], key=lambda e: e.start_s)
            if found is not None:
                found += [
                    _discharge(e, writer.installed.unit, estate, accepted) for e in own if e.has(writer)
                ]
            share += 1.0 / len(UNITS)
            for batch in _unit_batches(scenario, writer, own, first_s):
                yield min(share, 1.0), batch


def _discharge(played: _Played, unit: str, estate: Estate | None, acceptance: _Played) -> PastDischarge:
    start_s, end_s = played.discharges[unit]
    records = (
        () if estate is None else evidence_of(estate, played.readings[unit], acceptance=played is acceptance)
    )
    return PastDischarge(
        unit, datetime.fromtimestamp(start_s, UTC), datetime.fromtimestamp(end_s, UTC), records
    )


def _unit_batches(
    scenario: SimScenario, writer: IdleWriter, episodes: Sequence[_Played], first_s: float
) -> Iterator[list[WireReading]]:
    """Yield a unit's readings in order of time: quarters of an hour, broken by what was played."""
    now_s = scenario.now.timestamp()
    system_id, place = scenario.plant.place_of[writer.installed.unit]
    system = scenario.plant.systems[system_id]
    fitted = scenario.fitted_on(writer.installed)
    from_s = max(first_s, datetime(fitted.year, fitted.month, fitted.day, tzinfo=UTC).timestamp())
    pending: list[WireReading] = []
    for episode in (*episodes, None):
        until_s = now_s if episode is None else episode.start_s
        t_s = np.arange(np.ceil(from_s / QUARTER_S) * QUARTER_S, until_s, QUARTER_S)
        for cut in range(0, len(t_s), _BATCH):
            part = t_s[cut : cut + _BATCH]
            bads = line_bads_before(system.id, now_s, part)
            pending += writer.readings(
                part, quiet_moments(scenario, system, place, part, bads), QUARTER_S, slow=True
            )
            while len(pending) >= _BATCH:
                yield pending[:_BATCH]
                pending = pending[_BATCH:]
        if episode is not None:
            pending += episode.readings[writer.installed.unit]
            from_s = max(from_s, episode.end_s + 1.0)
    if pending:
        yield pending


async def _ahead(
    made: Iterator[tuple[float, list[WireReading]]],
) -> AsyncIterator[tuple[float, list[WireReading]]]:
    """Yield batches made in a thread, the next one while the caller stores this one."""
    upcoming = asyncio.create_task(asyncio.to_thread(next, made, None))
    try:
        while (batch := await upcoming) is not None:
            upcoming = asyncio.create_task(asyncio.to_thread(next, made, None))
            yield batch
    finally:
        upcoming.cancel()


async def write_past(
    store: HistoryStore,
    folder: Path,
    scenario: SimScenario,
    *,
    days: int = DAYS,
    progress: Progress | None = None,
    ledger: Ledger | None = None,
    estate: Estate | None = None,
) -> bool:
    """Write the scenario's past through the store, once; return whether there was anything to do.

    With a `ledger` and the `estate` as declared, the discharges also become evidence there. The marker in `folder` is written last. Raises what the store raises.
    """
    marker = folder / MARKER
    if marker.exists():
        return False
    found: list[PastDischarge] = []
    made = batches(scenario, days=days, found=found, estate=None if ledger is None else estate)
    # Folded on the way: whoever looks back over two years of single readings waits long. Nothing is let go before
    # the discharges are named that stay exact for ever.
    folding = asyncio.create_task(store.tend(scenario.now, let_go=False))
    try:
        async for share, batch in _ahead(made):
            await store.append(batch)
            if progress is not None:
                progress(f"readings of {batch[0].unit}", share)
            if folding.done():
                await folding
                folding = asyncio.create_task(store.tend(scenario.now, let_go=False))
        await folding
    finally:
        folding.cancel()
    await store.tend(scenario.now, let_go=False)
    for discharge in found:
        await store.keep_exact(discharge.unit, discharge.start, discharge.end, "discharge")
    if ledger is not None:
        async with ledger.transaction(at_once=True) as lines:
            for discharge in found:
                for record in discharge.records:
                    lines.save_evidence(record)
    listed = [[d.unit, d.start.isoformat(), d.end.isoformat()] for d in found]
    marker.write_text(
        json.dumps({"seed": scenario.seed, "now": scenario.now.isoformat(), "discharges": listed}, indent=1)
        + "\n"
    )
    return True
