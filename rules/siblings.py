"""Units of one system compared with each other: who shares badly, who disagrees, who was late.

Sharing is told apart as the trade does it: units that differ in watts differ in angle, units that differ
in reactive power differ in voltage. RFC 1628 gives magnitudes only, so reactive power is |Q| =
sqrt(S^2 - P^2) without its sign, and circulating current can be suspected, never seen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median
from typing import Final

from rules.parallel import ENOUGH_LOAD_TO_JUDGE_SHARE, Parallel, UnitView
from rules.reading import Reading
from rules.verdicts import Finding, Standing
from rules.verdicts import FindingKind as Kind

SHARE_LIMIT: Final = 0.10
"""Deviation of a unit from the mean, of its rating, that is told (trade: 10 points for minutes)."""
PHASE_LIMIT: Final = 0.30
POWER_FACTOR_APART: Final = 0.15
IDLE_CURRENT: Final = 0.10
"""Volt-amperes, of rating, that a unit with hardly any watts must carry to suggest circulating current."""
VOLTAGE_APART: Final = 0.02
FREQUENCY_APART_HZ: Final = 0.2
LATE: Final = timedelta(seconds=10)


def compare(system: str, views: Sequence[UnitView], parallel: Parallel) -> tuple[Finding, ...]:
    """Return everything that sets the units of one system apart at this moment.

    Only units with a card of their own and a fresh reading are compared.
    """
    able = [v for v in views if v.fresh and v.reading is not None and not v.shared_card]
    found = [*_sharing(able, parallel), *_phases(system, parallel)]
    if len(able) > 1:
        found += _circulating(able, parallel)
        found += _electrical(able, parallel)
        found += _sources(able, parallel)
        found += _plates(able)
    return tuple(found)


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


def _sharing(able: Sequence[UnitView], parallel: Parallel) -> list[Finding]:
    """Return units that carry more or less than their part, in watts and in reactive power."""
    found = []
    for share in parallel.shares:
        off = share.deviation_fraction
        if off is not None and abs(off) > SHARE_LIMIT:
            word = "more" if off > 0.0 else "less"
            why = (
                f"Unit {share.unit} carries {100 * abs(off):.0f} points of its rating {word} than the mean in "
                "watts: its output leads or lags the others in angle."
            )
            found.append(Finding(Kind.SHARE_REAL, share.unit, why, off, SHARE_LIMIT))
    judged = {share.unit for share in parallel.shares if share.deviation_fraction is not None}
    reactive = {
        v.unit.id: q / v.fitted.rating_va
        for v in able
        if v.unit.id in judged and v.fitted is not None and (q := reactive_var(v)) is not None
    }
    if len(reactive) > 1:
        mean = sum(reactive.values()) / len(reactive)
        for unit, part in reactive.items():
            if abs(part - mean) > SHARE_LIMIT:
                why = (
                    f"Unit {unit} carries {100 * abs(part - mean):.0f} points of its rating "
                    f"{'more' if part > mean else 'less'} reactive power than the mean: its voltage is set apart."
                )
                found.append(Finding(Kind.SHARE_REACTIVE, unit, why, part - mean, SHARE_LIMIT))
    return found


def _phases(system: str, parallel: Parallel) -> list[Finding]:
    """Return whether the board's lines differ, where there is enough load to matter."""
    apart = parallel.phase_imbalance_fraction
    loaded = [s.of_rating_fraction for s in parallel.shares if s.of_rating_fraction is not None]
    enough = bool(loaded) and max(loaded) >= ENOUGH_LOAD_TO_JUDGE_SHARE
    if apart is None or apart <= PHASE_LIMIT or not enough:
        return []
    top = max(parallel.load.lines, key=lambda line: line.power_w or 0.0)
    why = (
        f"The board's lines differ by up to {100 * apart:.0f} % of their mean; line {top.line} carries most."
    )
    return [Finding(Kind.PHASES, system, why, apart, PHASE_LIMIT, top.line)]


def _circulating(able: Sequence[UnitView], parallel: Parallel) -> list[Finding]:
    """Return suspicion of current that flows between units: current with hardly a watt, or odd power factor."""
    found = []
    factors: dict[str, float] = {}
    for v in able:
        if v.reading is None or v.fitted is None or parallel.standing_of(v.unit.id) not in _CARRYING:
            continue
        watts = v.reading.output.power_w
        apparent = [line.apparent_va for line in v.reading.output.lines]
        if watts is None or not apparent or None in apparent:
            continue
        va = sum(a for a in apparent if a is not None)
        if va > IDLE_CURRENT * v.fitted.rating_va and watts < 0.3 * va:
            why = (
                f"Unit {v.unit.id} carries {va / 1e3:.1f} kVA with only {watts / 1e3:.1f} kW: current may circulate "
                "between the units. The card cannot show the direction."
            )
            found.append(Finding(Kind.CIRCULATING, v.unit.id, why, watts / va, 0.3))
        elif va > ENOUGH_LOAD_TO_JUDGE_SHARE * v.fitted.rating_va:
            factors[v.unit.id] = watts / va
    if len(factors) > 1:
        middle = median(factors.values())
        for unit, factor in factors.items():
            if middle - factor > POWER_FACTOR_APART:
                why = (
                    f"Unit {unit} works at power factor {factor:.2f} where its siblings have {middle:.2f} on the "
                    "same load: current may circulate."
                )
                found.append(Finding(Kind.CIRCULATING, unit, why, factor, middle - POWER_FACTOR_APART))
    return found


_CARRYING: Final = frozenset({Standing.CARRYING, Standing.ON_BATTERY})


def _electrical(able: Sequence[UnitView], parallel: Parallel) -> list[Finding]:
    """Return units whose output voltage or frequency is apart: on one busbar they cannot be."""
    found = []
    carrying = [v for v in able if parallel.standing_of(v.unit.id) in _CARRYING and v.reading is not None]
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
            if len(by_unit) > 1 and abs(value - middle) > VOLTAGE_APART * middle:
                why = (
                    f"Unit {unit} reads {value:.0f} V on board line {board}, its siblings {middle:.0f} V, on one "
                    "busbar: a wrong meter, a wrong scale, or the unit is not on the bar."
                )
                found.append(Finding(Kind.VOLTAGE, unit, why, value, VOLTAGE_APART * middle, board))
    hertz = {v.unit.id: f for v in carrying if v.reading is not None and (f := v.reading.output.frequency_hz)}
    if len(hertz) > 1:
        middle = median(hertz.values())
        found += [
            Finding(
                Kind.FREQUENCY,
                unit,
                f"Unit {unit} reads {f:.1f} Hz, its siblings {middle:.1f} Hz: parallel units run in step.",
                f,
                FREQUENCY_APART_HZ,
            )
            for unit, f in hertz.items()
            if abs(f - middle) > FREQUENCY_APART_HZ
        ]
    return found


def _sources(able: Sequence[UnitView], parallel: Parallel) -> list[Finding]:
    """Return units that are fed from elsewhere than their siblings."""
    doing = {v.unit.id: parallel.standing_of(v.unit.id) for v in able}
    on_battery = [unit for unit, what in doing.items() if what is Standing.ON_BATTERY]
    on_mains = [unit for unit, what in doing.items() if what is Standing.CARRYING]
    on_bypass = [unit for unit, what in doing.items() if what is Standing.BYPASS]
    found = []
    if on_battery and on_mains:
        if len(on_battery) <= len(on_mains):
            found += [
                Finding(
                    Kind.ALONE_ON_BATTERY,
                    u,
                    f"Unit {u} is on battery while {', '.join(on_mains)} have mains.",
                )
                for u in on_battery
            ]
        else:
            found += [
                Finding(
                    Kind.NOT_ON_BATTERY,
                    u,
                    f"Unit {u} reads normal while {', '.join(on_battery)} are on battery.",
                )
                for u in on_mains
            ]
    if on_bypass and (on_mains or on_battery):
        others = ", ".join([*on_mains, *on_battery])
        found += [
            Finding(
                Kind.SOURCE,
                u,
                f"Unit {u} is on bypass while {others} carry by inverter: one bar, two sources.",
            )
            for u in on_bypass
        ]
    return found


PLATES: Final[Mapping[Kind, tuple[str, Callable[[Reading], object]]]] = {
    Kind.FIRMWARE: ("runs software", lambda r: r.nameplate.ups_software),
    Kind.SETTINGS: (
        "is set for",
        lambda r: (
            None
            if r.nameplate.nominal_output_voltage_v is None
            else (
                f"{r.nameplate.nominal_output_voltage_v:.0f} V, "
                f"{r.nameplate.nominal_output_frequency_hz or 0:.0f} Hz, low battery "
                f"{(r.nameplate.low_battery_time_s or 0) / 60:.0f} min"
            )
        ),
    ),
    Kind.RATING: (
        "is rated",
        lambda r: None if r.nameplate.rating_va is None else f"{r.nameplate.rating_va / 1e3:.0f} kVA",
    ),
}
"""What a card says of itself that siblings should agree on; unequal ratings may be declared."""


def _plates(able: Sequence[UnitView]) -> list[Finding]:
    found = []
    for kind, (verb, of) in PLATES.items():
        said = {
            v.unit.id: value for v in able if v.reading is not None and (value := of(v.reading)) is not None
        }
        declared = {v.fitted.rating_va for v in able if v.fitted is not None}
        if len(set(said.values())) < 2 or (kind is Kind.RATING and len(declared) > 1):
            continue
        values = list(said.values())
        common = max(set(values), key=values.count)
        odd = [unit for unit, value in said.items() if value != common]
        found += [Finding(kind, u, f"Unit {u} {verb} {said[u]}, its siblings {common}.") for u in odd]
    return found


@dataclass(frozen=True, slots=True)
class Transfer:
    """When a unit went on battery and came back in one power event; None: not seen to."""

    unit: str
    went: datetime | None
    back: datetime | None


def latecomers(transfers: Sequence[Transfer], accept_s: Mapping[str, float]) -> tuple[Finding, ...]:
    """Return units that stayed away from a power event or came back late, measured by their siblings.

    `accept_s`: how long each unit is allowed to qualify, wait and ramp by declaration; being later than
    the first by more than the difference and ten seconds is late.
    """
    went = [t for t in transfers if t.went is not None]
    found = [
        Finding(Kind.NOT_ON_BATTERY, t.unit, f"Unit {t.unit} did not go on battery with its siblings.")
        for t in transfers
        if t.went is None and 2 * len(went) > len(transfers)
    ]
    back = {t.unit: t.back for t in went if t.back is not None}
    if not back:
        return tuple(found)
    first = min(back, key=lambda unit: back[unit])
    for unit, at in back.items():
        allowed = LATE + timedelta(seconds=max(accept_s.get(unit, 0.0) - accept_s.get(first, 0.0), 0.0))
        late = at - back[first]
        if late > allowed:
            why = f"Unit {unit} came back {late.total_seconds():.0f} s after {first}; {allowed.total_seconds():.0f} s are allowed."
            found.append(Finding(Kind.LATE_BACK, unit, why, late.total_seconds(), allowed.total_seconds()))
    return tuple(found)
