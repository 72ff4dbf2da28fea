"""The plant's state as OpenMetrics 1.0 text.

Names are `ridethrough_` and our own quantities, which end in their unit (`ridethrough_output_power_w`).
What is not known is left out, never written as a number; states are StateSets (clause 5.5 of the
OpenMetrics specification), one sample a state. Pure functions over values; no route and no clock here.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from datetime import datetime
from enum import StrEnum
from functools import lru_cache
from typing import Any, Final

from rules.battery.state import BankState
from rules.plant.reading import BatteryStatus, OutputSource, Reading
from rules.system.state import HoldUp, SystemState
from rules.values.verdict import Verdict

CONTENT_TYPE: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"
PLAIN: Final = "text/plain; charset=utf-8"
"""The same text for whoever looks at it and takes no other: a browser, say."""
_PARAMETER: Final = re.compile(r';\s*([\w-]+)\s*=\s*("[^"]*"|[^;\s]+)')
PREFIX: Final = "ridethrough_"

UNITS: Final = frozenset(("w", "va", "v", "a", "c", "s", "hz", "pct", "fraction", "years"))
_HELP: Final = {
    "build": "Which version runs.",
    "agent_uptime_s": "For how long the card of a unit has run, as it says.",
    "doubts": "Values of a unit's last reading that were doubted and left out, or corrected.",
    "card_alarms": "Rows in the alarm table of a unit's card.",
    "battery_status": "What the card says of its bank.",
    "battery_on_battery_s": "For how long the unit has been on its bank, as its card says.",
    "battery_voltage_v": "Voltage of the bank.",
    "battery_temperature_c": "Temperature at the bank.",
    "input_bad_count": "How often the input was out of tolerance since the card began to count.",
    "input_frequency_hz": "Frequency of one input line.",
    "input_voltage_v": "Voltage of one input line.",
    "input_current_a": "Current of one input line.",
    "input_power_w": "True power of one input line.",
    "output_source": "What feeds the output of a unit, as its card says.",
    "output_frequency_hz": "Frequency of a unit's output.",
    "output_voltage_v": "Voltage of one output line.",
    "output_current_a": "Current of one output line.",
    "bypass_frequency_hz": "Frequency of a unit's bypass.",
    "bypass_voltage_v": "Voltage of one bypass line.",
    "bypass_current_a": "Current of one bypass line.",
    "bypass_power_w": "True power of one bypass line.",
    "nameplate_nominal_input_voltage_v": "Voltage the unit is made for at its input, as its card says.",
    "nameplate_nominal_input_frequency_hz": "Frequency the unit is made for at its input, as its card says.",
    "nameplate_nominal_output_voltage_v": "Voltage the unit is made to give, as its card says.",
    "nameplate_nominal_output_frequency_hz": "Frequency the unit is made to give, as its card says.",
    "nameplate_rating_va": "Apparent power the unit is rated for, as its card says.",
    "nameplate_rating_w": "True power the unit is rated for, as its card says.",
    "nameplate_low_battery_time_s": "At how much time left the card calls its bank low.",
    "cards_answering_count": "Cards that answer.",
    "cards_count": "Cards that are read.",
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
    "load_power_w": "True power of a system's load.",
    "load_apparent_va": "Apparent power of a system's load.",
    "line_load_power_w": "True power of a system's load on one line of its board.",
    "line_load_apparent_va": "Apparent power of a system's load on one line of its board.",
    "hold_up_low_s": "How long the system holds its load: 5th percentile.",
    "hold_up_median_s": "How long the system holds its load: median.",
    "hold_up_high_s": "How long the system holds its load: 95th percentile.",
    "requirement_required_s": "The hold-up that the requirement asks for.",
    "requirement_margin_s": "Hold-up (5th percentile) less what the requirement asks for.",
    "requirement": "Whether a required hold-up is met.",
    "redundancy": "Whether the spare units are spare.",
    "redundancy_margin_w": "Power left on the tightest line with the spare units gone.",
    "redundancy_margin_fraction": "The same as a share of what the line's rating gives with the spare units gone.",
    "capacity_low_fraction": "The least that this is: 5th percentile.",
    "capacity_high_fraction": "The most that this is: 95th percentile.",
    "asked_fraction": "Capacity at which the bank just gives what is asked of it.",
    "effective_age_years": "Age of a bank as its heat and its discharges have made it.",
    "charging": "Whether a bank is charged as it should be.",
    "capacity_fraction": "Capacity of a bank as a share of what its table gives.",
    "on_battery": "1 while the system's load is on its banks.",
    "standing_alarms": "Alarms that are anything but normal, by severity.",
}

OWN: Final = "A figure of the service itself."


@dataclass(slots=True)
class _Family:
    type: str
    samples: list[str] = field(default_factory=list)


class _Text:
    """Families in order of first mention, each written as one block, as the specification demands.

    A sample is written where it is met, and the labels of a thing once for all its samples (`_braces`): a thousand units
    have a hundred thousand samples, and are asked for every few seconds.
    """

    def __init__(self) -> None:
        self._families: dict[str, _Family] = {}

    def gauge(self, name: str, value: float | bool | None, labels: str = "") -> None:
        if value is None or not math.isfinite(value):
            return
        self._samples(name, "gauge").append(f"{PREFIX}{name}{labels} {number(float(value))}")

    def info(self, name: str, labels: str = "") -> None:
        self._samples(name, "info").append(f"{PREFIX}{name}_info{labels} 1")

    def states(self, name: str, states: type[StrEnum], now: StrEnum | None, labels: str) -> None:
        if now is None:
            return
        samples = self._samples(name, "stateset")
        for state in states:
            samples.append(f'{PREFIX}{name}{labels[:-1]},{PREFIX}{name}="{state}"}} {int(state is now)}')

    def _samples(self, name: str, kind: str) -> list[str]:
        family = self._families.get(name)
        if family is None:
            family = self._families[name] = _Family(kind)
        return family.samples

    def lines(self) -> Iterator[str]:
        for name, family in self._families.items():
            yield f"# TYPE {PREFIX}{name} {family.type}"
            unit = name.rpartition("_")[2]
            if unit in UNITS and family.type == "gauge":
                yield f"# UNIT {PREFIX}{name} {unit}"
            yield f"# HELP {PREFIX}{name} {_HELP.get(name, OWN)}"
            yield from family.samples
        yield "# EOF"


def media_type(accept: str | None) -> str | None:
    """Return the media type to answer with by what a request accepts (RFC 9110, 12.5.1); None: it takes neither.

    The most exact range that names a type counts for it; where both are wanted alike it is OpenMetrics. A range that
    names another version of the format does not name this one.
    """
    if not (accept or "").strip():
        return CONTENT_TYPE
    ranges = [_range(one) for one in (accept or "").split(",")]
    best = max(
        (CONTENT_TYPE, PLAIN), key=lambda media: _wanted(media, ranges)
    )  # the first of those that are wanted alike
    return best if _wanted(best, ranges) > 0.0 else None


def _range(text: str) -> tuple[str, dict[str, str], float]:
    """Return one range of an Accept field: type, parameters and weight; one that cannot be read weighs nothing."""
    kind = text.partition(";")[0].strip().casefold()
    given = {name.casefold(): value.strip('"') for name, value in _PARAMETER.findall(text)}
    try:
        weight = float(given.pop("q", "1"))
    except ValueError:
        weight = 0.0
    return kind, given, weight if 0.0 <= weight <= 1.0 else 0.0


def _wanted(media: str, ranges: Iterable[tuple[str, dict[str, str], float]]) -> float:
    kind, _, _ = media.partition(";")
    own = dict(_PARAMETER.findall(media))
    named = {kind: 2, f"{kind.partition('/')[0]}/*": 1, "*/*": 0}
    fits = [
        (named[one], len(given), weight)
        for one, given, weight in ranges
        if one in named and all(own.get(name, value) == value for name, value in given.items())
    ]
    return max(fits, default=(0, 0, 0.0))[2]


def _braces(**labels: object) -> str:
    """Return labels as they are written after a name; at least one of them is known."""
    known = (f'{name}="{escaped(str(value))}"' for name, value in labels.items() if value is not None)
    return f"{{{','.join(known)}}}"


def escaped(text: str) -> str:
    """Return a label's value with what the format needs escaped, and nothing that could not be sent."""
    if text.isascii() and text.isprintable() and '"' not in text and "\\" not in text:
        return text
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
    text.info("build", _braces(version=version))
    for name, value in (own or {}).items():
        text.gauge(name, value)
    for severity, count in (alarms or {}).items():
        text.gauge("standing_alarms", count, _braces(severity=severity))
    for reading in readings:
        age_s = (ages_s or {}).get(reading.unit, (now - reading.at).total_seconds())
        _reading(text, reading, max(age_s, 0.0))
    for system in systems:
        _system(text, system)
    for bank in banks:
        _bank(text, bank)
    return "\n".join(text.lines()) + "\n"


def _reading(text: _Text, reading: Reading, age_s: float) -> None:
    labels = _braces(unit=reading.unit)
    text.gauge("reading_age_s", age_s, labels)
    text.gauge("agent_uptime_s", reading.agent_uptime_s, labels)
    text.gauge("doubts", len(reading.doubts), labels)
    text.gauge("card_alarms", None if reading.card_alarms is None else len(reading.card_alarms), labels)
    text.states("battery_status", BatteryStatus, reading.battery.status, labels)
    text.states("output_source", OutputSource, reading.output.source, labels)
    by_line: dict[int, str] = {}
    for group in ("battery", "input", "output", "bypass", "nameplate"):
        part: Any = getattr(reading, group)
        if part is None:
            continue
        _numbers(text, group, part, labels)
        for line in getattr(part, "lines", ()):
            if line.line not in by_line:
                by_line[line.line] = _braces(unit=reading.unit, line=line.line)
            _numbers(text, group, line, by_line[line.line])


@lru_cache(maxsize=64)
def _named(group: str, kind: type[Any]) -> tuple[tuple[str, str], ...]:
    """Return the fields of a part whose names end in a unit, each with the name of its family."""
    names = (item.name for item in fields(kind))
    return tuple((n, f"{group}_{n}") for n in names if n.rpartition("_")[2] in UNITS or n == "bad_count")


def _numbers(text: _Text, group: str, part: Any, labels: str) -> None:  # noqa: ANN401
    """Write every field whose name ends in a unit."""
    kind: Any = type(part)
    for name, family in _named(group, kind):
        value = getattr(part, name)
        if isinstance(value, int | float):
            text.gauge(family, value, labels)


def _system(text: _Text, system: SystemState) -> None:
    name, labels = system.id, _braces(system=system.id)
    text.gauge("load_power_w", system.load.power_w, labels)
    text.gauge("load_apparent_va", system.load.apparent_va, labels)
    for line in system.load.lines:
        on_line = _braces(system=name, line=line.line)
        text.gauge("line_load_power_w", line.power_w, on_line)
        text.gauge("line_load_apparent_va", line.apparent_va, on_line)
    _hold_up(text, system.hold_up.now, name, "now")
    _hold_up(text, system.hold_up.one_unit_lost, name, "one_unit_lost")
    text.gauge("on_battery", system.on_battery is not None, labels)
    if system.redundancy is not None:
        text.states("redundancy", Verdict, system.redundancy.verdict, labels)
        text.gauge("redundancy_margin_w", system.redundancy.margin_w, labels)
        text.gauge("redundancy_margin_fraction", system.redundancy.margin_fraction, labels)
    for met in system.requirements:
        asked = _braces(system=name, requirement=met.id, against=met.against)
        text.states("requirement", Verdict, met.verdict, asked)
        text.gauge("requirement_required_s", met.required_s, asked)
        text.gauge("requirement_margin_s", met.margin_s, asked)


def _hold_up(text: _Text, held: HoldUp, system: str, case: str) -> None:
    labels = _braces(system=system, case=case)
    for name in ("low_s", "median_s", "high_s"):
        text.gauge(f"hold_up_{name}", getattr(held, name), labels)


def _bank(text: _Text, bank: BankState) -> None:
    labels = _braces(bank=bank.id)
    text.gauge("capacity_fraction", bank.capacity.fraction, labels)
    text.gauge("capacity_low_fraction", bank.capacity.low, labels)
    text.gauge("capacity_high_fraction", bank.capacity.high, labels)
    text.gauge("asked_fraction", bank.asked_fraction, labels)
    text.gauge("effective_age_years", bank.effective_age_years, labels)
    text.states("charging", Verdict, bank.charging.verdict, labels)
