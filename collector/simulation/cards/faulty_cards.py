"""Cards that break the standard: each way is a named lie that changes what a faultless card would say.

A lie is a function over the card's objects by name ("upsOutputVoltage.2") with their ASN.1 tag and value,
so several can be told at once, in the order given. Where objects stand (row numbering) is told apart,
because it changes OIDs. Silence, lost replies and walks without end belong to the agent's own faults;
frozen values and restarts to the director.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterable, Mapping
from enum import StrEnum
from typing import Final

from collector.cards.snmp import ber
from collector.simulation.cards.card import (
    AlarmRows,
    Meters,
    Moments,
    Typed,
    first_row,
    live_columns,
    nameplate,
    oid_of,
    slow_columns,
    typed,
)
from collector.simulation.plant.unit import UnitPlant

Objects = dict[str, Typed]
Change = Callable[[Objects], Objects]


class Lie(StrEnum):
    """The ways a card may be wrong while it answers."""

    SENTINEL_MINUS_ONE = "sentinel_minus_one"
    SENTINEL_16_BIT = "sentinel_16_bit"
    SENTINEL_32_BIT = "sentinel_32_bit"
    ZERO_FOR_UNKNOWN = "zero_for_unknown"
    HERTZ_WHOLE = "hertz_whole"
    HERTZ_HUNDREDTHS = "hertz_hundredths"
    INPUT_HERTZ_WHOLE = "input_hertz_whole"
    OUTPUT_VOLTS_TENTHS = "output_volts_tenths"
    AMPERES_WHOLE = "amperes_whole"
    AMPERES_HUNDREDTHS = "amperes_hundredths"
    KILOWATTS = "kilowatts"
    DECAWATTS = "decawatts"
    KILOVOLTAMPERES = "kilovoltamperes"
    RATING_ABSENT = "rating_absent"
    LINE_TO_LINE = "line_to_line"
    PERCENT_OF_UNIT = "percent_of_unit"
    PERCENT_REPEATED = "percent_repeated"
    PERCENT_SATURATED = "percent_saturated"
    BATTERY_VOLTS_WHOLE = "battery_volts_whole"
    BATTERY_VOLTS_HUNDREDTHS = "battery_volts_hundredths"
    BATTERY_HALF = "battery_half"
    CURRENT_REVERSED = "current_reversed"
    CURRENT_MAGNITUDE = "current_magnitude"
    CURRENT_NEVER = "current_never"
    TEMPERATURE_TENTHS = "temperature_tenths"
    TEMPERATURE_FAHRENHEIT = "temperature_fahrenheit"
    TEMPERATURE_CONSTANT = "temperature_constant"
    CHARGE_TENTHS = "charge_tenths"
    CHARGE_STUCK = "charge_stuck"
    MINUTES_CONSTANT = "minutes_constant"
    MINUTES_ZERO = "minutes_zero"
    MINUTES_ARE_SECONDS = "minutes_are_seconds"
    GAUGES = "gauges"
    TEXT_NUMBERS = "text_numbers"
    TEXT_PADDED = "text_padded"
    OPAQUE_FLOATS = "opaque_floats"
    NEGATIVES_UNSIGNED = "negatives_unsigned"
    ROWS_EXTRA_ARC = "rows_extra_arc"
    ROWS_FROM_ZERO = "rows_from_zero"
    ROWS_UNDER_ZERO = "rows_under_zero"
    ABSENT_LINES_SHOWN = "absent_lines_shown"
    LINE_COUNT_WRONG = "line_count_wrong"
    ALARM_COUNT_WRONG = "alarm_count_wrong"
    ALARM_CONTRADICTS = "alarm_contradicts"
    ALARM_ROWS_STAY = "alarm_rows_stay"
    SUBSET_ONLY = "subset_only"
    SOURCE_FROM_CLAUSE = "source_from_clause"


def _names(objects: Objects, *stems: str) -> list[str]:
    return [name for name in objects if name.partition(".")[0] in stems]


def _number(objects: Objects, name: str) -> int:
    value = objects[name][1] if name in objects else 0
    return value if isinstance(value, int) else 0


def _scaled(factor: float, *stems: str) -> Change:
    """Return a change that multiplies objects and rounds them as a card's integer would be."""

    def change(objects: Objects) -> Objects:
        new = {n: (objects[n][0], round(_number(objects, n) * factor)) for n in _names(objects, *stems)}
        return {**objects, **new}

    return change


def _constant(value: int, *stems: str) -> Change:
    return lambda objects: {**objects, **{n: (objects[n][0], value) for n in _names(objects, *stems)}}


def _without(*stems: str) -> Change:
    def change(objects: Objects) -> Objects:
        gone = set(_names(objects, *stems))
        return {n: v for n, v in objects.items() if n not in gone}

    return change


def _percent_of_unit(objects: Objects) -> Objects:
    """Give each line's load as its part of the whole unit's rating: three rows add up to the unit's load."""
    rows = _names(objects, "upsOutputPercentLoad")
    return _scaled(1.0 / max(len(rows), 1), "upsOutputPercentLoad")(objects)


def _percent_repeated(objects: Objects) -> Objects:
    rows = _names(objects, "upsOutputPercentLoad")
    mean = round(sum(_number(objects, n) for n in rows) / max(len(rows), 1))
    return _constant(mean, "upsOutputPercentLoad")(objects)


def _percent_saturated(objects: Objects) -> Objects:
    rows = _names(objects, "upsOutputPercentLoad")
    return {**objects, **{n: (objects[n][0], min(_number(objects, n), 100)) for n in rows}}


def _magnitude(objects: Objects) -> Objects:
    tag, _ = objects["upsBatteryCurrent"]
    return {**objects, "upsBatteryCurrent": (tag, abs(_number(objects, "upsBatteryCurrent")))}


def _fahrenheit(objects: Objects) -> Objects:
    warm = round(_number(objects, "upsBatteryTemperature") * 9 / 5 + 32)
    return {**objects, "upsBatteryTemperature": (ber.INTEGER, warm)}


def _gauges(objects: Objects) -> Objects:
    """Send Gauge32 for INTEGER wherever the value is not negative."""
    return {
        n: (ber.GAUGE32, v) if tag == ber.INTEGER and isinstance(v, int) and v >= 0 else (tag, v)
        for n, (tag, v) in objects.items()
    }


_MEASURED: Final = (
    "upsInputFrequency",
    "upsInputVoltage",
    "upsOutputVoltage",
    "upsOutputPower",
    "upsOutputFrequency",
)


def _text_numbers(objects: Objects) -> Objects:
    """Send measured values as text: the frequency as "50.0", volts and watts as "230"."""
    changed = dict(objects)
    for name in _names(objects, *_MEASURED):
        number = _number(objects, name)
        text = f"{number / 10:.1f}" if "Frequency" in name else str(number)
        changed[name] = (ber.OCTET_STRING, text.encode())
    return changed


def _opaque_floats(objects: Objects) -> Objects:
    """Send frequencies as a float wrapped in an Opaque (tag 0x9f78, four octets, IEEE 754)."""
    return {
        **objects,
        **{
            n: (ber.OPAQUE, b"\x9f\x78\x04" + struct.pack(">f", _number(objects, n) / 10.0))
            for n in _names(objects, "upsInputFrequency", "upsOutputFrequency")
        },
    }


def _text_padded(objects: Objects) -> Objects:
    """Pad every text with NULs to 32 octets, as from a fixed buffer."""
    return {
        n: (tag, v.ljust(32, b"\x00")) if tag == ber.OCTET_STRING and isinstance(v, bytes) else (tag, v)
        for n, (tag, v) in objects.items()
    }


def _negatives_unsigned(objects: Objects) -> Objects:
    """Send a negative as 2^32 less it, in a Gauge32."""
    return {
        n: (ber.GAUGE32, v + 2**32) if isinstance(v, int) and v < 0 else (tag, v)
        for n, (tag, v) in objects.items()
    }


def _absent_lines(objects: Objects) -> Objects:
    """Show three rows, all zero where the unit has no such line."""
    changed = dict(objects)
    for name in list(objects):
        stem, _, row = name.partition(".")
        if row:
            for line in (1, 2, 3):
                changed.setdefault(f"{stem}.{line}", (objects[name][0], 0))
    return changed


def _alarm_count(objects: Objects) -> Objects:
    tag, _ = objects["upsAlarmsPresent"]
    return {**objects, "upsAlarmsPresent": (tag, _number(objects, "upsAlarmsPresent") + 2)}


def _contradicts(objects: Objects) -> Objects:
    """Say that the battery is low while the source is normal."""
    if _number(objects, "upsOutputSource") != 3:
        return objects
    return {**objects, "upsBatteryStatus": (ber.INTEGER, 3)}


def _source_from_clause(objects: Objects) -> Objects:
    """Number the output source as the compliance clauses of RFC 1628 do: normal(2), battery(4)."""
    wrong = {3: 2, 5: 4}
    source = _number(objects, "upsOutputSource")
    return {**objects, "upsOutputSource": (ber.INTEGER, wrong.get(source, source))}


_HERTZ: Final = (
    "upsInputFrequency",
    "upsOutputFrequency",
    "upsBypassFrequency",
    "upsConfigInputFreq",
    "upsConfigOutputFreq",
)
_AMPERES: Final = ("upsInputCurrent", "upsOutputCurrent", "upsBypassCurrent")
_WATTS: Final = ("upsInputTruePower", "upsOutputPower", "upsBypassPower", "upsConfigOutputPower")
_RATINGS: Final = ("upsConfigOutputVA", "upsConfigOutputPower")
_LINE_VOLTS: Final = ("upsInputVoltage", "upsOutputVoltage", "upsBypassVoltage")
_UNMEASURED: Final = ("upsBatteryTemperature", "upsEstimatedMinutesRemaining", "upsInputTruePower")

CHANGES: Final[Mapping[Lie, Change]] = {
    Lie.SENTINEL_MINUS_ONE: _constant(-1, *_UNMEASURED),
    Lie.SENTINEL_16_BIT: _constant(65535, *_UNMEASURED),
    Lie.SENTINEL_32_BIT: _constant(2**31 - 1, *_UNMEASURED),
    Lie.ZERO_FOR_UNKNOWN: _constant(0, "upsBatteryTemperature", "upsInputTruePower", "upsInputCurrent"),
    Lie.HERTZ_WHOLE: _scaled(0.1, *_HERTZ),
    Lie.HERTZ_HUNDREDTHS: _scaled(10.0, *_HERTZ),
    Lie.INPUT_HERTZ_WHOLE: _scaled(0.1, "upsInputFrequency"),
    Lie.OUTPUT_VOLTS_TENTHS: _scaled(10.0, "upsOutputVoltage"),
    Lie.AMPERES_WHOLE: _scaled(0.1, *_AMPERES),
    Lie.AMPERES_HUNDREDTHS: _scaled(10.0, *_AMPERES),
    Lie.KILOWATTS: _scaled(0.001, *_WATTS),
    Lie.DECAWATTS: _scaled(0.1, "upsInputTruePower", "upsOutputPower", "upsBypassPower"),
    Lie.KILOVOLTAMPERES: _scaled(0.001, *_RATINGS),
    Lie.RATING_ABSENT: _without(*_RATINGS),
    Lie.LINE_TO_LINE: _scaled(3.0**0.5, *_LINE_VOLTS, "upsConfigInputVoltage", "upsConfigOutputVoltage"),
    Lie.PERCENT_OF_UNIT: _percent_of_unit,
    Lie.PERCENT_REPEATED: _percent_repeated,
    Lie.PERCENT_SATURATED: _percent_saturated,
    Lie.BATTERY_VOLTS_WHOLE: _scaled(0.1, "upsBatteryVoltage"),
    Lie.BATTERY_VOLTS_HUNDREDTHS: _scaled(10.0, "upsBatteryVoltage"),
    Lie.BATTERY_HALF: _scaled(0.5, "upsBatteryVoltage"),
    Lie.CURRENT_REVERSED: _scaled(-1.0, "upsBatteryCurrent"),
    Lie.CURRENT_MAGNITUDE: _magnitude,
    Lie.CURRENT_NEVER: _constant(0, "upsBatteryCurrent"),
    Lie.TEMPERATURE_TENTHS: _scaled(10.0, "upsBatteryTemperature"),
    Lie.TEMPERATURE_FAHRENHEIT: _fahrenheit,
    Lie.TEMPERATURE_CONSTANT: _constant(25, "upsBatteryTemperature"),
    Lie.CHARGE_TENTHS: _scaled(10.0, "upsEstimatedChargeRemaining"),
    Lie.CHARGE_STUCK: _constant(100, "upsEstimatedChargeRemaining"),
    Lie.MINUTES_CONSTANT: _constant(21, "upsEstimatedMinutesRemaining"),
    Lie.MINUTES_ZERO: _constant(0, "upsEstimatedMinutesRemaining"),
    Lie.MINUTES_ARE_SECONDS: _scaled(60.0, "upsEstimatedMinutesRemaining"),
    Lie.GAUGES: _gauges,
    Lie.TEXT_NUMBERS: _text_numbers,
    Lie.TEXT_PADDED: _text_padded,
    Lie.OPAQUE_FLOATS: _opaque_floats,
    Lie.NEGATIVES_UNSIGNED: _negatives_unsigned,
    Lie.ABSENT_LINES_SHOWN: _absent_lines,
    Lie.LINE_COUNT_WRONG: _constant(0, "upsInputNumLines", "upsOutputNumLines"),
    Lie.ALARM_COUNT_WRONG: _alarm_count,
    Lie.ALARM_CONTRADICTS: _contradicts,
    Lie.SUBSET_ONLY: _without(
        "upsEstimatedMinutesRemaining",
        "upsEstimatedChargeRemaining",
        "upsBatteryVoltage",
        "upsBatteryCurrent",
        "upsBatteryTemperature",
        "upsInputCurrent",
        "upsInputTruePower",
        "upsOutputCurrent",
        "upsOutputPower",
        "upsOutputPercentLoad",
        "upsBypassCurrent",
        "upsBypassPower",
    ),
    Lie.SOURCE_FROM_CLAUSE: _source_from_clause,
}
"""What each lie about values does to a card's objects."""


def _place_extra(oid: str) -> str:
    return oid + ".0"


def _place_zero_based(oid: str) -> str:
    stem, _, row = oid.rpartition(".")
    return f"{stem}.{int(row) - 1}"


def _place_under_zero(oid: str) -> str:
    return oid.rpartition(".")[0] + ".0"


PLACES: Final[Mapping[Lie, Callable[[str], str]]] = {
    Lie.ROWS_EXTRA_ARC: _place_extra,
    Lie.ROWS_FROM_ZERO: _place_zero_based,
    Lie.ROWS_UNDER_ZERO: _place_under_zero,
}
"""What each lie about rows does to a row's OID. All rows under zero suits only a card of one line."""


def told(objects: Objects, lies: Iterable[Lie]) -> dict[str, Typed]:
    """Return what stands at which OID after every lie, in order.

    The rows of the alarm table are added by the caller, who alone knows rows that ought to be gone
    (`Lie.ALARM_ROWS_STAY`).
    """
    moves = []
    for lie in lies:
        if lie in PLACES:
            moves.append(PLACES[lie])
        elif lie in CHANGES:
            objects = CHANGES[lie](objects)
    standing: dict[str, Typed] = {}
    for name, value in objects.items():
        oid = oid_of(name)
        if "." in name:
            for move in moves:
                oid = move(oid)
        standing[oid] = value
    return standing


def spoken(
    plant: UnitPlant,
    at: Moments,
    meters: Meters,
    *,
    lies: Iterable[Lie] = (),
    rows: AlarmRows | None = None,
) -> dict[str, Typed]:
    """Return everything a card holds at one moment, by OID: what it measured, its lies, its alarm rows."""
    rows = AlarmRows({}) if rows is None else rows
    wire: dict[str, int | str] = {
        **nameplate(plant),
        **first_row(live_columns(plant, meters, at)),
        **first_row(slow_columns(plant, at)),
        "upsAlarmsPresent": len(rows.rows),
    }
    return {**told(typed(wire), lies), **rows.objects()}
