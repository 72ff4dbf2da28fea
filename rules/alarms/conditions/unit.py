"""What one reading of a unit says of its alarms."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from operator import itemgetter

from rules.alarms.catalogue import AlarmKind, Explanation
from rules.alarms.conditions.condition import Condition, Was
from rules.alarms.conditions.deadline import deadline
from rules.alarms.conditions.outage import on_battery_do, on_battery_reason, time_left_s
from rules.alarms.lifecycle.course import Observation
from rules.alarms.signs import has_mains, load_fraction, on_battery
from rules.plant.estate import FittedUnit, NormalMode, Unit, in_place
from rules.plant.reading import BatteryStatus, OutputLine, OutputSource, Reading, TestResult
from rules.system.parallel import NO_LOAD_FRACTION, mean_share
from rules.system.peers import IDLE_SHARE
from rules.system.state import OnBattery
from rules.values.code import Code
from rules.values.reason import Reason, reason


@dataclass(frozen=True, slots=True)
class Peers:
    """What is known of the units beside one: load as a part of rating, and how many carry."""

    load_fractions: tuple[float, ...] = ()
    carrying: int = 0


def unit_conditions(
    reading: Reading,
    unit: Unit,
    system_name: str,
    catalogue: Mapping[str, AlarmKind],
    *,
    was: Was,
    peers: Peers,
    outage: OnBattery | None,
    at: datetime,
    shares_known: bool,
) -> Iterator[Condition]:
    """Yield every condition that one reading of one unit decides.

    `outage`: what was last judged of its system on its banks, counted to `at`. `shares_known` is False where one
    card speaks for several units.
    """
    source = reading.output.source
    known = source is not None and source is not OutputSource.OTHER
    on_bank = on_battery(reading)
    test = reading.in_test and has_mains(reading, None) is not False
    explained = (Explanation.SELF_TEST.value,) if test else ()

    def found(
        kind: str,
        present: bool | None,
        what: Reason | None = None,
        *,
        facts: Mapping[str, float | None] | None = None,
        because: tuple[str, ...] = (),
    ) -> Condition:
        allowed = {e.value for e in catalogue[kind].suppressed_by}
        kept = tuple(e for e in (*explained, *because) if e in allowed)
        return Condition(kind, unit.id, Observation(present, what, None, facts, explained=kept))

    left_s = time_left_s(outage, at)
    on_battery_now = on_battery_reason(f"unit {unit.id} ({system_name})", outage, at)
    moment, why = deadline(outage, at) or (None, None)
    on = found("on_battery", on_bank, on_battery_now, facts={"left_s": left_s})
    do = on_battery_do(unit.system, outage, at)
    yield replace(on, seen=replace(on.seen, do=do, by_when=moment, by_when_for=why))
    low = reading.battery.status
    says_low = None if low is None or low is BatteryStatus.UNKNOWN else low is not BatteryStatus.NORMAL
    yield found(
        "bank_low",
        says_low and on_bank is not False,
        reason(Code.BANK_LOW, unit.id, system=system_name, status=low or BatteryStatus.LOW),
    )
    bypass = source is OutputSource.BYPASS
    economy = (Explanation.ECONOMY_MODE.value,) if unit.normal_mode is NormalMode.ECONOMY else ()
    yield found(
        "on_bypass",
        bypass if known else None,
        reason(Code.ON_BYPASS, unit.id, system=system_name),
        because=economy,
    )
    resting = (Explanation.RESTING.value,) if unit.may_rest and peers.carrying else ()
    yield found(
        "output_off",
        source is OutputSource.NONE if known else None,
        reason(Code.OUTPUT_OFF, unit.id, system=system_name, carrying=peers.carrying),
        facts={"carrying_units": float(peers.carrying)},
        because=resting,
    )
    yield _overload(reading, unit, system_name, catalogue["overload"], was)
    yield _hot(reading, unit, system_name, catalogue["bank_hot"], was)
    yield _share(
        reading,
        unit,
        system_name,
        catalogue["load_share"],
        was=was,
        peers=peers,
        explained=explained,
        shares_known=shares_known,
    )
    result = reading.test.result
    failed = (
        None
        if result in (None, TestResult.IN_PROGRESS, TestResult.ABORTED)
        else result in (TestResult.ERROR, TestResult.WARNING)
    )
    ended = reason(
        Code.SELF_TEST_FAILED,
        unit.id,
        system=system_name,
        error=result is TestResult.ERROR,
        detail=reading.test.detail or "",
    )
    yield found("self_test_failed", failed, ended)


def _overload(reading: Reading, unit: Unit, system: str, kind: AlarmKind, was: Was) -> Condition:
    """Judge every line by its worst figure: watts, volt-amperes, or the card's own per cent, whichever it gives."""
    fitted = in_place(unit.fitted, reading.at.date())
    loads = [of for line in reading.output.lines if (of := _worst_of(line, unit, fitted)) is not None]
    had = was(kind.id, "")
    over = tuple(said for pct, said in loads if kind.bound.passed(pct, was=had))
    worst, most = max(loads, key=itemgetter(0), default=(None, None))
    lines = over or ((most,) if most is not None else ())
    what = reason(Code.OVERLOAD, unit.id, system=system, lines=lines) if lines else None
    return Condition(
        kind.id,
        unit.id,
        Observation(kind.bound.passed(worst, was=had), what, facts={"load_pct": worst}),
    )


def _worst_of(line: OutputLine, unit: Unit, fitted: FittedUnit | None) -> tuple[float, Reason] | None:
    """Return the worst per cent of its rating that one line shows, and whose figure it is; None where it shows nothing."""
    found: list[tuple[float, Reason]] = []
    if line.load_pct is not None:
        found.append((line.load_pct, reason(Code.LINE_LOADED_BY_CARD, line=line.line, pct=line.load_pct)))
    if fitted is not None:
        for figure, rating, limit in (
            (line.power_w, fitted.rating_w / unit.output_lines, "w"),
            (line.apparent_va, fitted.rating_va / unit.output_lines, "va"),
        ):
            if figure is not None and rating > 0.0:
                pct = 100.0 * figure / rating
                said = reason(
                    Code.LINE_LOADED, line=line.line, pct=pct, figure=figure, rating=rating, limit=limit
                )
                found.append((pct, said))
    return max(found, key=itemgetter(0), default=None)


def _hot(reading: Reading, unit: Unit, system: str, kind: AlarmKind, was: Was) -> Condition:
    temperature_c = reading.battery.temperature_c
    present = kind.bound.passed(temperature_c, was=was(kind.id, ""))
    what = None
    if temperature_c is not None:
        limit_c = kind.bound.value
        what = reason(Code.BANK_HOT, unit.id, system=system, temperature_c=temperature_c, limit_c=limit_c)
    return Condition(kind.id, unit.id, Observation(present, what, facts={"temperature_c": temperature_c}))


def _share(
    reading: Reading,
    unit: Unit,
    system: str,
    kind: AlarmKind,
    *,
    was: Was,
    peers: Peers,
    explained: tuple[str, ...],
    shares_known: bool,
) -> Condition:
    """Judge the unit's load against the mean of the units that carry, in points of rating."""
    mine = load_fraction(reading, unit)
    carries = reading.output.source in (OutputSource.NORMAL, OutputSource.BATTERY)
    points: float | None = None
    what = None
    present: bool | None
    if not shares_known:
        present = None
    elif not carries or not peers.load_fractions:
        present = False
    else:
        if mine is not None:
            mean = (mine + sum(peers.load_fractions)) / (1 + len(peers.load_fractions))
            told_as_idle = mine < IDLE_SHARE * mean
            telling = mean_share((mine, *peers.load_fractions)) is not None
            points = 100.0 * abs(mine - mean) if telling and not told_as_idle else 0.0
            what = reason(Code.LOAD_SHARE, unit.id, system=system, fraction=mine, mean=mean)
        present = kind.bound.passed(points, was=was(kind.id, ""))
    resting = unit.may_rest and mine is not None and mine < NO_LOAD_FRACTION
    because = (*explained, *((Explanation.RESTING.value,) if resting else ()))
    return Condition(
        kind.id,
        unit.id,
        Observation(present, what, facts={"deviation_points": points}, explained=because),
    )
