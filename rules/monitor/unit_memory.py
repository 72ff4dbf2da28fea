"""What a reading changes in the memory of its unit, and what of that belongs in the journal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from rules.alarms.conditions.condition import Condition
from rules.alarms.events import PowerEvent
from rules.alarms.lifecycle.course import Observation
from rules.alarms.plant_memory import UnitMemory
from rules.alarms.signs import has_mains, load_fraction, on_battery
from rules.plant.estate import Unit
from rules.plant.reading import Nameplate, OutputSource, Reading
from rules.values.code import Code
from rules.values.reason import reason

COUNTS_TO: Final = timedelta(seconds=5)
"""By so much a card's count of its seconds on battery may be off: it is in whole seconds, and of a value it keeps for some."""
WRAP_S: Final = 42_949_672.95
"""sysUpTime wraps after 2^32 hundredths of a second; a fall from near there is no restart."""


def remembered(before: UnitMemory, reading: Reading, unit: Unit, now_s: float) -> UnitMemory:
    """Return the unit's memory after a reading. What the reading does not say stays as it was."""
    on_bank = on_battery(reading)
    since = before.on_battery_since
    if on_bank is not None and on_bank != bool(before.on_battery):
        since = _went(before, reading) if on_bank else None
    mains = has_mains(reading, None)
    return UnitMemory(
        unit=unit.id,
        seen_s=now_s,
        at=reading.at,
        source=reading.output.source or before.source,
        on_battery=before.on_battery if on_bank is None else on_bank,
        on_battery_since=since,
        testing=reading.in_test and mains is not False,
        mains=mains,
        volts_since=_volts_since(before, reading, on_bank=on_bank, mains=mains),
        power_w=reading.output.power_w,
        load_fraction=load_fraction(reading, unit),
        uptime_s=reading.agent_uptime_s,
        bad_count=reading.input.bad_count,
        identity=before.identity,
    )


def _went(before: UnitMemory, reading: Reading) -> datetime:
    """Return when a unit went on its bank: by its card's count, but never before it was last seen off it.

    A count that reaches back much farther than that counts something else, and nothing is taken from it.
    """
    counted = reading.at - timedelta(seconds=max(reading.battery.on_battery_s or 0.0, 0.0))
    seen_off = before.at if before.on_battery is False and not before.silent else None
    if seen_off is None or counted >= seen_off:
        return counted
    return seen_off if seen_off - counted <= COUNTS_TO else reading.at


def _volts_since(
    before: UnitMemory, reading: Reading, *, on_bank: bool | None, mains: bool | None
) -> datetime | None:
    """Return since when a unit on its bank has voltage at its input again. A card whose voltage never fell tells none."""
    if not on_bank or mains is not True:
        return None
    return before.volts_since or (reading.at if before.mains is False else None)


def identified(now: UnitMemory, plate: Nameplate, name: str) -> tuple[UnitMemory, Condition]:
    """Return the memory with what is learnt of the equipment, and whether other equipment answers.

    What was known stays the measure until somebody declares a change (`declared`).
    """
    seen = (
        plate.manufacturer,
        plate.model,
        plate.ups_software,
        plate.agent_software,
        None if plate.rating_va is None else f"{plate.rating_va:g} VA",
        None if plate.engine_id is None else f"SNMP engine {plate.engine_id}",
    )
    old = (*(now.identity or ()), *(None,) * len(seen))[: len(seen)]
    pairs = zip(old, seen, strict=True)
    differs = [(a, b) for a, b in pairs if a is not None and b is not None and a != b]
    if not differs:
        now = replace(now, identity=tuple(b if a is None else a for a, b in zip(old, seen, strict=True)))
        return now, Condition("different_equipment", now.unit, Observation(False))
    known, answers = zip(*differs, strict=True)
    what = reason(Code.DIFFERENT_EQUIPMENT, now.unit, name=name, before=known, now=answers)
    return now, Condition("different_equipment", now.unit, Observation(True, what))


def declared(memory: UnitMemory) -> UnitMemory:
    """Return the memory ready to learn anew what stands there."""
    return replace(memory, identity=None)


def unit_events(before: UnitMemory, now: UnitMemory, name: str, at: datetime) -> Iterator[PowerEvent]:
    """Yield what changed from one reading of a unit to the next, for the journal."""
    unit = now.unit
    if before.silent_since is not None:
        took_s = (at - before.silent_since).total_seconds()
        yield PowerEvent(at, "card_answers", unit, reason(Code.CARD_ANSWERS, unit, name=name, took_s=took_s))
    if now.on_battery and not before.on_battery:
        if now.testing:
            yield PowerEvent(at, "unit_tests_bank", unit, reason(Code.UNIT_TESTS_BANK, unit, name=name))
        else:
            yield PowerEvent(at, "unit_to_battery", unit, reason(Code.UNIT_TO_BATTERY, unit, name=name))
    elif before.on_battery and now.on_battery is False:
        since = before.on_battery_since
        lasted_s = None if since is None else (at - since).total_seconds()
        left = reason(Code.UNIT_FROM_BATTERY, unit, name=name, took_s=lasted_s)
        yield PowerEvent(at, "unit_from_battery", unit, left)
    elif dips := _dips(before, now):
        yield PowerEvent(at, "input_dip", unit, reason(Code.INPUT_DIP, unit, name=name, times=dips))
    if now.source is not before.source and before.source is not None:
        for source, kind, went, left in (
            (
                OutputSource.BYPASS,
                "bypass",
                reason(Code.UNIT_TO_BYPASS, unit, name=name),
                reason(Code.UNIT_FROM_BYPASS, unit, name=name),
            ),
            (
                OutputSource.NONE,
                "off",
                reason(Code.UNIT_TO_OFF, unit, name=name),
                reason(Code.UNIT_FROM_OFF, unit, name=name),
            ),
        ):
            if now.source is source:
                yield PowerEvent(at, f"unit_to_{kind}", unit, went)
            elif before.source is source:
                yield PowerEvent(at, f"unit_from_{kind}", unit, left)
    if _restarted(before, now):
        yield PowerEvent(at, "card_restarted", unit, reason(Code.CARD_RESTARTED, unit, name=name))


def _dips(before: UnitMemory, now: UnitMemory) -> int:
    """Return how often the input went bad since the last reading, without the bank being needed now."""
    if before.bad_count is None or now.bad_count is None or now.on_battery:
        return 0
    return max(now.bad_count - before.bad_count, 0)


def _restarted(before: UnitMemory, now: UnitMemory) -> bool:
    if before.uptime_s is None or now.uptime_s is None:
        return False
    return now.uptime_s < before.uptime_s < WRAP_S - 86_400
