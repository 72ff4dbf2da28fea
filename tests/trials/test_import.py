"""Evidence imported beside a running service is judged at once, and a log that is put right is judged anew."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.daemon import command, daemon
from tests.trials.plant import Shape, plant

pytestmark = [pytest.mark.slow]

AT_ONCE_S = 60.0
"""What `import` promises: a minute."""


def discharge_log(path: Path, minutes: float, *, volts: float = 492.0) -> Path:
    """Write a log of a bank of 240 cells that carries 16 kW until it reaches 1.67 V per cell."""
    end_v, steps = 400.8, 60
    rows = ["t_s,bank_voltage_v,bank_current_a,temperature_c,output_power_w,on_battery", "0,545,0,23,15300,0"]
    for step in range(steps + 1):
        part = step / steps
        bank_v = volts - 40.0 * part - (volts - 40.0 - end_v) * part**6
        rows.append(f"{10 + 60 * minutes * part:.1f},{bank_v:.1f},{16100 / bank_v:.2f},23,15300,1")
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

            # somebody finds that the logger's first volts were wrong, and imports the file put right
            imported(
                estate, tmp_path / "data", discharge_log(tmp_path / "t.csv", 13.8, volts=480.0), "b-s0a-1"
            )
            running.wait_for(path, lambda b: shown(b) != [good] and shown(b), "the log put right", AT_ONCE_S)
