"""From the wire to a reading: SI units, None for what is not known, and a doubt for every step aside.

This module judges one reading by itself: sentinels, what the standard's types forbid, values whose size
alone decides their unit. What takes several readings, or the declared plant, to decide is learnt by
`collector.cards.corrections` and comes in as a `CorrectionSet`. Both leave a doubt that says what came, what
was used, and why.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import partial
from math import inf
from typing import Any, Final, TypeVar

from collector.cards.mib.correction_set import STANDARD, Correction, CorrectionSet, Ruling
from collector.cards.mib.moved import again, card_alarms, over_zeros, part_times, uptime_s
from collector.cards.mib.repeats import (
    AMPERES_HIGH,
    EVERYDAY,
    HERTZ,
    LINE_VOLTS_HIGH,
    LINE_VOLTS_LOW,
    NUMBER_KINDS,
    TYPE_LIMITS,
    WATTS_HIGH,
    Repeats,
)
from collector.cards.mib.upsmib import (
    BATTERY_STATUS,
    BY_NAME,
    LINES,
    OBJECTS,
    OUTPUT_SOURCE,
    TEST_RESULT,
    Kind,
    MibObject,
    TablePart,
)
from collector.cards.mib.wire_values import WireState, WireValue, number_in_text, part_of
from rules.plant.reading import (
    BatteryReading,
    BypassLine,
    BypassReading,
    Doubt,
    DoubtKind,
    InputLine,
    InputReading,
    Nameplate,
    OutputLine,
    OutputReading,
    OutputSource,
    Reading,
    SelfTest,
    Stamp,
)

E = TypeVar("E", bound=StrEnum)
T = TypeVar("T")
L = TypeVar("L", InputLine, OutputLine, BypassLine)
_Columns = tuple[tuple[str, MibObject, str], ...]
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

_BATTERY: Final = tuple(
    (i.name, i, i.field or "") for i in OBJECTS if i.group == "battery" and i.field != "status"
)
# Group -> (line, (wire key, object, field) of each of its columns)
_ROWS: Final = {
    group: tuple(
        (
            line,
            tuple(
                (f"{item.name}.{line}", item, item.field or "")
                for item in OBJECTS
                if item.column and item.group == group
            ),
        )
        for line in LINES
    )
    for group in ("input", "output", "bypass")
}
_PLATE: Final = tuple((i.name, i, i.field or "") for i in OBJECTS if i.group == "nameplate")
_KEYS_OF: Final = {
    "battery": ("upsBatteryStatus", *(key for key, _, _ in _BATTERY)),
    "test": ("upsTestResultsSummary", "upsTestResultsDetail"),
    "nameplate": tuple(key for key, _, _ in _PLATE),
    "bypass": (
        "upsBypassFrequency",
        "upsBypassNumLines",
        *(key for _, keys in _ROWS["bypass"] for key, _, _ in keys),
    ),
    **{
        f"{group}.{line}": (f"ups{group.capitalize()}NumLines", *(key for key, _, _ in keys))
        for group, rows in _ROWS.items()
        for line, keys in rows
    },
}
_KEYS: Final = {item.name: {line: f"{item.name}.{line}" for line in LINES} for item in OBJECTS if item.column}


def decode(
    unit: str,
    stamp: Stamp,
    state: WireState,
    corrections: CorrectionSet = STANDARD,
    repeats: Repeats | None = None,
) -> Reading:
    """Return what a card's wire values mean for `unit`, under the corrections in force. Never raises on values.

    `repeats` are those of the card, where its readings are made one after the other.
    """
    repeats = repeats or Repeats()
    found = again(unit, stamp, state, corrections, repeats)
    if found is None:
        decoder = _Decoder(state, corrections, repeats)
        found = decoder.reading(unit, stamp)
        beside = decoder.beside
    else:
        beside = repeats.beside
    repeats.made(0 if corrections.stale else state.number, found, beside)
    return found


def decode_value(key: str, raw: WireValue, corrections: CorrectionSet = STANDARD) -> float | None:
    """Return one wire value in SI units, judged by itself; None for what says nothing or is no quantity."""
    name, _, line = key.partition(".")
    item = BY_NAME.get(name)
    if item is None or item.kind not in NUMBER_KINDS:
        return None
    return _Decoder(WireState({key: raw}), corrections, Repeats()).number(
        key, item, int(line) if line else None
    )


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
class _Decoder:
    """One state on its way to a reading; collects doubts as it goes."""

    state: WireState
    corrections: CorrectionSet
    repeats: Repeats
    doubts: list[Doubt] = field(default_factory=list)
    on_battery: bool | None = None
    beside: tuple[object, ...] = ()
    """What decides, beside a part's own values, what a zero in it means."""

    def reading(self, unit: str, stamp: Stamp) -> Reading:
        values = self.state.values
        if self.corrections.stale:
            self._set_live_aside(self.corrections.stale)
            values = self.state.values
        self.repeats.begin(self.corrections, self.state.types)
        source = self._source()
        self.on_battery = None if source is None else source is OutputSource.BATTERY
        self.beside = over_zeros(values, self.on_battery)
        battery = self._part("battery", self._battery)
        bad_count = self.number("upsInputLineBads", BY_NAME["upsInputLineBads"])
        output = OutputReading(
            source=source,
            frequency_hz=self.number("upsOutputFrequency", BY_NAME["upsOutputFrequency"]),
            lines=self._rows("output", OutputLine),
        )
        reading = Reading(
            unit=unit,
            stamp=stamp,
            agent_uptime_s=uptime_s(values.get("sysUpTime")),
            battery=battery,
            input=InputReading(
                bad_count=None if bad_count is None else int(bad_count),
                lines=self._rows("input", InputLine),
            ),
            output=output,
            bypass=self._part("bypass", self._bypass),
            card_alarms=card_alarms(self.state),
            test=self._part("test", self._test),
            nameplate=self._part("nameplate", self._nameplate, self.state.engine_id),
            missing=self.state.missing,
            part_at=part_times(self.state, stamp),
            doubts=(),
        )
        self._places()
        object.__setattr__(reading, "doubts", tuple(self.doubts))  # ours alone until it is returned
        return reading

    # --- groups ---------------------------------------------------------------------------------------

    def _part(self, name: str, make: Callable[[], T], *more: object) -> T:
        """Return a part as it was made before, or made now; it rests on its own values, `more`, and what is `beside`."""
        came = (*map(self.state.values.get, _KEYS_OF[name]), *more, self.beside)
        return self.repeats.meant(name, came, make, self.doubts)

    def _battery(self) -> BatteryReading:
        return BatteryReading(
            status=self._enum("upsBatteryStatus", BATTERY_STATUS),
            **{leaf: self.number(key, item) for key, item, leaf in _BATTERY},
        )

    def _test(self) -> SelfTest:
        return SelfTest(self._enum("upsTestResultsSummary", TEST_RESULT), self._text("upsTestResultsDetail"))

    def _set_live_aside(self, why: str) -> None:
        """Leave out the live part, but for the agent's own clock; one doubt says so for all of it."""
        kept = {
            key: value
            for key, value in self.state.values.items()
            if key == "sysUpTime" or part_of(key) is not TablePart.LIVE
        }
        self.state = replace(self.state, values=kept, alarms=None)
        self._doubt("upsOutputTable", DoubtKind.STUCK, None, None, why)

    def _source(self) -> OutputSource | None:
        source = self._enum("upsOutputSource", OUTPUT_SOURCE)
        numbering = self.corrections.by_object.get("upsOutputSource")
        if source not in {OutputSource.NONE, OutputSource.BYPASS}:
            return source
        loaded = self._some("upsOutputVoltage") and self._some("upsOutputPower")
        if numbering is not None and loaded:
            used = None
            if numbering.ruling is Ruling.CLAUSE:
                away = self._raw("upsSecondsOnBattery") > 0
                used = OutputSource.NORMAL if source is OutputSource.NONE else None
                used = OutputSource.BATTERY if source is OutputSource.BYPASS and away else used
            self._doubt("upsOutputSource", numbering.kind, str(source), used, numbering.reason)
            return used
        if source is OutputSource.NONE and loaded:
            reason = "says that nothing feeds the output, with volts and watts on it"
            self._doubt("upsOutputSource", DoubtKind.CONTRADICTION, 2, None, reason)
            return None
        return source

    def _bypass(self) -> BypassReading | None:
        made = (self._row("bypass", line, keys, BypassLine) for line, keys in _ROWS["bypass"])
        rows = tuple(row for row in made if row is not None)
        frequency = self.number("upsBypassFrequency", BY_NAME["upsBypassFrequency"])
        if not rows and "upsBypassFrequency" not in self.state.values:
            return None
        return BypassReading(frequency, rows)

    def _nameplate(self) -> Nameplate:
        found: dict[str, Any] = {}
        for key, item, leaf in _PLATE:
            found[leaf] = self._text(key) if item.kind is Kind.TEXT else self.number(key, item)
        return Nameplate(**found, engine_id=self.state.engine_id)

    def _rows(self, group: str, kind: Callable[..., L]) -> tuple[L, ...]:
        """Return the lines that exist, each made of its line's values."""
        made = [
            self._part(f"{group}.{line}", partial(self._row, group, line, keys, kind))
            for line, keys in _ROWS[group]
        ]
        return tuple(row for row in made if row is not None)

    def _row(self, group: str, line: int, keys: _Columns, kind: Callable[..., L]) -> L | None:
        values = self.state.values
        held = [values[key] for key, _, _ in keys if key in values]
        if not held or (not any(held) and self._is_absent(group, line)):
            return None
        by_object, types = self.corrections.by_object, self.state.types
        row: dict[str, float | None] = {}
        for key, item, leaf in keys:
            raw = values.get(key)
            low, high = EVERYDAY[key]
            # what `number` does for the everyday case, without a call for each value
            if (
                type(raw) is int
                and low <= raw <= high
                and raw not in TYPE_LIMITS
                and not by_object
                and not types
            ):
                row[leaf] = raw / 10.0 if item.scale == 0.1 else raw * item.scale
            else:
                row[leaf] = self.number(key, item, line)
        return kind(line, **row)

    def _is_absent(self, group: str, line: int) -> bool:
        """Return whether a row of nothing but zeros is a line that does not exist."""
        count = self.state.values.get(f"ups{group.capitalize()}NumLines")
        if (group, line) in self.corrections.absent_lines:
            why = "has never shown anything while other lines did"
        elif isinstance(count, int) and 1 <= count < line:
            why = f"shows nothing but zeros, and the card counts {count} line{'s' * (count > 1)}"
        else:
            return False
        self._doubt(
            f"ups{group.capitalize()}Voltage",
            DoubtKind.ABSENT_LINE,
            0,
            None,
            f"line {line} of the {group} {why}",
            line,
        )
        return True

    def _places(self) -> None:
        """Say which objects stand where the standard does not put them."""
        seen: set[str] = set()
        for key, oid in self.state.odd_places.items():
            name = key.partition(".")[0]
            if name not in seen:
                seen.add(name)
                self._doubt(
                    name, DoubtKind.PLACE, oid, None, f"read at {oid}, not where the standard puts it"
                )

    # --- single values --------------------------------------------------------------------------------

    def _doubt(  # noqa: PLR0917 - one line per doubt, in the order of the value's fields
        self,
        name: str,
        kind: DoubtKind,
        raw: WireValue | None,
        used: float | str | None,
        reason: str,
        line: int | None = None,
    ) -> None:
        self.doubts.append(Doubt(name, kind, reason, raw, used, line))

    def _some(self, name: str) -> bool:
        """Return whether any line of a column holds more than zero."""
        values = self.state.values
        return any(isinstance(value := values.get(key), int) and value > 0 for key in _KEYS[name].values())

    def _enum(self, name: str, meanings: Mapping[int, E]) -> E | None:
        raw = self.state.values.get(name)
        if raw is None:
            return None
        number = number_in_text(raw) if isinstance(raw, str) else raw
        meaning = None if number is None else meanings.get(int(number))
        if meaning is None:
            self._doubt(name, DoubtKind.IMPOSSIBLE, raw, None, "not a value of the standard's list")
        elif name in self.state.types:
            self._doubt(name, DoubtKind.TYPE, raw, str(meaning), f"sent as {self.state.types[name]}")
        return meaning

    def _text(self, name: str) -> str | None:
        raw = self.state.values.get(name)
        if raw is None or raw == "":
            return None
        if "\N{REPLACEMENT CHARACTER}" in (text := str(raw)):
            self._doubt(name, DoubtKind.TEXT, text, text, "control characters were replaced")
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
        if why is not None and not (correction is not None and raw == -1 and item.low is None):
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
            self._doubt(name, correction.kind, came, used, correction.reason, line)
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
            self._doubt(item.name, DoubtKind.TYPE, came, round(raw * item.scale, 6), note, line)
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
            self._doubt(
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
            self._raw(f"{stem}.{line}")
            for stem in ("upsOutputPower", "upsOutputCurrent", "upsOutputPercentLoad")
        )
        loaded = self._some("upsOutputPower")
        on_mains = self.state.values.get("upsOutputSource") == _SOURCE_NORMAL
        contradicted = {
            "upsBatteryVoltage": (True, "zero volts is what cards send unmeasured"),
            "upsBatteryTemperature": (True, "zero degrees is what cards send unmeasured"),
            "upsBatteryCurrent": (
                bool(self.on_battery) and loaded,
                "nothing flows while the bank carries a load",
            ),
            "upsOutputVoltage": (loaded, "no volts with power flowing"),
            "upsOutputFrequency": (self._some("upsOutputVoltage"), "no frequency with volts on the output"),
            "upsOutputPower": (
                percent >= 5 or amperes >= 50,
                "no watts while amperes or percent show a load",
            ),
            "upsOutputCurrent": (
                percent >= 15 or (percent >= 5 and watts > 0),
                "no amperes while watts or percent show a load",
            ),
            "upsInputTruePower": (
                on_mains and loaded and self._raw(f"upsInputVoltage.{line}") > 0,
                "nothing taken in while the output is fed from here",
            ),
        }
        contradicted["upsInputCurrent"] = contradicted["upsInputTruePower"]
        holds, why = contradicted.get(name, (False, ""))
        return why if holds else None

    def _raw(self, key: str) -> float:
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
        self._doubt(name, kind, came, None, why, line)
        return None


def _no_answer(name: str, item: MibObject, raw: float) -> tuple[DoubtKind, str] | None:
    """Return why a raw value says nothing: a sentinel, or outside what the standard's type allows."""
    if raw in TYPE_LIMITS and not (item.kind is Kind.COUNTER and raw < 2**32 - 1):
        return DoubtKind.SENTINEL, f"{raw:.0f} is the limit of an integer type: what cards send for unknown"
    if raw == -1 and (item.low is not None or name == "upsBatteryTemperature"):
        return DoubtKind.SENTINEL, "-1 is what cards send for unknown"
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
