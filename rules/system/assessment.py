"""A system judged: the state that the page, the HTTP interface and the alarms show.

Two speeds. `observation.glance` is cheap and runs at every reading: load, standings, shares, redundancy. `task_of`
turns it into a small value that a worker process plays through the banks' beliefs (`hold_ups`), and
`system_state` puts both together with the requirements. Values in, values out.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from rules.battery.assessment.would_tell import carry_again, shorter_times, steps_for
from rules.battery.model.size_factors import supposed_c
from rules.battery.state import WouldTell
from rules.plant.estate import Bank
from rules.system.comparison import compare
from rules.system.hold_up.judgement import HoldUpJudgement, unknown_hold_ups
from rules.system.hold_up.sharing import BoardLoad, PlayBank, PlayUnit
from rules.system.hold_up.task import HoldUpTask
from rules.system.observation import SystemObservation, SystemView, banks_not_shown, banks_seen
from rules.system.outage.on_battery import JUDGED_FOR, on_battery
from rules.system.parallel import FEEDING
from rules.system.partner import takes_partner
from rules.system.requirements import (
    RequirementEvidence,
    verdict,
)
from rules.system.state import (
    HoldUps,
    RequirementVerdict,
    Standing,
    SystemState,
    all_off,
)
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Verdict

NOT_CHECKED: Final = (
    reason(Code.NOT_CHECKED_POSITIONS),
    reason(Code.NOT_CHECKED_SINGLE_BLOCKS),
    reason(Code.NOT_CHECKED_STARTING_LOADS),
)


def task_of(view: SystemView, seen: SystemObservation) -> HoldUpTask:
    """Return the task that tells how long the system holds from this moment."""
    estate = view.estate
    views = {v.unit.id: v for v in seen.views}
    doing = {item.id: item.standing for item in seen.parallel.units}
    units = tuple(
        PlayUnit(
            unit,
            v.unit.line_order[: v.unit.output_lines],
            v.fitted.rating_w,
            v.fitted.rating_va,
        )
        for unit, v in views.items()
        if doing[unit] in FEEDING and v.fitted is not None
    )
    names = {unit.id for unit in units}
    banks = tuple(
        PlayBank(bank.id, tuple(u for u in bank.feeds if u in names), bank.strings)
        for bank in estate.banks_of_system(view.system)
        if names.intersection(bank.feeds)
    )
    missing = list(seen.missing)
    fed = {unit for bank in banks for unit in bank.feeds}
    missing += [reason(Code.UNIT_WITHOUT_BANK, unit) for unit in names - fed]
    lines = seen.parallel.load.lines
    notes = [*seen.parallel.idle.values(), *seen.parallel.notes]
    if any(line.apparent_va is None for line in lines):
        notes.append(reason(Code.VA_NOT_KNOWN_ON_LINES))
    if any(doing[unit] is Standing.RESTING for unit in names):
        notes.append(reason(Code.RESTING_UNITS_COUNTED_ON))
    asked = BoardLoad(
        {line.line: line.power_w or 0.0 for line in lines},
        {line.line: line.apparent_va or line.power_w or 0.0 for line in lines},
    )
    return HoldUpTask(
        system=view.system,
        as_of=seen.as_of,
        units=units,
        banks=banks,
        asked=asked,
        coldest_c={bank.id: coldest_c(estate.banks[bank.id], view.coldest_c.get(bank.id)) for bank in banks},
        each_lost=len(views) > 1,
        missing=tuple(missing),
        bypassed=not names and any(d is Standing.BYPASS for d in doing.values()),
        notes=tuple(notes),
    )


def coldest_c(bank: Bank, seen_c: float | None = None) -> float:
    """Return the coldest a bank's room gets: as seen, else 5 K under what is declared, else 15 degC."""
    return supposed_c(bank.room_temperature_c) if seen_c is None else seen_c


def system_state(view: SystemView, seen: SystemObservation, judged: HoldUpJudgement | None) -> SystemState:
    """Return everything said of a system, from a glance and the last judgement of its hold-up."""
    estate, system = view.estate, view.estate.systems[view.system]
    units = estate.units_of(view.system)
    held = judged.hold_ups if judged is not None else unknown_hold_ups((reason(Code.HOLD_UP_NOT_RECKONED),))
    shown_ups = held if not seen.missing else unknown_hold_ups(seen.missing)
    if shown_ups.now.low_s is None or shown_ups.unproven:
        shown_ups = replace(shown_ups, would_tell=_would_tell(view, judged))
    return SystemState(
        id=system.id,
        name=system.name,
        site=system.site,
        as_of=seen.as_of,
        load=seen.parallel.load,
        units=seen.parallel.units,
        redundancy=seen.redundancy,
        hold_up=shown_ups,
        requirements=requirement_verdicts(view, seen, judged, shown_ups),
        on_battery=on_battery(view, seen, judged, units),
        not_checked=NOT_CHECKED,
        findings=(*compare(system.id, seen.views, seen.parallel, view.before), *view.last_call),
        partner=None
        if view.partner is None
        else takes_partner(
            seen.views,
            seen.parallel,
            view.peaks,
            view.partner,
        ),
    )


def _no_load(seen: SystemObservation) -> Reason | None:
    """Return why nothing is asked of a system, None where something is, or may be."""
    if all_off(seen.parallel.units):
        return reason(Code.LOAD_IS_OFF)
    return reason(Code.NO_LOAD_TO_JUDGE_BY) if seen.parallel.load.power_w == 0.0 else None


def requirement_verdicts(
    view: SystemView, seen: SystemObservation, judged: HoldUpJudgement | None, held: HoldUps
) -> tuple[RequirementVerdict, ...]:
    """Return the verdict on each of a system's requirements."""
    system = view.estate.systems[view.system]
    evidence = RequirementEvidence(
        now=held.now,
        each_unit_lost=held.each_unit_lost,
        one_unit_lost=held.one_unit_lost,
        spare_units=system.spare_units,
        as_of=seen.as_of,
        banks=banks_seen(view, judged),
        missing=(*seen.missing, *_unjudged(seen, judged)),
        no_load=_no_load(seen),
        shown_within=view.shown_within,
        seen=view.seen_steps,
        zone=view.estate.site_of(view.system).zone,
        notes=held.because,
        would_tell=_would_tell(view, judged),
    )
    generator = view.estate.generator_of(view.system)
    units = view.estate.units_of(view.system)
    found = tuple(verdict(item, generator, units, evidence) for item in system.requirements)
    told = view.told
    if not seen.missing or told is None or told.as_of is None:
        return found
    ups = told.hold_ups
    before = replace(
        evidence,
        now=ups.now,
        each_unit_lost=ups.each_unit_lost,
        one_unit_lost=ups.one_unit_lost,
        as_of=told.as_of,
        banks=banks_seen(view, told),
        missing=(),
        notes=ups.because,
    )
    ago_s = (view.now.at - told.as_of).total_seconds()
    stood = (verdict(item, generator, units, before) for item in system.requirements)
    return tuple(_with_last(need, was, ago_s) for need, was in zip(found, stood, strict=True))


def _with_last(need: RequirementVerdict, was: RequirementVerdict, ago_s: float) -> RequirementVerdict:
    """Return a need that cannot be told now with what was told of it last: its alarm stands meanwhile, or does not."""
    if need.verdict is not Verdict.CANNOT_TELL or was.verdict is Verdict.CANNOT_TELL:
        return need
    last = reason(Code.WHEN_LAST_TOLD, ago_s=ago_s, verdict=was.verdict, because=was.because[:1])
    return replace(need, because=(*need.because, last))


def _would_tell(view: SystemView, judged: HoldUpJudgement | None) -> tuple[WouldTell, ...]:
    """Return what would tell where banks are unproven, were not shown to carry lately, or are asked above their table."""
    if judged is None:
        return ()
    today = view.now.at.astimezone(view.estate.site_of(view.system).zone).date()
    found = steps_for(judged.unproven, today)
    known = {item.bank for item in judged.unproven}
    aside = [bank for bank in banks_not_shown(view, judged, judged.as_of) if bank not in known]
    if aside and not found:
        found = (carry_again(aside, judged.bank_asked_w, today),)
    beyond = {note.about for note in judged.hold_ups.because if note.code is Code.BANK_BEYOND_TABLE}
    return found or ((shorter_times(sorted(beyond)),) if beyond else ())


def _unjudged(seen: SystemObservation, judged: HoldUpJudgement | None) -> tuple[Reason, ...]:
    if seen.missing:
        return ()
    if judged is None:
        return (reason(Code.HOLD_UP_NOT_RECKONED),)
    if judged.as_of is not None and seen.as_of is not None and seen.as_of - judged.as_of > JUDGED_FOR:
        return (reason(Code.HOLD_UP_RECKONED_LONG_AGO, over_s=JUDGED_FOR.total_seconds()),)
    if judged.hold_ups.now.median_s is None:  # nothing can be played, or the load is out of the tables' reach
        return judged.missing or judged.hold_ups.because
    return ()
