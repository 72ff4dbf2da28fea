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
import json
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

import numpy as np

from collector.simulation.cards.card import Meters
from collector.simulation.past.episodes import EPISODES, PastDischarge, line_bads_before
from collector.simulation.past.idle_readings import QUARTER_S, IdleWriter, installed_in, quiet_moments
from collector.simulation.past.played import (
    DISCHARGE_EVERY_S,
    PlayedEpisode,
    WireRecorder,
    load_applied,
    play,
)
from collector.simulation.past.records import evidence_of
from collector.simulation.plant import world as worlds
from collector.simulation.plant.battery import charge_fraction
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.load import LoadShape
from collector.simulation.plant.supply import SupplyState
from collector.simulation.plant.system import SimSystem, SystemPlant
from collector.simulation.plant.unit import Mode, SimUnit
from collector.simulation.plant.world import WorldPlant, WorldState
from collector.simulation.scenario.demonstration import UNITS, Installed, SimScenario
from collector.simulation.scenario.director import UnitTested
from collector.storage.history.store import HistoryStore, WireReading
from collector.storage.ledger import Ledger
from rules.plant.estate import Estate

DAYS: Final = 730


MARKER: Final = "past.json"


ACCEPTANCE_SHARE: Final = 0.4
"""Load of the load bank in an acceptance discharge, as a share of the unit's rated watts."""


_BATCH: Final = 4000


Progress = Callable[[str, float], None]
"""Told what is being made and how much of it is done, 0 to 1."""


def _acceptance(scenario: SimScenario, installed: Installed, writer: IdleWriter) -> PlayedEpisode:
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
    recorder = WireRecorder([writer], scenario.seed, 0.0)
    world = worlds.after(world_plant, world, 6.0)
    recorder.take(world, alone, QUARTER_S)
    world = load_applied(world_plant, world, [UnitTested(installed.unit)])
    while world.t_s < start_s + 30 * 3600.0:
        state = world.systems[alone.id].units[0]
        tested = state.mode is Mode.TESTING
        if not tested and charge_fraction(plant.bank, state.bank) > 0.985:
            break
        period_s = DISCHARGE_EVERY_S if tested else QUARTER_S
        world = worlds.after(world_plant, world, period_s, quiet_step_s=QUARTER_S)
        recorder.take(world, alone, period_s)
    return PlayedEpisode(start_s - 6.0, world.t_s, recorder.readings(), recorder.on_battery)


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
        episodes = [play(scenario, e, writers) for e in sorted(span, key=lambda e: -e.days_ago)]
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


def _discharge(
    played: PlayedEpisode, unit: str, estate: Estate | None, acceptance: PlayedEpisode
) -> PastDischarge:
    start_s, end_s = played.discharges[unit]
    records = (
        () if estate is None else evidence_of(estate, played.readings[unit], acceptance=played is acceptance)
    )
    return PastDischarge(
        unit, datetime.fromtimestamp(start_s, UTC), datetime.fromtimestamp(end_s, UTC), records
    )


def _unit_batches(
    scenario: SimScenario, writer: IdleWriter, episodes: Sequence[PlayedEpisode], first_s: float
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
