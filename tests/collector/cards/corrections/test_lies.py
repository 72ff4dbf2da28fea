"""Every lie the simulated cards tell, heard on mains, through an outage and after it: never believed wrongly.

Each value of each reading must be right within the resolution on the wire, or not known. The lies are written by
other hands than the learners, and act on a card whose truth is kept beside them.
"""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import timedelta
from functools import cache

import pytest

from collector.cards.corrections.knowledge import CardKnowledge
from collector.cards.corrections.rests import YOUNG, Rests
from collector.cards.mib.decode import decode
from collector.cards.mib.upsmib import BY_NAME, Kind, TablePart
from collector.cards.mib.wire_values import WireState, WireValue, wire_value
from collector.cards.snmp import ber
from collector.simulation.cards.agent import Typed
from collector.simulation.cards.faulty_cards import CHANGES, Lie
from rules.plant.reading import Reading, Stamp
from tests.collector.cards.corrections.spoilt import DECLARED, Truth, discharging, moving
from tests.collector.cards.sample_cards import AT

_TAG = {
    Kind.INTEGER: ber.INTEGER,
    Kind.GAUGE: ber.GAUGE32,
    Kind.COUNTER: ber.COUNTER32,
    Kind.TICKS: ber.TIME_TICKS,
    Kind.TEXT: ber.OCTET_STRING,
    Kind.OID: ber.OBJECT_ID,
}
OUTAGE, RETURN, END = 20, 100, 125
# What is left of a value after a lie's rounding: half a step of the lie's, or of the standard's.
COARSE = {
    Lie.HERTZ_WHOLE: {"frequency_hz": 0.51},
    Lie.INPUT_HERTZ_WHOLE: {"frequency_hz": 0.51},
    Lie.AMPERES_WHOLE: {"current_a": 0.56},
    Lie.KILOWATTS: {"power_w": 501.0, "rating_w": 1.0},
    Lie.DECAWATTS: {"power_w": 6.0},
    Lie.KILOVOLTAMPERES: {"rating_va": 501.0, "rating_w": 501.0},
    Lie.LINE_TO_LINE: {"voltage_v": 0.5},
    Lie.PERCENT_OF_UNIT: {"load_pct": 2.1},
    Lie.BATTERY_VOLTS_WHOLE: {"voltage_v": 0.6},
    Lie.BATTERY_HALF: {"voltage_v": 0.15},
    Lie.TEMPERATURE_FAHRENHEIT: {"temperature_c": 0.35},
}
# Claims of the card that no evidence can contradict before a discharge has run for a while; they are shown as what
# the card says, and enter no verdict.
CLAIMS = {"card_runtime_s", "charge_pct"}
# These cannot be told from a truth by anything a card says: a probe that shows 25, a percent that stops at 100 and
# the like are believed until something contradicts them.
UNSEEN = {
    Lie.TEMPERATURE_CONSTANT: {"temperature_c"},
    Lie.ALARM_CONTRADICTS: {"status"},
    Lie.LINE_TO_LINE: {
        "nominal_input_voltage_v",
        "nominal_output_voltage_v",
    },  # which is how people name a supply
}


def _truth(poll: int) -> Truth:
    if poll < OUTAGE:
        return moving()(poll)
    if poll < RETURN:
        return discharging(OUTAGE)(poll)
    return moving(battery_a=-5.0, battery_v=530.0, charge_pct=85.0)(poll)


@cache
def _sent(name: str, tag: int, value: ber.Value) -> tuple[WireValue | None, str | None]:
    """Return what a reader keeps of one object after its way over the wire; most are alike in poll after poll."""
    pair = ber.encode_varbind("1.3", tag, value)
    ((_, seen, back),) = ber.decode_varbinds(pair, 0, len(pair))
    return wire_value(BY_NAME[name], seen, back)


def _wire(lie: Lie | None, raw: Mapping[str, WireValue]) -> tuple[dict[str, WireValue], dict[str, str]]:
    """Return what a reader keeps of a card's objects, lied about and sent over the wire."""
    objects: dict[str, Typed] = {}
    for key, value in raw.items():
        if key == "sysUpTime":
            continue
        kind = BY_NAME[key.partition(".")[0]].kind
        objects[key] = (_TAG[kind], value.encode() if isinstance(value, str) and kind is Kind.TEXT else value)
    if lie is not None:
        objects = dict(CHANGES[lie](objects))
    values: dict[str, WireValue] = {"sysUpTime": raw["sysUpTime"]}
    types: dict[str, str] = {}
    for key, (tag, typed) in objects.items():
        kept, odd = _sent(key.partition(".")[0], tag, typed)
        if kept is not None:
            values[key] = kept
        if odd is not None:
            types[key] = odd
    return values, types


def _reading(values: Mapping[str, WireValue], types: Mapping[str, str], poll: int) -> tuple[WireState, Stamp]:
    at = AT + timedelta(seconds=5 * poll)
    return WireState(values, types, (), part_at=dict.fromkeys(TablePart, at)), Stamp(at, 5.0 * poll, "start")


def _numbers(value: object, path: str = "") -> dict[str, object]:
    """Return every leaf of a reading by its path, lines by their number."""
    if isinstance(value, tuple):
        found: dict[str, object] = {}
        for item in value:
            found |= _numbers(item, f"{path}[{getattr(item, 'line', '')}]")
        return found
    if is_dataclass(value):
        found = {}
        for item in fields(value):
            if item.name not in {"stamp", "doubts", "missing", "part_at", "unit", "line", "card_alarms"}:
                found |= _numbers(getattr(value, item.name), f"{path}.{item.name}")
        return found
    return {path: value}


def _wrong(lie: Lie, honest: Reading, heard: Reading) -> list[str]:
    """Return the values of a reading that are neither right nor unknown."""
    truth, found = _numbers(honest), []
    for path, value in _numbers(heard).items():
        name = path.rpartition(".")[2]
        if value is None or name in CLAIMS or name in UNSEEN.get(lie, set()):
            continue
        right = truth.get(path)
        if isinstance(value, float | int) and isinstance(right, float | int):
            if abs(value - right) > COARSE.get(lie, {}).get(name, 1e-6):
                found.append(f"{path}: {value} for {right}")
        elif value != right:
            found.append(f"{path}: {value} for {right}")
    return found


def _current_as_known(truth: Truth, raw: dict[str, WireValue]) -> dict[str, WireValue]:
    """Return the honest values under the sign that readings have."""
    return raw | {"upsBatteryCurrent": round(truth.battery_a * 10)}


@pytest.mark.parametrize("lie", sorted(CHANGES))
def test_a_lie_is_put_right_or_not_believed(lie: Lie) -> None:
    known = CardKnowledge.fresh()
    wrong: list[str] = []
    for poll in range(END):
        truth = _truth(poll)
        raw = truth.raw() | {"sysUpTime": 1000 + 500 * poll}
        state, stamp = _reading(*_wire(lie, raw), poll)
        heard = known.interpret("A1", stamp, state, DECLARED)
        honest_state, _ = _reading(*_wire(None, _current_as_known(truth, raw)), poll)
        wrong += [f"poll {poll}{text}" for text in _wrong(lie, decode("A1", stamp, honest_state), heard)]
    assert wrong == []


@pytest.mark.parametrize("lie", sorted(CHANGES))
def test_a_lie_that_begins_late_is_met_no_worse_than_if_every_poll_were_looked_at(
    lie: Lie, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong: dict[bool, list[str]] = {True: [], False: []}
    honest_polls, rested = 2 * YOUNG, 0
    for looked_at in (False, True):
        known = CardKnowledge.fresh()
        with monkeypatch.context() as patch:
            if looked_at:
                patch.setattr(Rests, "again", lambda *_: False)
            for poll in range(honest_polls + 30):
                truth = _truth(max(poll - honest_polls, 0))
                raw = truth.raw() | {"sysUpTime": 1000 + 500 * poll}
                raw["upsOutputPower.1"] = int(raw["upsOutputPower.1"]) + poll % 3
                state, stamp = _reading(*_wire(None if poll < honest_polls else lie, raw), poll)
                heard = known.interpret("A1", stamp, state, DECLARED)
                rested += known.rests.since > 0
                if poll >= honest_polls:
                    honest, _ = _reading(*_wire(None, _current_as_known(truth, raw)), poll)
                    wrong[looked_at] += _wrong(lie, decode("A1", stamp, honest), heard)
    assert rested >= 0.7 * YOUNG, "of the polls of a card that was honest for long, most are passed over"
    assert len(wrong[False]) <= len(wrong[True])
