"""The plant's state as OpenMetrics 1.0 text.

Names are `ridethrough_` and our own quantities, which end in their unit (`ridethrough_output_power_w`).
What is not known is left out, never written as a number; states are StateSets (clause 5.5 of the
OpenMetrics specification), one sample a state. Pure functions over values; no route and no clock here.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from enum import StrEnum
from typing import Any, Final

from rules.battery.state import BankState
from rules.plant.reading import BatteryStatus, OutputSource, Reading
from rules.system.state import HoldUp, SystemState
from rules.values.verdict import Verdict

CONTENT_TYPE: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"
PREFIX: Final = "ridethrough_"

UNITS: Final = frozenset(("w", "va", "v", "a", "c", "s", "hz", "pct", "fraction", "years"))
_HELP: Final = {
    "output_power_w": "True power of one output line of a unit.",
    "output_load_pct": "Load of one output line, of the rating of one line, as the card says.",
    "battery_current_a": "Battery current; positive while the bank discharges.",
    "battery_card_runtime_s": "What the card claims is left; never used for a verdict.",
    "battery_charge_pct": "What the card claims the charge is; never used for a verdict.",
    "polls_count": "Polls of cards that were judged, kept and shown since the start.",
    "polls_late_count": "Polls of which that was done more than a second later than it was due, what the card took left out.",
    "polls_missed_count": "Due times at which nothing was asked, since the poll before was late.",
    "queue_age_s": "How long the oldest of what waits to be judged has waited.",
    "processing_s": "Seconds spent on judging, keeping and showing since the start.",
    "background_waiting_count": "Questions to the judging process that have no answer yet.",
    "background_age_s": "How long the oldest of them has waited.",
    "background_pieces_waiting_count": "Pieces of work that nobody waits for, not done yet.",
    "background_debt_s": "For how long none of them may begin, since so much was spent on them already.",
    "background_spent_s": "Seconds spent on them since the start.",
    "oldest_reading_age_s": "Age of the oldest of the units' last readings that were judged since the start.",
    "reading_age_s": "Time since the last reading of a unit that was judged, by seconds that no set clock changes.",
    "hold_up_low_s": "How long the system holds its load: 5th percentile.",
    "hold_up_median_s": "How long the system holds its load: median.",
    "hold_up_high_s": "How long the system holds its load: 95th percentile.",
    "requirement_margin_s": "Hold-up (5th percentile) less what the requirement asks for.",
    "requirement": "Whether a required hold-up is met.",
    "redundancy": "Whether the spare units are spare.",
    "redundancy_margin_w": "Power left on the tightest line with the spare units gone.",
    "capacity_fraction": "Capacity of a bank as a share of what its table gives.",
    "on_battery": "1 while the system's load is on its banks.",
    "standing_alarms": "Alarms that are anything but normal, by severity.",
}

Labels = tuple[tuple[str, str], ...]


@dataclass(slots=True)
class _Family:
    type: str
    samples: list[tuple[str, Labels, float]] = field(default_factory=list)


class _Text:
    """Families in order of first mention, each written as one block, as the specification demands."""

    def __init__(self) -> None:
        self._families: dict[str, _Family] = {}

    def gauge(self, name: str, value: float | bool | None, **labels: object) -> None:
        if value is None or not math.isfinite(value):
            return
        family = self._families.setdefault(name, _Family("gauge"))
        family.samples.append((name, _labels(labels), float(value)))

    def counter(self, name: str, value: float | None, **labels: object) -> None:
        if value is None or not math.isfinite(value) or value < 0:
            return
        family = self._families.setdefault(name, _Family("counter"))
        family.samples.append((f"{name}_total", _labels(labels), float(value)))

    def info(self, name: str, **labels: object) -> None:
        family = self._families.setdefault(name, _Family("info"))
        family.samples.append((f"{name}_info", _labels(labels), 1.0))

    def states(self, name: str, states: type[StrEnum], now: StrEnum | None, **labels: object) -> None:
        if now is None:
            return
        family = self._families.setdefault(name, _Family("stateset"))
        for state in states:
            pairs = (*_labels(labels), (PREFIX + name, str(state)))
            family.samples.append((name, pairs, float(state is now)))

    def lines(self) -> Iterator[str]:
        for name, family in self._families.items():
            yield f"# TYPE {PREFIX}{name} {family.type}"
            unit = name.rpartition("_")[2]
            if unit in UNITS and family.type in {"gauge", "counter"}:
                yield f"# UNIT {PREFIX}{name} {unit}"
            if name in _HELP:
                yield f"# HELP {PREFIX}{name} {_HELP[name]}"
            for sample, labels, value in family.samples:
                written = ",".join(f'{key}="{escaped(text)}"' for key, text in labels)
                braces = f"{{{written}}}" if labels else ""
                yield f"{PREFIX}{sample}{braces} {number(value)}"
        yield "# EOF"


def _labels(labels: Mapping[str, object]) -> Labels:
    return tuple((name, str(value)) for name, value in labels.items() if value is not None)


def escaped(text: str) -> str:
    """Return a label's value with what the format needs escaped, and nothing that could not be sent."""
    plain = text.encode("utf-8", "replace").decode()
    return plain.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def number(value: float) -> str:
    """Return a finite number in its shortest exact form, whole ones without a point."""
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)


def rendered(
    *,
    version: str,
    now: datetime,
    systems: Iterable[SystemState] = (),
    readings: Iterable[Reading] = (),
    ages_s: Mapping[str, float] | None = None,
    banks: Iterable[BankState] = (),
    alarms: Mapping[str, int] | None = None,
    own: Mapping[str, float] | None = None,
) -> str:
    """Return everything known as one OpenMetrics text.

    `readings`: the last of each unit; `ages_s`: how old each is, by unit, else it is reckoned by `now`. `alarms`: how many stand, by severity. `own`: figures of the
    service itself by name, which ends in its unit ("poll_lateness_s"), without the prefix.
    """
    text = _Text()
    text.info("build", version=version)
    for name, value in (own or {}).items():
        text.gauge(name, value)
    for severity, count in (alarms or {}).items():
        text.gauge("standing_alarms", count, severity=severity)
    for reading in readings:
        age_s = (ages_s or {}).get(reading.unit, (now - reading.at).total_seconds())
        _reading(text, reading, max(age_s, 0.0))
    for system in systems:
        _system(text, system)
    for bank in banks:
        _bank(text, bank)
    return "\n".join(text.lines()) + "\n"


def _reading(text: _Text, reading: Reading, age_s: float) -> None:
    unit = reading.unit
    text.gauge("reading_age_s", age_s, unit=unit)
    text.gauge("agent_uptime_s", reading.agent_uptime_s, unit=unit)
    text.gauge("doubts", len(reading.doubts), unit=unit)
    text.gauge("card_alarms", None if reading.card_alarms is None else len(reading.card_alarms), unit=unit)
    text.states("battery_status", BatteryStatus, reading.battery.status, unit=unit)
    text.states("output_source", OutputSource, reading.output.source, unit=unit)
    for group in ("battery", "input", "output", "bypass", "nameplate"):
        part: Any = getattr(reading, group)
        if part is None:
            continue
        _numbers(text, group, part, unit=unit)
        for line in getattr(part, "lines", ()):
            _numbers(text, group, line, unit=unit, line=line.line)


def _numbers(text: _Text, group: str, part: Any, **labels: object) -> None:  # noqa: ANN401
    """Write every field whose name ends in a unit."""
    for name in (item.name for item in fields(part)):
        value = getattr(part, name)
        if (name.rpartition("_")[2] in UNITS and isinstance(value, int | float)) or name == "bad_count":
            text.gauge(f"{group}_{name}", value, **labels)


def _system(text: _Text, system: SystemState) -> None:
    name = system.id
    text.gauge("load_power_w", system.load.power_w, system=name)
    text.gauge("load_apparent_va", system.load.apparent_va, system=name)
    for line in system.load.lines:
        text.gauge("line_load_power_w", line.power_w, system=name, line=line.line)
        text.gauge("line_load_apparent_va", line.apparent_va, system=name, line=line.line)
    _hold_up(text, system.hold_up.now, name, "now")
    _hold_up(text, system.hold_up.one_unit_lost, name, "one_unit_lost")
    text.gauge("on_battery", system.on_battery is not None, system=name)
    if system.redundancy is not None:
        text.states("redundancy", Verdict, system.redundancy.verdict, system=name)
        text.gauge("redundancy_margin_w", system.redundancy.margin_w, system=name)
        text.gauge("redundancy_margin_fraction", system.redundancy.margin_fraction, system=name)
    for met in system.requirements:
        labels: dict[str, object] = {"system": name, "requirement": met.id, "against": met.against}
        text.states("requirement", Verdict, met.verdict, **labels)
        text.gauge("requirement_required_s", met.required_s, **labels)
        text.gauge("requirement_margin_s", met.margin_s, **labels)


def _hold_up(text: _Text, held: HoldUp, system: str, case: str) -> None:
    for name in ("low_s", "median_s", "high_s"):
        text.gauge(f"hold_up_{name}", getattr(held, name), system=system, case=case)


def _bank(text: _Text, bank: BankState) -> None:
    text.gauge("capacity_fraction", bank.capacity.fraction, bank=bank.id)
    text.gauge("capacity_low_fraction", bank.capacity.low, bank=bank.id)
    text.gauge("capacity_high_fraction", bank.capacity.high, bank=bank.id)
    text.gauge("asked_fraction", bank.asked_fraction, bank=bank.id)
    text.gauge("effective_age_years", bank.effective_age_years, bank=bank.id)
    text.states("charging", Verdict, bank.charging.verdict, bank=bank.id)
