"""Where a card contradicts itself: shown beside the values, never hidden, and nothing is guessed from it.

These doubts do not change a value (`used` repeats it). Verdicts that matter rest on two sources that agree.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Final

from collector.cards.mib.wire_values import WireState
from rules.plant.reading import BatteryStatus, Doubt, DoubtKind, OutputSource, Reading

_LOW: Final = frozenset((BatteryStatus.LOW, BatteryStatus.DEPLETED))
_OFF: Final = frozenset(("upsAlarmUpsOutputOff", "upsAlarmUpsSystemOff"))


def conflicts(reading: Reading, state: WireState) -> tuple[Doubt, ...]:
    """Return a doubt for each pair of a reading's values that cannot both be true."""
    if _everyday(reading, state):
        return ()
    found = [check(reading, state) for check in _CHECKS]
    return tuple(doubt for doubt in found if doubt is not None) if any(found) else ()


def _everyday(reading: Reading, state: WireState) -> bool:
    """Return whether a card is fed normally, lists nothing and counts nothing: then none of the pairs is at odds."""
    values, battery, output = state.values, reading.battery, reading.output
    return (
        reading.card_alarms == ()
        and output.source is OutputSource.NORMAL
        and not battery.on_battery_s
        and battery.status not in _LOW
        and values.get("upsAlarmsPresent") == 0
        and values.get("upsOutputNumLines") == len(output.lines)
    )


def _conflict(name: str, raw: int | str | None, reason: str) -> Doubt:
    return Doubt(name, DoubtKind.CONTRADICTION, reason, raw, None if raw is None else str(raw))


def _alarm_count(reading: Reading, state: WireState) -> Doubt | None:
    counted = state.values.get("upsAlarmsPresent")
    if reading.card_alarms is None or not isinstance(counted, int) or counted == len(reading.card_alarms):
        return None
    reason = f"counts {counted}, while its alarm table holds {len(reading.card_alarms)}"
    return _conflict("upsAlarmsPresent", counted, reason)


def _alarm_twice(reading: Reading, _: WireState) -> Doubt | None:
    listed = reading.card_alarms or ()
    if len(set(listed)) == len(listed):
        return None
    twice = [name for name, count in Counter(listed).items() if count > 1]
    return _conflict("upsAlarmDescr", twice[0], "stands in the table more than once: rows may be left behind")


def _alarm_on_battery(reading: Reading, _: WireState) -> Doubt | None:
    if reading.card_alarms is None or reading.on_battery is None:
        return None
    says = "upsAlarmOnBattery" in reading.card_alarms
    seconds = reading.battery.on_battery_s or 0.0
    if says and not reading.on_battery:
        return _conflict(
            "upsAlarmDescr", "upsAlarmOnBattery", f"while the output's source is {reading.output.source}"
        )
    if reading.on_battery and not says and seconds > 60.0:
        return _conflict(
            "upsOutputSource", "battery", "for a minute and more without the alarm that belongs to it"
        )
    return None


def _seconds(reading: Reading, _: WireState) -> Doubt | None:
    seconds = reading.battery.on_battery_s
    if seconds is None or reading.on_battery is None:
        return None
    if seconds > 0 and reading.output.source is OutputSource.NORMAL:
        return _conflict("upsSecondsOnBattery", int(seconds), "while the output is fed normally")
    return None


def _current_against_source(reading: Reading, state: WireState) -> Doubt | None:
    current = reading.battery.current_a
    if current is None or reading.on_battery is None:
        return None
    if reading.on_battery and current < -1.0:
        return _conflict("upsBatteryCurrent", state.values.get("upsBatteryCurrent"), "charges on battery")
    return None


def _low_but_full(reading: Reading, _: WireState) -> Doubt | None:
    low = reading.battery.status in _LOW
    charge = reading.battery.charge_pct
    if low and charge is not None and charge >= 90.0 and reading.on_battery is False:
        return _conflict(
            "upsBatteryStatus", str(reading.battery.status), f"with {charge:g} % of charge on mains"
        )
    return None


def _output_off(reading: Reading, _: WireState) -> Doubt | None:
    off = _OFF.intersection(reading.card_alarms or ())
    if off and (reading.output.power_w or 0.0) > 0.0:
        return _conflict("upsAlarmDescr", min(off), "with watts on the output")
    return None


def _number_of_lines(reading: Reading, state: WireState) -> Doubt | None:
    counted, shown = state.values.get("upsOutputNumLines"), len(reading.output.lines)
    if isinstance(counted, int) and shown and counted != shown and 0 <= counted < 100:
        return _conflict("upsOutputNumLines", counted, f"while {shown} lines are shown")
    return None


_CHECKS: Final[tuple[Callable[[Reading, WireState], Doubt | None], ...]] = (
    _alarm_count,
    _alarm_twice,
    _alarm_on_battery,
    _seconds,
    _current_against_source,
    _low_but_full,
    _output_off,
    _number_of_lines,
)
