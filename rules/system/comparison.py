"""Units of one system compared with each other: who shares badly, who disagrees.

Sharing is told apart as the trade does it: units that differ in watts differ in angle, units that differ
in reactive power differ in voltage. RFC 1628 gives magnitudes only, so reactive power is |Q| =
sqrt(S^2 - P^2) without its sign, and circulating current can be suspected, never seen.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final, TypeVar

from rules.plant.estate import NormalMode
from rules.plant.reading import OutputSource, Reading
from rules.system.parallel import (
    CARRYING,
    ENOUGH_LOAD_TO_JUDGE_SHARE,
    SHARE_DEADBAND,
    SHARE_OFF,
    Parallel,
    UnitView,
)
from rules.system.peers import IDLE_CURRENT
from rules.system.state import Finding, Standing
from rules.system.state import FindingKind as Kind
from rules.values.code import Code
from rules.values.reason import reason

V = TypeVar("V", bound=Hashable)


@dataclass(frozen=True, slots=True)
class Bound:
    """From where on a difference is told, and how far it must fall back before it is told no more."""

    limit: float
    deadband: float


BOUNDS: Final[Mapping[Kind, Bound]] = {
    # deviation of a unit from the mean, of its rating
    Kind.SHARE_REAL: Bound(SHARE_OFF, SHARE_DEADBAND),
    Kind.SHARE_REACTIVE: Bound(SHARE_OFF, SHARE_DEADBAND),
    # deviation of a board line from the lines' mean, of that mean
    Kind.PHASES: Bound(0.30, 0.05),
    # power factor under that of the siblings
    Kind.CIRCULATING: Bound(0.15, 0.03),
    # deviation from the middle of the siblings, of that middle
    Kind.VOLTAGE: Bound(0.02, 0.005),
    # deviation from the middle of the siblings, Hz
    Kind.FREQUENCY: Bound(0.2, 0.05),
}
HARDLY_A_WATT: Final = 0.3
"""Power factor under which such a unit counts as carrying hardly any watts; deadband as above."""

Before = frozenset[tuple[Kind, str]]
"""What was told at the last look, by kind and thing: it is told until it falls back by its deadband."""


def compare(
    system: str, views: Sequence[UnitView], parallel: Parallel, before: Iterable[Finding] = ()
) -> tuple[Finding, ...]:
    """Return everything that sets the units of one system apart at this moment.

    Only units with a card of their own and a fresh reading are compared. By design nothing is said of how
    units share while they rest, test their banks, or feed the load past their inverters in economy mode.
    `before`: what was found at the last look.
    """
    told: Before = frozenset((f.kind, f.about) for f in before)
    able = [v for v in views if v.fresh and v.reading is not None and not v.shared_card]
    sharing = [v for v in able if v.reading is not None and _shares(v.reading)]
    found = [*_sharing(sharing, parallel, told), *_phases(system, parallel, told)]
    found += [Finding(Kind.IDLE, unit, why) for unit, why in parallel.idle.items()]
    found += [Finding(Kind.LEFT_OUT, unit, why) for unit, why in parallel.left_out.items()]
    if len(able) > 1:
        found += _circulating(sharing, parallel, told)
        found += _electrical(able, parallel, told)
        found += _sources(able, parallel)
        found += _plates(able)
    return tuple(found)


def _limit(kind: Kind, about: str, told: Before) -> float:
    """Return the limit that holds: the nearer one for what was told already."""
    bound = BOUNDS[kind]
    return bound.limit - bound.deadband if (kind, about) in told else bound.limit


def _shares(reading: Reading) -> bool:
    """Return whether a unit takes part in sharing by its inverter, in earnest."""
    return reading.output.source is not OutputSource.BYPASS and not reading.in_test


def reactive_var(view: UnitView) -> float | None:
    """Return the magnitude of a unit's reactive power, line by line, summed; None where not known."""
    if view.reading is None or not view.reading.output.lines:
        return None
    total = 0.0
    for line in view.reading.output.lines:
        if line.power_w is None or line.apparent_va is None:
            return None
        total += max(line.apparent_va**2 - line.power_w**2, 0.0) ** 0.5
    return total


def _sharing(able: Sequence[UnitView], parallel: Parallel, told: Before) -> list[Finding]:
    """Return units that carry more or less than their part, in watts and in reactive power."""
    found = []
    names = {v.unit.id for v in able}
    for share in parallel.shares:
        off = share.deviation_fraction if share.unit in names else None
        if off is not None and abs(off) > _limit(Kind.SHARE_REAL, share.unit, told):
            why = reason(Code.SHARE_OFF, share.unit, off_fraction=off)
            found.append(Finding(Kind.SHARE_REAL, share.unit, why, off, BOUNDS[Kind.SHARE_REAL].limit))
    judged = {share.unit for share in parallel.shares if share.deviation_fraction is not None}
    reactive = {
        v.unit.id: q / v.fitted.rating_va
        for v in able
        if v.unit.id in judged and v.fitted is not None and (q := reactive_var(v)) is not None
    }
    if len(reactive) > 1:
        mean = sum(reactive.values()) / len(reactive)
        for unit, part in reactive.items():
            if abs(part - mean) > _limit(Kind.SHARE_REACTIVE, unit, told):
                why = reason(Code.REACTIVE_SHARE_OFF, unit, off_fraction=part - mean)
                limit = BOUNDS[Kind.SHARE_REACTIVE].limit
                found.append(Finding(Kind.SHARE_REACTIVE, unit, why, part - mean, limit))
    return found


def _phases(system: str, parallel: Parallel, told: Before) -> list[Finding]:
    """Return whether the board's lines differ, where there is enough load to matter."""
    apart = parallel.phase_imbalance_fraction
    loaded = [s.of_rating_fraction for s in parallel.shares if s.of_rating_fraction is not None]
    enough = bool(loaded) and max(loaded) >= ENOUGH_LOAD_TO_JUDGE_SHARE
    if apart is None or apart <= _limit(Kind.PHASES, system, told) or not enough:
        return []
    top = max(parallel.load.lines, key=lambda line: line.power_w or 0.0)
    why = reason(Code.BOARD_LINES_APART, system, apart_fraction=apart, line=top.line)
    return [Finding(Kind.PHASES, system, why, apart, BOUNDS[Kind.PHASES].limit, top.line)]


def _circulating(able: Sequence[UnitView], parallel: Parallel, told: Before) -> list[Finding]:
    """Return suspicion of current that flows between units: current with hardly a watt, or odd power factor."""
    found = []
    factors: dict[str, float] = {}
    for v in able:
        if v.reading is None or v.fitted is None or parallel.standing_of(v.unit.id) not in CARRYING:
            continue
        watts = v.reading.output.power_w
        apparent = [line.apparent_va for line in v.reading.output.lines]
        if watts is None or not apparent or None in apparent:
            continue
        va = sum(a for a in apparent if a is not None)
        eased = BOUNDS[Kind.CIRCULATING].deadband if (Kind.CIRCULATING, v.unit.id) in told else 0.0
        if va > IDLE_CURRENT * v.fitted.rating_va and watts < (HARDLY_A_WATT + eased) * va:
            why = reason(Code.HARDLY_A_WATT, v.unit.id, apparent_va=va, power_w=watts)
            found.append(Finding(Kind.CIRCULATING, v.unit.id, why, watts / va, HARDLY_A_WATT))
        elif va > ENOUGH_LOAD_TO_JUDGE_SHARE * v.fitted.rating_va:
            factors[v.unit.id] = watts / va
    if len(factors) > 1:
        middle = median(factors.values())
        for unit, factor in factors.items():
            if middle - factor > _limit(Kind.CIRCULATING, unit, told):
                why = reason(Code.POWER_FACTOR_APART, unit, factor=factor, siblings=middle)
                limit = middle - BOUNDS[Kind.CIRCULATING].limit
                found.append(Finding(Kind.CIRCULATING, unit, why, factor, limit))
    return found


def _electrical(able: Sequence[UnitView], parallel: Parallel, told: Before) -> list[Finding]:
    """Return units whose output voltage or frequency is apart: on one busbar they cannot be."""
    found = []
    carrying = [v for v in able if parallel.standing_of(v.unit.id) in CARRYING and v.reading is not None]
    volts: dict[int, dict[str, float]] = {}
    for v in carrying:
        if v.reading is None:
            continue
        for own, board in enumerate(v.unit.line_order[: v.unit.output_lines], start=1):
            line = next((x for x in v.reading.output.lines if x.line == own), None)
            if line is not None and line.voltage_v:
                volts.setdefault(board, {})[v.unit.id] = line.voltage_v
    for board, by_unit in volts.items():
        middle = median(by_unit.values())
        for unit, value in by_unit.items():
            if len(by_unit) > 1 and abs(value - middle) > _limit(Kind.VOLTAGE, unit, told) * middle:
                why = reason(Code.VOLTAGE_APART, unit, voltage_v=value, siblings_v=middle, line=board)
                limit = BOUNDS[Kind.VOLTAGE].limit * middle
                found.append(Finding(Kind.VOLTAGE, unit, why, value, limit, board))
    hertz = {v.unit.id: f for v in carrying if v.reading is not None and (f := v.reading.output.frequency_hz)}
    if len(hertz) > 1:
        middle = median(hertz.values())
        found += [
            Finding(
                Kind.FREQUENCY,
                unit,
                reason(Code.FREQUENCY_APART, unit, frequency_hz=f, siblings_hz=middle),
                f,
                BOUNDS[Kind.FREQUENCY].limit,
            )
            for unit, f in hertz.items()
            if abs(f - middle) > _limit(Kind.FREQUENCY, unit, told)
        ]
    return found


def _sources(able: Sequence[UnitView], parallel: Parallel) -> list[Finding]:
    """Return units that are fed from elsewhere than their siblings."""
    doing = {v.unit.id: parallel.standing_of(v.unit.id) for v in able}
    on_battery = [unit for unit, what in doing.items() if what is Standing.ON_BATTERY]
    on_mains = [unit for unit, what in doing.items() if what is Standing.CARRYING]
    found = []
    if on_battery and on_mains:
        if len(on_battery) <= len(on_mains):
            found += [
                Finding(
                    Kind.ALONE_ON_BATTERY,
                    u,
                    reason(Code.ALONE_ON_BATTERY, u, beside=tuple(on_mains)),
                )
                for u in on_battery
            ]
        else:
            found += [
                Finding(
                    Kind.NOT_ON_BATTERY,
                    u,
                    reason(Code.READS_NORMAL_ALONE, u, beside=tuple(on_battery)),
                )
                for u in on_mains
            ]
    return [*found, *_two_sources(able, doing)]


def _two_sources(able: Sequence[UnitView], doing: Mapping[str, Standing]) -> list[Finding]:
    """Return the units that are not in their normal mode where some feed past their inverters and some do not."""
    past = [v for v in able if v.reading is not None and v.reading.output.source is OutputSource.BYPASS]
    by_inverter = [v for v in able if v not in past and doing[v.unit.id] in CARRYING]
    if not past or not by_inverter:
        return []
    found = {
        v.unit.id: reason(Code.ON_BYPASS_ALONE, v.unit.id, beside=_names(by_inverter))
        for v in past
        if v.unit.normal_mode is not NormalMode.ECONOMY
    }
    found |= {
        v.unit.id: reason(Code.BY_INVERTER_ALONE, v.unit.id, beside=_names(past))
        for v in by_inverter
        if v.unit.normal_mode is NormalMode.ECONOMY and doing[v.unit.id] is not Standing.ON_BATTERY
    }
    return [Finding(Kind.SOURCE, unit, why) for unit, why in found.items()]


def _names(views: Sequence[UnitView]) -> tuple[str, ...]:
    return tuple(v.unit.id for v in views)


def _settings(reading: Reading) -> tuple[int, int, int] | None:
    """Return what a card says its unit is set for: V, Hz, minutes of low battery, as whole numbers."""
    plate = reading.nameplate
    if plate.nominal_output_voltage_v is None:
        return None
    low_min = round((plate.low_battery_time_s or 0) / 60)
    return round(plate.nominal_output_voltage_v), round(plate.nominal_output_frequency_hz or 0), low_min


def _kva(reading: Reading) -> int | None:
    """Return what a card says its unit is rated, in whole kVA."""
    rating_va = reading.nameplate.rating_va
    return None if rating_va is None else round(rating_va / 1e3)


def _plates(able: Sequence[UnitView]) -> list[Finding]:
    """Return what cards say of themselves that siblings should agree on; unequal ratings may be declared."""
    read = {v.unit.id: v.reading for v in able if v.reading is not None}
    found = [
        Finding(Kind.FIRMWARE, u, reason(Code.SOFTWARE_DIFFERS, u, said=said, siblings=common))
        for u, said, common in _odd({u: r.nameplate.ups_software for u, r in read.items()})
    ]
    found += [
        Finding(Kind.SETTINGS, u, reason(Code.SETTINGS_DIFFER, u, said=said, siblings=common))
        for u, said, common in _odd({u: _settings(r) for u, r in read.items()})
    ]
    if len({v.fitted.rating_va for v in able if v.fitted is not None}) <= 1:
        found += [
            Finding(Kind.RATING, u, reason(Code.RATING_DIFFERS, u, said=said, siblings=common))
            for u, said, common in _odd({u: _kva(r) for u, r in read.items()})
        ]
    return found


def _odd(said: Mapping[str, V | None]) -> Iterator[tuple[str, V, V]]:
    """Yield the units that say another value than most, with it and with the others'; of as many the first is theirs."""
    known = {unit: value for unit, value in said.items() if value is not None}
    values = list(known.values())
    if len(set(values)) < 2:
        return
    common = max(set(values), key=values.count)
    yield from ((unit, value, common) for unit, value in known.items() if value != common)
