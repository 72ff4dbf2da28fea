"""A system at a glance: what its last readings alone say of load, standings, shares, redundancy. Cheap: it runs at every reading."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from rules.battery.state import ShownToCarry
from rules.generator.outage_source import SetSays
from rules.plant.estate import Estate, in_place
from rules.plant.reading import OutputSource, Reading, Silence, Stamp
from rules.plant.unread import Unread
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.load.peaks import NO_PEAKS, Peaks
from rules.system.parallel import Parallel, UnitView, together, vouched
from rules.system.partner import PartnerLoad
from rules.system.redundancy import redundancy
from rules.system.requirements import (
    SHOWN_WITHIN,
    BankSeen,
    RequirementEvidence,
    not_shown,
    seen_of,
    stale_after_s,
)
from rules.system.state import (
    Finding,
    Redundancy,
    ShedFirst,
    Standing,
)
from rules.values.code import Code
from rules.values.reason import Reason, reason

UNTIL_ON_RECORD: Final = timedelta(minutes=3)
"""For how long after it what a bank was seen to carry counts though its record has it not yet: judging waits for the bank to rest."""


@dataclass(frozen=True, slots=True)
class SupplySight:
    """What is seen of a lost supply over all its systems.

    `dead_since`: since when no unit of it that can be read was seen fed or with voltage at its input; None while one
    is. `fed`: its units that are seen fed. `own_since`: since when none of this system's units was; `offered_since`:
    since when one of them, on its bank, has voltage at its input again; `takes_by`: until when all of them that are on their
    banks may take the supply that stands at all their inputs.
    """

    dead_since: datetime | None = None
    fed: tuple[str, ...] = ()
    own_since: datetime | None = None
    offered_since: datetime | None = None
    takes_by: datetime | None = None


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
    supply while it is on its banks; None: nothing beyond its own units. `set_says`: what the site said of its generator since then.
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
    set_says: SetSays | None = None
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
            views, parallel, view.peaks, system.spare_units, banks_not_shown(view, judged, parallel.as_of)
        ),
        on_battery=_on_battery(views, parallel),
        in_test=tuple(v.unit.id for v in views if v.fresh and v.reading is not None and v.reading.in_test),
        missing=_missing(views, parallel),
    )


def banks_not_shown(
    view: SystemView, judged: HoldUpJudgement | None, as_of: datetime | None
) -> dict[str, str]:
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
        for seen in banks_seen(view, judged)
        if seen.bank in view.estate.banks and not_shown(seen, evidence) is not None
    }


def banks_seen(view: SystemView, judged: HoldUpJudgement | None) -> tuple[BankSeen, ...]:
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
