"""What a reading changes in the memory of its unit, and what of that belongs in the journal."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime
from typing import Final

from rules.alarms.conditions.condition import Condition
from rules.alarms.events import PowerEvent
from rules.alarms.lifecycle.course import Observation
from rules.alarms.plant_memory import UnitMemory
from rules.alarms.signs import has_mains, load_fraction, on_battery
from rules.phrasing.text import counted, lasted
from rules.plant.estate import Unit
from rules.plant.reading import Nameplate, OutputSource, Reading

WRAP_S: Final = 42_949_672.95
"""sysUpTime wraps after 2^32 hundredths of a second; a fall from near there is no restart."""


def remembered(before: UnitMemory, reading: Reading, unit: Unit, now_s: float) -> UnitMemory:
    """Return the unit's memory after a reading. What the reading does not say stays as it was."""
    on_bank = on_battery(reading)
    since = before.on_battery_since
    if on_bank is not None and on_bank != bool(before.on_battery):
        since = reading.at if on_bank else None
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
    differs = [
        f"{a} before, {b} now" for a, b in zip(old, seen, strict=True) if None not in (a, b) and a != b
    ]
    if not differs:
        now = replace(now, identity=tuple(b if a is None else a for a, b in zip(old, seen, strict=True)))
    what = f"Something else answers at the address of {name}: {'; '.join(differs)}."
    return now, Condition("different_equipment", now.unit, Observation(bool(differs), what))


def declared(memory: UnitMemory) -> UnitMemory:
    """Return the memory ready to learn anew what stands there."""
    return replace(memory, identity=None)


def unit_events(before: UnitMemory, now: UnitMemory, name: str, at: datetime) -> Iterator[PowerEvent]:
    """Yield what changed from one reading of a unit to the next, for the journal."""
    name = name[:1].upper() + name[1:]

    def event(kind: str, text: str) -> PowerEvent:
        return PowerEvent(at, kind, now.unit, f"{name} {text}.")

    if before.silent_since is not None:
        yield event(
            "card_answers", f"answers again after {lasted((at - before.silent_since).total_seconds())}"
        )
    if now.on_battery and not before.on_battery:
        if now.testing:
            yield event("unit_tests_bank", "tests its bank")
        else:
            yield event("unit_to_battery", "went to its bank")
    elif before.on_battery and now.on_battery is False:
        since = before.on_battery_since
        took = f" after {lasted((at - since).total_seconds())}" if since is not None else ""
        yield event("unit_from_battery", f"left its bank{took}")
    elif dips := _dips(before, now):
        yield event("input_dip", f"saw its input go bad {counted(dips, 'time')}")
    if now.source is not before.source and before.source is not None:
        for source, word, kind in (
            (OutputSource.BYPASS, "bypass", "bypass"),
            (OutputSource.NONE, "no output", "off"),
        ):
            if now.source is source:
                yield event(f"unit_to_{kind}", f"went to {word}")
            elif before.source is source:
                yield event(f"unit_from_{kind}", f"left {word}")
    if _restarted(before, now):
        yield event("card_restarted", "has a card that restarted")


def _dips(before: UnitMemory, now: UnitMemory) -> int:
    """Return how often the input went bad since the last reading, without the bank being needed now."""
    if before.bad_count is None or now.bad_count is None or now.on_battery:
        return 0
    return max(now.bad_count - before.bad_count, 0)


def _restarted(before: UnitMemory, now: UnitMemory) -> bool:
    if before.uptime_s is None or now.uptime_s is None:
        return False
    return now.uptime_s < before.uptime_s < WRAP_S - 86_400
