"""An honest card says what RFC 1628 asks for, in its units, of what is really so."""

from dataclasses import replace

import pytest

from collector.cards.mib import upsmib
from collector.cards.snmp import ber
from collector.simulation.cards import card as voice
from collector.simulation.cards.card import AlarmRows, Meters
from collector.simulation.plant.battery import BankPlant, CellType
from collector.simulation.plant.charging import new_bank
from collector.simulation.plant.supply import FeedSource
from collector.simulation.plant.unit import Feed, Mode, SimUnit, UnitPlant

PERFECT = Meters(0.0, 0.0, 0.0, 0.0)
PLANT = UnitPlant("u", BankPlant("b", CellType(20.0), cells=192), 20_000.0, 18_000.0, model="M 20")
MAINS = Feed(FeedSource.MAINS, 231.0, 50.0)
NOTHING = Feed(FeedSource.NOTHING, 0.0, 0.0)
STATE = SimUnit(
    Mode.NORMAL,
    new_bank(PLANT.bank),
    watts=(3000.0, 4500.0, 2000.0),
    va=(3300.0, 4600.0, 2300.0),
    input_w=10_500.0,
    bads=4,
)


def said(state: SimUnit, feed: Feed = MAINS, uptime_s: float = 5000.0) -> dict[str, int]:
    at = voice.moment_of(PLANT, state, feed, uptime_s=uptime_s)
    return {
        **voice.first_row(voice.live_columns(PLANT, PERFECT, at)),
        **voice.first_row(voice.slow_columns(PLANT, at)),
    }


def test_output_is_in_volts_tenths_of_amperes_watts_and_percent_of_a_lines_rating() -> None:
    wire = said(STATE)
    assert wire["upsOutputPower.2"] == 4500
    assert wire["upsOutputCurrent.2"] == pytest.approx(10 * 4600 / wire["upsOutputVoltage.2"], abs=0.6)
    # RFC 1628: the larger of the share of watts (4500 / 6000) and of volt-amperes (4600 / 6667)
    assert wire["upsOutputPercentLoad.2"] == 75
    assert wire["upsOutputFrequency"] == 500


def test_the_battery_is_in_tenths_of_volts_and_amperes_and_whole_degrees() -> None:
    state = replace(
        STATE, mode=Mode.BATTERY, mode_s=42.7, bank=replace(STATE.bank, voltage_v=401.26, current_a=25.04)
    )
    wire = said(state, NOTHING)
    assert (wire["upsBatteryVoltage"], wire["upsBatteryCurrent"], wire["upsBatteryTemperature"]) == (
        4013,
        250,
        25,
    )
    assert (wire["upsOutputSource"], wire["upsSecondsOnBattery"]) == (5, 42)
    assert wire["upsInputVoltage.1"] == wire["upsInputFrequency.1"] == 0


def test_seconds_on_battery_never_exceed_the_cards_own_uptime() -> None:
    state = replace(STATE, mode=Mode.BATTERY, mode_s=90.0)
    assert said(state, NOTHING, uptime_s=30.0)["upsSecondsOnBattery"] == 30


@pytest.mark.parametrize(
    ("mode", "source"),
    [
        (Mode.NORMAL, 3),
        (Mode.BYPASS, 4),
        (Mode.BATTERY, 5),
        (Mode.ENDED, 2),
        (Mode.ISOLATED, 2),
        (Mode.TESTING, 5),
    ],
)
def test_the_source_is_numbered_as_the_enumeration_says(mode: Mode, source: int) -> None:
    assert said(replace(STATE, mode=mode))["upsOutputSource"] == source


def test_alarms_follow_what_happens() -> None:
    on_battery = voice.alarms_of(PLANT, replace(STATE, mode=Mode.BATTERY), NOTHING, 20.0)
    assert on_battery == ("upsAlarmOnBattery", "upsAlarmInputBad", "upsAlarmBypassBad")
    low = voice.alarms_of(PLANT, replace(STATE, mode=Mode.BATTERY), NOTHING, 2.0)
    assert "upsAlarmLowBattery" in low
    over = voice.alarms_of(PLANT, replace(STATE, watts=(7000.0, 0.0, 0.0)), MAINS, 20.0)
    assert over == ("upsAlarmOutputOverload",)


def test_an_alarm_keeps_its_row_while_it_lasts_and_a_new_one_gets_a_new_row() -> None:
    first = AlarmRows({}).after(("upsAlarmOnBattery",), 100.0)
    both = first.after(("upsAlarmInputBad", "upsAlarmOnBattery"), 101.0)
    gone = both.after(("upsAlarmInputBad",), 140.0)
    again = gone.after(("upsAlarmInputBad", "upsAlarmOnBattery"), 150.0)
    assert first.rows["upsAlarmOnBattery"] == (1, 10_000) == both.rows["upsAlarmOnBattery"]
    assert both.rows["upsAlarmInputBad"] == (2, 10_100)
    assert again.rows["upsAlarmOnBattery"] == (3, 15_000)
    assert gone.objects()[f"{upsmib.ALARM_DESCR}.2"] == (ber.OBJECT_ID, upsmib.ALARM_OID["upsAlarmInputBad"])


def test_every_object_of_the_mib_stands_somewhere_with_its_type() -> None:
    wire: dict[str, int | str] = {**voice.nameplate(PLANT), **said(STATE)}
    stems = {name.partition(".")[0] for name in wire}
    assert {o.name for o in upsmib.OBJECTS} <= stems
    values = voice.typed(wire)
    assert values["upsInputLineBads"] == (ber.COUNTER32, 4)
    assert values["upsIdentModel"] == (ber.OCTET_STRING, b"M 20")
    assert voice.oid_of("upsOutputVoltage.2") == "1.3.6.1.2.1.33.1.4.4.1.2.2"
    assert voice.oid_of("upsBatteryVoltage") == "1.3.6.1.2.1.33.1.2.5.0"


def test_the_cards_minutes_ignore_age() -> None:
    from collector.simulation.plant.battery import Wear

    old = replace(STATE, bank=new_bank(PLANT.bank, wear=Wear(0.6, 0.9, 1.4)))
    assert said(old)["upsEstimatedMinutesRemaining"] == said(STATE)["upsEstimatedMinutesRemaining"]
