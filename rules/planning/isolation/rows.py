"""The single checks before a unit is isolated: each a row with its result and its reason.

What a network card can tell is met, not met, or cannot be seen for want of a reading. What no card can
tell stands in two tables: things that cannot be seen, and things for a person.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from enum import StrEnum
from typing import Final

from rules.plant.estate import Purpose, Requirement
from rules.plant.reading import OutputSource, Reading, TestResult
from rules.system.hold_up.judgement import HoldUpJudgement
from rules.system.load.usual import Expected
from rules.system.observation import SystemObservation, SystemView, unit_views
from rules.system.parallel import FEEDING, MERELY_UNSEEN, UnitView
from rules.system.redundancy import Margin, limits_with_spares_gone, margins
from rules.system.requirements import required
from rules.system.state import Standing
from rules.values.code import Code
from rules.values.reason import Reason, reason

MARGIN_WANTED: Final = 0.05
"""Part of what remains that must stay free while a unit is out."""
VOLTAGE_BAND: Final = 0.10
FREQUENCY_BAND_HZ: Final = 1.0
WAITING: Final = frozenset({"upsAlarmShutdownPending", "upsAlarmShutdownImminent", "upsAlarmTestInProgress"})
REMINDERS: Final = frozenset(
    {
        "bank_order_now", "bank_replace_now", "bank_past_age", "bank_not_shown", "bank_test_due", "bank_too_small",
        "unit_order_now", "fans_due", "capacitors_due", "visit_due", "set_test_due",
    }
)  # fmt: skip
"""Alarms of what is to be ordered, renewed, tested or visited: a unit is often taken out for just that."""


class Result(StrEnum):
    """The four things a row can say."""

    MET = "met"
    NOT_MET = "not_met"
    CANNOT_BE_SEEN = "cannot_be_seen"
    PERSON = "person"


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One check. `decides` False: nobody can read it over a network, so it leaves the answer as it is."""

    check: str
    result: Result
    because: Reason
    decides: bool = True


@dataclass(frozen=True, slots=True)
class Confirmed:
    """Who proved, and when, that a card speaks for the cabinet it is declared for."""

    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Facts:
    """What the check needs beside readings; what is absent is not known.

    `expected`: load by quarter of an hour, from the wanted start for a week. `out_judged`: hold-up played with the unit out at
    the window's highest expected load. `confirmed` by unit. `alarms`: what stands about the system that the work does not
    explain. `input_bad`: how often each unit's input went bad in the last 24 h. `set_ready`: the site's own word about its
    generator. `on_banks_until`: when the system was last seen on its banks.
    """

    expected: tuple[Expected, ...] = ()
    out_judged: HoldUpJudgement | None = None
    confirmed: Mapping[str, Confirmed] = field(default_factory=dict)
    alarms: tuple[Reason, ...] = ()
    input_bad: Mapping[str, int] = field(default_factory=dict)
    set_ready: bool | None = None
    on_banks_until: datetime | None = None


NEVER_SEEN: Final = (
    ("synchronism", reason(Code.UNSEEN_SYNCHRONISM)),
    ("breakers", reason(Code.UNSEEN_BREAKERS)),
    ("neutral_and_earth", reason(Code.UNSEEN_NEUTRAL_AND_EARTH)),
    ("phase_rotation", reason(Code.UNSEEN_PHASE_ROTATION)),
    ("wall_bypass_rating", reason(Code.UNSEEN_WALL_BYPASS_RATING)),
    ("stored_dc", reason(Code.UNSEEN_STORED_DC)),
    ("control_loop", reason(Code.UNSEEN_CONTROL_LOOP)),
)
FOR_A_PERSON: Final = (
    ("permit", reason(Code.PERSON_PERMIT)),
    ("two_people", reason(Code.PERSON_TWO_PEOPLE)),
    ("others_warned", reason(Code.PERSON_OTHERS_WARNED)),
    ("cautions", reason(Code.PERSON_CAUTIONS)),
    ("wall_bypass", reason(Code.PERSON_WALL_BYPASS)),
)


def fresh(views: Sequence[UnitView]) -> CheckRow:
    """Return whether every unit was read lately."""
    stale = [v.unit.id for v in views if not v.fresh and not v.isolated]
    if stale:
        return CheckRow(
            "data_fresh", Result.CANNOT_BE_SEEN, reason(Code.READING_NOT_FRESH, units=tuple(stale))
        )
    oldest = max((v.age_s or 0.0 for v in views), default=0.0)
    return CheckRow("data_fresh", Result.MET, reason(Code.READINGS_FRESH, age_s=oldest))


def seen_by_itself(views: Sequence[UnitView]) -> CheckRow:
    """Return whether every unit has a card of its own."""
    shared = [v.unit.id for v in views if v.shared_card]
    if shared:
        why = reason(Code.CARD_SHARED, units=tuple(shared))
        return CheckRow("seen_by_itself", Result.CANNOT_BE_SEEN, why)
    return CheckRow("seen_by_itself", Result.MET, reason(Code.CARD_EACH))


def others_carry(staying: Sequence[UnitView], seen: SystemObservation) -> CheckRow:
    """Return whether the other units are in normal operation."""
    doing = {v.unit.id: seen.parallel.standing_of(v.unit.id) for v in staying}
    wrong = [
        idle
        if (idle := seen.parallel.idle.get(unit)) is not None
        else reason(Code.UNIT_STANDS, unit, standing=what)
        for unit, what in doing.items()
        if what not in FEEDING
    ]
    wrong += [
        reason(Code.UNIT_STANDS, unit, standing=what)
        for unit, what in doing.items()
        if what is Standing.ON_BATTERY
    ]
    if not staying:
        return CheckRow("others_carry", Result.NOT_MET, reason(Code.NO_OTHER_UNIT))
    not_carrying = reason(Code.OTHERS_NOT_CARRYING, wrong=tuple(wrong))
    if any(what in {Standing.SILENT, Standing.UNKNOWN} for what in doing.values()):
        return CheckRow("others_carry", Result.CANNOT_BE_SEEN, not_carrying)
    if wrong:
        return CheckRow("others_carry", Result.NOT_MET, not_carrying)
    return CheckRow("others_carry", Result.MET, reason(Code.OTHERS_CARRYING, units=tuple(doing)))


def nothing_under_way(views: Sequence[UnitView]) -> CheckRow:
    """Return whether no test and no shutdown runs."""
    busy = []
    for v in views:
        if v.reading is None:
            continue
        found = WAITING.intersection(v.reading.card_alarms or ())
        if found or v.reading.test.result is TestResult.IN_PROGRESS:
            busy.append(v.unit.id)
    check = "nothing_under_way"
    if busy:
        return CheckRow(check, Result.NOT_MET, reason(Code.TEST_OR_SHUTDOWN_RUNS, units=tuple(busy)))
    if any(v.reading is None or v.reading.card_alarms is None for v in views if not v.isolated):
        return CheckRow(check, Result.CANNOT_BE_SEEN, reason(Code.TESTS_NOT_TOLD))
    return CheckRow(check, Result.MET, reason(Code.NO_TEST_NO_SHUTDOWN))


def remaining(view: SystemView, seen: SystemObservation, unit: str) -> dict[int, tuple[float, float]] | None:
    """Return what the other units carry by line, as (W, VA); None where a unit's state or rating is not known."""
    views = unit_views(view)
    if any(u != unit for u in seen.parallel.with_standing(MERELY_UNSEEN)):
        return None
    able = [u for u in seen.parallel.with_standing(FEEDING) if u != unit]
    try:
        return limits_with_spares_gone(views, able, 0)
    except ValueError:
        return None


def tightest(expected: Sequence[Expected], limits: Mapping[int, tuple[float, float]]) -> Margin | None:
    """Return the tightest margin over several quarters; None where a load is not known."""
    worst: list[Margin] = []
    for quarter in expected:
        loads = {
            x.line: (x.power_w, x.apparent_va)
            for x in quarter.lines
            if x.power_w is not None and x.apparent_va is not None
        }
        if len(loads) < len(quarter.lines) or not loads:
            return None
        worst.append(margins(loads, limits)[0])
    return min(worst, key=lambda m: m.left_fraction, default=None)


def _fits(check: str, tight: Margin | None, *, window: bool) -> CheckRow:
    if tight is None:
        return CheckRow(check, Result.CANNOT_BE_SEEN, reason(Code.LOAD_NOT_KNOWN, window=window))
    line, limit, left, part = tight.line, tight.limit, tight.left, tight.left_fraction
    if part < 0.0:
        why = reason(Code.LOAD_TOO_MUCH, line=line, limit=limit, over=-left, window=window)
        return CheckRow(check, Result.NOT_MET, why)
    if part < MARGIN_WANTED:
        why = reason(
            Code.LOAD_ROOM_SMALL, line=line, limit=limit, left=left, left_fraction=part,
            wanted_fraction=MARGIN_WANTED, window=window,
        )  # fmt: skip
        return CheckRow(check, Result.NOT_MET, why)
    why = reason(Code.LOAD_FITS, line=line, limit=limit, left=left, left_fraction=part, window=window)
    return CheckRow(check, Result.MET, why)


def load_fits_now(view: SystemView, seen: SystemObservation, unit: str) -> CheckRow:
    """Return whether the others carry the load now, on every line and limit."""
    limits = remaining(view, seen, unit)
    if limits is None:
        return CheckRow("load_fits_now", Result.CANNOT_BE_SEEN, reason(Code.OTHER_UNIT_NOT_KNOWN))
    tight = tightest([Expected(view.now.at, seen.parallel.load.lines)], limits)
    return _fits("load_fits_now", tight, window=False)


def load_fits_window(
    view: SystemView, seen: SystemObservation, unit: str, expected: Sequence[Expected]
) -> CheckRow:
    """Return whether the others carry what the window is expected to ask."""
    limits = remaining(view, seen, unit)
    if limits is None or not expected:
        return CheckRow("load_fits_window", Result.CANNOT_BE_SEEN, reason(Code.LOAD_AHEAD_NOT_KNOWN))
    return _fits("load_fits_window", tightest(expected, limits), window=True)


def _needs(view: SystemView) -> list[tuple[Requirement, float]]:
    generator, units = view.estate.generator_of(view.system), view.estate.units_of(view.system)
    found = []
    for item in view.estate.systems[view.system].requirements:
        needed_s = required(item, generator, units)[0]
        if needed_s is not None:
            found.append((item, needed_s))
    return found


def others_hold(
    view: SystemView,
    judged: HoldUpJudgement | None,
    facts: Facts,
    unit: str,
    staying: Sequence[UnitView],
) -> CheckRow:
    """Return whether the others' banks hold what is required while the unit is out.

    Units that trip by overload once the mains fails hold nothing, whatever their banks are: that is said in its place.
    """
    check = "others_hold"
    low_s, window = None, facts.out_judged is not None
    notes = () if judged is None else judged.hold_ups.because
    trips = next((n for n in notes if n.code is Code.OVERLOADS_ONE_LOST and n.about == unit), None)
    if trips is not None and staying:
        return CheckRow(check, Result.NOT_MET, trips)
    if facts.out_judged is not None:
        low_s = facts.out_judged.hold_ups.now.low_s
    elif judged is not None:
        low_s = next((x.hold_up.low_s for x in judged.hold_ups.each_unit_lost if x.unit == unit), None)
    if not staying:
        return CheckRow(check, Result.NOT_MET, reason(Code.NO_BANK_BEHIND))
    if low_s is None:
        return CheckRow(check, Result.CANNOT_BE_SEEN, reason(Code.OTHERS_HOLD_NOT_KNOWN))
    needs = _needs(view)
    if not needs:
        return CheckRow(check, Result.MET, reason(Code.OTHERS_HOLD_UNASKED, low_s=low_s, window=window))
    item, needed_s = max(needs, key=lambda pair: pair[1])
    why = reason(Code.OTHERS_HOLD, low_s=low_s, needed_s=needed_s, purpose=item.purpose, window=window)
    return CheckRow(check, Result.MET if low_s >= needed_s else Result.NOT_MET, why)


def charged(judged: HoldUpJudgement | None) -> CheckRow:
    """Return whether the banks are full."""
    check = "banks_charged"
    if judged is None or judged.hold_ups.now.low_s is None:
        return CheckRow(check, Result.CANNOT_BE_SEEN, reason(Code.CHARGE_NOT_KNOWN))
    if judged.hold_ups.recharged is not None:
        return CheckRow(check, Result.NOT_MET, reason(Code.BANKS_NOT_FULL))
    return CheckRow(check, Result.MET, reason(Code.BANKS_FULL))


def supplies(staying: Sequence[UnitView], facts: Facts) -> list[CheckRow]:
    """Return whether bypass and input of the staying units are within their bands."""
    bypass, mains = _bypass_row(staying, facts.on_banks_until), _input_row(staying)
    bad = {unit: count for unit, count in facts.input_bad.items() if count}
    if bad and mains.result is Result.MET:
        why = reason(Code.INPUT_WENT_BAD, units=tuple(bad), times=tuple(bad.values()))
        mains = CheckRow("input_steady", Result.NOT_MET, why)
    return [bypass, mains]


def nominal_v(reading: Reading) -> float | None:
    """Return the nominal output voltage, as the card says or as the lines themselves suggest."""
    said = reading.nameplate.nominal_output_voltage_v
    if said is not None:
        return said
    volts = [line.voltage_v for line in reading.output.lines if line.voltage_v]
    if not volts:
        return None
    mean = sum(volts) / len(volts)
    return min(
        (100.0, 110.0, 115.0, 120.0, 127.0, 200.0, 208.0, 220.0, 230.0, 240.0, 380.0, 400.0, 415.0),
        key=lambda n: abs(n - mean),
    )


def _bypass_row(staying: Sequence[UnitView], until: datetime | None) -> CheckRow:
    check = "bypass_in_band"  # read rarely: what it was before or in an outage is no word on what it is now
    wrong, unseen = list[Reason](), list[str]()
    for v in staying:
        known = until is None or v.reading is None or v.reading.part_at.get("bypass", v.reading.at) > until
        group = v.reading.bypass if v.reading is not None and known else None
        nominal = None if v.reading is None else nominal_v(v.reading)
        if group is None or not group.lines or nominal is None or group.frequency_hz is None:
            unseen.append(v.unit.id)
            continue
        base = 60.0 if group.frequency_hz > 55.0 else 50.0
        if abs(group.frequency_hz - base) > FREQUENCY_BAND_HZ:
            wrong.append(reason(Code.AT_FREQUENCY, v.unit.id, frequency_hz=group.frequency_hz))
        for line in group.lines:
            if line.voltage_v is None:
                unseen.append(v.unit.id)
            elif abs(line.voltage_v - nominal) > VOLTAGE_BAND * nominal:
                wrong.append(reason(Code.AT_VOLTAGE, v.unit.id, line=line.line, voltage_v=line.voltage_v))
    if wrong:
        return CheckRow(check, Result.NOT_MET, reason(Code.BYPASS_OUT_OF_BAND, wrong=tuple(wrong)))
    if unseen:
        why = reason(Code.BYPASS_NOT_TOLD, units=tuple(dict.fromkeys(unseen)))
        return CheckRow(check, Result.CANNOT_BE_SEEN, why)
    return CheckRow(check, Result.MET, reason(Code.BYPASS_IN_BAND))


def _input_row(staying: Sequence[UnitView]) -> CheckRow:
    check = "input_steady"
    wrong, unseen = list[Reason](), list[str]()
    for v in staying:
        reading = v.reading
        if reading is None or not reading.input.lines:
            unseen.append(v.unit.id)
            continue
        nominal = reading.nameplate.nominal_input_voltage_v or nominal_v(reading)
        for line in reading.input.lines:
            if line.voltage_v is None or nominal is None:
                unseen.append(v.unit.id)
            elif abs(line.voltage_v - nominal) > VOLTAGE_BAND * nominal:
                wrong.append(reason(Code.AT_VOLTAGE, v.unit.id, line=line.line, voltage_v=line.voltage_v))
        if reading.output.source is OutputSource.BATTERY:
            wrong.append(reason(Code.ON_BATTERY_NOW, v.unit.id))
    if wrong:
        return CheckRow(check, Result.NOT_MET, reason(Code.INPUT_OUT_OF_BAND, wrong=tuple(wrong)))
    if unseen:
        why = reason(Code.INPUT_NOT_TOLD, units=tuple(dict.fromkeys(unseen)))
        return CheckRow(check, Result.CANNOT_BE_SEEN, why)
    return CheckRow(check, Result.MET, reason(Code.INPUT_IN_BAND))


def no_alarms(views: Sequence[UnitView], facts: Facts) -> CheckRow:
    """Return whether no alarm stands that nobody has explained."""
    standing = list(facts.alarms)
    for v in views:
        if v.reading is not None:
            standing += [
                reason(Code.CARD_SAYS, v.unit.id, alarm=name)
                for name in v.reading.card_alarms or ()
                if name not in WAITING
            ]
    if standing:
        why = reason(Code.ALARMS_NOT_EXPLAINED, alarms=tuple(standing))
        return CheckRow("no_alarms", Result.NOT_MET, why)
    return CheckRow("no_alarms", Result.MET, reason(Code.NO_ALARM_STANDS))


def cards_confirmed(views: Sequence[UnitView], facts: Facts, zone: tzinfo) -> list[CheckRow]:
    """Return, for each unit, who proved that its card is the one in its cabinet. `zone`: the site's clock."""
    rows = []
    for v in views:
        proof = facts.confirmed.get(v.unit.id)
        check = f"card_is_{v.unit.id}"
        if proof is None:
            why = reason(Code.CARD_NOT_PROVED, v.unit.id)
            rows.append(CheckRow(check, Result.CANNOT_BE_SEEN, why, decides=False))
        else:
            why = reason(Code.CARD_PROVED, by=proof.by, day=proof.at.astimezone(zone).date())
            rows.append(CheckRow(check, Result.MET, why))
    return rows


def generator(view: SystemView, facts: Facts) -> CheckRow:
    """Return what is known of the generator, which a person confirms."""
    asked = any(
        r.purpose in {Purpose.GENERATOR_START, Purpose.MANUAL_GENERATOR_START}
        for r in view.estate.systems[view.system].requirements
    )
    if not asked:
        return CheckRow("generator", Result.PERSON, reason(Code.SET_NOT_COUNTED_ON), decides=False)
    if facts.set_ready is False:
        return CheckRow("generator", Result.NOT_MET, reason(Code.SET_NOT_READY))
    why = reason(Code.SET_FOR_A_PERSON, said_ready=bool(facts.set_ready))
    return CheckRow("generator", Result.PERSON, why, decides=False)
