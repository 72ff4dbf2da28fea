"""One reading judged by itself."""

from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.cards.mib.correction_set import STANDARD, Correction, CorrectionSet, Ruling
from collector.cards.mib.decode import decode
from collector.cards.mib.interpretation import CardMeaning
from collector.cards.mib.upsmib import ALARM_OID, OBJECTS, TablePart
from collector.cards.mib.wire_values import CardRead, WireState, WireValue, as_kept, from_kept, safe_text
from collector.storage.history.store import WireReading
from rules.plant.reading import BatteryStatus, Doubt, DoubtKind, OutputSource, Reading, TestResult
from tests.collector.cards.sample_cards import AT, GOOD, STAMP, every_line, state


def _doubts(reading: Reading, name: str) -> list[Doubt]:
    return [doubt for doubt in reading.doubts if doubt.object == name]


def test_a_healthy_card_in_si_units_without_a_doubt() -> None:
    reading = decode("A1", STAMP, state())
    assert reading.doubts == ()
    assert reading.agent_uptime_s == 1234.5
    assert reading.battery.status is BatteryStatus.NORMAL
    assert reading.battery.card_runtime_s == 3000
    assert reading.battery.voltage_v == pytest.approx(545.1)
    assert reading.input.lines[1].voltage_v == 232
    assert reading.input.lines[0].frequency_hz == pytest.approx(50.0)
    assert reading.output.source is OutputSource.NORMAL
    assert reading.output.lines[2].current_a == pytest.approx(24.6)
    assert reading.output.power_w == 15300
    assert reading.bypass is not None
    assert reading.bypass.lines[0].voltage_v == 229
    assert reading.test.result is TestResult.PASS
    assert reading.nameplate.rating_va == 30000
    assert reading.nameplate.low_battery_time_s == 300
    assert reading.nameplate.manufacturer == "Fernhill Works"
    assert reading.card_alarms == ()


@pytest.mark.parametrize(
    ("key", "raw", "kind"),
    [
        ("upsBatteryVoltage", -1, DoubtKind.SENTINEL),
        ("upsBatteryVoltage", 0, DoubtKind.SENTINEL),
        ("upsBatteryVoltage", 65535, DoubtKind.SENTINEL),
        ("upsBatteryVoltage", 12000, DoubtKind.IMPOSSIBLE),
        ("upsBatteryCurrent", 2147483647, DoubtKind.SENTINEL),
        ("upsBatteryCurrent", -32768, DoubtKind.SENTINEL),
        ("upsBatteryTemperature", 255, DoubtKind.SENTINEL),
        ("upsBatteryTemperature", -1, DoubtKind.SENTINEL),
        ("upsBatteryTemperature", -10, DoubtKind.SENTINEL),
        ("upsBatteryTemperature", 0, DoubtKind.SENTINEL),
        ("upsBatteryTemperature", 240, DoubtKind.IMPOSSIBLE),
        ("upsEstimatedMinutesRemaining", 0, DoubtKind.SENTINEL),
        ("upsEstimatedMinutesRemaining", 4294967295, DoubtKind.SENTINEL),
        ("upsEstimatedChargeRemaining", 255, DoubtKind.SENTINEL),
        ("upsEstimatedChargeRemaining", 101, DoubtKind.IMPOSSIBLE),
        ("upsOutputFrequency", 0, DoubtKind.SENTINEL),
        ("upsOutputFrequency", 300, DoubtKind.IMPOSSIBLE),
        ("upsConfigOutputVA", 0, DoubtKind.SENTINEL),
        ("upsSecondsOnBattery", -5, DoubtKind.IMPOSSIBLE),
        ("upsBatteryStatus", 9, DoubtKind.IMPOSSIBLE),
        ("upsOutputSource", 0, DoubtKind.IMPOSSIBLE),
        ("upsBatteryVoltage", "n/a", DoubtKind.TYPE),
    ],
)
def test_what_says_nothing_is_not_known_and_says_why(key: str, raw: WireValue, kind: DoubtKind) -> None:
    reading = decode("A1", STAMP, state(**{key: raw}))
    (doubt,) = _doubts(reading, key)
    assert (doubt.kind, doubt.raw, doubt.used) == (kind, raw, None)
    assert doubt.reason


def test_minus_a_tenth_of_an_ampere_is_a_current_not_a_sentinel() -> None:
    reading = decode("A1", STAMP, state(upsBatteryCurrent=-1))
    assert reading.battery.current_a == pytest.approx(-0.1)
    assert reading.doubts == ()


@pytest.mark.parametrize(("raw", "times"), [(50, "0.1"), (5000, "10")])
def test_frequency_is_decided_by_its_size_object_by_object(raw: int, times: str) -> None:
    reading = decode("A1", STAMP, state(upsOutputFrequency=raw))
    assert reading.output.frequency_hz == pytest.approx(50.0)
    (doubt,) = reading.doubts
    assert doubt.kind is DoubtKind.SCALE
    assert doubt.reason.startswith(times)


def test_no_frequency_on_the_input_is_a_fact_during_an_outage() -> None:
    reading = decode(
        "A1", STAMP, state(**every_line("upsInputFrequency", 0), **every_line("upsInputVoltage", 0))
    )
    assert [line.frequency_hz for line in reading.input.lines] == [0.0, 0.0, 0.0]
    assert [line.voltage_v for line in reading.input.lines] == [0.0, 0.0, 0.0]
    assert reading.doubts == ()


def test_line_volts_in_tenths_are_decided_by_their_size() -> None:
    reading = decode("A1", STAMP, state(**every_line("upsOutputVoltage", 2300)))
    assert [line.voltage_v for line in reading.output.lines] == [230.0, 230.0, 230.0]
    doubt = _doubts(reading, "upsOutputVoltage")[0]
    assert (doubt.line, doubt.raw, doubt.used, doubt.kind) == (1, 2300, 230.0, DoubtKind.SCALE)


def test_no_output_volts_with_power_flowing_is_no_measurement() -> None:
    reading = decode("A1", STAMP, state(upsOutputVoltage_1=0))
    assert reading.output.lines[0].voltage_v is None
    assert _doubts(reading, "upsOutputVoltage")[0].kind is DoubtKind.SENTINEL


def test_numbers_sent_as_text_and_negatives_without_a_sign() -> None:
    reading = decode(
        "A1", STAMP, state(upsBatteryVoltage="545.1", upsInputVoltage_1="231", upsBatteryCurrent=2**32 - 125)
    )
    assert reading.battery.voltage_v == pytest.approx(545.1)
    assert reading.input.lines[0].voltage_v == 231
    assert reading.battery.current_a == pytest.approx(-12.5)
    assert {d.kind for d in reading.doubts} == {DoubtKind.TYPE}


def test_an_odd_type_is_noted_and_its_value_used() -> None:
    known = state()
    odd = WireState(known.values, {"upsOutputPower.1": "Gauge32"}, (), part_at=known.part_at)
    reading = decode("A1", STAMP, odd)
    assert reading.output.lines[0].power_w == 5100
    (doubt,) = reading.doubts
    assert doubt.reason == "sent as Gauge32 where the standard says INTEGER"


def test_rows_of_zeros_beyond_the_count_are_no_lines() -> None:
    zeros: dict[str, WireValue | None] = {
        f"upsOutput{name}_{line}": 0
        for name in ("Voltage", "Current", "Power", "PercentLoad")
        for line in (2, 3)
    }
    reading = decode("A1", STAMP, state(upsOutputNumLines=1, **zeros))
    assert [line.line for line in reading.output.lines] == [1]
    assert {d.kind for d in reading.doubts} == {DoubtKind.ABSENT_LINE}
    dead = decode("A1", STAMP, state(**zeros))
    assert [line.line for line in dead.output.lines] == [1, 2, 3]  # three are counted: two may have been lost


def test_nothing_feeds_the_output_yet_watts_flow() -> None:
    reading = decode("A1", STAMP, state(upsOutputSource=2))
    assert reading.output.source is None
    assert _doubts(reading, "upsOutputSource")[0].kind is DoubtKind.CONTRADICTION


def test_private_alarms_stay_as_they_came() -> None:
    known = WireState(GOOD, alarms=(ALARM_OID["upsAlarmFanFailure"], "1.3.6.1.4.1.99999.1"))
    assert decode("A1", STAMP, known).card_alarms == ("upsAlarmFanFailure", "1.3.6.1.4.1.99999.1")
    assert decode("A1", STAMP, WireState(GOOD)).card_alarms is None


def test_slower_parts_carry_their_own_time() -> None:
    early = AT - timedelta(minutes=3)
    known = WireState(GOOD, part_at={TablePart.LIVE: AT, TablePart.SLOW: early, TablePart.NAMEPLATE: AT})
    assert decode("A1", STAMP, known).part_at == {"bypass": early, "test": early}


def test_a_correction_is_applied_and_said() -> None:
    tenth = Correction("upsOutputCurrent", DoubtKind.SCALE, "amperes, not tenths", factor=10.0)
    reading = decode(
        "A1", STAMP, state(**every_line("upsOutputCurrent", 25)), CorrectionSet({tenth.object: tenth})
    )
    assert reading.output.lines[0].current_a == pytest.approx(25.0)
    assert _doubts(reading, "upsOutputCurrent")[0].reason == "amperes, not tenths"


def test_current_without_a_sign_takes_it_from_the_source() -> None:
    plain = Correction("upsBatteryCurrent", DoubtKind.SIGN, "shows no sign", ruling=Ruling.MAGNITUDE)
    chosen = CorrectionSet({plain.object: plain})
    assert decode("A1", STAMP, state(upsBatteryCurrent=300), chosen).battery.current_a == -30.0
    on_battery = state(upsBatteryCurrent=300, upsOutputSource=5)
    assert decode("A1", STAMP, on_battery, chosen).battery.current_a == 30.0


def test_what_the_store_keeps_gives_the_same_values_back() -> None:
    known = state()
    read = CardRead(frozenset(TablePart), known.values, alarms=())
    record = WireReading("A1", STAMP, 5.0, "standard", as_kept(read))
    assert from_kept(as_kept(read)).values == {
        k: v for k, v in known.values.items() if k in from_kept(as_kept(read)).values
    }
    meaning = CardMeaning(lambda _: None)
    again = meaning.reading(record)
    assert isinstance(again, Reading)
    assert again.output == decode("A1", STAMP, known).output
    assert meaning.object_of("output_power_w", 1) == "upsOutputPower.1"
    assert meaning.object_of("output_power_w", None) is None
    assert meaning.object_of("battery_voltage_v", None) == "upsBatteryVoltage"
    assert meaning.value("upsBatteryVoltage", 5451, "standard") == pytest.approx(545.1)
    assert meaning.value("upsBatteryVoltage", -1, "standard") is None


def test_a_correction_set_survives_the_ledger_and_is_named_by_what_it_does() -> None:
    one = Correction("upsOutputPower", DoubtKind.SCALE, "kW", factor=1000.0, evidence=5)
    two = Correction("upsOutputPower", DoubtKind.SCALE, "kilowatts", factor=1000.0, evidence=9)
    first, second = CorrectionSet({one.object: one}), CorrectionSet({two.object: two})
    assert first.id == second.id != STANDARD.id
    assert CorrectionSet.from_json(first.as_json()) == first


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        (b"FW 30\x00\x00", "FW 30"),
        (b"Caf\xe9", "Café"),
        ("Caf\u00e9".encode(), "Café"),
        (b"a\x1b[31mb\r\nc", "a\ufffd[31mb\ufffd\ufffdc"),
        ("a\u202eb".encode(), "a\ufffdb"),
        (b"x" * 1000, "x" * 255),
    ],
)
def test_text_is_made_safe(raw: bytes, text: str) -> None:
    assert safe_text(raw) == text


_KEYS = ["sysUpTime"] + [
    f"{o.name}.{n}" if o.column else o.name for o in OBJECTS for n in ((1, 2, 3) if o.column else (0,))
]
_RAW = st.one_of(st.integers(-(2**31), 2**32 - 1), st.text(max_size=20))


@given(st.dictionaries(st.sampled_from(_KEYS), _RAW))
@settings(max_examples=100, deadline=None)
def test_no_value_on_the_wire_surprises_the_decoder(values: dict[str, WireValue]) -> None:
    reading = decode("A1", STAMP, WireState(values=values))
    for line in reading.output.lines:
        assert line.voltage_v is None or 0 <= line.voltage_v <= 760
        assert line.load_pct is None or 0 <= line.load_pct <= 200
