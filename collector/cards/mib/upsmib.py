"""The standard UPS MIB (RFC 1628) as one table, with its enumerations, alarms, tests and notifications.

The table says what stands on the wire and what it means inside: `scale` turns the integer into `unit`.
Objects that can be written exist in the table because cards hold them; nothing in this package writes.

Conformance follows the MODULE-COMPLIANCE clauses of RFC 1628: what a subset, basic or full card must
hold. Battery volts, amperes and temperature, input amperes and watts, bypass amperes and watts stand in
no group at all, so a fully compliant card may lack each of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum, StrEnum
from types import MappingProxyType
from typing import Final

from rules.plant.reading import BatteryStatus, OutputSource, TestResult

UPS_MIB: Final = "1.3.6.1.2.1.33"
OBJECTS_ROOT: Final = UPS_MIB + ".1"
NOTIFICATIONS_ROOT: Final = UPS_MIB + ".2"
SYS_UP_TIME: Final = "1.3.6.1.2.1.1.3.0"
SYS_DESCR: Final = "1.3.6.1.2.1.1.1.0"
SYS_OBJECT_ID: Final = "1.3.6.1.2.1.1.2.0"


class Kind(StrEnum):
    """The ASN.1 type RFC 1628 gives an object."""

    INTEGER = "INTEGER"
    GAUGE = "Gauge32"
    COUNTER = "Counter32"
    TICKS = "TimeTicks"
    TEXT = "OCTET STRING"
    OID = "OBJECT IDENTIFIER"


class TablePart(StrEnum):
    """The parts of a reading, each with its own cadence."""

    LIVE = "live"
    SLOW = "slow"
    NAMEPLATE = "nameplate"


class Conformance(Enum):
    """The least demanding compliance statement that requires an object; NONE: never required."""

    SUBSET = 1
    BASIC = 2
    FULL = 3
    NONE = 4


@dataclass(frozen=True, slots=True)
class MibObject:
    """One object of the MIB.

    `oid` of a scalar ends in .0, of a column it lacks the row. `part` None: not read in service.
    `group` and `field` name the value in a reading; `low` and `high` bound the wire value by the
    standard (inclusive), where it states bounds.
    """

    name: str
    oid: str
    kind: Kind
    unit: str | None = None
    scale: float = 1.0
    column: bool = False
    conformance: Conformance = Conformance.NONE
    part: TablePart | None = None
    group: str | None = None
    field: str | None = None
    low: int | None = None
    high: int | None = None

    def at(self, line: int) -> str:
        """Return the OID of a column's row by the standard's indexing."""
        return f"{self.oid}.{line}"


_SUBSET, _BASIC, _FULL = Conformance.SUBSET, Conformance.BASIC, Conformance.FULL
_LIVE, _SLOW, _PLATE = TablePart.LIVE, TablePart.SLOW, TablePart.NAMEPLATE
_B: Final = OBJECTS_ROOT
_INTEGER_MAX: Final = 2**31 - 1


def _scalar(  # noqa: PLR0917 - one call per line of a table
    name: str,
    place: str,
    kind: Kind,
    conformance: Conformance = Conformance.NONE,
    part: TablePart | None = None,
    field: str | None = None,
    unit: str | None = None,
    scale: float = 1.0,
    low: int | None = None,
    high: int | None = None,
) -> MibObject:
    group, _, leaf = (field or "").partition(".")
    oid = f"{_B}.{place}.0"
    return MibObject(
        name, oid, kind, unit, scale, False, conformance, part, group or None, leaf or None, low, high
    )


def _column(  # noqa: PLR0917 - one call per line of a table
    name: str,
    place: str,
    conformance: Conformance,
    part: TablePart,
    field: str,
    unit: str,
    scale: float = 1.0,
    high: int | None = None,
) -> MibObject:
    group, _, leaf = field.partition(".")
    return MibObject(
        name, f"{_B}.{place}", Kind.INTEGER, unit, scale, True, conformance, part, group, leaf, 0, high
    )


_I, _T, _O = Kind.INTEGER, Kind.TEXT, Kind.OID
_NONE = Conformance.NONE

OBJECTS: Final[tuple[MibObject, ...]] = (
    # Ident group
    _scalar("upsIdentManufacturer", "1.1", _T, _SUBSET, _PLATE, "nameplate.manufacturer", high=31),
    _scalar("upsIdentModel", "1.2", _T, _SUBSET, _PLATE, "nameplate.model", high=63),
    _scalar("upsIdentUPSSoftwareVersion", "1.3", _T, _BASIC, _PLATE, "nameplate.ups_software", high=63),
    _scalar("upsIdentAgentSoftwareVersion", "1.4", _T, _SUBSET, _PLATE, "nameplate.agent_software", high=63),
    _scalar("upsIdentName", "1.5", _T, _SUBSET, high=63),
    _scalar("upsIdentAttachedDevices", "1.6", _T, _SUBSET, high=63),
    # Battery group
    _scalar("upsBatteryStatus", "2.1", _I, _SUBSET, _LIVE, "battery.status", low=1, high=4),
    _scalar("upsSecondsOnBattery", "2.2", _I, _SUBSET, _LIVE, "battery.on_battery_s", "s", low=0),
    _scalar("upsEstimatedMinutesRemaining", "2.3", _I, _FULL, _LIVE, "battery.card_runtime_s", "s", 60.0, low=1),
    _scalar("upsEstimatedChargeRemaining", "2.4", _I, _FULL, _LIVE, "battery.charge_pct", "%", low=0, high=100),
    _scalar("upsBatteryVoltage", "2.5", _I, _NONE, _LIVE, "battery.voltage_v", "V", 0.1, low=0),
    _scalar("upsBatteryCurrent", "2.6", _I, _NONE, _LIVE, "battery.current_a", "A", 0.1),
    _scalar("upsBatteryTemperature", "2.7", _I, _NONE, _LIVE, "battery.temperature_c", "degC"),
    # Input group
    _scalar("upsInputLineBads", "3.1", Kind.COUNTER, _BASIC, _LIVE, "input.bad_count", low=0),
    _scalar("upsInputNumLines", "3.2", _I, _BASIC, _SLOW, low=0),
    _column("upsInputFrequency", "3.3.1.2", _BASIC, _LIVE, "input.frequency_hz", "Hz", 0.1),
    _column("upsInputVoltage", "3.3.1.3", _BASIC, _LIVE, "input.voltage_v", "V"),
    _column("upsInputCurrent", "3.3.1.4", _NONE, _LIVE, "input.current_a", "A", 0.1),
    _column("upsInputTruePower", "3.3.1.5", _NONE, _LIVE, "input.power_w", "W"),
    # Output group
    _scalar("upsOutputSource", "4.1", _I, _SUBSET, _LIVE, "output.source", low=1, high=7),
    _scalar("upsOutputFrequency", "4.2", _I, _BASIC, _LIVE, "output.frequency_hz", "Hz", 0.1, low=0),
    _scalar("upsOutputNumLines", "4.3", _I, _BASIC, _SLOW, low=0),
    _column("upsOutputVoltage", "4.4.1.2", _BASIC, _LIVE, "output.voltage_v", "V"),
    _column("upsOutputCurrent", "4.4.1.3", _FULL, _LIVE, "output.current_a", "A", 0.1),
    _column("upsOutputPower", "4.4.1.4", _FULL, _LIVE, "output.power_w", "W"),
    _column("upsOutputPercentLoad", "4.4.1.5", _FULL, _LIVE, "output.load_pct", "%", high=200),
    # Bypass group: only where a bypass exists
    _scalar("upsBypassFrequency", "5.1", _I, _BASIC, _SLOW, "bypass.frequency_hz", "Hz", 0.1, low=0),
    _scalar("upsBypassNumLines", "5.2", _I, _BASIC, _SLOW, low=0),
    _column("upsBypassVoltage", "5.3.1.2", _BASIC, _SLOW, "bypass.voltage_v", "V"),
    _column("upsBypassCurrent", "5.3.1.3", _NONE, _SLOW, "bypass.current_a", "A", 0.1),
    _column("upsBypassPower", "5.3.1.4", _NONE, _SLOW, "bypass.power_w", "W"),
    # Alarm group; the table beneath is walked, since its rows come and go
    _scalar("upsAlarmsPresent", "6.1", Kind.GAUGE, _SUBSET, _LIVE, low=0),
    # Test group
    _scalar("upsTestId", "7.1", _O, _BASIC, _SLOW),
    _scalar("upsTestSpinLock", "7.2", _I, _BASIC),
    _scalar("upsTestResultsSummary", "7.3", _I, _BASIC, _LIVE, "test.result", low=1, high=6),
    _scalar("upsTestResultsDetail", "7.4", _T, _BASIC, _SLOW, "test.detail", high=255),
    _scalar("upsTestStartTime", "7.5", Kind.TICKS, _BASIC, _SLOW),
    _scalar("upsTestElapsedTime", "7.6", _I, _BASIC, _SLOW, low=0),
    # Control group: never read in service; -1 here means "none", it is no sentinel
    _scalar("upsShutdownType", "8.1", _I, _SUBSET, low=1, high=2),
    _scalar("upsShutdownAfterDelay", "8.2", _I, _SUBSET, unit="s", low=-1),
    _scalar("upsStartupAfterDelay", "8.3", _I, _BASIC, unit="s", low=-1),
    _scalar("upsRebootWithDuration", "8.4", _I, _BASIC, unit="s", low=-1, high=300),
    _scalar("upsAutoRestart", "8.5", _I, _SUBSET, low=1, high=2),
    # Config group
    _scalar("upsConfigInputVoltage", "9.1", _I, _SUBSET, _PLATE, "nameplate.nominal_input_voltage_v", "V", low=0),
    _scalar("upsConfigInputFreq", "9.2", _I, _SUBSET, _PLATE, "nameplate.nominal_input_frequency_hz", "Hz", 0.1, low=0),
    _scalar("upsConfigOutputVoltage", "9.3", _I, _SUBSET, _PLATE, "nameplate.nominal_output_voltage_v", "V", low=0),
    _scalar(
        "upsConfigOutputFreq", "9.4", _I, _SUBSET, _PLATE, "nameplate.nominal_output_frequency_hz", "Hz", 0.1, low=0
    ),
    _scalar("upsConfigOutputVA", "9.5", _I, _SUBSET, _PLATE, "nameplate.rating_va", "VA", low=0),
    _scalar("upsConfigOutputPower", "9.6", _I, _SUBSET, _PLATE, "nameplate.rating_w", "W", low=0),
    _scalar("upsConfigLowBattTime", "9.7", _I, _BASIC, _PLATE, "nameplate.low_battery_time_s", "s", 60.0, low=0),
    _scalar("upsConfigAudibleStatus", "9.8", _I, _BASIC, low=1, high=3),
    _scalar("upsConfigLowVoltageTransferPoint", "9.9", _I, unit="V", low=0),
    _scalar("upsConfigHighVoltageTransferPoint", "9.10", _I, unit="V", low=0),
)  # fmt: skip

BY_NAME: Final[Mapping[str, MibObject]] = MappingProxyType({o.name: o for o in OBJECTS})
LINES: Final = (1, 2, 3)

ALARM_TABLE: Final = _B + ".6.2"
ALARM_DESCR: Final = _B + ".6.2.1.2"
ALARM_TIME: Final = _B + ".6.2.1.3"

BATTERY_STATUS: Final[Mapping[int, BatteryStatus]] = MappingProxyType(
    {1: BatteryStatus.UNKNOWN, 2: BatteryStatus.NORMAL, 3: BatteryStatus.LOW, 4: BatteryStatus.DEPLETED}
)
# The compliance clauses of RFC 1628 write normal(2), battery(4); the enumeration itself is what counts.
OUTPUT_SOURCE: Final[Mapping[int, OutputSource]] = MappingProxyType(
    {
        1: OutputSource.OTHER,
        2: OutputSource.NONE,
        3: OutputSource.NORMAL,
        4: OutputSource.BYPASS,
        5: OutputSource.BATTERY,
        6: OutputSource.BOOSTER,
        7: OutputSource.REDUCER,
    }
)
TEST_RESULT: Final[Mapping[int, TestResult]] = MappingProxyType(
    {
        1: TestResult.PASS,
        2: TestResult.WARNING,
        3: TestResult.ERROR,
        4: TestResult.ABORTED,
        5: TestResult.IN_PROGRESS,
        6: TestResult.NONE,
    }
)

ALARMS: Final[Mapping[str, str]] = MappingProxyType(
    {
        f"{_B}.6.3.{n}": f"upsAlarm{name}"
        for n, name in enumerate(
            (
                "BatteryBad OnBattery LowBattery DepletedBattery TempBad InputBad OutputBad OutputOverload OnBypass "
                "BypassBad OutputOffAsRequested UpsOffAsRequested ChargerFailed UpsOutputOff UpsSystemOff FanFailure "
                "FuseFailure GeneralFault DiagnosticTestFailed CommunicationsLost AwaitingPower ShutdownPending "
                "ShutdownImminent TestInProgress"
            ).split(),
            start=1,
        )
    }
)
ALARM_OID: Final[Mapping[str, str]] = MappingProxyType({name: oid for oid, name in ALARMS.items()})

TESTS: Final[Mapping[str, str]] = MappingProxyType(
    {
        f"{_B}.7.7.1": "upsTestNoTestsInitiated",
        f"{_B}.7.7.2": "upsTestAbortTestInProgress",
        f"{_B}.7.7.3": "upsTestGeneralSystemsTest",
        f"{_B}.7.7.4": "upsTestQuickBatteryTest",
        f"{_B}.7.7.5": "upsTestDeepBatteryCalibration",
    }
)

_TRAPS: Final = (
    "upsTrapOnBattery",
    "upsTrapTestCompleted",
    "upsTrapAlarmEntryAdded",
    "upsTrapAlarmEntryRemoved",
)
# Both forms: as RFC 1628 defines them, and with the zero that RFC 3584 (3.1) puts in when a v1 trap is translated.
NOTIFICATIONS: Final[Mapping[str, str]] = MappingProxyType(
    {f"{NOTIFICATIONS_ROOT}.{n}": name for n, name in enumerate(_TRAPS, start=1)}
    | {f"{NOTIFICATIONS_ROOT}.0.{n}": name for n, name in enumerate(_TRAPS, start=1)}
)


def wire_key(name: str, line: int | None = None) -> str:
    """Return the name under which a wire value is kept: `upsBatteryVoltage`, `upsOutputVoltage.2`."""
    return name if line is None else f"{name}.{line}"


def standard_places(part: TablePart) -> dict[str, str]:
    """Return wire key -> OID for every object of a part, columns for lines 1 to 3, by the standard."""
    places: dict[str, str] = {"sysUpTime": SYS_UP_TIME} if part is TablePart.LIVE else {}
    for item in OBJECTS:
        if item.part is part:
            if item.column:
                places.update({wire_key(item.name, line): item.at(line) for line in LINES})
            else:
                places[item.name] = item.oid
    return places
