"""A system judged: the state that the page, the HTTP interface and the alarms show.

Two speeds. `glance` is cheap and runs at every reading: load, standings, shares, redundancy. `task_of`
turns it into a small value that a worker process plays through the banks' beliefs (`hold_ups`), and
`system_state` puts both together with the requirements. Values in, values out.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Final

from rules.battery.assessment.would_tell import carry_again, steps_for
from rules.battery.model.temperature import COLDEST_UNKNOWN_C
from rules.battery.state import ShownToCarry, WouldTell
from rules.plant.estate import Bank, Estate, Unit, in_place
from rules.plant.reading import OutputSource, Reading, Silence, Stamp
from rules.plant.unread import Unread
from rules.system.comparison import compare
from rules.system.hold_up.judgement import HoldUpJudgement, unknown_hold_ups
from rules.system.hold_up.sharing import BoardLoad, PlayBank, PlayUnit
from rules.system.hold_up.task import HoldUpTask
from rules.system.load_record import NO_PEAKS, Peaks
from rules.system.outage.end_known import end_known
from rules.system.parallel import FEEDING, MERELY_UNSEEN, Parallel, UnitView, together, vouched
from rules.system.partner import PartnerLoad, takes_partner
from rules.system.redundancy import redundancy
from rules.system.requirements import (
    SHOWN_WITHIN,
    BankSeen,
    RequirementEvidence,
    after_start_s,
    not_shown,
    seen_of,
    stale_after_s,
    starts_failed,
    verdict,
)
from rules.system.state import (
    Finding,
    HoldUps,
    OnBattery,
    Redundancy,
    RequirementVerdict,
    ShedFirst,
    Standing,
    SystemState,
)
from rules.values.code import Code
from rules.values.reason import Reason, reason
from rules.values.verdict import Verdict

UNTIL_ON_RECORD: Final = timedelta(minutes=3)
"""For how long after it what a bank was seen to carry counts though its record has it not yet: judging waits for the bank to rest."""


RECKONING_WIDENS: Final = 0.10
"""Part of the time since the last reading by which reckoned bounds move apart, each way."""

JUDGED_FOR: Final = timedelta(minutes=5)
"""How long a judgement of the hold-up counts; it is made anew twice a minute."""

NOT_CHECKED: Final = (
    reason(Code.NOT_CHECKED_POSITIONS),
    reason(Code.NOT_CHECKED_SINGLE_BLOCKS),
    reason(Code.NOT_CHECKED_STARTING_LOADS),
)


@dataclass(frozen=True, slots=True)
class SupplySight:
    """What is seen of a lost supply over all its systems.

    `dead_since`: since when no unit of it that can be read was seen fed or with voltage at its input; None while one
    is. `fed`: its units that are seen fed. `own_since`: since when none of this system's units was; `offered_since`:
    since when one of them, on its bank, has voltage at its input again.
    """

    dead_since: datetime | None = None
    fed: tuple[str, ...] = ()
    own_since: datetime | None = None
    offered_since: datetime | None = None


@dataclass(frozen=True, slots=True)
class SystemView:
    """Everything a judgement of one system looks at.

    `readings`: the last good reading of each unit, whatever its age. `silences`: set while a card does
    not answer. `isolated`: units that planned work has out. `poll_s`: the cadence readings should come
    at, by unit (5 s where not given). `coldest_c`: the coldest that each bank's room was seen, by bank.
    `seen_steps`: seconds last seen of a step of the bridge, by its name. `partner`: what is known of the
    system whose load this one must be able to take, where one is declared. `before`: what set its units apart
    at the last look. `last_call`: what the last call on its banks showed (`rules.system.transfers`). `shed`: what to
    shed first, as last reckoned while it is on its banks. `told`: the newest judgement of the hold-up that
    could tell; once cards fall silent no later one can, and its end is what counts down. `supply`: what is seen of its
    supply while it is on its banks; None: nothing beyond its own units. `set_runs`: the site says that its generator runs.
    `unread`: why there is no newer reading of a unit, should its last be too old; where it is not given, its card does
    not answer. `carried`: what each bank was seen to carry last, whether or not its record has it yet.
    """

    estate: Estate
    system: str
    readings: Mapping[str, Reading]
    silences: Mapping[str, Silence]
    now: Stamp
    peaks: Peaks = NO_PEAKS
    isolated: frozenset[str] = frozenset()
    poll_s: Mapping[str, float] = field(default_factory=dict)
    coldest_c: Mapping[str, float] = field(default_factory=dict)
    on_battery_since: datetime | None = None
    seen_steps: Mapping[str, float] = field(default_factory=dict)
    shown_within: timedelta = SHOWN_WITHIN
    partner: PartnerLoad | None = None
    before: tuple[Finding, ...] = ()
    last_call: tuple[Finding, ...] = ()
    shed: ShedFirst | None = None
    told: HoldUpJudgement | None = None
    supply: SupplySight | None = None
    set_runs: bool = False
    unread: Mapping[str, Unread] = field(default_factory=dict)
    carried: Mapping[str, ShownToCarry] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SystemObservation:
    """What is plain from the last readings alone."""

    system: str
    as_of: datetime | None
    views: tuple[UnitView, ...]
    parallel: Parallel
    redundancy: Redundancy | None
    on_battery: tuple[str, ...]
    in_test: tuple[str, ...]
    missing: tuple[Reason, ...]


def age_s(stamp: Stamp, now: Stamp) -> float:
    """Return the age of a stamp: by the monotonic clock within one start, else by the calendar."""
    if stamp.start_id == now.start_id:
        return max(now.monotonic_s - stamp.monotonic_s, 0.0)
    return max((now.at - stamp.at).total_seconds(), 0.0)


def unit_views(view: SystemView) -> tuple[UnitView, ...]:
    """Return the system's units as they are seen now, in the order of the estate file."""
    day = view.now.at.date()
    seen = []
    for unit in view.estate.units_of(view.system):
        card = view.estate.card_of(unit.id)
        covers = card.covers if card is not None else (unit.id,)
        reading = view.readings.get(unit.id)
        if reading is None:  # one card for several units: its reading stands under one of them
            reading = next((view.readings[u] for u in covers if u in view.readings), None)
        seen.append(
            UnitView(
                unit=unit,
                fitted=in_place(unit.fitted, day),
                card=card,
                reading=reading,
                silence=view.silences.get(unit.id),
                age_s=None if reading is None else age_s(reading.stamp, view.now),
                stale_after_s=stale_after_s(view.poll_s.get(unit.id, 5.0)),
                isolated=unit.id in view.isolated,
                unread=view.unread.get(unit.id, Unread.NO_ANSWER),
            )
        )
    return vouched(seen)


def glance(view: SystemView, judged: HoldUpJudgement | None = None) -> SystemObservation:
    """Return what the last readings say; `judged` tells which banks were shown to carry their part."""
    views = unit_views(view)
    parallel = together(views)
    system = view.estate.systems[view.system]
    return SystemObservation(
        system=view.system,
        as_of=parallel.as_of,
        views=views,
        parallel=parallel,
        redundancy=redundancy(
            views, parallel, view.peaks, system.spare_units, _not_shown(view, judged, parallel.as_of)
        ),
        on_battery=_on_battery(views, parallel),
        in_test=tuple(v.unit.id for v in views if v.fresh and v.reading is not None and v.reading.in_test),
        missing=_missing(views, parallel),
    )


def _not_shown(view: SystemView, judged: HoldUpJudgement | None, as_of: datetime | None) -> dict[str, str]:
    """Return the banks that were not shown to carry their part, each with the unit it stands behind."""
    if judged is None:
        return {}
    evidence = RequirementEvidence(
        now=judged.hold_ups.now,
        each_unit_lost=(),
        one_unit_lost=judged.hold_ups.one_unit_lost,
        spare_units=0,
        as_of=as_of,
        shown_within=view.shown_within,
    )
    return {
        seen.bank: view.estate.banks[seen.bank].feeds[0]
        for seen in _banks_seen(view, judged)
        if seen.bank in view.estate.banks and not_shown(seen, evidence) is not None
    }


def _banks_seen(view: SystemView, judged: HoldUpJudgement | None) -> tuple[BankSeen, ...]:
    """Return what each bank was seen to do: as its record has it, or at this moment, where it carries."""
    if judged is None:
        return ()
    banks = view.estate.banks
    found = []
    for name, asked_w in judged.bank_asked_w.items():
        lately = view.carried.get(name)
        if lately is not None and view.now.at - lately.at > UNTIL_ON_RECORD:
            lately = None
        now = bank_carries(view.estate, name, view.readings, view.on_battery_since) if name in banks else None
        found.append(seen_of(name, asked_w, record=judged.shown.get(name), lately=lately, now=now))
    return tuple(found)


def bank_carries(
    estate: Estate, name: str, readings: Mapping[str, Reading], since: datetime | None
) -> ShownToCarry | None:
    """Return what a bank is seen to carry at this moment and for how long so far, None where it does not.

    Beside another bank behind its units nobody sees which of them carries. `since`: since when the system is on its
    banks, for a card that does not count the seconds.
    """
    bank = estate.banks[name]
    alone = all(len(estate.banks_of(unit)) == 1 for unit in bank.feeds)
    here = [r for unit in bank.feeds if (r := readings.get(unit)) is not None and r.on_battery]
    power_w = sum(r.output.power_w or 0.0 for r in here)
    if not alone or not here or power_w <= 0.0:
        return None
    at = max(r.at for r in here)
    for_s = min(r.battery.on_battery_s or 0.0 for r in here)
    if for_s <= 0.0 and since is not None:
        for_s = (at - since).total_seconds()
    return ShownToCarry(at, power_w, for_s)


def _on_battery(views: Sequence[UnitView], parallel: Parallel) -> tuple[str, ...]:
    """Return the units last seen on battery for want of mains: also silent ones, until a sibling has mains."""
    last = [
        v
        for v in views
        if v.reading is not None and v.reading.output.source is OutputSource.BATTERY and not v.reading.in_test
    ]
    if any(v.fresh for v in last) or not parallel.with_standing(frozenset({Standing.CARRYING})):
        return tuple(v.unit.id for v in last)
    return ()


def _missing(views: Sequence[UnitView], parallel: Parallel) -> tuple[Reason, ...]:
    """Return why the hold-up cannot be told from these readings; empty when it can."""
    found = list(parallel.cannot_tell)  # names the units behind a shared card, and those that are silent
    doing = {item.id: item.standing for item in parallel.units}
    found += [
        reason(Code.UNIT_NOT_TOLD, v.unit.id)
        for v in views
        if doing[v.unit.id] is Standing.UNKNOWN and not v.shared_card
    ]
    found += [reason(Code.UNIT_RATING_NOT_KNOWN, v.unit.id) for v in views if v.fitted is None]
    if not found and parallel.load.power_w is None:
        found.append(reason(Code.LOAD_NOT_KNOWN_ON_LINES))
    return tuple(dict.fromkeys(found))


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
    if seen_c is not None:
        return seen_c
    declared = bank.room_temperature_c
    return COLDEST_UNKNOWN_C if declared is None else declared - 5.0


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
        banks=_banks_seen(view, judged),
        missing=(*seen.missing, *_unjudged(seen, judged)),
        no_load=seen.parallel.load.power_w == 0.0,
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
        banks=_banks_seen(view, told),
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
    """Return what would tell where banks are unproven, or were not shown to carry lately."""
    if judged is None:
        return ()
    today = view.now.at.astimezone(view.estate.site_of(view.system).zone).date()
    found = steps_for(judged.unproven, today)
    known = {item.bank for item in judged.unproven}
    aside = [bank for bank in _not_shown(view, judged, judged.as_of) if bank not in known]
    if aside and not found:
        found = (carry_again(aside, judged.bank_asked_w, today),)
    return found


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


def tells_end(judged: HoldUpJudgement, since: datetime) -> bool:
    """Return whether a judgement tells when an outage that began at `since` ends: it could, and is of it."""
    if judged.as_of is None or judged.hold_ups.now.low_s is None:
        return False
    return judged.as_of >= since - JUDGED_FOR


def on_battery(
    view: SystemView, seen: SystemObservation, judged: HoldUpJudgement | None, units: Sequence[Unit]
) -> OnBattery | None:
    """Return since when a system is on its banks and when it ends; None while it is not.

    A system last seen on battery and silent since stays on battery: its end is reckoned on from the
    last judgement that could tell, the bounds moving apart. The starts of a generator count only while nothing
    that can be read is fed: what feeds one unit is the generator, or the mains, and no start is due any more.
    """
    if not seen.on_battery:
        return None
    read = [view.readings[unit] for unit in seen.on_battery if unit in view.readings]
    since = view.on_battery_since or min(
        (r.stamp.at - timedelta(seconds=r.battery.on_battery_s or 0.0) for r in read), default=view.now.at
    )
    reckoned = None
    if all(seen.parallel.standing_of(unit) in MERELY_UNSEEN for unit in seen.on_battery):
        reckoned = max((r.stamp.at for r in read), default=None)
    told = next((one for one in (judged, view.told) if one is not None and tells_end(one, since)), None)
    earliest = latest = outlasted = known = None
    if told is not None and told.as_of is not None:
        now = told.hold_ups.now
        overtaken = judged is not None and told is not judged  # by one that cannot tell
        unseen_s = (view.now.at - told.as_of).total_seconds() if reckoned or overtaken else 0.0
        slack = timedelta(seconds=RECKONING_WIDENS * max(unseen_s, 0.0))
        earliest = max(told.as_of + timedelta(seconds=now.low_s or 0.0) - slack, told.as_of)
        latest = None if now.high_s is None else told.as_of + timedelta(seconds=now.high_s) + slack
        if overtaken and reckoned is None and earliest <= view.now.at:
            # The load is seen carried past it: a moment in the past is no end, and nothing that is read tells another.
            outlasted, earliest = earliest, None
            latest = latest if latest is not None and latest > view.now.at else None
        elif reckoned is None:
            known = end_known(now, (told.as_of - since).total_seconds())
    sight = view.supply or _own_sight(seen, since)
    carried = _carried(seen)
    if carried:
        earliest = latest = outlasted = None
    generator = view.estate.generator_of(view.system)
    start_before = failed = None
    if generator is not None and not sight.fed:
        if sight.dead_since is not None and reckoned is None and not view.set_runs:
            failed = starts_failed(generator, units, (view.now.at - sight.dead_since).total_seconds())
        if earliest is not None:
            last = earliest - timedelta(seconds=after_start_s(generator, units))
            # A moment before the mains were lost was never anybody's to use: no start could have been in time.
            start_before = last if last > since else None
    shed = view.shed if view.shed is not None and view.shed.as_of >= since and not carried else None
    return OnBattery(
        since=since,
        ends_earliest=earliest,
        ends_latest=latest,
        start_set_before=start_before,
        starts_failed=failed,
        reckoned_since=reckoned,
        shed=shed,
        fed=sight.fed,
        carried=carried,
        unfed_since=sight.own_since,
        offered_since=sight.offered_since,
        outlasted=outlasted,
        known=None if carried else known,
    )


def _own_sight(seen: SystemObservation, since: datetime) -> SupplySight:
    """Return what a system's own units show of their supply."""
    fed = seen.parallel.with_standing(frozenset({Standing.CARRYING}))
    return SupplySight(None if fed else since, fed, None if fed else since)


def _carried(seen: SystemObservation) -> bool:
    """Return whether the units that are seen fed can carry the whole load alone, on every line in W and VA."""
    fed = [
        v
        for v in seen.views
        if seen.parallel.standing_of(v.unit.id) is Standing.CARRYING and v.unit.id not in seen.parallel.idle
    ]
    if not fed:
        return False
    for line in seen.parallel.load.lines:
        behind = [v for v in fed if line.line in v.unit.line_order[: v.unit.output_lines]]
        for asked, doubt, ratings in (
            (line.power_w, line.doubt_w, [v.line_rating_w for v in behind]),
            (line.apparent_va, line.doubt_va, [v.line_rating_va for v in behind]),
        ):
            if asked is None or asked + doubt > sum(rating or 0.0 for rating in ratings):
                return False
    return bool(seen.parallel.load.lines)
