"""Figures by themselves: which topics, which texts, and when they go out again."""

from __future__ import annotations

from collector.messaging.delivery.state import state_data
from collector.messaging.mqtt.single_values import RENEWED_S, SingleValues, single_values
from tests.rules.sample_plant import reading, system_state


def test_the_voltage_of_a_line_and_the_hold_up_of_a_system_each_have_a_topic() -> None:
    unit = single_values(state_data(reading("W1", 10.0)))
    assert unit["reading/output/lines/2/voltage_v"] == "230"
    assert unit["reading/battery/status"] == "normal"
    assert unit["reading/battery/charge_pct"] == "", "not known, so nothing is to stand there"
    system = single_values(state_data(system_state("works", 10.0)))
    assert system["hold_up/now/low_s"] == "1000"
    assert system["hold_up/each_unit_lost/W3/median_s"] == "1100"
    assert system["requirements/hand/verdict"] == "adequate"


def test_a_value_goes_out_when_it_is_another_and_before_it_grows_old() -> None:
    values = SingleValues()
    first = {"load_w": 900.0, "status": "normal", "charge_pct": None}
    assert values.due("unit/W1", first, 0.0) == {
        "value/unit/W1/load_w": "900",
        "value/unit/W1/status": "normal",
    }
    assert values.due("unit/W1", first, 5.0) == {}
    assert values.due("unit/W1", first | {"load_w": 910.0}, 6.0) == {"value/unit/W1/load_w": "910"}
    assert values.due("unit/W1", first | {"load_w": 910.0}, RENEWED_S) == {"value/unit/W1/status": "normal"}


def test_what_is_not_known_any_more_is_taken_back_once() -> None:
    values = SingleValues()
    values.due("unit/W1", {"load_w": 900.0, "lines": [{"line": 1, "v": 230.0}]}, 0.0)
    gone: dict[str, object] = {"load_w": None, "lines": []}
    assert values.due("unit/W1", gone, 1.0) == dict.fromkeys(
        ("value/unit/W1/load_w", "value/unit/W1/lines/1/line", "value/unit/W1/lines/1/v"), ""
    )
    assert values.due("unit/W1", gone, 60.0) == {}
