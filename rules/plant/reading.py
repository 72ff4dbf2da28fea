"""One reading of one card in SI units: what was measured, what was doubted, what is not known.

None means "not known", everywhere; nothing absent ever turns into zero. Current is positive while the
bank discharges. Only lines that exist are listed. Field names are the names of the HTTP interface.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum


class BatteryStatus(StrEnum):
    """upsBatteryStatus, RFC 1628."""

    UNKNOWN = "unknown"
    NORMAL = "normal"
    LOW = "low"
    DEPLETED = "depleted"


class OutputSource(StrEnum):
    """upsOutputSource, RFC 1628: where the output power comes from."""

    OTHER = "other"
    NONE = "none"
    NORMAL = "normal"
    BYPASS = "bypass"
    BATTERY = "battery"
    BOOSTER = "booster"
    REDUCER = "reducer"


class TestResult(StrEnum):
    """upsTestResultsSummary, RFC 1628."""

    __test__ = False  # not a test case, whatever its name suggests to pytest

    PASS = "pass"  # noqa: S105 - a result, not a secret
    WARNING = "warning"
    ERROR = "error"
    ABORTED = "aborted"
    IN_PROGRESS = "in_progress"
    NONE = "none"


class DoubtKind(StrEnum):
    """Why a value on the wire was not taken as it came."""

    SENTINEL = "sentinel"
    IMPOSSIBLE = "impossible"
    SCALE = "scale"
    TYPE = "type"
    BASE = "base"
    SIGN = "sign"
    PLACE = "place"
    ABSENT_LINE = "absent_line"
    CONTRADICTION = "contradiction"
    STUCK = "stuck"
    UNPROVEN = "unproven"
    TEXT = "text"


@dataclass(frozen=True, slots=True)
class Doubt:
    """One value that was corrected (`used` set) or turned into "not known" (`used` None), and why."""

    object: str
    kind: DoubtKind
    reason: str
    raw: int | str | None = None
    used: float | str | None = None
    line: int | None = None


@dataclass(frozen=True, slots=True)
class BatteryReading:
    """The battery group. `card_runtime_s` and `charge_pct` are the card's claims, never evidence."""

    status: BatteryStatus | None = None
    on_battery_s: float | None = None
    card_runtime_s: float | None = None
    charge_pct: float | None = None
    voltage_v: float | None = None
    current_a: float | None = None
    temperature_c: float | None = None


@dataclass(frozen=True, slots=True)
class InputLine:
    """One input line."""

    line: int
    frequency_hz: float | None = None
    voltage_v: float | None = None
    current_a: float | None = None
    power_w: float | None = None


@dataclass(frozen=True, slots=True)
class InputReading:
    """The input group; `bad_count` is upsInputLineBads."""

    bad_count: int | None = None
    lines: tuple[InputLine, ...] = ()


@dataclass(frozen=True, slots=True)
class OutputLine:
    """One output line of the unit (its own numbering; `Unit.line_order` maps it to the board)."""

    line: int
    voltage_v: float | None = None
    current_a: float | None = None
    power_w: float | None = None
    load_pct: float | None = None

    @property
    def apparent_va(self) -> float | None:
        """Return volts times amperes; never less than the watts (a rounded current may say so)."""
        if self.voltage_v is None or self.current_a is None:
            return None
        return max(self.voltage_v * self.current_a, self.power_w or 0.0)


@dataclass(frozen=True, slots=True)
class OutputReading:
    """The output group."""

    source: OutputSource | None = None
    frequency_hz: float | None = None
    lines: tuple[OutputLine, ...] = ()

    @property
    def power_w(self) -> float | None:
        """Return the true power of all lines, None if any line's is not known."""
        powers = [line.power_w for line in self.lines]
        return None if not powers or None in powers else sum(p for p in powers if p is not None)


@dataclass(frozen=True, slots=True)
class BypassLine:
    """One bypass line."""

    line: int
    voltage_v: float | None = None
    current_a: float | None = None
    power_w: float | None = None


@dataclass(frozen=True, slots=True)
class BypassReading:
    """The bypass group; absent where the unit has no bypass."""

    frequency_hz: float | None = None
    lines: tuple[BypassLine, ...] = ()


@dataclass(frozen=True, slots=True)
class SelfTest:
    """The last test the card knows of."""

    result: TestResult | None = None
    detail: str | None = None


@dataclass(frozen=True, slots=True)
class Nameplate:
    """What the card says the cabinet is. Hostile text, already made safe to show.

    `engine_id`: the SNMPv3 engine that answered, in hexadecimal; None with other versions.
    """

    manufacturer: str | None = None
    model: str | None = None
    ups_software: str | None = None
    agent_software: str | None = None
    nominal_input_voltage_v: float | None = None
    nominal_input_frequency_hz: float | None = None
    nominal_output_voltage_v: float | None = None
    nominal_output_frequency_hz: float | None = None
    rating_va: float | None = None
    rating_w: float | None = None
    low_battery_time_s: float | None = None
    engine_id: str | None = None


@dataclass(frozen=True, slots=True)
class Stamp:
    """When: UTC for records, the collector's monotonic seconds for delays.

    Monotonic seconds compare only within one `start_id` (one run of the daemon).
    """

    at: datetime
    monotonic_s: float
    start_id: str


@dataclass(frozen=True, slots=True)
class Reading:
    """What one card said of one unit.

    `stamp` is the time of the live part. `part_at` gives the time of each slower part ("bypass",
    "test", "nameplate", ...) where it differs, since slow objects are read less often.
    """

    unit: str
    stamp: Stamp
    agent_uptime_s: float | None = None
    battery: BatteryReading = field(default_factory=BatteryReading)
    input: InputReading = field(default_factory=InputReading)
    output: OutputReading = field(default_factory=OutputReading)
    bypass: BypassReading | None = None
    card_alarms: tuple[str, ...] | None = None
    test: SelfTest = field(default_factory=SelfTest)
    nameplate: Nameplate = field(default_factory=Nameplate)
    doubts: tuple[Doubt, ...] = ()
    missing: tuple[str, ...] = ()
    part_at: Mapping[str, datetime] = field(default_factory=dict)

    @property
    def at(self) -> datetime:
        """Return when the live part was read (UTC)."""
        return self.stamp.at

    @property
    def on_battery(self) -> bool | None:
        """Return whether the bank carries the load, None when the card does not say.

        A bank in a test carries load too; whether that is an outage is the caller's question.
        """
        if self.output.source is None or self.output.source is OutputSource.OTHER:
            return None
        return self.output.source is OutputSource.BATTERY

    @property
    def in_test(self) -> bool:
        """Return whether the unit says that it tests its bank: on battery then, though the mains has not failed."""
        said = self.card_alarms or ()
        return self.test.result is TestResult.IN_PROGRESS or "upsAlarmTestInProgress" in said


@dataclass(frozen=True, slots=True)
class Silence:
    """A card that did not answer in time: a fact with its own age, not an error."""

    unit: str
    stamp: Stamp
    why: str


@dataclass(frozen=True, slots=True)
class Fault:
    """An unexpected fault in ridethrough itself while reading or judging one unit."""

    unit: str
    stamp: Stamp
    what: str


Sample = Reading | Silence | Fault
