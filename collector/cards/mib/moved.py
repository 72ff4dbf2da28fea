"""A reading made of the last one and the measurements that moved since, where nothing else did: equal to making it whole.

That takes a third of the time, and nine polls of ten of a card at rest are such. Whatever may change what another value
means goes the whole way (`collector.cards.mib.decode`): a word, a count, a zero, a value that is doubted or corrected.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any, Final, TypeVar

from collector.cards.mib.correction_set import CorrectionSet
from collector.cards.mib.repeats import EVERYDAY, TYPE_LIMITS, Repeats
from collector.cards.mib.upsmib import ALARMS, LINES, OBJECTS, MibObject, TablePart
from collector.cards.mib.wire_values import WireState, WireValue
from rules.plant.reading import InputLine, InputReading, OutputLine, OutputReading, Reading, Stamp

L = TypeVar("L", InputLine, OutputLine)
_Place = tuple[str, int]
_BANK: Final[_Place] = ("battery", 0)
_MEASURED: Final[Mapping[str, tuple[_Place, str, MibObject]]] = {
    **{
        item.name: (_BANK, item.field or "", item)
        for item in OBJECTS
        if item.group == "battery" and item.field != "status"
    },
    **{
        f"{item.name}.{line}": ((item.group or "", line), item.field or "", item)
        for item in OBJECTS
        if item.column and item.group in {"input", "output"}
        for line in LINES
    },
}
"""Part, field and object of each wire key that may move by itself."""
_OVER_ZEROS: Final = tuple(
    tuple(f"{name}.{line}" for line in LINES) for name in ("upsOutputPower", "upsOutputVoltage")
)


def again(
    unit: str, stamp: Stamp, state: WireState, corrections: CorrectionSet, repeats: Repeats
) -> Reading | None:
    """Return the last reading with what moved since; None where it must be made whole."""
    before = repeats.made_of(state.since, corrections) if state.since else None
    if before is None or before.doubts or state.types or corrections.stale:
        return None
    values = state.values
    if before.unit != unit or before.nameplate.engine_id != state.engine_id:
        return None
    if over_zeros(values, repeats.beside[1]) != repeats.beside:
        return None
    news: dict[_Place, dict[str, Any]] = {}
    for key in state.moved:
        if key == "sysUpTime":
            continue
        place = _MEASURED.get(key)
        value = None if place is None else _everyday(key, values[key], place[2], corrections)
        if place is None or value is None:
            return None
        news.setdefault(place[0], {})[place[1]] = value
    battery, inputs, output = before.battery, before.input, before.output
    if _BANK in news:
        battery = replace(battery, **news.pop(_BANK))
    if news:
        input_lines = _with_news("input", inputs.lines, news)
        output_lines = _with_news("output", output.lines, news)
        if news or input_lines is None or output_lines is None:
            return None
        inputs = InputReading(inputs.bad_count, input_lines)
        output = OutputReading(output.source, output.frequency_hz, output_lines)
    return Reading(
        unit, stamp, uptime_s(values.get("sysUpTime")), battery, inputs, output, before.bypass, card_alarms(state),
        before.test, before.nameplate, (), state.missing, part_times(state, stamp),
    )  # fmt: skip


def _everyday(key: str, raw: WireValue, item: MibObject, corrections: CorrectionSet) -> float | None:
    """Return a value with which nothing can be wrong by itself, None for any other."""
    low, high = EVERYDAY[key]
    if (
        type(raw) is not int
        or not low <= raw <= high
        or raw in TYPE_LIMITS
        or item.name in corrections.by_object
    ):
        return None
    return raw / 10.0 if item.scale == 0.1 else raw * item.scale


def _with_news(group: str, rows: tuple[L, ...], news: dict[_Place, dict[str, Any]]) -> tuple[L, ...] | None:
    """Return rows with their news, taken out of `news`; None where a zero or a gap beside them may mean something else now."""
    found = []
    for row in rows:
        new = news.pop((group, row.line), None)
        if new is None:
            found.append(row)
            continue
        names = _INPUT if isinstance(row, InputLine) else _OUTPUT
        held = [getattr(row, name) for name in names]
        if not all(held):
            return None
        found.append(type(row)(row.line, *map(new.get, names, held)))
    return tuple(found)


_INPUT: Final = ("frequency_hz", "voltage_v", "current_a", "power_w")
_OUTPUT: Final = ("voltage_v", "current_a", "power_w", "load_pct")


def over_zeros(values: Mapping[str, WireValue], on_battery: object) -> tuple[object, ...]:
    """Return what decides, beside a part's own values, what a zero in it means."""
    power, voltage = (
        any(isinstance(value := values.get(key), int) and value > 0 for key in keys) for keys in _OVER_ZEROS
    )
    return values.get("upsOutputSource"), on_battery, power, voltage


def uptime_s(ticks: WireValue | None) -> float | None:
    """Return an agent's uptime in s, of hundredths of a second."""
    return ticks / 100.0 if isinstance(ticks, int) and ticks >= 0 else None


def card_alarms(state: WireState) -> tuple[str, ...] | None:
    """Return the rows of the alarm table by name; None where it was not read."""
    return None if state.alarms is None else tuple(ALARMS.get(oid, oid) for oid in state.alarms)


def part_times(state: WireState, stamp: Stamp) -> Mapping[str, datetime]:
    """Return when each slower part was read, where that was not now."""
    times = state.part_at
    named = {
        "bypass": times.get(TablePart.SLOW),
        "test": times.get(TablePart.SLOW),
        "nameplate": times.get(TablePart.NAMEPLATE),
    }
    return {name: at for name, at in named.items() if at is not None and at != stamp.at}
