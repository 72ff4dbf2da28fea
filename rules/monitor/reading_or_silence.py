"""What one sample of a card does: a reading, a silence, or a fault of our own in judging it."""

from __future__ import annotations

from dataclasses import replace

from rules.alarms.conditions.card_reports import card_conditions
from rules.alarms.conditions.condition import Condition
from rules.alarms.conditions.deadline import deadline
from rules.alarms.conditions.supply import SupplyLook, SupplyMemory, odd_ones, supply_events
from rules.alarms.conditions.unit import Peers, unit_conditions
from rules.alarms.lifecycle.course import Observation
from rules.alarms.plant_memory import UnitMemory
from rules.monitor.outputs import PollNow
from rules.monitor.transition import Draft
from rules.monitor.unit_memory import identified, remembered, unit_events
from rules.plant.estate import CardReports, System, Unit
from rules.plant.reading import Fault, Reading, Silence
from rules.values.code import Code
from rules.values.reason import reason


def read(draft: Draft, reading: Reading) -> None:
    """Take in a reading of a unit."""
    unit = draft.book.estate.units.get(reading.unit)
    if unit is None:
        return
    name = draft.book.topology.name(unit.id)
    before = draft.store.units.get(unit.id, UnitMemory(unit.id))
    now, identity = identified(remembered(before, reading, unit, draft.now_s), reading.nameplate, name)
    draft.store.put_unit(now)
    draft.changes += unit_events(before, now, name, draft.at)
    answers = Condition("card_silent", unit.id, Observation(False))
    judged = Condition("cannot_judge_unit", unit.id, Observation(False))
    draft.found((answers, judged, identity))
    system = draft.book.estate.systems[unit.system]
    _unit(draft, reading, unit, system)
    _card(draft, reading, unit, system)
    if now.on_battery and not before.on_battery and not now.testing:
        draft.changes.append(PollNow(draft.book.topology.siblings(unit.id)))
    _supply_of(draft, unit.id)


def _unit(draft: Draft, reading: Reading, unit: Unit, system: System) -> None:
    card = draft.book.estate.card_of(unit.id)
    shared = card is not None and len(card.covers) > 1 and card.reports is not CardReports.UNIT
    beside = [draft.store.units.get(u.id) for u in draft.book.estate.units_of(system.id) if u.id != unit.id]
    carrying = [m for m in beside if m is not None and m.carrying and not m.silent]
    loads = tuple(m.load_fraction for m in carrying if m.load_fraction is not None)
    state = draft.store.systems.get(system.id)
    draft.found(
        unit_conditions(
            reading,
            unit,
            system.name,
            draft.book.catalogue,
            was=draft.was_of(unit.id),
            peers=Peers(loads, len(carrying)),
            outage=state.on_battery if state else None,
            at=draft.at,
            shares_known=not shared,
        )
    )


def _card(draft: Draft, reading: Reading, unit: Unit, system: System) -> None:
    mine = draft.store.alarms_about(unit.id)
    ours = frozenset(a.kind for a in mine if a.standing)
    listed = {(a.kind, a.qualifier): a for a in mine if a.kind in ("card_alarm", "unclassified_card_alarm")}
    draft.found(card_conditions(reading, unit, system.name, listed, ours))


def silent(draft: Draft, silence: Silence) -> None:
    """Take in that a card did not answer: what its unit showed is neither ended nor still so."""
    if silence.unit not in draft.book.estate.units:
        return
    before = draft.store.units.get(silence.unit, UnitMemory(silence.unit))
    name = draft.book.topology.name(silence.unit)
    if before.silent_since is None:
        what = reason(Code.CARD_SILENT_SINCE_NOW, silence.unit, name=name, why=silence.why)
        draft.event("card_silent", silence.unit, what)
    draft.store.put_unit(replace(before, silent_since=before.silent_since or draft.at))
    on_bank = bool(before.on_battery)
    what = reason(Code.CARD_SILENT, silence.unit, name=name, on_bank=on_bank)
    system = draft.store.systems.get(draft.book.estate.units[silence.unit].system)
    # of a unit that was last seen on its bank it is to be known before that ends, not within hours
    by = deadline(system.on_battery, draft.at) if on_bank and system is not None else None
    moment, why = by or (None, None)
    draft.found(
        (
            Condition(
                "card_silent",
                silence.unit,
                Observation(
                    True, what, facts={"was_on_battery": float(on_bank)}, by_when=moment, by_when_for=why
                ),
            ),
            Condition("cannot_judge_unit", silence.unit, Observation(None)),
        )
    )
    draft.unknown(silence.unit, but="card_silent")
    _supply_of(draft, silence.unit)


def fault(draft: Draft, fault: Fault) -> None:
    """Take in that judging a unit's reading failed by a fault of our own."""
    if fault.unit not in draft.book.estate.units:
        return
    name = draft.book.topology.name(fault.unit)
    what = reason(Code.CANNOT_JUDGE_UNIT, fault.unit, name=name, fault=fault.what)
    draft.found(
        (
            Condition("cannot_judge_unit", fault.unit, Observation(True, what)),
            Condition("card_silent", fault.unit, Observation(None)),
        )
    )
    draft.unknown(fault.unit, but="cannot_judge_unit")


def _supply_of(draft: Draft, unit: str) -> None:
    supply = draft.book.topology.supply(unit)
    if supply is None:
        return
    scene = draft.scene
    look = SupplyLook.at(scene, supply)
    before = draft.store.supplies.get(supply, SupplyMemory())
    memory, events = supply_events(look, before, scene, draft.at)
    draft.store.put_supply(supply, memory)
    draft.changes += events
    odd = ("not_on_battery", "still_on_battery")
    alarms = draft.store.alarms
    if look.going or any(f"{kind}:{u}" in alarms for u in look.members for kind in odd):
        lately = frozenset(u for u in look.members if _was_on_battery_lately(draft, u))
        draft.found(list(odd_ones(look, scene, lately, alarms)))


def _was_on_battery_lately(draft: Draft, unit: str) -> bool:
    alarm = draft.alarm("on_battery", unit)
    return alarm is not None and alarm.incident in draft.store.incidents
