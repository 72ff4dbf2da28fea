"""What the cards last said before a restart: read back from the history, so that nothing is forgotten of the silent.

A card that answers tells everything anew within seconds. One that stays silent does not, and a system that was last
seen on its banks has to go on counting down. The history has every reading of every batch, the ledger only what
changed, so a reading newer than what the watch remembers is one whose batch was cut off: it is watched now.

A machine may have read its cards while its clock stood ahead, and had it set right since. What was read then would
be the newest until its time has come; it is passed over.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from collector.cards.corrections.learning import Learning
from collector.cards.mib.interpretation import CardMeaning
from collector.cards.mib.wire_values import part_of
from collector.process.clock import Clock
from collector.storage.database import StoreError
from collector.storage.history.store import HistoryStore, WireReading
from rules.alarms.plant_memory import UnitMemory
from rules.monitor.state import WatchState
from rules.monitor.unit_memory import remembered
from rules.plant.estate import Estate
from rules.plant.reading import Reading, SelfTest, Silence, Stamp, TestResult

READ_BACK_WITHIN_S: Final = 5.0
"""A start waits at most this long for a slow store; units last seen on battery come first."""
ONE_WITHIN_S: Final = 2.0
"""And so long for one unit, so that the next may still be told."""
AHEAD: Final = timedelta(minutes=5)
"""A reading stamped farther ahead than this was made by a clock that has been set back since."""
SLOW_PERIODS: Final = 5.0
"""How many periods of the slow part are looked back for it: a card may have missed some."""
LOOK_BACK: Final = (timedelta(hours=1), timedelta(days=1))
"""How far is looked back for a reading made before such a one, in turn."""


async def last_readings(
    estate: Estate, history: HistoryStore, learning: Learning, state: WatchState, clock: Clock
) -> dict[str, Reading]:
    """Return the last reading of each unit, as far as the store gives them in time; none while it is away.

    A kept read holds its own parts only. Whether the unit tested its bank, which is read less often, is taken
    from what the watch remembers.
    """
    meaning = CardMeaning(learning.lookup)
    found: dict[str, Reading] = {}
    units = {card.covers[0] for card in estate.cards.values()}
    remembered = {unit: state.units.get(unit, UnitMemory(unit)) for unit in units}
    try:
        async with asyncio.timeout(READ_BACK_WITHIN_S):
            for unit in sorted(units, key=lambda u: (not remembered[u].on_battery, u)):
                record = await _in_time(history, unit, clock.now() + AHEAD)
                reading = None if record is None else meaning.reading(record)
                if isinstance(reading, Reading):
                    if remembered[unit].testing:
                        reading = replace(reading, test=SelfTest(TestResult.IN_PROGRESS))
                    found[unit] = reading
    except (StoreError, TimeoutError):
        pass  # the boundary: a store that is away or slow must not keep the watch from starting
    return found


async def _in_time(history: HistoryStore, unit: str, latest: datetime) -> WireReading | None:
    """Return what `last_by` gives, None where that takes too long."""
    try:
        async with asyncio.timeout(ONE_WITHIN_S):
            return await last_by(history, unit, latest)
    except TimeoutError:
        return None


async def last_by(history: HistoryStore, unit: str, latest: datetime) -> WireReading | None:
    """Return a unit's newest reading that is not stamped after `latest`; None where none is found. Raises StoreError."""
    newest = await history.last(unit)
    if newest is None or newest.at <= latest:
        return newest
    for back in LOOK_BACK:
        heard = [r async for r in history.readings(unit, latest - back, latest) if r.silence is None]
        if heard:
            return heard[-1]
    return None


async def last_whole(history: HistoryStore, unit: str, slow_every_s: float) -> WireReading | None:
    """Return a unit's newest reading with what is read less often as it was read last; None where none is found.

    A kept read holds its own parts only: of ten live ones one brings the bypass and the temperature. Of the nameplate,
    read once a day, only what lies that near. Raises StoreError.
    """
    newest = await history.last(unit)
    if newest is None:
        return None
    own = {part_of(key) for key in newest.wire}
    since = newest.at - timedelta(seconds=SLOW_PERIODS * slow_every_s)
    wire = dict(newest.wire)
    earlier = [r async for r in history.readings(unit, since, newest.at) if r.silence is None]
    for before in reversed(earlier):
        wanted = {part_of(key) for key in before.wire} - own - {None}
        if before.corrections == newest.corrections:
            wire |= {key: value for key, value in before.wire.items() if part_of(key) in wanted}
            own |= wanted
    return replace(newest, wire=wire)


def last_silences(state: WatchState, estate: Estate) -> dict[str, Silence]:
    """Return since when each card that was silent has been so."""
    start = "" if state.last is None else state.last.start_id
    return {
        unit: Silence(
            unit, Stamp(memory.silent_since, state.now_s, start), "no answer since before the restart"
        )
        for unit, memory in state.units.items()
        if memory.silent_since is not None and unit in estate.units
    }


def cut_off(readings: Iterable[Reading], state: WatchState, estate: Estate) -> tuple[Reading, ...]:
    """Return the last readings that the watch has not seen and that change what it remembers, oldest first."""

    def news(reading: Reading) -> bool:
        before = state.units.get(reading.unit, UnitMemory(reading.unit))
        if before.at is not None and reading.at <= before.at:
            return False
        after = remembered(before, reading, estate.units[reading.unit], state.now_s)
        return (after.source, after.on_battery, after.mains) != (
            before.source,
            before.on_battery,
            before.mains,
        )

    return tuple(sorted(filter(news, readings), key=lambda reading: reading.at))


def seen_again(state: WatchState, readings: Iterable[Reading]) -> WatchState:
    """Return the watch's state with when each unit was last read, by what the history has of it.

    The ledger has a unit's memory as it was when something of it changed; that it was read since is no change, and
    without it a unit would pass for one that nobody has looked at since an outage began.
    """
    units = dict(state.units)
    for reading in readings:
        memory = units.get(reading.unit)
        if memory is None or memory.at is None or state.last is None or reading.at <= memory.at:
            continue
        same = reading.stamp.start_id == state.last.start_id
        ago_s = (
            state.last.monotonic_s - reading.stamp.monotonic_s
            if same
            else (state.last.at - reading.at).total_seconds()
        )
        units[reading.unit] = replace(memory, seen_s=state.now_s - ago_s, at=reading.at)
    return replace(state, units=units)


def last_moment(readings: Iterable[Reading], state: WatchState) -> Stamp | None:
    """Return up to when the run before this one is known to have looked: its delays count until then."""
    if state.last is None:
        return None
    same = [r.stamp for r in readings if r.stamp.start_id == state.last.start_id]
    return max(same, key=lambda moment: moment.monotonic_s, default=None)
