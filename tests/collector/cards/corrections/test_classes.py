"""Every way cards break the standard: one that must be put right, and one that must stay undecided.

`CLASSES` lists them; each has tests named `test_NN_..._right` and `test_NN_..._undecided`, and the last test
here demands both. To see which are detected: `pytest -v tests/collector/cards/corrections/test_classes.py`.
"""

import math
from dataclasses import replace
from datetime import timedelta

import pytest

from collector.cards.corrections.sample import Declared
from collector.cards.mib.capability import from_walk
from collector.cards.mib.decode import decode
from collector.cards.mib.upsmib import BY_NAME, TablePart
from collector.cards.mib.wire_values import WireState, wire_value
from collector.cards.snmp import ber
from rules.plant.reading import DoubtKind, OutputSource
from tests.collector.cards.corrections.spoilt import (
    DECLARED,
    UNDECLARED,
    Raw,
    Truth,
    both,
    column,
    constant,
    discharging,
    moving,
    near,
    play,
    without,
)
from tests.collector.cards.sample_cards import AT, GOOD, STAMP, oid_of

CLASSES = {
    1: "sentinels",
    2: "frequency",
    3: "scales of amperes and watts",
    4: "kVA for VA",
    5: "volts from line to line",
    6: "base of the percent load",
    7: "battery volts",
    8: "battery current",
    9: "temperature",
    10: "charge",
    11: "minutes",
    12: "ASN.1 types",
    13: "table indices",
    14: "absent phases",
    15: "alarms",
    16: "stuck values",
    17: "agent restarts",
}


def test_00_a_card_that_keeps_to_the_standard_is_left_alone() -> None:
    played = play(moving(), polls=30)
    assert played.known.corrections.by_object.keys() <= {"upsBatteryCurrent"}  # its sign is nobody's fault
    assert played.last.doubts == ()
    assert played.last.output.lines[0].power_w == round(moving()(29).watts[0])


# --- 1 sentinels ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("raw", [-1, 65535, 32767, 2147483647, 4294967295])
def test_01_sentinels_right(raw: int) -> None:
    played = play(moving(), constant({"upsBatteryVoltage": raw, "upsOutputPower.2": raw}))
    assert played.last.battery.voltage_v is None
    assert played.last.output.lines[1].power_w is None
    assert played.last.output.lines[0].power_w is not None
    assert played.last.output.power_w is None  # nothing unknown is added up


def test_01_zeros_beside_a_load_right() -> None:
    """A small card that measures nothing but its percent: its zeros are not amperes and watts."""
    played = play(moving(), both(*(column(f"upsOutput{name}", lambda _: 0) for name in ("Current", "Power"))))
    assert [line.current_a for line in played.last.output.lines] == [None, None, None]
    assert played.last.output.power_w is None
    assert played.last.output.lines[0].load_pct is not None


def test_01_sentinels_undecided() -> None:
    """Zero battery volts may be no measurement or no bank: not known, and said."""
    played = play(moving(), constant({"upsBatteryVoltage": 0}))
    assert played.last.battery.voltage_v is None
    assert "unmeasured" in played.why("upsBatteryVoltage")


# --- 2 frequency ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("raw", [50, 500, 5000])
def test_02_frequency_right(raw: int) -> None:
    played = play(moving(), constant({"upsOutputFrequency": raw, "upsInputFrequency.1": 500}))
    assert near(played.last.output.frequency_hz, 50.0, 1.0)
    assert near(played.last.input.lines[0].frequency_hz, 50.0, 0.1)


def test_02_frequency_undecided() -> None:
    played = play(moving(), constant({"upsOutputFrequency": 250}))
    assert played.last.output.frequency_hz is None


# --- 3 scales of amperes and watts --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "factor", "resolution"),
    [
        ("upsOutputCurrent", 0.1, 0.5),
        ("upsOutputCurrent", 10.0, 0.01),
        ("upsOutputCurrent", 100.0, 0.001),
        ("upsOutputPower", 0.1, 5.0),
        ("upsOutputPower", 0.01, 50.0),
        ("upsOutputPower", 0.001, 500.0),
        ("upsOutputPower", 10.0, 0.1),
    ],
)
def test_03_scales_right(name: str, factor: float, resolution: float) -> None:
    truth = moving()
    played = play(truth, column(name, lambda v: v * factor))
    now = truth(19)
    for line, watts in zip(played.last.output.lines, now.watts, strict=True):
        amperes = watts / now.power_factor / now.volts
        if name == "upsOutputCurrent":
            assert near(line.current_a, amperes, resolution + 0.06)
            assert near(line.power_w, watts, 0.5)
        else:
            assert near(line.power_w, watts, resolution + 0.5)
            assert near(line.current_a, amperes, 0.06)
    assert played.readings[0].output.power_w is None or name == "upsOutputCurrent"  # not on one sample


def test_03_both_amperes_and_watts_are_put_right_by_the_percent_right() -> None:
    truth = moving()
    spoil = both(column("upsOutputCurrent", lambda v: v * 10), column("upsOutputPower", lambda v: v * 10))
    played = play(truth, spoil)
    assert near(played.last.output.lines[0].power_w, truth(19).watts[0], 0.5)


def test_03_the_input_is_put_right_by_the_output_right() -> None:
    spoil = both(column("upsInputCurrent", lambda v: v / 10), column("upsInputTruePower", lambda v: v / 100))
    played = play(moving(), spoil)
    line, watts = played.last.input.lines[0], moving()(19).watts[0]
    assert near(line.power_w, watts / 0.94, 51.0)
    assert near(line.current_a, watts / 0.94 / 231 / 0.99, 0.51)


def test_03_scales_undecided() -> None:
    """Amperes in amperes, or watts in ten times too large steps: without percent and rating, who can tell."""
    spoil = both(
        column("upsOutputCurrent", lambda v: v / 10),
        without("upsOutputPercentLoad", "upsConfigOutputVA", "upsConfigOutputPower"),
    )
    played = play(moving(), spoil, declared=UNDECLARED)
    line = played.last.output.lines[0]
    assert line.current_a is None
    assert line.power_w is None
    assert "reading at the cabinet would decide" in played.why("upsOutputPower")
    played.known.told_total(15400.0)
    later = play(moving(), spoil, polls=3, declared=UNDECLARED, known=played.known, begin=20)
    assert near(later.last.output.lines[0].power_w, moving()(22).watts[0], 0.5)
    assert later.last.output.lines[0].current_a is not None


def test_03_a_single_odd_sample_corrects_nothing_undecided() -> None:
    truth = moving()

    def once(poll: int) -> Truth:
        return truth(poll)

    played = play(once, polls=10)
    odd = play(once, column("upsOutputCurrent", lambda v: v / 10), polls=1, known=played.known, begin=10)
    assert odd.last.output.lines[0].current_a is None
    assert odd.known.corrections.by_object["upsOutputCurrent"].factor == 1.0
    later = play(once, polls=10, known=odd.known, begin=11)
    assert near(later.last.output.lines[0].power_w, truth(20).watts[0], 0.5)
    assert later.last.doubts == ()


# --- 4 kVA for VA ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("declared", [DECLARED, UNDECLARED])
def test_04_kva_right(declared: Declared) -> None:
    spoil = both(
        column("upsConfigOutputVA", lambda v: v / 1000), column("upsConfigOutputPower", lambda v: v / 1000)
    )
    played = play(moving(), spoil, declared=declared)
    assert played.last.nameplate.rating_va == 30000
    assert played.last.nameplate.rating_w == 27000
    assert near(played.last.output.lines[0].power_w, moving()(19).watts[0], 0.5)


def test_04_kva_undecided() -> None:
    """A rating of zero, and nothing declared: it must come from the plate."""
    played = play(
        moving(), constant({"upsConfigOutputVA": 0, "upsConfigOutputPower": 0}), declared=UNDECLARED
    )
    assert played.last.nameplate.rating_va is None
    assert played.last.output.lines[0].power_w is not None


# --- 5 volts from line to line ------------------------------------------------------------------------------


def test_05_line_to_line_right() -> None:
    played = play(
        moving(),
        both(
            column("upsOutputVoltage", lambda v: v * math.sqrt(3)), constant({"upsConfigOutputVoltage": 400})
        ),
    )
    line = played.last.output.lines[0]
    assert near(line.voltage_v, 230.0, 0.5 / math.sqrt(3) + 0.2)
    assert near(line.current_a, moving()(19).watts[0] / 0.9 / 230, 0.06)
    assert "line to line" in played.why("upsOutputVoltage")


def test_05_input_volts_from_line_to_line_right() -> None:
    played = play(moving(), column("upsInputVoltage", lambda v: v * math.sqrt(3)))
    assert near(played.last.input.lines[0].voltage_v, 231.0, 0.5)


def test_05_line_to_line_undecided() -> None:
    """400 V without a percent: line to line at a good power factor, or line to neutral at a poor one."""
    spoil = both(column("upsOutputVoltage", lambda v: v * math.sqrt(3)), without("upsOutputPercentLoad"))
    played = play(moving(), spoil)
    line = played.last.output.lines[0]
    assert line.voltage_v is None
    assert line.apparent_va is None
    assert line.power_w is not None  # watts do not hang on it


def test_05_line_to_line_of_a_120_v_system() -> None:
    """208 V at a power factor of 0.52: right with a percent, undecided without."""
    truth = moving(volts=120.0)
    spoil = column("upsOutputVoltage", lambda v: v * math.sqrt(3))
    played = play(truth, spoil)
    assert near(played.last.output.lines[0].voltage_v, 120.0, 0.5)
    open_still = play(truth, both(spoil, without("upsOutputPercentLoad")))
    assert open_still.last.output.lines[0].voltage_v is None


# --- 6 base of the percent ------------------------------------------------------------------------------------


def test_06_percent_right() -> None:
    played = play(moving(), column("upsOutputPercentLoad", lambda v: v / 3))
    truth = moving()(19)
    for line, watts in zip(played.last.output.lines, truth.watts, strict=True):
        assert near(line.load_pct, 100 * watts / 9000, 1.5 + 1.5)
        assert near(line.power_w, watts, 0.5)
    assert "share of the whole unit" in played.why("upsOutputPercentLoad")


def test_06_percent_undecided() -> None:
    """One percentage for the whole unit says nothing of a line."""
    uneven = moving(watts=(7000.0, 3000.0, 4500.0))

    def total(raw: Raw) -> Raw:
        watts = sum(int(raw[f"upsOutputPower.{line}"]) for line in (1, 2, 3))
        return raw | {f"upsOutputPercentLoad.{line}": round(100 * watts / 27000) for line in (1, 2, 3)}

    played = play(uneven, total)
    assert [line.load_pct for line in played.last.output.lines] == [None, None, None]
    assert played.last.output.power_w is not None
    assert "whole unit" in played.why("upsOutputPercentLoad")


# --- 7 battery volts ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("factor", "resolution"), [(0.1, 0.5), (10.0, 0.01)])
def test_07_battery_volts_right(factor: float, resolution: float) -> None:
    played = play(moving(), column("upsBatteryVoltage", lambda v: v * factor))
    assert near(played.last.battery.voltage_v, 545.1, resolution)
    assert played.readings[0].battery.voltage_v is None  # not on one sample


def test_07_half_of_a_split_bank_right() -> None:
    played = play(
        moving(), column("upsBatteryVoltage", lambda v: v / 2), declared=replace(DECLARED, split=True)
    )
    assert near(played.last.battery.voltage_v, 545.1, 0.2)


def test_07_battery_volts_undecided() -> None:
    """545 on a large unit without declared cells: 54.5 V or 545 V. Half the volts: half a bank or half the cells."""
    tenths = play(
        moving(), column("upsBatteryVoltage", lambda v: v / 10), declared=replace(DECLARED, cells=None)
    )
    assert tenths.last.battery.voltage_v is None
    small = play(moving(rating_va=1500.0), constant({"upsBatteryVoltage": 27}), declared=UNDECLARED)
    assert small.last.battery.voltage_v is None  # 27 V in whole volts, or 270 V in tens
    half = play(moving(), column("upsBatteryVoltage", lambda v: v / 2))
    assert half.last.battery.voltage_v is None
    assert "declare" in half.why("upsBatteryVoltage")


# --- 8 battery current ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_08_battery_current_right(sign: float) -> None:
    truth = discharging(from_poll=5)
    played = play(truth, column("upsBatteryCurrent", lambda v: sign * v), polls=20)
    assert near(played.last.battery.current_a, truth(19).battery_a, 0.06)
    after = play(
        moving(battery_a=-3.0),
        column("upsBatteryCurrent", lambda v: sign * v),
        polls=3,
        known=played.known,
        begin=20,
    )
    assert near(after.last.battery.current_a, -3.0, 0.06)  # charging


def test_08_battery_current_in_amperes_right() -> None:
    truth = discharging(from_poll=5)
    played = play(truth, column("upsBatteryCurrent", lambda v: -v / 10), polls=30)
    assert near(played.last.battery.current_a, truth(29).battery_a, 0.56)


def test_08_battery_current_without_a_sign_right() -> None:
    played = play(discharging(from_poll=5), column("upsBatteryCurrent", abs), polls=20)
    charging = moving(battery_a=-4.0)
    after = play(charging, column("upsBatteryCurrent", abs), polls=15, known=played.known, begin=20)
    assert near(after.last.battery.current_a, -4.0, 0.06)
    assert "no sign" in after.why("upsBatteryCurrent")


def test_08_battery_current_undecided() -> None:
    """Before the first discharge nobody knows which way 2 A flow; zero is zero either way."""
    played = play(moving(battery_a=2.0))
    assert played.last.battery.current_a is None
    assert "no discharge has shown it" in played.why("upsBatteryCurrent")
    assert play(moving(battery_a=0.0)).last.battery.current_a == 0.0


# --- 9 temperature --------------------------------------------------------------------------------------------


def test_09_temperature_right() -> None:
    tenths = play(moving(temperature_c=23.6), constant({"upsBatteryTemperature": 236}))
    assert near(tenths.last.battery.temperature_c, 23.6, 0.05)
    assert tenths.readings[0].battery.temperature_c is None
    fahrenheit = play(moving(), constant({"upsBatteryTemperature": 75}), every_s=400.0)
    assert near(fahrenheit.last.battery.temperature_c, 23.9, 0.3)
    nothing = play(moving(), constant({"upsBatteryTemperature": 25}), every_s=7200.0)
    assert nothing.last.battery.temperature_c is None
    assert "no probe" in nothing.why("upsBatteryTemperature")


def test_09_temperature_undecided() -> None:
    """75 for a few minutes: Fahrenheit, or a bank in trouble. 75 after 24: trouble, and believed."""
    played = play(moving(), constant({"upsBatteryTemperature": 75}))
    assert played.last.battery.temperature_c is None
    known = play(moving()).known
    hot = play(moving(), constant({"upsBatteryTemperature": 66}), known=known, begin=20)
    assert hot.last.battery.temperature_c == 66.0


# --- 10 charge ------------------------------------------------------------------------------------------------


def test_10_charge_right() -> None:
    tenths = play(moving(charge_pct=97.0), column("upsEstimatedChargeRemaining", lambda v: v * 10))
    assert near(tenths.last.battery.charge_pct, 97.0, 0.1)
    stuck = play(discharging(2), constant({"upsEstimatedChargeRemaining": 100}), polls=120)
    assert stuck.last.battery.charge_pct is None


def test_10_charge_undecided() -> None:
    played = play(moving(), constant({"upsEstimatedChargeRemaining": 970}), polls=2)
    assert played.last.battery.charge_pct is None


# --- 11 minutes -----------------------------------------------------------------------------------------------


def test_11_minutes_right() -> None:
    seconds = play(discharging(2), column("upsEstimatedMinutesRemaining", lambda v: v), polls=80)
    assert near(seconds.last.battery.card_runtime_s, discharging(2)(79).minutes * 60, 31.0)

    def in_seconds(raw: Raw) -> Raw:
        return raw | {"upsEstimatedMinutesRemaining": 3000 - int(raw["upsSecondsOnBattery"])}

    learnt = play(discharging(2), in_seconds, polls=80)
    assert near(learnt.last.battery.card_runtime_s, 3000.0 - 385.0, 1.0)
    frozen = play(discharging(2), constant({"upsEstimatedMinutesRemaining": 50}), polls=80)
    assert frozen.last.battery.card_runtime_s is None


def test_11_minutes_undecided() -> None:
    """Zero is no answer, and one short discharge proves nothing."""
    assert play(moving(), constant({"upsEstimatedMinutesRemaining": 0})).last.battery.card_runtime_s is None
    short = play(discharging(2), constant({"upsEstimatedMinutesRemaining": 50}), polls=10)
    assert "upsEstimatedMinutesRemaining" not in short.known.corrections.by_object


# --- 12 ASN.1 types -------------------------------------------------------------------------------------------


def test_12_types_right() -> None:
    item = BY_NAME["upsOutputPower"]
    assert wire_value(item, ber.GAUGE32, 5100) == (5100, "Gauge32")
    assert wire_value(item, ber.OCTET_STRING, b"5100\x00") == ("5100", "OCTET STRING")
    assert wire_value(BY_NAME["upsBatteryVoltage"], ber.OPAQUE, 545.1) == ("545.1", "Opaque")
    played = play(
        discharging(3),
        lambda raw: (
            raw
            | {"upsBatteryVoltage": f"{int(raw['upsBatteryVoltage']) / 10:.1f}"}
            | {"upsBatteryCurrent": (2**32 - int(raw["upsBatteryCurrent"])) % 2**32}
        ),
    )
    truth = discharging(3)(19)
    assert near(played.last.battery.voltage_v, truth.battery_v, 0.06)
    assert near(played.last.battery.current_a, truth.battery_a, 0.06)


def test_12_types_undecided() -> None:
    played = play(moving(), constant({"upsOutputPower.1": "about five"}))
    assert played.last.output.lines[0].power_w is None
    assert "no number" in played.why("upsOutputPower")


# --- 13 table indices -----------------------------------------------------------------------------------------


def test_13_indices_right() -> None:
    stem = BY_NAME["upsOutputVoltage"].oid
    for rows in ([f"{stem}.{n}.0" for n in (1, 2, 3)], [f"{stem}.{n}" for n in (0, 1, 2)]):
        found = from_walk(rows)
        assert [found.places[f"upsOutputVoltage.{line}"] for line in (1, 2, 3)] == rows
        assert "upsOutputVoltage.1" in found.odd
    assert from_walk([f"{stem}.0"]).places["upsOutputVoltage.1"] == f"{stem}.0"


def test_13_indices_undecided() -> None:
    """Rows beyond three are nobody's lines: they are left out, not guessed at."""
    stem = BY_NAME["upsOutputVoltage"].oid
    found = from_walk([f"{stem}.{n}" for n in (1, 2, 3, 4)])
    assert "upsOutputVoltage.4" not in found.places
    assert len([key for key in found.places if key.startswith("upsOutputVoltage")]) == 3


# --- 14 absent phases -----------------------------------------------------------------------------------------

DEAD_ROWS: Raw = {
    f"{name}.{line}": 0
    for line in (2, 3)
    for name in ("upsOutputVoltage", "upsOutputCurrent", "upsOutputPower", "upsOutputPercentLoad")
}


def test_14_absent_phases_right() -> None:
    single = replace(DECLARED, output_lines=1, rating_va=10000.0, rating_w=9000.0)
    played = play(
        moving(watts=(5100.0,), rating_va=10000.0, rating_w=9000.0), constant(DEAD_ROWS), declared=single
    )
    assert [line.line for line in played.last.output.lines] == [1]
    assert near(played.last.output.power_w, moving(watts=(5100.0,))(19).watts[0], 0.5)


def test_14_absent_phases_undecided() -> None:
    """Three are declared and counted: a lost line looks like an absent one, and stays on the list as dead."""
    played = play(moving(), constant({k: v for k, v in DEAD_ROWS.items() if k.endswith("3")}))
    assert [line.line for line in played.last.output.lines] == [1, 2, 3]
    assert played.last.output.lines[2].power_w == 0.0


# --- 15 alarms ------------------------------------------------------------------------------------------------


def test_15_alarms_right() -> None:
    on_battery = "1.3.6.1.2.1.33.1.6.3.2"
    played = play(moving(), alarms=lambda _: (on_battery, on_battery))
    kinds = {doubt.object: doubt.kind for doubt in played.last.doubts}
    assert kinds["upsAlarmsPresent"] is DoubtKind.CONTRADICTION  # counts none, shows two
    assert kinds["upsAlarmDescr"] is DoubtKind.CONTRADICTION
    assert played.last.output.source is OutputSource.NORMAL  # shown, not hidden
    assert played.last.card_alarms == ("upsAlarmOnBattery", "upsAlarmOnBattery")


def test_15_alarms_undecided() -> None:
    """On battery for a minute and more without the alarm: both are shown, neither is corrected."""
    played = play(discharging(2), polls=30)
    assert played.last.output.source is OutputSource.BATTERY
    assert "without the alarm" in played.why("upsOutputSource")


# --- 16 stuck values ------------------------------------------------------------------------------------------


def test_16_stuck_values_right() -> None:
    played = play(lambda _: moving()(0), polls=80)
    assert played.last.output.power_w is None
    assert played.last.output.source is None
    assert played.last.agent_uptime_s is not None
    assert "old readings" in played.last.doubts[0].reason
    later = play(moving(), polls=2, known=played.known, begin=80)
    assert later.last.output.power_w is not None  # as soon as it moves, it counts again


def test_16_stuck_values_undecided() -> None:
    """A card that refreshes every half minute, or one at rest with nothing that ought to move, is not stuck."""
    slow = play(lambda poll: moving()(poll // 6), polls=80)
    assert slow.last.output.power_w is not None
    idle = play(
        lambda _: Truth(watts=(0.0, 0.0, 0.0)),
        polls=80,
    )
    assert idle.last.output.power_w == 0.0


# --- 17 agent restarts ----------------------------------------------------------------------------------------


def test_17_agent_restarts_right() -> None:
    known = play(moving()).known
    state = WireState(GOOD | {"sysUpTime": 900}, alarms=(), part_at=dict.fromkeys(TablePart, AT))
    known.observe(state, AT + timedelta(seconds=100))
    assert known.clock.restarted
    assert known.clock.restarts == 1
    known.observe(state, AT + timedelta(seconds=105))
    assert not known.clock.restarted


def test_17_agent_restarts_undecided() -> None:
    """A counter that wraps after 497.1 days is no restart."""
    known = play(moving()).known
    for ticks in (2**32 - 500, 700):
        state = WireState(GOOD | {"sysUpTime": ticks}, alarms=(), part_at=dict.fromkeys(TablePart, AT))
        known.observe(state, AT + timedelta(seconds=100))
    assert known.clock.wrapped
    assert known.clock.restarts == 0


# --- remembered and forgotten ---------------------------------------------------------------------------------


def test_what_is_learnt_is_forgotten_with_new_firmware() -> None:
    played = play(moving(), column("upsOutputCurrent", lambda v: v / 10))
    assert "upsOutputCurrent" in played.known.corrections.by_object
    after = play(
        moving(), constant({"upsIdentAgentSoftwareVersion": "8.00"}), polls=1, known=played.known, begin=20
    )
    assert [change.object for change in after.known.changed] == ["upsIdentAgentSoftwareVersion"]
    assert "upsOutputCurrent" not in after.known.corrections.by_object
    assert near(after.last.output.lines[0].power_w, moving()(20).watts[0], 0.5)


def test_what_the_estate_file_says_wins() -> None:
    told = replace(DECLARED, overrides={"upsOutputCurrent": 0.5, "upsBatteryTemperature": None})
    played = play(moving(), declared=told)
    assert near(played.last.output.lines[0].current_a, moving()(19).watts[0] / 0.9 / 230 / 2, 0.06)
    assert played.last.battery.temperature_c is None
    assert "estate file" in played.why("upsBatteryTemperature")


def test_unlearning_repairs_the_past() -> None:
    played = play(moving(), column("upsOutputCurrent", lambda v: v / 10))
    state = WireState({**GOOD, "upsOutputCurrent.1": 25}, part_at={TablePart.LIVE: AT})
    wrong = decode("A1", STAMP, state)
    right = decode("A1", STAMP, state, played.known.corrections)
    assert wrong.output.lines[0].current_a == pytest.approx(2.5)
    assert right.output.lines[0].current_a == pytest.approx(25.0)


def test_every_class_has_a_right_and_an_undecided_case() -> None:
    names = [name for name in globals() if name.startswith("test_")]
    for number in CLASSES:
        for ending in ("right", "undecided"):
            assert any(n.startswith(f"test_{number:02d}_") and n.endswith(ending) for n in names), (
                number,
                ending,
            )
    assert oid_of("sysUpTime")
