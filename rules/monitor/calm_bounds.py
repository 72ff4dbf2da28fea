"""Readings that change nothing: within a small band of the last one that was judged, and like it in all else.

Most readings of a plant at rest are such. Inside these bounds no condition of a unit can change, and those of its
system that go by figures (shares, balance, margins) move by less than their noise; they are judged all the same
once in `JUDGED_EVERY_S`, half of the shortest delay of their alarms. What is said otherwise than before, by any
word or by a figure that comes or goes, is judged at once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from rules.alarms.catalogue import AlarmLimit
from rules.alarms.signs import has_mains
from rules.plant.estate import FittedUnit, Unit
from rules.plant.reading import OutputLine, OutputSource, Reading
from rules.system.observation import SystemObservation
from rules.system.parallel import board_load, unit_load
from rules.system.state import Load, Standing

JUDGED_EVERY_S: Final = 30.0
"""A plain reading is judged at least as often."""
QUIET_S: Final = 15.0
"""How long nothing at a site said anything new before its readings may go unjudged."""
BAND: Final = 0.01
"""Part of a line's rating by which its load may move."""
OVERLOAD_CLEARANCE_PCT: Final = 6.0
"""How far under the limit of `overload` a line must be: its deadband, and twice what it may move."""
OUTPUT_V: Final = 1.0
INPUT_V: Final = 5.0
FREQUENCY_HZ: Final = 0.05
BATTERY_SHARE: Final = 0.01
BATTERY_A: Final = 0.5


def may_rest_on(reading: Reading, unit: Unit, fitted: FittedUnit | None, overload_pct: float) -> bool:
    """Return whether readings like this one need not be judged: on mains, no test, well below its limit."""
    if fitted is None or reading.output.source is not OutputSource.NORMAL or reading.in_test:
        return False
    if reading.missing or not reading.output.lines or has_mains(reading, None) is not True:
        return False
    most = overload_pct - OVERLOAD_CLEARANCE_PCT
    rated_w, rated_va = fitted.rating_w / unit.output_lines, fitted.rating_va / unit.output_lines
    return all(
        line.power_w is not None
        and (line.apparent_va or 0.0) * 100.0 <= most * rated_va
        and line.power_w * 100.0 <= most * rated_w
        and (line.load_pct or 0.0) <= most
        for line in reading.output.lines
    )


def alike(now: Reading, judged: Reading, fitted: FittedUnit, lines: int) -> bool:
    """Return whether a reading says the same as one that was judged, figures within their bands. `lines` it puts out."""
    if (
        now.output.source is not judged.output.source
        or now.battery.status is not judged.battery.status
        or now.battery.temperature_c != judged.battery.temperature_c
        or now.battery.on_battery_s != judged.battery.on_battery_s
        or now.input.bad_count != judged.input.bad_count
        or now.card_alarms != judged.card_alarms
        or (now.test is not judged.test and now.test != judged.test)
        or (now.doubts != judged.doubts and _doubted(now) != _doubted(judged))
        or now.missing != judged.missing
        or (now.nameplate is not judged.nameplate and now.nameplate != judged.nameplate)
    ):
        return False
    battery, before = now.battery, judged.battery
    if not (
        _near(battery.voltage_v, before.voltage_v, BATTERY_SHARE * (before.voltage_v or 0.0))
        and _near(battery.current_a, before.current_a, BATTERY_A)
        and _near(now.output.frequency_hz, judged.output.frequency_hz, FREQUENCY_HZ)
    ):
        return False
    inputs, outputs = now.input.lines, now.output.lines
    if len(inputs) != len(judged.input.lines) or len(outputs) != len(judged.output.lines):
        return False
    band_w, band_va = BAND * fitted.rating_w / lines, BAND * fitted.rating_va / lines
    return all(
        one is other or (one.line == other.line and _near(one.voltage_v, other.voltage_v, INPUT_V))
        for one, other in zip(inputs, judged.input.lines, strict=True)
    ) and all(
        one is other or _alike_line(one, other, band_w, band_va)
        for one, other in zip(outputs, judged.output.lines, strict=True)
    )


def _doubted(reading: Reading) -> list[tuple[str, str, int | None]]:
    """Return what is doubted, without the figures."""
    return [(doubt.object, doubt.kind, doubt.line) for doubt in reading.doubts]


def _alike_line(one: OutputLine, other: OutputLine, band_w: float, band_va: float) -> bool:
    return (
        one.line == other.line
        and _near(one.power_w, other.power_w, band_w)
        and _near(one.voltage_v, other.voltage_v, OUTPUT_V)
        and _near(one.apparent_va, other.apparent_va, band_va)
        and _near(one.load_pct, other.load_pct, 100.0 * BAND)
    )


def _near(one: float | None, other: float | None, band: float) -> bool:
    if one is None or other is None:
        return one is other
    return -band <= one - other <= band


def shares_far_from(bound: AlarmLimit, load_fractions: Sequence[float]) -> bool:
    """Return whether no unit's share is so near the bound of `load_share` that a figure within its band may pass it.

    `load_fractions`: load of each unit of the system over its rating. `bound` in points of rating.
    """
    mean = sum(load_fractions) / len(load_fractions)
    clearance = 200.0 * BAND
    low, high = bound.value - bound.deadband - clearance, bound.value + clearance
    return not any(low < 100.0 * abs(one - mean) < high for one in load_fractions)


def load_of(seen: SystemObservation, readings: Mapping[str, Reading]) -> Load | None:
    """Return what a system's board carries by newer readings than those of its last glance, all alike them.

    None where not every unit was seen to carry, each by its own card: then the load is more than a sum.
    """
    if any(unit.standing is not Standing.CARRYING for unit in seen.parallel.units):
        return None
    if seen.parallel.notes or seen.parallel.cannot_tell or seen.parallel.idle or seen.parallel.left_out:
        return None
    loads = []
    for view in seen.views:
        reading = readings.get(view.unit.id)
        if reading is None or view.shared_card or view.isolated:
            return None
        loads.append(unit_load(view.with_reading(reading), Standing.CARRYING))
    return board_load(loads)
