"""Units in parallel: what each one is doing, what the board asks of them, and who carries how much.

Sums are by *board* line, since a unit's line 1 may feed board line 2 (`Unit.line_order`). Apparent
power is summed as volts times amperes of each unit, which overstates when current circulates: the safe
side. Where one card covers several units, nothing can be said of one unit, and that is said.
Terms: IEC 62040-3 (parallel redundant UPS).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Final

from rules.plant.estate import Card, CardReports, FittedUnit, NormalMode, Unit
from rules.plant.reading import OutputSource, Reading, Silence
from rules.plant.unread import Unread, unread_reason
from rules.system.peers import UnitLoad, filled, idle_reason, idle_units, left_out_reason, still_carries
from rules.system.state import LineLoad, Load, Standing, UnitStanding
from rules.values.code import Code
from rules.values.reason import Reason, reason

ENOUGH_LOAD_TO_JUDGE_SHARE: Final = 0.15
"""Share of rating under which sharing between units is noise (trade practice: 10 to 15 %)."""

SHARE_OFF: Final = 0.10
"""Deviation from the mean of the units that carry, of rating, from where on a unit shares badly (trade: 10 points for minutes)."""

SHARE_DEADBAND: Final = 0.03
"""How far such a deviation must fall back, of rating, before it is told no more."""

NO_LOAD_FRACTION: Final = 0.02
"""Share of rating under which a unit that may rest counts as resting."""

FEEDING: Final = frozenset({Standing.CARRYING, Standing.ON_BATTERY, Standing.RESTING})
"""Standings in which a unit stands behind its load with its inverter and its bank."""

OUT: Final = frozenset({Standing.OFF, Standing.ISOLATED})
"""Standings in which a unit is known to carry nothing."""

CARRYING: Final = frozenset({Standing.CARRYING, Standing.ON_BATTERY})
_SAYS_WHY: Final = frozenset(
    {
        "upsAlarmOutputOffAsRequested",
        "upsAlarmUpsOffAsRequested",
        "upsAlarmUpsOutputOff",
        "upsAlarmUpsSystemOff",
        "upsAlarmOnBypass",
    }
)
"""Alarms of RFC 1628 that say why a unit carries nothing."""
DEAD_OUTPUT_V: Final = 50.0

MERELY_UNSEEN: Final = frozenset({Standing.SILENT, Standing.UNKNOWN})
"""Standings that say nothing about the unit, only about what is known of it."""

VOUCHED_TIMES: Final = 2.0
"""How much longer a reading counts while the peers show that its unit still carries as it says."""


@dataclass(frozen=True, slots=True)
class UnitView:
    """One position as it is seen now.

    `reading` is the last good one, whatever its age; `age_s` its age, None without a reading. It
    counts as evidence up to `stale_after_s`, and for twice as long where `vouched`: where its peers show that
    it still carries. `isolated` says that planned work has this unit out; `unread` why there is no newer reading.
    """

    unit: Unit
    fitted: FittedUnit | None
    card: Card | None
    reading: Reading | None
    silence: Silence | None
    age_s: float | None
    stale_after_s: float
    isolated: bool = False
    vouched: bool = False
    unread: Unread = Unread.NO_ANSWER

    def with_reading(self, reading: Reading) -> UnitView:
        """Return the position as seen by a reading of this very moment."""
        return replace(self, reading=reading, age_s=0.0)

    @property
    def late(self) -> bool:
        """Return whether the last reading is older than it may be by itself."""
        return self.age_s is not None and self.age_s > self.stale_after_s

    @property
    def fresh(self) -> bool:
        """Return whether the last reading is young enough to count."""
        limit_s = self.stale_after_s * (VOUCHED_TIMES if self.vouched else 1.0)
        return self.reading is not None and self.age_s is not None and self.age_s <= limit_s

    @property
    def shared_card(self) -> bool:
        """Return whether this unit's card speaks for several units at once."""
        return (
            self.card is not None and len(self.card.covers) > 1 and self.card.reports is not CardReports.UNIT
        )

    @property
    def line_rating_w(self) -> float | None:
        """Return the true power that one output line of this unit is rated for, in W."""
        return None if self.fitted is None else self.fitted.rating_w / self.unit.output_lines

    @property
    def line_rating_va(self) -> float | None:
        """Return the apparent power that one output line of this unit is rated for, in VA."""
        return None if self.fitted is None else self.fitted.rating_va / self.unit.output_lines


@dataclass(frozen=True, slots=True)
class LoadShare:
    """How one unit's part of the load compares with its equals.

    `of_system_fraction` of the system's power, `of_rating_fraction` of the unit's own rating;
    `deviation_fraction`: that less the mean of the units that carry (positive: carries more than its
    part), None where the load is too low to tell.
    """

    unit: str
    of_system_fraction: float | None
    of_rating_fraction: float | None
    deviation_fraction: float | None


@dataclass(frozen=True, slots=True)
class Parallel:
    """A system's units taken together at one moment.

    `phase_imbalance_fraction`: largest deviation of a board line's power from the mean of the lines,
    over that mean; None for one line, no load or too little known. `cannot_tell` holds the reasons why
    something could not be told, `notes` what was reckoned from the units beside one, `idle` the units that are
    not seen carrying, each with the sentence that says so, `left_out` the same of those whose cards leave figures out.
    """

    load: Load
    units: tuple[UnitStanding, ...]
    shares: tuple[LoadShare, ...]
    phase_imbalance_fraction: float | None
    cannot_tell: tuple[Reason, ...]
    as_of: datetime | None
    notes: tuple[Reason, ...] = ()
    idle: Mapping[str, Reason] = field(default_factory=dict)
    left_out: Mapping[str, Reason] = field(default_factory=dict)

    def standing_of(self, unit: str) -> Standing:
        """Return what a unit is doing."""
        return next(item.standing for item in self.units if item.id == unit)

    def with_standing(self, standings: frozenset[Standing]) -> tuple[str, ...]:
        """Return the ids of the units that have one of `standings`."""
        return tuple(item.id for item in self.units if item.standing in standings)


def standing(view: UnitView) -> Standing:
    """Return what a unit is doing for its system.

    A unit in planned isolation that still carries load has not been switched yet and counts as carrying. One
    is silent only where its card was asked and did not answer.
    """
    if not view.fresh or view.reading is None:
        unheard = Standing.UNKNOWN if view.unread.ours else Standing.SILENT
        return Standing.ISOLATED if view.isolated else unheard
    if view.shared_card:
        return Standing.ISOLATED if view.isolated else Standing.UNKNOWN
    source = view.reading.output.source
    if view.isolated and not _carries(view):
        return Standing.ISOLATED
    if source is OutputSource.BYPASS and view.unit.normal_mode is NormalMode.ECONOMY:
        # In economy mode the load hangs on the static bypass by design, with inverter and bank behind it.
        return Standing.CARRYING
    if source in {OutputSource.NORMAL, OutputSource.BOOSTER, OutputSource.REDUCER}:
        return Standing.RESTING if view.unit.may_rest and not _carries(view) else Standing.CARRYING
    return {
        OutputSource.BATTERY: Standing.ON_BATTERY,
        OutputSource.BYPASS: Standing.BYPASS,
        OutputSource.NONE: Standing.OFF,
    }.get(source or OutputSource.OTHER, Standing.UNKNOWN)


def _carries(view: UnitView) -> bool:
    """Return whether a unit carries more than next to nothing; True where its power is not known."""
    reading = view.reading
    if reading is None or reading.output.source is OutputSource.NONE:
        return False
    power_w = reading.output.power_w
    if power_w is None:
        return True
    return power_w > NO_LOAD_FRACTION * (view.fitted.rating_w if view.fitted else power_w)


def unit_load(view: UnitView, doing: Standing) -> UnitLoad:
    """Return what a unit carries, by board line."""
    lines = view.unit.line_order[: view.unit.output_lines]
    rated_w, rated_va = view.line_rating_w, view.line_rating_va
    if doing in OUT and not (view.fresh and view.reading is not None and view.reading.output.lines):
        nothing: Mapping[int, float | None] = dict.fromkeys(lines, 0.0)
        return UnitLoad(nothing, nothing, rated_w, rated_va)
    if not view.fresh or view.reading is None:
        unknown: Mapping[int, float | None] = dict.fromkeys(lines)
        return UnitLoad(unknown, unknown, rated_w, rated_va)
    read = {item.line: item for item in view.reading.output.lines}
    power: dict[int, float | None] = {}
    apparent: dict[int, float | None] = {}
    unsaid = 0.0 if doing in OUT else None  # a unit that is off and leaves its power out carries none
    for own_line, board_line in enumerate(lines, start=1):
        item = read.get(own_line)
        power[board_line] = unsaid if item is None or item.power_w is None else item.power_w
        apparent[board_line] = unsaid if item is None or item.apparent_va is None else item.apparent_va
    return UnitLoad(power, apparent, rated_w, rated_va)


def vouched(views: Sequence[UnitView]) -> tuple[UnitView, ...]:
    """Return the units, those vouched for whose cards are silent while their peers show that they still carry."""
    fresh = [v for v in views if v.fresh and not v.shared_card and not v.isolated]
    return tuple(
        replace(v, vouched=_vouched_for(replace(v, vouched=True), fresh)) if v.late else v for v in views
    )


def _vouched_for(view: UnitView, fresh: Sequence[UnitView]) -> bool:
    if not view.fresh or view.reading is None or view.shared_card or view.isolated:
        return False
    doing = standing(view)
    beside = [(v, standing(v)) for v in fresh]
    peers = [unit_load(v, what) for v, what in beside if what is doing]
    alike = doing in CARRYING and all(what is doing for _, what in beside if what in CARRYING)
    return alike and still_carries(unit_load(view, doing), peers)


def _sum(values: Sequence[float | None]) -> float | None:
    """Return the sum, None when any part is not known or there is none."""
    return None if not values or None in values else sum(value for value in values if value is not None)


def _group_loads(
    views: Sequence[UnitView], doing: Mapping[str, Standing], own: Mapping[str, UnitLoad]
) -> tuple[list[UnitLoad], list[Reason]]:
    """Return loads to add up, each card counted once, and why some cannot be known."""
    loads: list[UnitLoad] = []
    why: list[Reason] = []
    seen: set[str] = set()
    for view in views:
        if not view.shared_card or view.card is None:
            loads.append(own[view.unit.id])
            continue
        if view.card.id in seen:
            continue
        seen.add(view.card.id)
        speaker = next((v for v in views if v.card is view.card and v.fresh), view)
        if view.card.reports is CardReports.SUM:
            loads.append(unit_load(speaker, doing[speaker.unit.id]))
            why.append(reason(Code.CARD_GIVES_SUM, view.card.id, units=tuple(view.card.covers)))
        else:
            lines = view.unit.line_order[: view.unit.output_lines]
            loads.append(UnitLoad(dict.fromkeys(lines), dict.fromkeys(lines)))
            why.append(reason(Code.CARD_GIVES_ONE, view.card.id, units=tuple(view.card.covers)))
    return loads, why


def board_load(loads: Sequence[UnitLoad]) -> Load:
    """Return the load of the board, by line, from the units' loads."""
    numbers = sorted({line for item in loads for line in item.power_w})
    lines = tuple(
        LineLoad(
            line,
            _sum([item.power_w[line] for item in loads if line in item.power_w]),
            _sum([item.apparent_va[line] for item in loads if line in item.apparent_va]),
            sum(item.doubt_w.get(line, 0.0) for item in loads),
            sum(item.doubt_va.get(line, 0.0) for item in loads),
        )
        for line in numbers
    )
    return Load(_sum([x.power_w for x in lines]), _sum([x.apparent_va for x in lines]), lines)


def phase_imbalance(load: Load) -> float | None:
    """Return the largest deviation of a line's power from the lines' mean, over that mean."""
    powers = [line.power_w for line in load.lines]
    total_w = _sum(powers)
    if total_w is None or total_w <= 0.0 or len(powers) < 2:
        return None
    mean_w = total_w / len(powers)
    return max(abs(power - mean_w) for power in powers if power is not None) / mean_w


def mean_share(fractions: Sequence[float]) -> float | None:
    """Return the mean of what the units that carry carry of their ratings; None for one alone, and for too low a load to tell."""
    mean = sum(fractions) / len(fractions) if len(fractions) > 1 else 0.0
    return mean if mean >= ENOUGH_LOAD_TO_JUDGE_SHARE else None


def shares(
    views: Sequence[UnitView],
    doing: Mapping[str, Standing],
    loads: Mapping[str, UnitLoad],
    total_w: float | None,
) -> tuple[LoadShare, ...]:
    """Return each unit's share of the load, against its rating and against its equals."""
    power: dict[str, float | None] = {}
    of_rating: dict[str, float] = {}
    for view in views:
        unit = view.unit.id
        known = loads[unit].total_w if unit in loads else None
        power[unit] = known
        if known is not None and view.fitted is not None and view.fitted.rating_w > 0.0:
            of_rating[unit] = known / view.fitted.rating_w
    carrying = [of_rating[u] for u in of_rating if doing[u] in CARRYING]
    mean = mean_share(carrying)
    return tuple(
        LoadShare(
            unit,
            None if watts is None or not total_w else watts / total_w,
            of_rating.get(unit),
            of_rating[unit] - mean
            if mean is not None and unit in of_rating and doing[unit] in CARRYING
            else None,
        )
        for unit, watts in power.items()
    )


def together(views: Sequence[UnitView]) -> Parallel:
    """Return a system's units taken together: load by board line, standings, shares, balance."""
    doing = {view.unit.id: standing(view) for view in views}
    own = {v.unit.id: unit_load(v, doing[v.unit.id]) for v in views if not v.shared_card}
    beside = {unit: load for unit, load in own.items() if doing[unit] in CARRYING}
    idle = idle_units(beside)
    doing |= dict.fromkeys(idle, Standing.IDLE)
    carried = filled({unit: load for unit, load in beside.items() if unit not in idle})
    own |= carried
    loads, why = _group_loads(views, doing, own)
    load = board_load(loads)
    parts = shares(views, doing, own, load.power_w)
    answer = {v.unit.id for v in views if v.fresh and v.reading is not None}
    left_out = {u: left_out_reason(u, item) for u, item in own.items() if item.left_out and u in answer}
    notes = [text for unit, text in left_out.items() if own[unit].total_w is not None]
    why += [text for unit, text in left_out.items() if own[unit].total_w is None]
    why += [
        unread_reason(view.unit.id, view.unread, view.age_s)
        for view in views
        if not view.fresh and doing[view.unit.id] is not Standing.ISOLATED
    ]
    notes += [
        reason(Code.UNIT_VOUCHED_FOR, v.unit.id, why=v.unread, age_s=v.age_s)
        for v in views
        if v.late and v.vouched and v.fresh
    ]
    fresh = [view.reading.stamp.at for view in views if view.fresh and view.reading is not None]
    fraction = {share.unit: share.of_system_fraction for share in parts}
    peers = {unit: item.total_w for unit, item in carried.items() if item.total_w is not None}
    return Parallel(
        load=load,
        units=tuple(
            UnitStanding(
                view.unit.id,
                doing[view.unit.id],
                fraction[view.unit.id],
                None if view.reading is None else view.reading.stamp.at,
            )
            for view in views
        ),
        shares=parts,
        phase_imbalance_fraction=phase_imbalance(load),
        cannot_tell=tuple(why),
        as_of=min(fresh) if fresh else None,
        notes=tuple(notes),
        idle={
            v.unit.id: idle_reason(v.unit.id, idle[v.unit.id], peers, _hints(v))
            for v in views
            if v.unit.id in idle
        },
        left_out=left_out,
    )


def _hints(view: UnitView) -> list[Reason]:
    """Return what the card of a unit that is not seen carrying says of why."""
    reading = view.reading
    if reading is None:
        return []
    said = tuple(name for name in reading.card_alarms or () if name in _SAYS_WHY)
    hints = [reason(Code.HINT_CARD_SAYS, alarms=said)] if said else []
    volts = [line.voltage_v for line in reading.output.lines if line.voltage_v is not None]
    if volts and max(volts) < DEAD_OUTPUT_V:
        hints.append(reason(Code.HINT_NO_VOLTAGE))
    elif volts:
        hints.append(reason(Code.HINT_VOLTAGE, voltage_v=max(volts)))
    by_bypass = sum(line.power_w or 0.0 for line in reading.bypass.lines) if reading.bypass else 0.0
    if by_bypass > 0.0:
        hints.append(reason(Code.HINT_BY_BYPASS, power_w=by_bypass))
    return hints
