"""One wire value in SI units, judged by itself: None for what is not known, and a doubt for every step aside.

Sentinels, what the standard's types forbid, zeros that something beside them contradicts, values whose size alone
decides their unit, and the corrections in force.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from math import inf
from typing import Final, TypeVar

from collector.cards.mib.correction_set import Correction, CorrectionSet, Ruling
from collector.cards.mib.repeats import (
    AMPERES_HIGH,
    EVERYDAY,
    HERTZ,
    LINE_VOLTS_HIGH,
    LINE_VOLTS_LOW,
    TYPE_LIMITS,
    WATTS_HIGH,
)
from collector.cards.mib.upsmib import LINES, OBJECTS, Kind, MibObject
from collector.cards.mib.wire_values import WireState, WireValue, number_in_text
from rules.plant.reading import Doubt, DoubtKind

E = TypeVar("E", bound=StrEnum)
_BYTE_LIMIT: Final = frozenset(
    {"upsBatteryTemperature", "upsEstimatedChargeRemaining", "upsOutputPercentLoad"}
)
_ZERO_IS_NO_ANSWER: Final = frozenset(
    {
        "upsEstimatedMinutesRemaining",
        "upsConfigInputVoltage",
        "upsConfigInputFreq",
        "upsConfigOutputVoltage",
        "upsConfigOutputFreq",
        "upsConfigOutputVA",
        "upsConfigOutputPower",
    }
)
_ZERO_IS_VALID_WITHOUT_MAINS: Final = frozenset({"upsInputFrequency", "upsBypassFrequency"})
_ZERO_IS_ODD: Final = _ZERO_IS_NO_ANSWER | {
    "upsOutputPower",
    "upsOutputCurrent",
    "upsInputTruePower",
    "upsInputCurrent",
}
_FREQUENCY: Final = frozenset(item.name for item in OBJECTS if item.unit == "Hz")
_LINE_VOLTS: Final = frozenset(
    item.name for item in OBJECTS if item.unit == "V" and item.name != "upsBatteryVoltage"
)
_WRAP: Final = 2**32
_SOURCE_NORMAL: Final = 3
BATTERY_VOLTS_HIGH: Final = 1000.0
TEMPERATURE_LOW_C: Final = -40.0
TEMPERATURE_HIGH_C: Final = 85.0
_KEYS: Final = {item.name: {line: f"{item.name}.{line}" for line in LINES} for item in OBJECTS if item.column}


def frequency_factor(raw: float) -> float | None:
    """Return what turns a wire value into Hz: the bands 45-65 in Hz, tenths and hundredths do not overlap."""
    for factor in (0.1, 1.0, 0.01):
        if HERTZ[0] <= raw * factor <= HERTZ[1]:
            return factor
    return None


def line_volts_factor(raw: float) -> float | None:
    """Return the power of ten that brings a line voltage into the range of low-voltage supplies, or None."""
    for factor in (1.0, 0.1, 0.01, 0.001):
        if LINE_VOLTS_LOW <= raw * factor <= LINE_VOLTS_HIGH:
            return factor
    return None


@dataclass(slots=True)
class WireNumbers:
    """The values of one state, read one by one; collects doubts as it goes.

    `on_battery`: whether the bank carries the load, None where that is not known.
    """

    state: WireState
    corrections: CorrectionSet
    doubts: list[Doubt] = field(default_factory=list)
    on_battery: bool | None = None

    def doubt(  # noqa: PLR0917 - one line per doubt, in the order of the value's fields
        self,
        name: str,
        kind: DoubtKind,
        raw: WireValue | None,
        used: float | str | None,
        reason: str,
        line: int | None = None,
    ) -> None:
        """Leave a doubt: what came, what was used for it, and why."""
        self.doubts.append(Doubt(name, kind, reason, raw, used, line))

    def some(self, name: str) -> bool:
        """Return whether any line of a column holds more than zero."""
        values = self.state.values
        return any(isinstance(value := values.get(key), int) and value > 0 for key in _KEYS[name].values())

    def enum(self, name: str, meanings: Mapping[int, E]) -> E | None:
        """Return what a number of the standard's list means, None with a doubt where it is not one of them."""
        raw = self.state.values.get(name)
        if raw is None:
            return None
        number = number_in_text(raw) if isinstance(raw, str) else raw
        meaning = None if number is None else meanings.get(int(number))
        if meaning is None:
            self.doubt(name, DoubtKind.IMPOSSIBLE, raw, None, "not a value of the standard's list")
        elif name in self.state.types:
            self.doubt(name, DoubtKind.TYPE, raw, str(meaning), f"sent as {self.state.types[name]}")
        return meaning

    def text(self, name: str) -> str | None:
        """Return a text, None where it is empty."""
        raw = self.state.values.get(name)
        if raw is None or raw == "":
            return None
        if "\N{REPLACEMENT CHARACTER}" in (text := str(raw)):
            self.doubt(name, DoubtKind.TEXT, text, text, "control characters were replaced")
        return text

    def number(self, key: str, item: MibObject, line: int | None = None) -> float | None:
        """Return a value in SI units, or None with a doubt that says why."""
        raw = self.state.values.get(key)
        if raw is None:
            return None
        name = item.name
        if type(raw) is int and name not in self.corrections.by_object and key not in self.state.types:
            # The everyday case, kept short: an integer in the range where nothing can be wrong with it by itself.
            low, high = EVERYDAY[key]
            if low <= raw <= high and raw not in TYPE_LIMITS:
                return (
                    raw / 10.0 if item.scale == 0.1 else raw * item.scale
                )  # 97 tenths are 9.7, not 9.700000000000001
            if raw == 0 and item.low == 0 and item.unit not in {"V", "Hz"} and name not in _ZERO_IS_ODD:
                return 0.0
        return self._odd_number(raw, key, item, line)

    def _odd_number(self, came: WireValue, key: str, item: MibObject, line: int | None) -> float | None:
        name = item.name
        raw = self._as_number(came, key, item, line)
        if raw is None:
            return None
        correction = self.corrections.by_object.get(name)
        why = _no_answer(name, item, raw)
        if why is not None and not (correction is not None and raw in {-1, -10} and item.low is None):
            return self._refuse(name, why[0], came, why[1], line)
        if correction is not None and correction.ruling is Ruling.NOT_KNOWN:
            return self._refuse(name, correction.kind, came, correction.reason, line)
        if raw == 0 and not (correction is not None and item.unit == "degC"):
            return self._zero(name, came, line)
        if correction is None:
            return self._by_size(raw, came, item, line)
        return self._corrected(raw, came, item, line, correction)

    def _corrected(
        self, raw: float, came: WireValue, item: MibObject, line: int | None, correction: Correction
    ) -> float | None:
        """Return the value under a correction that gives one."""
        name, scale = item.name, item.scale
        if correction.ruling is Ruling.GIVEN:
            return self._within(round(raw * scale * correction.factor, 6), came, item, line)
        if name in _LINE_VOLTS and raw > LINE_VOLTS_HIGH:
            scale = line_volts_factor(raw) or scale
        value = round(raw * scale * correction.factor + correction.offset, 6)
        if correction.ruling is not Ruling.LINEAR and value != 0.0:
            if self.on_battery:
                value = abs(value)
            elif self.on_battery is None or correction.ruling is Ruling.DIRECTION:
                return self._refuse(name, correction.kind, came, correction.reason, line)
            else:
                value = -abs(value)
        used = self._within(value, came, item, line)
        if used is not None and (used != raw * item.scale):
            self.doubt(name, correction.kind, came, used, correction.reason, line)
        return used

    def _as_number(self, came: WireValue, key: str, item: MibObject, line: int | None) -> float | None:
        """Return the number in wire units, whatever type it was sent as."""
        seen = self.state.types.get(key)
        note = f"sent as {seen} where the standard says {item.kind.value}" if seen else ""
        raw: float
        if isinstance(came, str):
            number = number_in_text(came)
            if number is None:
                return self._refuse(item.name, DoubtKind.TYPE, came, f"no number, sent as {seen}", line)
            raw, note = number, note or "sent as text"
            if "." in came and item.scale == 0.1 and _plausible(item, number):
                raw = round(number / item.scale, 6)  # a decimal point: the card writes the unit itself
                note += ", with its decimals"
        else:
            raw = came
        if item.low is None and raw >= 2**31 and raw != _WRAP - 1:
            raw -= _WRAP
            note = f"a negative number sent without its sign ({seen or 'INTEGER'})"
        if note:
            self.doubt(item.name, DoubtKind.TYPE, came, round(raw * item.scale, 6), note, line)
        return raw

    def _by_size(self, raw: float, came: WireValue, item: MibObject, line: int | None) -> float | None:
        """Return the value, its unit decided by its size alone where that is possible."""
        name = item.name
        factor: float | None = item.scale
        if name in _FREQUENCY:
            factor = frequency_factor(raw)
        elif name in _LINE_VOLTS and raw > LINE_VOLTS_HIGH:
            factor = line_volts_factor(raw)
        if factor is None:
            return self._refuse(name, DoubtKind.IMPOSSIBLE, came, f"cannot be a number of {item.unit}", line)
        value = round(raw * factor, 6)
        used = self._within(value, came, item, line)
        if used is not None and factor != item.scale:
            times = f"{item.scale / factor:g}"
            self.doubt(
                name,
                DoubtKind.SCALE,
                came,
                used,
                f"{times} times too large for {item.unit}; its size alone decides",
                line,
            )
        return used

    def _zero(self, name: str, came: WireValue, line: int | None) -> float | None:
        """Return zero where zero can be true, else None with a doubt."""
        why = self._why_not_zero(name, line)
        return 0.0 if why is None else self._refuse(name, DoubtKind.SENTINEL, came, why, line)

    def _why_not_zero(self, name: str, line: int | None) -> str | None:
        """Return what contradicts a zero, None where it may stand."""
        watts, amperes, percent = (
            self.raw(f"{stem}.{line}")
            for stem in ("upsOutputPower", "upsOutputCurrent", "upsOutputPercentLoad")
        )
        loaded = self.some("upsOutputPower")
        on_mains = self.state.values.get("upsOutputSource") == _SOURCE_NORMAL
        contradicted = {
            "upsBatteryVoltage": (True, "zero volts is what cards send unmeasured"),
            "upsBatteryTemperature": (True, "zero degrees is what cards send unmeasured"),
            "upsBatteryCurrent": (
                bool(self.on_battery) and loaded,
                "nothing flows while the bank carries a load",
            ),
            "upsOutputVoltage": (loaded, "no volts with power flowing"),
            "upsOutputFrequency": (self.some("upsOutputVoltage"), "no frequency with volts on the output"),
            "upsOutputPower": (
                percent >= 5 or amperes >= 50,
                "no watts while amperes or percent show a load",
            ),
            "upsOutputCurrent": (
                percent >= 15 or (percent >= 5 and watts > 0),
                "no amperes while watts or percent show a load",
            ),
            "upsInputTruePower": (
                on_mains and loaded and self.raw(f"upsInputVoltage.{line}") > 0,
                "nothing taken in while the output is fed from here",
            ),
        }
        contradicted["upsInputCurrent"] = contradicted["upsInputTruePower"]
        holds, why = contradicted.get(name, (False, ""))
        return why if holds else None

    def raw(self, key: str) -> float:
        """Return a value as it came, zero where there is none."""
        value = self.state.values.get(key)
        return value if isinstance(value, int) else 0.0

    def _within(self, value: float, came: WireValue, item: MibObject, line: int | None) -> float | None:
        if _plausible(item, value):
            return value
        unit = item.unit or ""
        return self._refuse(item.name, DoubtKind.IMPOSSIBLE, came, f"{value:g} {unit} cannot be", line)

    def _refuse(
        self, name: str, kind: DoubtKind, came: WireValue, why: str, line: int | None
    ) -> float | None:
        """Leave a doubt; the value is not known."""
        self.doubt(name, kind, came, None, why, line)
        return None


def _no_answer(name: str, item: MibObject, raw: float) -> tuple[DoubtKind, str] | None:
    """Return why a raw value says nothing: a sentinel, or outside what the standard's type allows."""
    if raw in TYPE_LIMITS and not (item.kind is Kind.COUNTER and raw < 2**32 - 1):
        return DoubtKind.SENTINEL, f"{raw:.0f} is the limit of an integer type: what cards send for unknown"
    celsius = name == "upsBatteryTemperature"
    if (raw == -1 and (item.low is not None or celsius)) or (
        raw == -10 and celsius
    ):  # -1 in tenths of a degree
        return DoubtKind.SENTINEL, f"{raw:.0f} is what cards send for unknown"
    if raw == 255 and name in _BYTE_LIMIT:
        return DoubtKind.SENTINEL, "255 is the limit of an octet: what cards send for unknown"
    if raw == 0 and name in _ZERO_IS_NO_ANSWER:
        return DoubtKind.SENTINEL, "zero is no answer to this question"
    if item.low is not None and raw < item.low:
        return DoubtKind.IMPOSSIBLE, f"cannot be below {item.low}"
    return None


_BOUNDS: Final[Mapping[str | None, tuple[float, float]]] = {
    "V": (0.0, LINE_VOLTS_HIGH),
    "A": (-AMPERES_HIGH, AMPERES_HIGH),
    "W": (0.0, WATTS_HIGH),
    "VA": (0.0, WATTS_HIGH),
    "degC": (TEMPERATURE_LOW_C, TEMPERATURE_HIGH_C),
}


def _plausible(item: MibObject, value: float) -> bool:
    """Return whether a value in SI units is possible at all for a low-voltage UPS."""
    if item.unit == "Hz":
        return value == 0.0 or 40.0 <= value <= 70.0
    if item.unit == "%":
        return item.high is None or value <= item.high
    low, high = _BOUNDS.get(item.unit, (-inf, inf))
    return low <= value <= (BATTERY_VOLTS_HIGH if item.name == "upsBatteryVoltage" else high)
