"""Evidence imported beside a running service is judged at once, and a log that is put right is judged anew."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Any

import pytest

from tests.collector.storage.history.influx_server import INFLUXD, InfluxServer, PathMapping
from tests.daemon import command, daemon
from tests.servers import missing
from tests.trials.plant import Shape, plant

pytestmark = [pytest.mark.slow]

AT_ONCE_S = 60.0
"""What `import` promises: a minute."""


def discharge_log(path: Path, minutes: float, *, volts: float = 470.0) -> Path:
    """Write a log of a bank of 240 cells that carries 16 kW until it reaches 1.67 V per cell."""
    end_v, steps = 400.8, 60
    rows = ["t_s,bank_voltage_v,bank_current_a,temperature_c,output_power_w,on_battery", "0,545,0,23,15300,0"]
    for step in range(steps + 1):
        part = step / steps
        bank_v = volts - 40.0 * part - (volts - 40.0 - end_v) * part**6
        rows.append(f"{10 + 60 * minutes * part:.1f},{bank_v:.1f},{16100 / bank_v:.2f},23,15300,1")
    path.write_text("\n".join(rows) + "\n", "utf-8")
    return path


PAST_DAY = "2026-02-03"


def past_readings(path: Path, units: tuple[str, ...]) -> Path:
    """Write a day of readings by the quarter of an hour, named as in an export."""
    lines = (1, 2, 3)
    columns = [f"output_{what}_{n}" for n in lines for what in ("power_w", "voltage_v", "current_a")]
    rows = [",".join(["unit", "at", "output_source", "battery_voltage_v", *columns])]
    for unit in units:
        for quarter in range(96):
            at = f"{PAST_DAY}T{quarter // 4:02}:{quarter % 4 * 15:02}:00Z"
            rows.append(",".join([unit, at, "normal", "545", *("4000,230,18.3" for _ in lines)]))
    path.write_text("\n".join(rows) + "\n", "utf-8")
    return path


def imported(estate: Path, data: Path, log: Path, bank: str) -> str:
    arguments = ("--bank", bank, "--at", "2026-03-10T09:00:00Z", "--by", "R. Haugen")
    done = command("import", "discharge", str(log), *arguments, "--estate", str(estate), "--data", str(data))
    assert done.returncode == 0, done.stderr
    return done.stdout


def shown(body: Any) -> Any:
    return body["discharges"] and body["capacity"]["basis"] == "tested" and body["discharges"]


def test_what_is_imported_beside_a_running_service_is_judged_within_a_minute(tmp_path: Path) -> None:
    with plant(Shape(units=2)) as cards:
        estate = cards.write_estate(tmp_path)
        with daemon(estate, tmp_path / "data") as running:
            path = "/v1/banks/b-s0a-1"
            running.wait_for(path, lambda b: b if b["unproven"] else None, "a first judgement")
            told = imported(estate, tmp_path / "data", discharge_log(tmp_path / "t.csv", 14.0), "b-s0a-1")
            assert "judges it within a minute" in told

            (good,) = running.wait_for(path, shown, "the judged discharge", AT_ONCE_S)
            assert running.get("/v1/banks/b-s0a-2")[1]["unproven"]

            beside_it = past_readings(tmp_path / "past.csv", ("s0a-1", "s0a-2"))
            arguments = ("--by", "R. Haugen", "--estate", str(estate), "--data", str(tmp_path / "data"))
            done = command("import", "readings", str(beside_it), *arguments)
            assert done.returncode == 0, done.stderr
            assert "takes it on within a minute" in done.stdout
            running.wait_for(
                "/v1/events",
                lambda b: "readings_imported" in {e["kind"] for e in b["items"]},
                "the readings",
                AT_ONCE_S,
            )
            asked = (
                f"/v1/units/s0a-2/history?quantity=output_power_w&line=1&from={PAST_DAY}T00:00:00Z&points=24"
            )
            status, told = running.get(f"{asked}&to={PAST_DAY}T23:59:59Z")
            assert status == 200
            assert {bucket["mean"] for bucket in told["items"]} == {4000.0}
            again = command("import", "readings", str(beside_it), *arguments)
            assert "nothing to do" in again.stdout

            # and it was of another plant
            (about,) = [e for e in running.get("/v1/events")[1]["items"] if e["kind"] == "readings_imported"]
            name = about["text"].removesuffix(".").rpartition(" ")[2]
            asked_back = ("--by", "R. Haugen", "--data", str(tmp_path / "data"))
            done = command("import", "back", name, *asked_back)
            assert done.returncode == 0, done.stderr
            running.wait_for(
                "/v1/events",
                lambda b: "import_taken_back" in {e["kind"] for e in b["items"]},
                "the readings gone",
                AT_ONCE_S,
            )
            _, told = running.get(f"{asked}&to={PAST_DAY}T23:59:59Z")
            assert {bucket["mean"] for bucket in told["items"]} <= {None}

            # somebody finds that the logger's first volts were wrong, and imports the file put right
            imported(
                estate, tmp_path / "data", discharge_log(tmp_path / "t.csv", 13.8, volts=464.0), "b-s0a-1"
            )
            running.wait_for(path, lambda b: shown(b) != [good] and shown(b), "the log put right", AT_ONCE_S)


def test_a_past_is_imported_and_taken_back_where_a_server_keeps_the_readings(tmp_path: Path) -> None:
    """The engine is Debian's 1.x behind a mapping of the write URL."""
    if INFLUXD is None:
        missing("influxd is not installed")
    (tmp_path / "engine").mkdir()
    server = InfluxServer(tmp_path / "engine")
    server.start()
    mapping = PathMapping(server.port)
    try:
        server.make("yard")
        extra = f'[history]\nstore = "influxdb"\nurl = "{mapping.url}"\ndatabase = "yard"\n'
        with plant(Shape(units=2)) as cards:
            estate, data = cards.write_estate(tmp_path, extra), tmp_path / "data"
            with daemon(estate, data) as running:
                running.wait_for("/v1/units/s0a-1", lambda u: u["reading"], "a reading")
                past = past_readings(tmp_path / "past.csv", ("s0a-1", "s0a-2"))
                by = ("--by", "R. Haugen", "--data", str(data))
                done = command("import", "readings", str(past), *by, "--estate", str(estate))
                assert done.returncode == 0, done.stderr
                asked = "/v1/units/s0a-2/history?quantity=output_power_w&line=1&points=24"
                asked += f"&from={PAST_DAY}T00:00:00Z&to={PAST_DAY}T23:59:59Z"
                running.wait_for(asked, lambda h: means(h) == {4000.0}, "the readings", AT_ONCE_S)
                event = running.wait_for("/v1/events", one_of("readings_imported"), "what is said", AT_ONCE_S)
                assert "192 readings of s0a-1, s0a-2" in event["text"]
                name = event["text"].removesuffix(".").rpartition(" ")[2]
                own = running.get("/v1/units/s0a-2")[1]["reading"]["at"]

                assert command("import", "back", name, *by).returncode == 0
                running.wait_for("/v1/events", one_of("import_taken_back"), "the readings gone", AT_ONCE_S)
                running.wait_for(asked, lambda h: means(h) <= {None}, "nothing of that day", AT_ONCE_S)
                since = f"/v1/units/s0a-2/history?quantity=output_power_w&line=1&points=50&from={own}"
                assert any(
                    b["good_count"] for b in running.get(since)[1]["items"]
                )  # what was measured stands
                assert running.end(signal.SIGTERM)[0] == 0
    finally:
        mapping.end()
        server.end(signal.SIGKILL)


def means(history: Any) -> set[float | None]:
    return {bucket["mean"] for bucket in history["items"]}


def one_of(kind: str) -> Any:
    """Return what finds a kind of event in a list."""
    return lambda body: next((event for event in body["items"] if event["kind"] == kind), None)
