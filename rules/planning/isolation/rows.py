"""The single checks before a unit is isolated: each a row with its result and its reason.

What a network card can tell is met, not met, or cannot be seen for want of a reading. What no card can
tell stands in two tables: things that cannot be seen, and things for a person.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from enum import StrEnum
from typing import Final

from rules.phrasing.dates import PURPOSES, day_of
from rules.plant.estate import Purpose, Requirement
from rules.plant.reading import OutputSource, Reading, TestResult
from rules.system.assessment import SystemObservation, SystemView, unit_views
from rules.system.hold_up_sampling import HoldUpJudgement
from rules.system.load_record import Expected
from rules.system.parallel import FEEDING, MERELY_UNSEEN, UnitView
from rules.system.redundancy import Margin, limits_with_spares_gone, margins
from rules.system.requirements import minutes, minutes_up, required
from rules.system.state import Standing

MARGIN_WANTED: Final = 0.05
"""Part of what remains that must stay free while a unit is out."""
VOLTAGE_BAND: Final = 0.10
FREQUENCY_BAND_HZ: Final = 1.0
WAITING: Final = frozenset({"upsAlarmShutdownPending", "upsAlarmShutdownImminent", "upsAlarmTestInProgress"})
REMINDERS: Final = frozenset(
    {
        *(
            "bank_order_now",
            "bank_replace_now",
            "bank_past_age",
            "bank_not_shown",
            "bank_test_due",
            "unit_order_now",
        ),
        *("fans_due", "capacitors_due", "visit_due", "set_test_due"),
    }
)
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
    because: str
    decides: bool = True


@dataclass(frozen=True, slots=True)
class Confirmed:
    """Who proved, and when, that a card speaks for the cabinet it is declared for."""

    by: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Facts:
    """What the check needs beside readings; what is absent is not known.

    `expected`: load by quarter of an hour, from the wanted start for a week. `out_judged`: hold-up played
    with the unit out at the window's highest expected load. `confirmed` by unit. `alarms`: sentences of
    standing alarms about the system that the work does not explain. `input_bad`: how often each unit's
    input went bad in the last 24 h. `set_ready`: the site's own word about its generator.
    """

    expected: tuple[Expected, ...] = ()
    out_judged: HoldUpJudgement | None = None
    confirmed: Mapping[str, Confirmed] = field(default_factory=dict)
    alarms: tuple[str, ...] = ()
    input_bad: Mapping[str, int] = field(default_factory=dict)
    set_ready: bool | None = None


NEVER_SEEN: Final = (
    ("synchronism", "Whether the unit's output is in step with the bypass is not in RFC 1628."),
    ("breakers", "Positions of breakers, isolators and key interlocks are not in RFC 1628."),
    ("neutral_and_earth", "Continuity of neutral and earth links during and after switching."),
    ("phase_rotation", "Phase rotation of the supply, the bypass and the unit after work."),
    ("wall_bypass_rating", "Rating and state of the wall bypass and its cables."),
    ("stored_dc", "Voltage left on capacitors and on the bank's side of its breaker."),
    ("control_loop", "Whether the parallel control loop is whole without this unit."),
)
FOR_A_PERSON: Final = (
    (
        "permit",
        "Permit and method statement issued; maker's manual and the site's switching schedule at hand.",
    ),
    ("two_people", "Two competent people present; the control room and those fed by the system told."),
    ("others_warned", "Other work on this supply, its boards and its set stopped for the time."),
    (
        "cautions",
        (
            "The bank stays live at up to 600 V DC and cannot be switched off inside; arc flash; insulated tools, no "
            "metal worn; the output may be fed by peers, bypass or set; prove dead before touching."
        ),
    ),
    (
        "wall_bypass",
        "Never close the wall bypass against a running inverter; on it, the load has no bank behind it.",
    ),
)


def fresh(views: Sequence[UnitView]) -> CheckRow:
    """Return whether every unit was read lately."""
    stale = [v.unit.id for v in views if not v.fresh and not v.isolated]
    if stale:
        names = ", ".join(stale)
        return CheckRow("data_fresh", Result.CANNOT_BE_SEEN, f"No fresh reading of unit {names}.")
    oldest = max((v.age_s or 0.0 for v in views), default=0.0)
    return CheckRow("data_fresh", Result.MET, f"Every unit was read within {oldest:.0f} s.")


def seen_by_itself(views: Sequence[UnitView]) -> CheckRow:
    """Return whether every unit has a card of its own."""
    shared = [v.unit.id for v in views if v.shared_card]
    if shared:
        why = f"One card speaks for units {', '.join(shared)}: none can be seen by itself."
        return CheckRow("seen_by_itself", Result.CANNOT_BE_SEEN, why)
    return CheckRow("seen_by_itself", Result.MET, "Every unit has a card of its own.")


def others_carry(staying: Sequence[UnitView], seen: SystemObservation) -> CheckRow:
    """Return whether the other units are in normal operation."""
    doing = {v.unit.id: seen.parallel.standing_of(v.unit.id) for v in staying}
    wrong = [
        seen.parallel.idle.get(unit, "").rstrip(".") or f"{unit} is {what.value.replace('_', ' ')}"
        for unit, what in doing.items()
        if what not in FEEDING
    ]
    wrong += [f"{unit} is on battery" for unit, what in doing.items() if what is Standing.ON_BATTERY]
    if not staying:
        return CheckRow(
            "others_carry", Result.NOT_MET, "There is no other unit: the load would be on the raw supply."
        )
    if any(what in {Standing.SILENT, Standing.UNKNOWN} for what in doing.values()):
        return CheckRow("others_carry", Result.CANNOT_BE_SEEN, "; ".join(wrong) + ".")
    if wrong:
        return CheckRow("others_carry", Result.NOT_MET, "; ".join(wrong) + ".")
    return CheckRow("others_carry", Result.MET, f"Unit {', '.join(doing)} in normal operation.")


def nothing_under_way(views: Sequence[UnitView]) -> CheckRow:
    """Return whether no test and no shutdown runs."""
    busy = []
    for v in views:
        if v.reading is None:
            continue
        found = WAITING.intersection(v.reading.card_alarms or ())
        if found or v.reading.test.result is TestResult.IN_PROGRESS:
            busy.append(v.unit.id)
    if busy:
        return CheckRow(
            "nothing_under_way", Result.NOT_MET, f"A test or a shutdown runs on unit {', '.join(busy)}."
        )
    if any(v.reading is None or v.reading.card_alarms is None for v in views if not v.isolated):
        return CheckRow(
            "nothing_under_way", Result.CANNOT_BE_SEEN, "Not every card tells of tests and shutdowns."
        )
    return CheckRow("nothing_under_way", Result.MET, "No test and no shutdown countdown.")


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


def _fits(check: str, tight: Margin | None, when: str) -> CheckRow:
    if tight is None:
        return CheckRow(check, Result.CANNOT_BE_SEEN, f"The load {when} is not known on every line.")
    kind = "kW" if tight.limit == "w" else "kVA"
    if tight.left_fraction < 0.0:
        why = f"Line {tight.line} asks {-tight.left / 1e3:.2f} {kind} more {when} than the others carry."
        return CheckRow(check, Result.NOT_MET, why)
    room = (
        f"{tight.left / 1e3:.2f} {kind} ({100 * tight.left_fraction:.0f} %) left on line {tight.line} {when}"
    )
    if tight.left_fraction < MARGIN_WANTED:
        return CheckRow(check, Result.NOT_MET, f"Only {room}; wanted are {100 * MARGIN_WANTED:.0f} %.")
    return CheckRow(check, Result.MET, f"{room}, the tightest.")


def load_fits_now(view: SystemView, seen: SystemObservation, unit: str) -> CheckRow:
    """Return whether the others carry the load now, on every line and limit."""
    limits = remaining(view, seen, unit)
    if limits is None:
        return CheckRow(
            "load_fits_now", Result.CANNOT_BE_SEEN, "The state or the rating of another unit is not known."
        )
    return _fits("load_fits_now", tightest([Expected(view.now.at, seen.parallel.load.lines)], limits), "now")


def load_fits_window(
    view: SystemView, seen: SystemObservation, unit: str, expected: Sequence[Expected]
) -> CheckRow:
    """Return whether the others carry what the window is expected to ask."""
    limits = remaining(view, seen, unit)
    if limits is None or not expected:
        return CheckRow("load_fits_window", Result.CANNOT_BE_SEEN, "What the load will be is not known yet.")
    return _fits("load_fits_window", tightest(expected, limits), "in the window, by the weeks before")


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
    """Return whether the others' banks hold what is required while the unit is out."""
    check = "others_hold"
    low_s, load = None, "at the load now"
    if facts.out_judged is not None:
        low_s, load = facts.out_judged.hold_ups.now.low_s, "at the window's highest expected load"
    elif judged is not None:
        low_s = next((x.hold_up.low_s for x in judged.hold_ups.each_unit_lost if x.unit == unit), None)
    if not staying:
        return CheckRow(check, Result.NOT_MET, "No bank stands behind the load while the only unit is out.")
    if low_s is None:
        return CheckRow(check, Result.CANNOT_BE_SEEN, "How long the other units would hold is not known.")
    needs = _needs(view)
    if not needs:
        return CheckRow(
            check, Result.MET, f"The others hold {minutes(low_s)} at the least {load}; nothing is required."
        )
    item, needed_s = max(needs, key=lambda pair: pair[1])
    words = f"The others hold {minutes(low_s)} at the least {load}; {PURPOSES[item.purpose]} needs {minutes_up(needed_s)}."
    return CheckRow(check, Result.MET if low_s >= needed_s else Result.NOT_MET, words)


def charged(judged: HoldUpJudgement | None) -> CheckRow:
    """Return whether the banks are full."""
    if judged is None or judged.hold_ups.now.low_s is None:
        return CheckRow("banks_charged", Result.CANNOT_BE_SEEN, "The banks' charge is not known.")
    if judged.hold_ups.recharged is not None:
        return CheckRow(
            "banks_charged", Result.NOT_MET, "The banks are not full again since the last discharge."
        )
    return CheckRow("banks_charged", Result.MET, "No bank has a discharge to make good.")


def supplies(staying: Sequence[UnitView], facts: Facts) -> list[CheckRow]:
    """Return whether bypass and input of the staying units are within their bands."""
    bypass, mains = _bypass_row(staying), _input_row(staying)
    bad = {unit: count for unit, count in facts.input_bad.items() if count}
    if bad and mains.result is Result.MET:
        names = ", ".join(f"{unit} {count} times" for unit, count in bad.items())
        mains = CheckRow("input_steady", Result.NOT_MET, f"The input went bad in the last 24 h: {names}.")
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


def _bypass_row(staying: Sequence[UnitView]) -> CheckRow:
    check = "bypass_in_band"
    wrong, unseen = [], []
    for v in staying:
        group = None if v.reading is None else v.reading.bypass
        nominal = None if v.reading is None else nominal_v(v.reading)
        if group is None or not group.lines or nominal is None or group.frequency_hz is None:
            unseen.append(v.unit.id)
            continue
        base = 60.0 if group.frequency_hz > 55.0 else 50.0
        if abs(group.frequency_hz - base) > FREQUENCY_BAND_HZ:
            wrong.append(f"{v.unit.id} at {group.frequency_hz:.1f} Hz")
        for line in group.lines:
            if line.voltage_v is None:
                unseen.append(v.unit.id)
            elif abs(line.voltage_v - nominal) > VOLTAGE_BAND * nominal:
                wrong.append(f"{v.unit.id} line {line.line} at {line.voltage_v:.0f} V")
    if wrong:
        return CheckRow(check, Result.NOT_MET, "Bypass out of band: " + ", ".join(wrong) + ".")
    if unseen:
        return CheckRow(
            check,
            Result.CANNOT_BE_SEEN,
            f"The bypass of unit {', '.join(dict.fromkeys(unseen))} is not told.",
        )
    return CheckRow(check, Result.MET, "Bypass within 10 % of nominal volts and 1 Hz on every staying unit.")


def _input_row(staying: Sequence[UnitView]) -> CheckRow:
    check = "input_steady"
    wrong, unseen = [], []
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
                wrong.append(f"{v.unit.id} line {line.line} at {line.voltage_v:.0f} V")
        if reading.output.source is OutputSource.BATTERY:
            wrong.append(f"{v.unit.id} on battery")
    if wrong:
        return CheckRow(check, Result.NOT_MET, "Input out of band: " + ", ".join(wrong) + ".")
    if unseen:
        return CheckRow(
            check, Result.CANNOT_BE_SEEN, f"The input of unit {', '.join(dict.fromkeys(unseen))} is not told."
        )
    return CheckRow(check, Result.MET, "Input within 10 % of nominal volts on every staying unit.")


def _plain(name: str) -> str:
    """Return a card alarm's name (RFC 1628, upsWellKnownAlarms) as words: "input bad" of upsAlarmInputBad."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name.removeprefix("upsAlarm")).lower()


def no_alarms(views: Sequence[UnitView], facts: Facts) -> CheckRow:
    """Return whether no alarm stands that nobody has explained."""
    standing = [text.rstrip(".") for text in facts.alarms]
    for v in views:
        if v.reading is not None:
            standing += [
                f"the card of {v.unit.id} says {_plain(name)}"
                for name in v.reading.card_alarms or ()
                if name not in WAITING
            ]
    if standing:
        return CheckRow("no_alarms", Result.NOT_MET, "Not explained: " + "; ".join(standing) + ".")
    return CheckRow("no_alarms", Result.MET, "No alarm stands on the system or its cards.")


def cards_confirmed(views: Sequence[UnitView], facts: Facts, zone: tzinfo) -> list[CheckRow]:
    """Return, for each unit, who proved that its card is the one in its cabinet. `zone`: the site's clock."""
    rows = []
    for v in views:
        proof = facts.confirmed.get(v.unit.id)
        check = f"card_is_{v.unit.id}"
        if proof is None:
            why = f"Nobody has proved that the card of {v.unit.id} is the one in that cabinet: `ridethrough confirm`."
            rows.append(CheckRow(check, Result.CANNOT_BE_SEEN, why, decides=False))
        else:
            rows.append(CheckRow(check, Result.MET, f"Proved by {proof.by} on {day_of(proof.at, zone)}."))
    return rows


def generator(view: SystemView, facts: Facts) -> CheckRow:
    """Return what is known of the set, which a person confirms."""
    asked = any(
        r.purpose in {Purpose.GENERATOR_START, Purpose.MANUAL_GENERATOR_START}
        for r in view.estate.systems[view.system].requirements
    )
    if not asked:
        return CheckRow(
            "generator", Result.PERSON, "No start of a set is counted on for this system.", decides=False
        )
    if facts.set_ready is False:
        return CheckRow("generator", Result.NOT_MET, "The site says that its set is not ready.")
    said = "The site says that its set is ready; " if facts.set_ready else ""
    return CheckRow(
        "generator",
        Result.PERSON,
        said + "have someone confirm it at the set: in automatic, fuel, start battery.",
        decides=False,
    )
