import json
import math
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.http.json import list_bytes, to_bytes, unit_json
from collector.messaging.delivery.letter import Telling
from collector.read_model.sheet import (
    CardHealth,
    Sheet,
    ShownAcknowledgement,
    ShownAlarm,
    ShownUnit,
)
from collector.storage.history.store import Bucket
from rules.battery.state import (
    AgeSpan,
    BankState,
    Capacity,
    ChargingVerdict,
    JudgedDischarge,
    ReplacementDates,
    ShownToCarry,
    WouldTell,
)
from rules.phrasing.wire import reading_json, rfc3339, to_json
from rules.planning.isolation.rows import CheckRow, Result
from rules.plant.estate import Bank, Card, Estate, Purpose, Site, Supply, System, Unit
from rules.plant.reading import (
    BatteryReading,
    BatteryStatus,
    Doubt,
    DoubtKind,
    InputLine,
    InputReading,
    OutputLine,
    OutputReading,
    OutputSource,
    Reading,
    Stamp,
)
from rules.plant.unread import OldReading, Unread
from rules.system.state import (
    UNKNOWN_HOLD_UP,
    Against,
    BridgeStep,
    EndOfLife,
    HoldUp,
    HoldUps,
    LineLoad,
    LineRedundancy,
    Load,
    LoadBasis,
    OnBattery,
    Redundancy,
    RequirementVerdict,
    Standing,
    SystemState,
    UnitLost,
    UnitStanding,
)
from rules.values.code import Code
from rules.values.reason import reason, told
from rules.values.verdict import Basis, EndedBy, Verdict

NOON = datetime(2026, 11, 24, 12, 0, tzinfo=UTC)
HELD = HoldUp(1026.0, 1086.0, 1140.0, EndedBy.BANK, Basis.TESTED)


def system() -> SystemState:
    return SystemState(
        id="works",
        name="Treatment works",
        site="valley",
        as_of=NOON,
        load=Load(27000.0, 29100.0, (LineLoad(1, 8600.0, None),)),
        units=(UnitStanding("W1", Standing.CARRYING, 0.34, NOON),),
        redundancy=Redundancy(
            Verdict.INADEQUATE,
            (told("L2 asks more"),),
            NOON,
            -440.0,
            -0.04,
            2,
            "w",
            LoadBasis.PEAK_30D,
            (LineRedundancy(2, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0),),
        ),
        hold_up=HoldUps(
            HELD, UNKNOWN_HOLD_UP, (UnitLost("W1", HELD),), EndOfLife(UNKNOWN_HOLD_UP, UNKNOWN_HOLD_UP)
        ),
        requirements=(
            RequirementVerdict(
                "hand",
                Purpose.MANUAL_GENERATOR_START,
                570.0,
                Against.ONE_UNIT_LOST,
                Verdict.INADEQUATE,
                (told("only with one lost"),),
                NOON,
                -102.0,
                (BridgeStep("detect", 5.0, None),),
            ),
        ),
        on_battery=OnBattery(NOON, NOON, None, None, 3, None),
    )


def test_a_system_has_the_keys_of_the_interface() -> None:
    made = to_json(system())
    assert isinstance(made, dict)
    assert set(made) >= {
        *("id", "name", "site", "as_of", "load", "units", "redundancy", "hold_up", "requirements"),
        *("on_battery", "not_checked"),
    }
    assert set(made["load"]) >= {"power_w", "apparent_va", "lines"}
    assert set(made["load"]["lines"][0]) >= {"line", "power_w", "apparent_va"}
    assert set(made["units"][0]) >= {"id", "standing", "share_fraction", "read_at"}
    assert set(made["redundancy"]) >= {
        *("verdict", "because", "as_of", "margin_w", "margin_fraction", "tightest_line", "tightest_limit"),
        *("basis", "lines"),
    }
    assert set(made["redundancy"]["lines"][0]) >= {
        *("line", "now_w", "now_va", "peak_w", "peak_va", "limit_w", "limit_va"),
    }
    assert set(made["hold_up"]) >= {"now", "one_unit_lost", "each_unit_lost", "at_end_of_life"}
    assert set(made["hold_up"]["now"]) >= {"low_s", "median_s", "high_s", "ended_by", "basis"}
    assert set(made["hold_up"]["each_unit_lost"][0]) >= {"unit", *made["hold_up"]["now"]}
    assert set(made["hold_up"]["at_end_of_life"]) >= {"all", "one_unit_lost"}
    assert set(made["requirements"][0]) >= {
        *("id", "for", "required_s", "against", "verdict", "because", "as_of", "margin_s", "steps"),
    }
    assert set(made["requirements"][0]["steps"][0]) >= {"step", "allowed_s", "seen_s"}
    assert set(made["on_battery"]) >= {
        *("since", "ends_earliest", "ends_latest", "start_set_before", "starts_failed", "reckoned_since"),
    }


def test_words_and_times_are_those_of_the_interface() -> None:
    made = to_json(system())
    assert isinstance(made, dict)
    need = made["requirements"][0]
    assert (need["for"], need["against"], need["verdict"]) == (
        "manual_generator_start",
        "one_unit_lost",
        "inadequate",
    )
    assert made["as_of"] == "2026-11-24T12:00:00Z"
    assert made["hold_up"]["one_unit_lost"]["low_s"] is None
    assert made["redundancy"]["because"] == ["L2 asks more"]


def test_a_bank_has_the_keys_of_the_interface() -> None:
    made = to_json(
        BankState(
            "B3",
            ("W3",),
            "12 V 18 Ah",
            Capacity(0.68, 0.6, 0.76, NOON, Basis.TESTED),
            0.73,
            ReplacementDates(date(2025, 9, 1), None, date(2026, 11, 24)),
            ChargingVerdict(Verdict.ADEQUATE, ()),
            10.8,
            (JudgedDischarge(NOON, "outage", 0.35, 0.68, 0.6, 0.76),),
            ShownToCarry(NOON, 9000.0, 499.0),
        )
    )
    assert isinstance(made, dict)
    assert set(made) >= {
        *("id", "feeds", "fitted", "capacity", "asked_fraction", "dates", "charging", "effective_age_years"),
        *("discharges", "shown_to_carry"),
    }
    assert set(made["capacity"]) >= {"fraction", "low", "high", "as_of", "basis"}
    dates = made["dates"]
    assert dates["expected_end"] == "2025-09-01"
    assert (dates["order_by"], dates["replace_by"]) == (None, "2026-11-24")
    assert set(made["discharges"][0]) >= {
        "at",
        "depth_fraction",
        "capacity_fraction",
        "low",
        "high",
        "kind",
    }
    assert set(made["shown_to_carry"]) >= {"at", "power_w", "for_s"}


def test_a_bank_that_nothing_was_seen_of_has_a_span_by_age_and_what_would_tell() -> None:
    span = AgeSpan(date(2027, 3, 1), date(2034, 1, 1))
    dates = to_json(ReplacementDates(None, None, None, by_age_alone=span))
    assert isinstance(dates, dict)
    assert dates["by_age_alone"] == {"from": "2027-03-01", "to": "2034-01-01"}
    assert (dates["order_by"], dates["replace_by"]) == (None, None)
    assert to_json(WouldTell(told("Import a past test."), told("Its capacity."))) == {
        "step": "Import a past test.",
        "buys": "Its capacity.",
    }


def test_an_alarm_has_the_keys_of_the_interface() -> None:
    made = to_json(
        ShownAlarm(
            "a1",
            "W1",
            "Silent.",
            "Ring.",
            "major",
            "active_acknowledged",
            NOON,
            acknowledged=ShownAcknowledgement("R. Haugen", NOON),
            told=(Telling("duty", "mail", NOON, "delivered"),),
        )
    )
    assert isinstance(made, dict)
    assert set(made) >= {
        *("id", "about", "what", "do", "severity", "state", "since", "by_when", "incident", "acknowledged"),
        *("shelved_until", "told"),
    }
    assert made["acknowledged"] == {"by": "R. Haugen", "at": "2026-11-24T12:00:00Z", "note": None}
    assert set(made["told"][0]) >= {"who", "by", "at", "result"}


def reading() -> Reading:
    return Reading(
        "W1",
        Stamp(NOON, 10.0, "run"),
        battery=BatteryReading(BatteryStatus.NORMAL, 0.0, 1260.0, 100.0, 545.1, 0.0, 24.0),
        input=InputReading(3, (InputLine(1, 50.0, 231.0, 21.0, 4800.0),)),
        output=OutputReading(OutputSource.NORMAL, 50.0, (OutputLine(1, 230.0, 27.0, 5100.0, 62.0),)),
        doubts=(Doubt("upsOutputVoltage", DoubtKind.SCALE, "tenths of a volt", 2300, 230.0, 1),),
        missing=("upsBypassFrequency",),
    )


def test_a_reading_has_the_keys_of_the_interface_and_its_doubts_stand_beside_it() -> None:
    made = reading_json(reading())
    assert set(made) >= {
        *("at", "agent_uptime_s", "battery", "input", "output", "bypass", "card_alarms", "test", "nameplate"),
    }
    assert set(made["battery"]) >= {
        *("status", "on_battery_s", "card_runtime_s", "charge_pct", "voltage_v", "current_a"),
        "temperature_c",
    }
    assert set(made["input"]["lines"][0]) >= {"line", "frequency_hz", "voltage_v", "current_a", "power_w"}
    assert set(made["output"]["lines"][0]) >= {"line", "voltage_v", "current_a", "power_w", "load_pct"}
    assert made["bypass"] is None
    assert made["card_alarms"] is None


def estate() -> Estate:
    return Estate(
        {"valley": Site("valley", "Valley", "Europe/London")},
        {"s": Supply("s", "valley")},
        {},
        {"works": System("works", "Treatment works", "valley", "s")},
        {"W1": Unit("W1", "works", 3, (1, 2, 3), ())},
        {"c": Card("c", ("W1",))},
        {"B1": Bank("B1", ("W1",), 192, 1, ())},
    )


def test_a_unit_carries_its_age_its_bank_and_its_card() -> None:
    view = ShownUnit("W1", reading(), 4.2, card=CardHealth("c", answering=True))
    made = unit_json(Sheet(NOON, "Valley Water", estate(), units=(view,)), "W1")
    assert made is not None
    assert set(made) >= {"reading", "doubts", "missing", "age_s", "bank", "card"}
    assert (made["age_s"], made["bank"], made["card"]["id"]) == (4.2, "B1", "c")
    assert (made["read_every_s"], made["not_read"]) == (None, None)
    assert made["doubts"] == [
        {
            "object": "upsOutputVoltage",
            "line": 1,
            "kind": "scale",
            "raw": 2300,
            "used": 230.0,
            "reason": "tenths of a volt",
        }
    ]
    assert made["missing"] == ["upsBypassFrequency"]


@pytest.mark.parametrize("why", Unread)
def test_a_unit_that_is_not_being_read_says_so_and_whose_fault_it_is(why: Unread) -> None:
    view = ShownUnit("W1", reading(), 16.4, read_every_s=5.0, not_read=OldReading("W1", 15.9, why))
    made = unit_json(Sheet(NOON, "Valley Water", estate(), units=(view,)), "W1")
    assert made is not None
    assert made["read_every_s"] == 5.0
    assert made["not_read"]["why"] in {"no_answer", "not_asked", "not_judged", "cannot_be_judged"}
    assert made["not_read"]["for_s"] == 15.9
    (because,) = made["not_read"]["because"]
    assert because.endswith(".")
    assert "16 s" in because or why is Unread.CANNOT_BE_JUDGED


def test_a_card_that_never_answered_gives_null_and_an_unknown_unit_nothing() -> None:
    sheet = Sheet(NOON, "Valley Water", estate())
    made = unit_json(sheet, "W1")
    assert made is not None
    assert (made["reading"], made["age_s"], made["card"]) == (None, None, None)
    assert unit_json(sheet, "nobody") is None


@given(st.datetimes(), st.integers(-14 * 60, 14 * 60))
@settings(max_examples=50, deadline=None)
def test_times_are_in_utc_and_come_back(naive: datetime, offset_min: int) -> None:
    naive = min(max(naive, datetime(2, 1, 1)), datetime(9998, 1, 1))  # noqa: DTZ001
    moment = naive.replace(tzinfo=timezone(timedelta(minutes=offset_min)))
    text = rfc3339(moment)
    assert text.endswith("Z")
    assert abs(datetime.fromisoformat(text) - moment) < timedelta(milliseconds=1)


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="zone"):
        rfc3339(datetime(2026, 1, 1))  # noqa: DTZ001


@given(st.floats())
@settings(max_examples=100, deadline=None)
def test_every_number_is_finite_or_null(number: float) -> None:
    made = json.loads(to_bytes({"x": [number]}))["x"][0]
    assert made == number if math.isfinite(number) else made is None


def test_lists_say_how_to_go_on() -> None:
    assert json.loads(list_bytes([HELD], "m7"))["next"] == "m7"
    assert json.loads(list_bytes([])) == {"items": [], "next": None}


def test_what_the_interface_has_no_form_for_is_refused() -> None:
    with pytest.raises(TypeError, match="object"):
        to_json(object())


@pytest.mark.parametrize("count", [0, 1, 50, 51, 5000])
def test_a_long_list_put_together_in_pieces_is_the_same_json(count: int) -> None:
    buckets = [
        Bucket(NOON + timedelta(minutes=n), 1.5 + n, 2.25, 1e6 / 3, n, n) if n % 3 else Bucket(NOON, None, None, None, 0, 6)
        for n in range(count)
    ]  # fmt: skip
    whole = to_bytes({"items": buckets, "next": "a", "of": NOON})
    assert list_bytes(buckets, "a", of=NOON) == whole
    if count:
        assert json.loads(whole)["items"][0] == {
            "from": "2026-11-24T12:00:00Z", "min": None, "mean": None, "max": None,
            "good_count": 0, "expected_count": 6,
        }  # fmt: skip


def test_a_reason_is_its_sentence_with_code_and_figures_beside_it() -> None:
    row = CheckRow("data_fresh", Result.MET, reason(Code.READINGS_FRESH, age_s=4.6))
    assert to_json(row) == {
        "check": "data_fresh",
        "result": "met",
        "because": "Every unit was read within 5 s.",
        "decides": True,
        "reasons": [{"code": "readings_fresh", "about": "", "args": {"age_s": 4.6}}],
    }
    assert to_json(CheckRow("odd", Result.PERSON, told("As he said."), decides=False)) == {
        "check": "odd",
        "result": "person",
        "because": "As he said.",
        "decides": False,
    }
