"""What the plant's state looks like as OpenMetrics 1.0, held against the format's own grammar."""

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from time import process_time

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.http.metrics import _HELP, CONTENT_TYPE, OWN, PLAIN, UNITS, _named, media_type, rendered
from rules.battery.state import BankState, Capacity, ChargingVerdict, ReplacementDates
from rules.plant.estate import Purpose
from rules.plant.reading import (
    BatteryReading,
    BatteryStatus,
    BypassLine,
    BypassReading,
    InputLine,
    InputReading,
    Nameplate,
    OutputLine,
    OutputReading,
    OutputSource,
    Reading,
    Stamp,
)
from rules.system.state import (
    UNKNOWN_HOLD_UP,
    Against,
    EndOfLife,
    HoldUp,
    HoldUps,
    LineLoad,
    Load,
    LoadBasis,
    OnBattery,
    Redundancy,
    RequirementVerdict,
    SystemState,
)
from rules.values.reason import told
from rules.values.verdict import Basis, Verdict

NOW = datetime(2026, 3, 1, 2, 14, tzinfo=UTC)

# OpenMetrics 1.0, ABNF of the text format, as far as gauges, counters, infos and state sets go
NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
ESCAPED = r'(?:[^"\\\n]|\\n|\\"|\\\\)*'
LABEL = rf'[a-zA-Z_][a-zA-Z0-9_]*="{ESCAPED}"'
NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
SAMPLE = re.compile(rf"(?P<name>{NAME})(?:\{{(?P<labels>(?:{LABEL}(?:,{LABEL})*)?)\}})? (?P<value>{NUMBER})")
TYPE = re.compile(rf"# TYPE (?P<name>{NAME}) (?P<type>gauge|counter|info|stateset)")
UNIT = re.compile(rf"# UNIT (?P<name>{NAME}) (?P<unit>[a-zA-Z0-9_:]+)")
HELP = re.compile(rf"# HELP (?P<name>{NAME}) {ESCAPED}")
SUFFIX = {"gauge": "", "stateset": "", "counter": "_total", "info": "_info"}

Samples = dict[tuple[str, tuple[tuple[str, str], ...]], float]


def parsed(text: str) -> Samples:
    """Return the samples of an OpenMetrics text; fail where it breaks the grammar."""
    assert text.endswith("# EOF\n")
    lines = text[: -len("# EOF\n")].split("\n")[:-1]
    samples: Samples = {}
    seen: set[str] = set()
    name = kind = ""
    metadata = True
    for line in lines:
        if found := TYPE.fullmatch(line):
            name, kind, metadata = found["name"], found["type"], True
            assert name not in seen, f"{name} stands in two places"
            seen.add(name)
        elif (found := UNIT.fullmatch(line)) or (found := HELP.fullmatch(line)):
            assert metadata, f"metadata after samples: {line}"
            assert found["name"] == name
            if line.startswith("# UNIT"):
                assert name.endswith("_" + found["unit"])
        else:
            found = SAMPLE.fullmatch(line)
            assert found, f"not of the grammar: {line!r}"
            metadata = False
            assert found["name"] == name + SUFFIX[kind]
            labels = tuple(re.findall(rf'([a-zA-Z_][a-zA-Z0-9_]*)="({ESCAPED})"', found["labels"] or ""))
            assert len(dict(labels)) == len(labels), "a label twice"
            assert (found["name"], labels) not in samples, f"a sample twice: {line}"
            samples[found["name"], labels] = float(found["value"])
            if kind == "stateset":
                assert name in dict(labels)
                assert found["value"] in {"0", "1"}
    return samples


def reading(unit: str = "A1") -> Reading:
    return Reading(
        unit=unit,
        stamp=Stamp(NOW - timedelta(seconds=4), 100.0, "s"),
        battery=BatteryReading(BatteryStatus.NORMAL, voltage_v=545.1, current_a=0.0, temperature_c=None),
        input=InputReading(bad_count=3),
        output=OutputReading(
            OutputSource.NORMAL,
            50.0,
            (OutputLine(1, 230.0, 27.0, 5100.0, None), OutputLine(2, power_w=5200.0)),
        ),
        bypass=BypassReading(50.0, (BypassLine(1, 229.0),)),
        nameplate=Nameplate(manufacturer="Ohm & daughters", rating_va=30000.0),
    )


def system() -> SystemState:
    held = HoldUp(540.5, 600.0, 700.0, None, Basis.TABLE)
    return SystemState(
        id="north",
        name="North hall",
        site="mill",
        as_of=NOW,
        load=Load(15300.0, None, (LineLoad(1, 5100.0, 6210.0),)),
        units=(),
        redundancy=Redundancy(
            Verdict.CANNOT_TELL, (told("A2 is silent"),), NOW, None, None, None, None, LoadBasis.NOW, ()
        ),
        hold_up=HoldUps(held, UNKNOWN_HOLD_UP, (), EndOfLife(held, UNKNOWN_HOLD_UP)),
        requirements=(
            RequirementVerdict(
                "bridge", Purpose.GENERATOR_START, 60.0, Against.NOW, Verdict.ADEQUATE, (), NOW, 480.5
            ),
        ),
        on_battery=OnBattery(NOW, None, None),
    )


def bank() -> BankState:
    return BankState(
        id="A1-bank",
        feeds=("A1",),
        fitted=None,
        capacity=Capacity(0.83, 0.78, None, NOW, Basis.TESTED),
        asked_fraction=None,
        dates=ReplacementDates(None, None, None),
        charging=ChargingVerdict(Verdict.ADEQUATE, ()),
        effective_age_years=4.25,
        discharges=(),
        shown_to_carry=None,
    )


def test_the_state_of_the_plant_is_of_the_grammar_and_says_what_is_known() -> None:
    samples = parsed(
        rendered(
            version="0.1.0",
            now=NOW,
            systems=[system()],
            readings=[reading(), reading("A2")],
            banks=[bank()],
            alarms={"major": 2, "warning": 0},
            own={"poll_lateness_s": 0.25},
        )
    )
    assert samples["ridethrough_output_power_w", (("unit", "A1"), ("line", "1"))] == 5100
    assert samples["ridethrough_output_power_w", (("unit", "A2"), ("line", "2"))] == 5200
    assert samples["ridethrough_battery_voltage_v", (("unit", "A1"),)] == 545.1
    assert samples["ridethrough_battery_current_a", (("unit", "A1"),)] == 0
    assert samples["ridethrough_reading_age_s", (("unit", "A1"),)] == 4
    assert samples["ridethrough_hold_up_low_s", (("system", "north"), ("case", "now"))] == 540.5
    assert samples["ridethrough_on_battery", (("system", "north"),)] == 1
    assert samples["ridethrough_capacity_fraction", (("bank", "A1-bank"),)] == 0.83
    assert samples["ridethrough_standing_alarms", (("severity", "major"),)] == 2
    assert samples["ridethrough_poll_lateness_s", ()] == 0.25
    assert samples["ridethrough_build_info", (("version", "0.1.0"),)] == 1
    verdict = {
        dict(k[1])["ridethrough_redundancy"]: v
        for k, v in samples.items()
        if k[0] == "ridethrough_redundancy"
    }
    assert verdict == {"adequate": 0, "inadequate": 0, "cannot_tell": 1}


def test_what_is_not_known_is_left_out() -> None:
    samples = parsed(rendered(version="0", now=NOW, systems=[system()], readings=[reading()], banks=[bank()]))
    there = {(name, labels) for name, labels in samples}
    assert ("ridethrough_battery_temperature_c", (("unit", "A1"),)) not in there
    assert ("ridethrough_output_load_pct", (("unit", "A1"), ("line", "1"))) not in there
    assert ("ridethrough_load_apparent_va", (("system", "north"),)) not in there
    assert ("ridethrough_hold_up_low_s", (("system", "north"), ("case", "one_unit_lost"))) not in there
    assert ("ridethrough_capacity_high_fraction", (("bank", "A1-bank"),)) not in there


def test_an_empty_plant_is_of_the_grammar() -> None:
    assert list(parsed(rendered(version="0", now=NOW))) == [("ridethrough_build_info", (("version", "0"),))]


@given(st.text(max_size=30), st.floats())
@settings(max_examples=100, deadline=None)
def test_any_name_and_any_number_stay_within_the_grammar(name: str, value: float) -> None:
    text = rendered(version=name, now=NOW, own={"odd_figure_w": value}, readings=[reading(name)])
    parsed(text).keys()
    text.encode("utf-8")


def test_every_family_says_what_it_is() -> None:
    text = rendered(
        version="0", now=NOW, systems=[system()], readings=[reading()], banks=[bank()], alarms={"major": 1}
    )
    there = re.findall(rf"# TYPE ({NAME}) ", text)
    assert there == re.findall(rf"# HELP ({NAME}) \S", text)
    assert OWN not in text
    groups = (
        ("battery", BatteryReading), ("input", InputReading), ("input", InputLine), ("output", OutputReading),
        ("output", OutputLine), ("bypass", BypassReading), ("bypass", BypassLine), ("nameplate", Nameplate),
    )  # fmt: skip
    assert [name for group in groups for _, name in _named(*group) if name not in _HELP] == []


@pytest.mark.parametrize(
    ("accept", "given"),
    [
        (None, CONTENT_TYPE),
        ("", CONTENT_TYPE),
        ("*/*", CONTENT_TYPE),
        ("application/openmetrics-text; version=1.0.0", CONTENT_TYPE),
        ('application/openmetrics-text;version="1.0.0";q=0.5, text/plain;q=0.4', CONTENT_TYPE),
        ("application/openmetrics-text;version=0.0.1;q=0.9, text/plain;q=0.5", PLAIN),
        ("text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8", CONTENT_TYPE),
        ("text/plain", PLAIN),
        ("text/*, application/openmetrics-text;q=0.2", PLAIN),
        ("text/plain, */*;q=0.1", PLAIN),
        ("application/json", None),
        ("*/*;q=0", None),
        ("application/openmetrics-text;q=0, text/*;q=nought", None),
    ],
)
def test_it_is_given_as_what_the_request_takes(accept: str | None, given: str | None) -> None:
    assert media_type(accept) == given


def test_every_family_with_a_unit_says_so() -> None:
    text = rendered(version="0", now=NOW, systems=[system()], readings=[reading()], banks=[bank()])
    for name in re.findall(rf"# TYPE ({NAME}) gauge", text):
        unit = name.rpartition("_")[2]
        assert (f"# UNIT {name} {unit}\n" in text) == (unit in UNITS)


@pytest.mark.parametrize("part", ["application/openmetrics-text", "version=1.0.0", "charset=utf-8"])
def test_the_content_type_names_the_format(part: str) -> None:
    assert part in CONTENT_TYPE


def test_a_thousand_units_are_written_at_the_cost_of_writing_their_samples() -> None:
    units = [reading(f"s{n}a-1") for n in range(300)]
    text = rendered(version="0", now=NOW, readings=units)
    named = [line.rpartition(" ") for line in text.splitlines() if not line.startswith("#")]
    samples = [(name.partition("{")[0], name.partition("{")[2], float(value)) for name, _, value in named]

    def shortest_s(work: Callable[[], object]) -> float:
        taken = []
        for _ in range(5):
            began_s = process_time()
            work()
            taken.append(process_time() - began_s)
        return min(taken)

    least_s = shortest_s(lambda: "\n".join([f"{a}{{{b} {c!r}" for a, b, c in samples]))
    assert shortest_s(lambda: rendered(version="0", now=NOW, readings=units)) < 12.0 * least_s
