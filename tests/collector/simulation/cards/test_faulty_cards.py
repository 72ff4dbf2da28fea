"""Each lie changes exactly what it names, and nothing else."""

import pytest

from collector.cards.mib import upsmib
from collector.cards.snmp import ber
from collector.simulation.cards import card as voice
from collector.simulation.cards.card import Typed
from collector.simulation.cards.faulty_cards import CHANGES, PLACES, Lie, told

WIRE: dict[str, int | str] = {
    "sysUpTime": 100,
    "upsIdentModel": "M 20",
    "upsBatteryStatus": 2,
    "upsBatteryVoltage": 4360,
    "upsBatteryCurrent": 250,
    "upsBatteryTemperature": 24,
    "upsEstimatedMinutesRemaining": 20,
    "upsEstimatedChargeRemaining": 97,
    "upsOutputSource": 3,
    "upsOutputFrequency": 500,
    "upsAlarmsPresent": 1,
    "upsOutputNumLines": 3,
    "upsConfigOutputVA": 20000,
    "upsConfigOutputPower": 18000,
    "upsConfigOutputVoltage": 230,
    **{f"upsOutputVoltage.{i}": 230 for i in (1, 2, 3)},
    **{f"upsOutputCurrent.{i}": 120 for i in (1, 2, 3)},
    **{f"upsOutputPower.{i}": 2500 for i in (1, 2, 3)},
    **{f"upsOutputPercentLoad.{i}": 42 for i in (1, 2, 3)},
    **{f"upsInputFrequency.{i}": 500 for i in (1, 2, 3)},
    **{f"upsInputTruePower.{i}": 2700 for i in (1, 2, 3)},
}
OBJECTS = voice.typed(WIRE)


def changed(lie: Lie) -> dict[str, Typed]:
    now = CHANGES[lie](dict(OBJECTS))
    return {name: value for name, value in now.items() if OBJECTS.get(name) != value}


@pytest.mark.parametrize(
    ("lie", "want"),
    [
        (Lie.OUTPUT_VOLTS_TENTHS, {"upsOutputVoltage.1": 2300}),
        (Lie.HERTZ_WHOLE, {"upsOutputFrequency": 50, "upsInputFrequency.3": 50}),
        (Lie.HERTZ_HUNDREDTHS, {"upsOutputFrequency": 5000}),
        (Lie.KILOVOLTAMPERES, {"upsConfigOutputVA": 20, "upsConfigOutputPower": 18}),
        (Lie.LINE_TO_LINE, {"upsOutputVoltage.2": 398, "upsConfigOutputVoltage": 398}),
        (Lie.PERCENT_OF_UNIT, {"upsOutputPercentLoad.1": 14}),
        (Lie.BATTERY_VOLTS_WHOLE, {"upsBatteryVoltage": 436}),
        (Lie.BATTERY_HALF, {"upsBatteryVoltage": 2180}),
        (Lie.CURRENT_REVERSED, {"upsBatteryCurrent": -250}),
        (Lie.TEMPERATURE_TENTHS, {"upsBatteryTemperature": 240}),
        (Lie.TEMPERATURE_FAHRENHEIT, {"upsBatteryTemperature": 75}),
        (Lie.CHARGE_TENTHS, {"upsEstimatedChargeRemaining": 970}),
        (Lie.MINUTES_ZERO, {"upsEstimatedMinutesRemaining": 0}),
        (Lie.MINUTES_ARE_SECONDS, {"upsEstimatedMinutesRemaining": 1200}),
        (Lie.SENTINEL_16_BIT, {"upsBatteryTemperature": 65535, "upsInputTruePower.1": 65535}),
        (Lie.ALARM_COUNT_WRONG, {"upsAlarmsPresent": 3}),
        (Lie.ALARM_CONTRADICTS, {"upsBatteryStatus": 3}),
        (Lie.SOURCE_FROM_CLAUSE, {"upsOutputSource": 2}),
        (Lie.LINE_COUNT_WRONG, {"upsOutputNumLines": 0}),
    ],
)
def test_a_lie_about_numbers_gives_these(lie: Lie, want: dict[str, int]) -> None:
    got = changed(lie)
    assert {name: got[name][1] for name in want} == want
    stems = {name.partition(".")[0] for name in got}
    assert len(stems) <= 4


def test_every_lie_is_told_somewhere() -> None:
    assert set(Lie) == set(CHANGES) | set(PLACES) | {Lie.ALARM_ROWS_STAY}


def test_types_change_without_values() -> None:
    gauges = CHANGES[Lie.GAUGES](dict(OBJECTS))
    assert gauges["upsBatteryVoltage"] == (ber.GAUGE32, 4360)
    texts = CHANGES[Lie.TEXT_NUMBERS](dict(OBJECTS))
    assert texts["upsOutputFrequency"] == (ber.OCTET_STRING, b"50.0")
    padded = CHANGES[Lie.TEXT_PADDED](dict(OBJECTS))
    assert padded["upsIdentModel"] == (ber.OCTET_STRING, b"M 20" + b"\x00" * 28)
    floats = CHANGES[Lie.OPAQUE_FLOATS](dict(OBJECTS))
    assert floats["upsOutputFrequency"] == (ber.OPAQUE, bytes.fromhex("9f780442480000"))  # IEEE 754: 50.0


def test_a_negative_as_an_unsigned_number() -> None:
    both = CHANGES[Lie.NEGATIVES_UNSIGNED](CHANGES[Lie.CURRENT_REVERSED](dict(OBJECTS)))
    assert both["upsBatteryCurrent"] == (ber.GAUGE32, 2**32 - 250)


def test_a_single_phase_card_shows_three_rows() -> None:
    one = {n: v for n, v in OBJECTS.items() if not n.endswith((".2", ".3"))}
    shown = CHANGES[Lie.ABSENT_LINES_SHOWN](one)
    assert shown["upsOutputVoltage.3"] == (ber.INTEGER, 0)
    assert shown["upsOutputVoltage.1"] == (ber.INTEGER, 230)


def test_a_subset_card_lacks_what_no_group_requires() -> None:
    left = CHANGES[Lie.SUBSET_ONLY](dict(OBJECTS))
    assert "upsBatteryVoltage" not in left
    assert "upsOutputVoltage.1" in left


@pytest.mark.parametrize(
    ("lie", "oid"),
    [
        (Lie.ROWS_EXTRA_ARC, "4.4.1.2.2.0"),
        (Lie.ROWS_FROM_ZERO, "4.4.1.2.1"),
        (Lie.ROWS_UNDER_ZERO, "4.4.1.2.0"),
    ],
)
def test_rows_stand_elsewhere_and_scalars_stay(lie: Lie, oid: str) -> None:
    only = {
        "upsOutputVoltage.2": OBJECTS["upsOutputVoltage.2"],
        "upsBatteryStatus": OBJECTS["upsBatteryStatus"],
    }
    standing = told(only, (lie,))
    assert set(standing) == {f"{upsmib.OBJECTS_ROOT}.{oid}", f"{upsmib.OBJECTS_ROOT}.2.1.0"}
