"""The whole program as people run it: real cards, real processes, real signals, real damage."""

import signal
import socket
from pathlib import Path
from typing import Any

import pytest

from collector.cards.mib.wire_values import WireValue
from tests.collector.cards.sample_cards import GOOD, free_port, net_snmp_agent, served
from tests.daemon import command, daemon

pytestmark = [pytest.mark.real_server, pytest.mark.slow]

ESTATE = """
[[site]]
id = "yard"
name = "Yard"
time_zone = "UTC"

[[generator]]
id = "set"
rating_w = 60000

[[supply]]
id = "mains"
site = "yard"
generator = "set"

[[system]]
id = "A"
site = "yard"
supply = "mains"
name = "Hall"
spare_units = 0
requirements = [{ id = "bridge", for = "generator_start" }]

[[system]]
id = "B"
site = "yard"
supply = "mains"
name = "Shed"
spare_units = 0

[watch]
box_fed_by = "A"
switches_fed_by = "A"
way_out_fed_by = "A"

[[alarm]]
id = "card_silent"
on_delay_s = 2
"""
UNIT = """
[[unit]]
id = "%(system)s1"
system = "%(system)s"
output_lines = 3
[[unit.fitted]]
from = 2024-01-01
model = "FW 30"
rating_va = 30000
rating_w = 27000
[[card]]
id = "N%(system)s"
target = "snmp://127.0.0.1:%(port)d"
secret = "cards"
covers = ["%(system)s1"]
every_s = 1
on_battery_every_s = 1
[[bank]]
id = "%(system)s1-bank"
feeds = ["%(system)s1"]
cells_in_series = 240
[[bank.fitted]]
from = 2024-01-01
type = "Fern 12"
blocks = 40
rated_capacity_ah = 30.0
rated_hours = 20
end_voltage_per_cell_v = 1.67
design_life_years = 10
"""


def estate_file(folder: Path, a: int, b: int) -> Path:
    """Write an estate of two systems of one unit each, whose cards answer at two ports of this machine."""
    secrets = folder / "secrets.toml"
    secrets.write_text('[cards]\ncommunity = "public"\n', "utf-8")
    secrets.chmod(0o600)
    file = folder / "estate.toml"
    units = UNIT % {"system": "A", "port": a} + UNIT % {"system": "B", "port": b}
    file.write_text(ESTATE + units, "utf-8")
    return file


# The keys of READING, SYSTEM and ALARM, as they are promised to people and scripts.
READING = {
    "at": (),
    "agent_uptime_s": (),
    "battery": (
        "status", "on_battery_s", "card_runtime_s", "charge_pct", "voltage_v", "current_a", "temperature_c",
    ),
    "input": ("bad_count", "lines"),
    "output": ("source", "frequency_hz", "lines"),
    "bypass": ("frequency_hz", "lines"),
    "card_alarms": (),
    "test": ("result",),
    "nameplate": (
        "manufacturer", "model", "ups_software", "agent_software", "nominal_input_voltage_v",
        "nominal_input_frequency_hz", "nominal_output_voltage_v", "nominal_output_frequency_hz",
        "rating_va", "rating_w", "low_battery_time_s",
    ),
}  # fmt: skip
LINES = {
    "input": {"line", "frequency_hz", "voltage_v", "current_a", "power_w"},
    "output": {"line", "voltage_v", "current_a", "power_w", "load_pct"},
    "bypass": {"line", "voltage_v", "current_a", "power_w"},
}
HOLD_UP = {"low_s", "median_s", "high_s", "ended_by", "basis"}
ALARM = {
    "id", "about", "what", "do", "severity", "state", "since", "by_when", "incident", "acknowledged",
    "shelved_until", "told",
}  # fmt: skip


def check_system(system: dict[str, Any]) -> None:
    assert set(system) >= {
        "id", "name", "site", "as_of", "load", "units", "redundancy", "hold_up", "requirements", "on_battery",
    }  # fmt: skip
    assert set(system["load"]) >= {"power_w", "apparent_va", "lines"}
    for line in system["load"]["lines"]:
        assert set(line) >= {"line", "power_w", "apparent_va"}
    for unit in system["units"]:
        assert set(unit) >= {"id", "standing", "share_fraction", "read_at"}
    held = system["hold_up"]
    assert set(held) >= {"now", "one_unit_lost", "each_unit_lost", "at_end_of_life"}
    for one in (held["now"], held["one_unit_lost"], *held["at_end_of_life"].values()):
        assert set(one) >= HOLD_UP
    for lost in held["each_unit_lost"]:
        assert set(lost) >= {"unit", *HOLD_UP}
    for requirement in system["requirements"]:
        assert set(requirement) >= {
            "id", "for", "required_s", "against", "verdict", "because", "as_of", "margin_s", "steps",
        }  # fmt: skip
        for step in requirement["steps"]:
            assert set(step) >= {"step", "allowed_s", "seen_s"}


def check_reading(reading: dict[str, Any]) -> None:
    for group, fields in READING.items():
        assert group in reading
        if fields:
            assert set(reading[group]) >= set(fields), group
    for group, columns in LINES.items():
        assert [line["line"] for line in reading[group]["lines"]] == [1, 2, 3]
        for line in reading[group]["lines"]:
            assert set(line) >= columns, group


def test_a_real_card_is_polled_judged_and_served_while_another_stays_silent(tmp_path: Path) -> None:
    with net_snmp_agent(tmp_path) as agent:
        estate = estate_file(tmp_path, agent.port, free_port())
        with daemon(estate, tmp_path / "data") as running:
            unit = running.wait_for("/v1/units/A1", lambda u: u if u["reading"] else None, "a reading")
            check_reading(unit["reading"])
            assert set(unit) >= {"reading", "doubts", "missing", "age_s", "bank", "card"}
            assert unit["reading"]["battery"]["voltage_v"] == 545.1
            assert unit["reading"]["output"]["lines"][0]["power_w"] == 5100
            assert unit["reading"]["nameplate"]["model"] == "FW 30"

            system = running.wait_for(
                "/v1/systems",
                lambda s: next(
                    (x for x in s["items"] if x["id"] == "A" and x["hold_up"]["now"]["median_s"]), None
                ),
                "a hold-up",
            )
            check_system(system)
            assert system["load"]["power_w"] == 3 * 5100
            assert [u["standing"] for u in system["units"]] == ["carrying"]
            assert system["on_battery"] is None
            assert system["redundancy"] is None  # there is no spare unit to lose

            # What nobody answers is not known, is an alarm, and hinders nothing.
            status, ready = running.get("/health/ready")
            assert (status, ready["answering"], ready["silent"]) == (200, 1, ["NB"])
            alarm = running.wait_for("/v1/alarms", lambda a: about(a, "NB", "B1"), "the silent card's alarm")
            assert set(alarm) >= ALARM
            assert running.get("/v1/units/B1")[1]["reading"] is None

            # It goes on its bank: seen, told, with the time it has.
            agent.serve(served(GOOD | ON_BATTERY, ("upsAlarmOnBattery",)))
            battery = running.wait_for("/v1/systems/A", lambda s: s["on_battery"], "A on battery")
            assert set(battery) >= {
                "since", "ends_earliest", "ends_latest", "start_set_before", "starts_failed", "reckoned_since",
            }  # fmt: skip
            running.wait_for("/v1/alarms", lambda a: about(a, "A1"), "an alarm about the unit on its bank")
            path = "/v1/units/A1/history?quantity=output_power_w&line=1&points=5"
            buckets = running.wait_for(
                path, lambda h: [b for b in h["items"] if b["good_count"]], "buckets of history"
            )
            assert set(buckets[0]) == {"from", "min", "mean", "max", "good_count", "expected_count"}
            assert buckets[0]["max"] == 5100
            stopped = [running.end(signal.SIGTERM)]
        assert command("verify", "--data", str(tmp_path / "data")).returncode == 0
        with daemon(estate, tmp_path / "data") as again:
            assert about(again.get("/v1/alarms")[1], "NB", "B1")  # what stood is still there
            stopped.append(again.end(signal.SIGINT))
    assert command("verify", "--data", str(tmp_path / "data")).returncode == 0
    assert [code for code, _ in stopped] == [0, 0]
    assert min(took_s for _, took_s in stopped) < 2.0  # the better of two: the machine may be busy


ON_BATTERY: dict[str, WireValue] = {
    "upsOutputSource": 5,
    "upsSecondsOnBattery": 3,
    "upsBatteryVoltage": 4900,
    "upsBatteryCurrent": 330,
    "upsAlarmsPresent": 1,
}
ON_BATTERY |= {f"upsInputVoltage.{line}": 0 for line in (1, 2, 3)}


def about(alarms: dict[str, Any], *names: str) -> dict[str, Any] | None:
    found = (a for a in alarms["items"] if a["about"] in names)
    return next(found, None)


def test_a_file_where_the_data_folder_should_be_is_one_sentence_and_stays(tmp_path: Path) -> None:
    estate = estate_file(tmp_path, 9, 10)
    data = tmp_path / "data"
    data.write_text("a letter", "utf-8")
    refused(estate, data, code=3)
    assert data.read_text("utf-8") == "a letter"


@pytest.mark.parametrize("name", ["ledger.sqlite", "history.sqlite"])
def test_a_damaged_store_is_one_sentence_and_stays_as_it_is(tmp_path: Path, name: str) -> None:
    estate = estate_file(tmp_path, 9, 10)
    data = tmp_path / "data"
    data.mkdir(mode=0o700)
    damaged = b"this was a store once " * 1000
    (data / name).write_bytes(damaged)
    said = refused(estate, data, code=3)
    assert name in said
    assert "verify" in said
    assert (data / name).read_bytes() == damaged


def test_a_port_in_use_is_one_sentence_and_touches_no_data(tmp_path: Path) -> None:
    estate = estate_file(tmp_path, 9, 10)
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        said = refused(estate, tmp_path / "data", "--port", port, code=2)
    assert port in said
    assert not (tmp_path / "data").exists()


def refused(estate: Path, data: Path, *more: str, code: int) -> str:
    done = command("run", str(estate), "--data", str(data), *more)
    assert done.returncode == code, done.stderr
    lines = [line for line in done.stderr.splitlines() if not line.startswith("warning: ")]
    assert len(lines) == 1, done.stderr
    assert "Traceback" not in done.stderr
    return lines[0]
