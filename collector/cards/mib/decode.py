"""From the wire to a reading: SI units, None for what is not known, and a doubt for every step aside.

This module makes one reading of its parts; each value by itself is judged by `wire_number`. What takes several readings, or the declared plant, to decide is learnt by
`collector.cards.corrections` and comes in as a `CorrectionSet`. Both leave a doubt that says what came, what
was used, and why.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, Final, TypeVar

from collector.cards.mib.correction_set import STANDARD, CorrectionSet, Ruling
from collector.cards.mib.moved import again, card_alarms, over_zeros, part_times, uptime_s
from collector.cards.mib.repeats import (
    EVERYDAY,
    NUMBER_KINDS,
    TYPE_LIMITS,
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
from collector.cards.mib.wire_number import WireNumbers
from collector.cards.mib.wire_values import WireState, WireValue, part_of
from rules.plant.reading import (
    BatteryReading,
    BypassLine,
    BypassReading,
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

T = TypeVar("T")
L = TypeVar("L", InputLine, OutputLine, BypassLine)
_Columns = tuple[tuple[str, MibObject, str], ...]
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
        decoder = _Decoder(state, corrections, repeats=repeats)
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
    return WireNumbers(WireState({key: raw}), corrections).number(key, item, int(line) if line else None)


@dataclass(slots=True)
class _Decoder(WireNumbers):
    """One state on its way to a reading."""

    repeats: Repeats = field(default_factory=Repeats)
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
            status=self.enum("upsBatteryStatus", BATTERY_STATUS),
            **{leaf: self.number(key, item) for key, item, leaf in _BATTERY},
        )

    def _test(self) -> SelfTest:
        return SelfTest(self.enum("upsTestResultsSummary", TEST_RESULT), self.text("upsTestResultsDetail"))

    def _set_live_aside(self, why: str) -> None:
        """Leave out the live part, but for the agent's own clock; one doubt says so for all of it."""
        kept = {
            key: value
            for key, value in self.state.values.items()
            if key == "sysUpTime" or part_of(key) is not TablePart.LIVE
        }
        self.state = replace(self.state, values=kept, alarms=None)
        self.doubt("upsOutputTable", DoubtKind.STUCK, None, None, why)

    def _source(self) -> OutputSource | None:
        source = self.enum("upsOutputSource", OUTPUT_SOURCE)
        numbering = self.corrections.by_object.get("upsOutputSource")
        if source not in {OutputSource.NONE, OutputSource.BYPASS}:
            return source
        loaded = self.some("upsOutputVoltage") and self.some("upsOutputPower")
        if numbering is not None and loaded:
            used = None
            if numbering.ruling is Ruling.CLAUSE:
                away = self.raw("upsSecondsOnBattery") > 0
                used = OutputSource.NORMAL if source is OutputSource.NONE else None
                used = OutputSource.BATTERY if source is OutputSource.BYPASS and away else used
            self.doubt("upsOutputSource", numbering.kind, str(source), used, numbering.reason)
            return used
        if source is OutputSource.NONE and loaded:
            reason = "says that nothing feeds the output, with volts and watts on it"
            self.doubt("upsOutputSource", DoubtKind.CONTRADICTION, 2, None, reason)
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
            found[leaf] = self.text(key) if item.kind is Kind.TEXT else self.number(key, item)
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
        self.doubt(
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
                self.doubt(name, DoubtKind.PLACE, oid, None, f"read at {oid}, not where the standard puts it")
