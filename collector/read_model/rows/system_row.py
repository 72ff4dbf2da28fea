"""One system's line: each of the six questions answered in a word or a figure, as the verdicts have it.

Nothing is judged here: every field is a verdict, or a figure of one, that stands in the sheet. Two sheets of which a
system's line is equal show it alike, so a line that was drawn once is kept until it differs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from enum import StrEnum
from typing import Final

from collector.read_model.rows.brief import NOW, by_when_words, shed_words, size_words
from collector.read_model.sheet import Sheet, ShownAlarm, ShownIsolation
from rules.battery.state import BankState
from rules.phrasing.dates import about_day
from rules.planning.ridethrough.shutdown import lasts_s
from rules.plant.estate import Estate, LoadGroup, Purpose, in_place
from rules.system.state import Against, HoldUp, LoadBasis, RequirementVerdict, Standing, SystemState
from rules.values.severity import Severity
from rules.values.verdict import Verdict

STANDING_STATES: Final = frozenset({"active_unacknowledged", "active_acknowledged", "latched"})
_UNHEARD: Final = (Standing.SILENT, Standing.UNKNOWN)
_WITHIN_A_YEAR_DAYS: Final = 366


class Stands(StrEnum):
    """How a system stands: feeds nothing, on its banks, short of what is needed, cannot be judged, holds."""

    OFF = "off"
    BATTERY = "battery"
    SHORT = "short"
    UNKNOWN = "unknown"
    HOLDS = "holds"


class ShortAnswer(StrEnum):
    """A short answer. `NONE_MEANT`: no spare unit is declared; `SOME`: of some units; `NOT_ASKED`: nothing is known of it."""

    YES = "yes"
    NO = "no"
    SOME = "some"
    UNKNOWN = "unknown"
    ONE_UNIT = "one_unit"
    NONE_MEANT = "none_meant"
    NOT_ASKED = "not_asked"


VERDICTS: Final = {
    Verdict.ADEQUATE: ShortAnswer.YES,
    Verdict.INADEQUATE: ShortAnswer.NO,
    Verdict.CANNOT_TELL: ShortAnswer.UNKNOWN,
}


@dataclass(frozen=True, slots=True)
class RowHeld:
    """What banks give, in s: the 5th and the 95th percentile; the second None where only the least is known."""

    low_s: float
    high_s: float | None


@dataclass(frozen=True, slots=True)
class RowAlarm:
    """The first to act on of a system's alarms that stand, what to do and by when, how many stand beside it, and the gravest's weight."""

    id: str
    what: str
    do_first: str
    by: str
    severity: Severity
    more: int
    gravest: Severity


@dataclass(frozen=True, slots=True)
class RowBank:
    """The bank of a system that is to be ordered next, and by when (`by`), no finer than it is known; `due`: now. `soon`: within a year."""

    bank: str
    by: date
    words: str
    due: bool
    soon: bool


@dataclass(frozen=True, slots=True)
class RowShutdown:
    """The next signed shutdown (`at`), or an example of one (None): with the generator as it is meant, and without it.

    `lasts_s`: how long the mains is off, s; 0 while it is being played.
    """

    at: datetime | None
    lasts_s: float
    planned: ShortAnswer
    without_set: ShortAnswer
    has_set: bool


@dataclass(frozen=True, slots=True)
class SystemRow:
    """A system's line. `margin_s` is the deciding need's own, least of all, and None where the verdict cannot tell.

    `fed`, `gives`, `units`: how many units are fed and how many on their banks, of how many, while it is on its banks; `out`: which units may be taken out, where
    not all may, and `out_why` what keeps them. `unheard`: units that are not heard. `unshown`: it cannot be told since nothing was seen of its banks yet. `claimed_s`: a card's claim, where nothing else is known.
    `purpose`: what the deciding need is for. `holds_lost`: whether it is held with the worst unit lost, None where that is not known. `over`: the board line
    that keeps it from being redundant, and whether that is at its peak alone. `size`: kVA of each unit if it were replaced now. `shed`: the first load to go.
    """

    id: str
    name: str
    site: str
    plant: str
    units: int
    stands: Stands
    needed_s: float | None
    against: Against | None
    margin_s: float | None
    held: RowHeld | None
    held_lost: RowHeld | None
    claimed_s: float | None
    redundant: ShortAnswer
    alarm: RowAlarm | None
    gone: int
    bank: RowBank | None
    banks_known: bool
    out: ShortAnswer
    out_units: tuple[str, ...]
    shutdown: RowShutdown | None
    unheard: int
    unshown: bool = False
    purpose: Purpose | None = None
    holds_lost: bool | None = None
    over: tuple[int, bool] | None = None
    out_why: str = ""
    size: str = ""
    shed: str = ""
    since: datetime | None = None
    ends_earliest: datetime | None = None
    fed: int = 0
    gives: int = 0


def stands(state: SystemState) -> Stands:
    """Return how a system stands, by its verdicts: no need declared is nothing to be judged by."""
    verdicts = {need.verdict for need in state.requirements}
    if state.feeds_nothing:
        return Stands.OFF
    if state.on_battery:
        return Stands.BATTERY
    if Verdict.INADEQUATE in verdicts:
        return Stands.SHORT
    if Verdict.CANNOT_TELL in verdicts or not verdicts:
        return Stands.UNKNOWN
    return Stands.HOLDS


def longest_need(state: SystemState) -> RequirementVerdict | None:
    """Return the longest of the needs that are known."""
    known = [need for need in state.requirements if need.required_s is not None]
    return max(known, key=lambda need: need.required_s or 0.0, default=None)


def deciding_need(state: SystemState) -> RequirementVerdict | None:
    """Return the need that decides how a system stands: the worst not met, else the longest not told, else the longest.

    What a system needs does not hang on what its cards say: the need shown is the same while a unit is not heard.
    """
    failed = [need for need in state.requirements if need.verdict is Verdict.INADEQUATE]
    if failed:
        return min(failed, key=lambda need: 0.0 if need.margin_s is None else need.margin_s)
    untold = [need for need in state.requirements if need.verdict is Verdict.CANNOT_TELL]
    return max(untold, key=lambda need: need.required_s or 0.0) if untold else longest_need(state)


def system_rows(sheet: Sheet) -> tuple[SystemRow, ...]:
    """Return the line of every system of the estate, in the order of the estate file; made once for a sheet."""
    kept = sheet.drawn.get("rows")
    if kept is None:
        isolations: dict[str, list[ShownIsolation]] = {}
        for one in sheet.isolations:
            isolations.setdefault(sheet.estate.units[one.unit].system, []).append(one)
        alarms = _by_system(sheet)
        groups: dict[str, list[LoadGroup]] = {}
        for group in sheet.estate.load_groups.values():
            groups.setdefault(group.system, []).append(group)
        kept = tuple(
            _row(sheet, name, alarms.get(name, ()), isolations.get(name, ()), groups.get(name, ()))
            for name in sheet.estate.systems
        )
        sheet.drawn["rows"] = kept
    found: tuple[SystemRow, ...] = kept
    return found


def _by_system(sheet: Sheet) -> dict[str, list[ShownAlarm]]:
    """Return the alarms by the systems they are about, in the order given."""
    owner = _owners(sheet.estate)
    found: dict[str, list[ShownAlarm]] = {}
    for alarm in sheet.alarms:
        for system in {owner.get(alarm.about), alarm.system} - {None}:
            found.setdefault(system or "", []).append(alarm)
    return found


def _owners(estate: Estate) -> dict[str, str]:
    owner = {name: name for name in estate.systems}
    for unit in estate.units.values():
        owner[unit.id] = unit.system
    for bank in estate.banks.values():
        if bank.feeds:
            owner[bank.id] = estate.units[bank.feeds[0]].system
    for card in estate.cards.values():
        owner[card.id] = estate.units[card.covers[0]].system
    return owner


def _row(
    sheet: Sheet,
    name: str,
    alarms: Sequence[ShownAlarm],
    isolations: Sequence[ShownIsolation],
    groups: Sequence[LoadGroup],
) -> SystemRow:
    declared, state, units = sheet.estate.systems[name], sheet.system(name), sheet.estate.units_of(name)
    now = None if state is None else state.hold_up.now
    need = None if state is None else deciding_need(state)
    how = Stands.UNKNOWN if state is None else stands(state)
    told = how in {Stands.HOLDS, Stands.SHORT} and need is not None
    on = None if state is None else state.on_battery
    many = len(units)
    zone = sheet.site(name).zone
    today = sheet.now.astimezone(zone).date()
    may = [one.unit for one in isolations if one.overall == "met"]
    return SystemRow(
        id=name,
        name=declared.name,
        site=declared.site,
        plant=plant_words(sheet, name),
        units=many,
        stands=how,
        needed_s=None if need is None else need.required_s,
        against=None if need is None else need.against,
        margin_s=need.margin_s if told and need is not None else None,
        held=_held(now),
        held_lost=_held(state.hold_up.one_unit_lost) if state is not None and many > 1 else None,
        claimed_s=_claim(sheet, name) if now is None or now.low_s is None else None,
        redundant=_redundant(state, many),
        alarm=_first(sheet, zone, alarms),
        gone=sum(alarm.state == "returned_unacknowledged" for alarm in alarms),
        bank=_bank(sheet, name, today),
        banks_known=any(
            (bank := sheet.bank(b.id)) is not None and bank.dates.replace_by is not None
            for b in sheet.estate.banks_of_system(name)
        ),
        out=_out(isolations, may, many),
        out_units=tuple(may) if 0 < len(may) < many else (),
        out_why=next((one.why for one in isolations if one.overall == "not_met"), ""),
        shutdown=_shutdown(sheet, name),
        unheard=many if state is None else sum(unit.standing in _UNHEARD for unit in state.units),
        unshown=how is Stands.UNKNOWN
        and state is not None
        and bool(state.hold_up.unproven)
        and not any(unit.standing in _UNHEARD for unit in state.units),
        purpose=None if need is None else need.purpose,
        holds_lost=_holds_lost(state, need),
        over=None if state is None else _over(state),
        size=size_words(sheet.sizes.get(name)),
        shed=shed_words(state, groups),
        since=None if on is None else on.since,
        ends_earliest=None if on is None else on.ends_earliest,
        fed=0
        if state is None or on is None
        else sum(
            unit.standing in {Standing.CARRYING, Standing.RESTING, Standing.IDLE} for unit in state.units
        ),
        gives=0 if state is None else sum(unit.standing is Standing.ON_BATTERY for unit in state.units),
    )


def plant_words(sheet: Sheet, system: str) -> str:
    """Return a system's cabinets as a label, "3 × 20"; ratings in kVA."""
    day = sheet.now.date()
    fitted = [f for unit in sheet.estate.units_of(system) if (f := in_place(unit.fitted, day))]
    counted: dict[float, int] = {}
    for one in fitted:
        counted[one.rating_va] = counted.get(one.rating_va, 0) + 1
    return " + ".join(f"{many} × {va / 1000:g}" for va, many in counted.items())


def _held(held: HoldUp | None) -> RowHeld | None:
    return None if held is None or held.low_s is None else RowHeld(held.low_s, held.high_s)


def _claim(sheet: Sheet, system: str) -> float | None:
    claims = [
        view.reading.battery.card_runtime_s
        for unit in sheet.estate.units_of(system)
        if (view := sheet.unit(unit.id)) and view.reading and view.reading.battery.card_runtime_s is not None
    ]
    return min(claims, default=None)


def _redundant(state: SystemState | None, units: int) -> ShortAnswer:
    if units < 2:
        return ShortAnswer.ONE_UNIT
    if state is None:
        return ShortAnswer.UNKNOWN
    return ShortAnswer.NONE_MEANT if state.redundancy is None else VERDICTS[state.redundancy.verdict]


def _over(state: SystemState) -> tuple[int, bool] | None:
    """Return the line of a system that is not redundant on which the others would be overloaded; True: at its peak alone."""
    found = state.redundancy
    if found is None or found.verdict is not Verdict.INADEQUATE or found.tightest_line is None:
        return None
    now = next((one.verdict for one in found.at if one.basis is LoadBasis.NOW), None)
    return found.tightest_line, found.basis is not LoadBasis.NOW and now is not Verdict.INADEQUATE


def _holds_lost(state: SystemState | None, need: RequirementVerdict | None) -> bool | None:
    """Return whether a need is held with the worst unit lost, at the least; None where nobody knows."""
    low_s = None if state is None else state.hold_up.one_unit_lost.low_s
    return None if low_s is None or need is None or need.required_s is None else low_s >= need.required_s


def _first(sheet: Sheet, zone: tzinfo, alarms: Sequence[ShownAlarm]) -> RowAlarm | None:
    standing = [alarm for alarm in alarms if alarm.state in STANDING_STATES]
    if not standing:
        return None
    first = standing[0]
    gravest = max((Severity(one.severity) for one in standing), key=lambda severity: severity.rank)
    by = by_when_words(first.by_when, sheet.now, zone)
    return RowAlarm(
        first.id, first.what, first.do_first, by, Severity(first.severity), len(standing) - 1, gravest
    )


def next_bank(sheet: Sheet, system: str) -> BankState | None:
    """Return the bank of a system that is to be ordered first, None where no date can be told of any."""
    states = [s for b in sheet.estate.banks_of_system(system) if (s := sheet.bank(b.id)) is not None]
    dated = [s for s in states if s.dates.replace_by is not None]
    return min(dated, key=lambda s: s.dates.order_by or s.dates.replace_by or date.max, default=None)


def _bank(sheet: Sheet, system: str, today: date) -> RowBank | None:
    found = next_bank(sheet, system)
    if found is None or found.dates.replace_by is None:
        return None
    by = found.dates.order_by or found.dates.replace_by
    due = by <= today or found.dates.replace_by <= today
    words = NOW if due else about_day(by, found.dates.ends_early, found.dates.ends_late, today)
    return RowBank(found.id, by, words, due, due or (by - today).days < _WITHIN_A_YEAR_DAYS)


def _out(isolations: Sequence[ShownIsolation], may: Sequence[str], units: int) -> ShortAnswer:
    if units < 2:
        return ShortAnswer.ONE_UNIT
    if not isolations:
        return ShortAnswer.NOT_ASKED
    if len(may) == units:
        return ShortAnswer.YES
    if may:
        return ShortAnswer.SOME
    told = any(one.overall == "not_met" for one in isolations)
    return ShortAnswer.NO if told else ShortAnswer.UNKNOWN


def _shutdown(sheet: Sheet, system: str) -> RowShutdown | None:
    played, known = sheet.shutdowns.get(system), sheet.plans.get(system)
    view = known.open[0] if known is not None and known.open else None
    if played is not None and played.plan != (None if view is None else view.id):
        played = None  # signed or withdrawn a moment ago, and played at the next round
    if played is None and view is None:
        return None
    return RowShutdown(
        None if view is None else view.plan.starts_at,
        0.0 if played is None else lasts_s(played.scenario),
        ShortAnswer.UNKNOWN if played is None else VERDICTS[played.planned.result.verdict],
        ShortAnswer.UNKNOWN if played is None else VERDICTS[played.without_set.result.verdict],
        played is not None and played.with_set is not None,
    )
