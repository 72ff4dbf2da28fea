"""The unit file: what a service manager lets the service do, measured by the manager's own tool."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from tests.servers import need_program

UNIT = Path(__file__).resolve().parents[1] / "deploy" / "ridethrough.service"
MOST_EXPOSED = 2.0


def settings() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for line in UNIT.read_text("utf-8").splitlines():
        if "=" in line and not line.startswith("#"):
            name, _, value = line.partition("=")
            found.setdefault(name, []).append(value)
    return found


@pytest.mark.real_server
def test_the_service_is_exposed_no_more_than_it_must_be() -> None:
    analyze = need_program("systemd-analyze")
    told = subprocess.run(
        [analyze, "security", "--offline=true", "--no-pager", str(UNIT)],
        capture_output=True, text=True, timeout=60, check=True,
    ).stdout  # fmt: skip
    level = re.search(r"Overall exposure level for ridethrough\.service: ([0-9.]+)", told)
    assert level, told
    assert float(level[1]) <= MOST_EXPOSED, told


@pytest.mark.real_server
def test_every_setting_is_one_that_the_manager_knows() -> None:
    analyze = need_program("systemd-analyze")
    done = subprocess.run(
        [analyze, "verify", str(UNIT)], capture_output=True, text=True, timeout=60, check=False
    )
    wrong = [line for line in done.stderr.splitlines() if str(UNIT) in line or "nknown" in line]
    assert wrong == []


def test_a_start_that_cannot_mend_itself_is_not_tried_again_and_files_beside_the_estate_file_are_reached() -> (
    None
):
    unit = settings()
    assert unit["RestartPreventExitStatus"] == ["2"]
    assert unit["ExecStart"] == ["/opt/ridethrough/current/bin/ridethrough run /etc/ridethrough/estate.toml"]
    assert unit["ExecReload"] == ["kill -HUP $MAINPID"]  # has the estate file checked again; it ends nothing
    assert unit["ProtectSystem"] == ["strict"]  # so /etc is read and not written
    assert {"ProtectProc", "ProcSubset", "MemoryMax", "RestrictRealtime", "SystemCallFilter"} <= set(unit)


def test_the_drop_in_of_a_centre_changes_what_is_run_and_nothing_that_is_kept_from_it() -> None:
    text = (UNIT.parent / "centre" / "centre.conf").read_text("utf-8")
    said = [line for line in text.splitlines() if line and not line.startswith("#")]
    assert [line for line in said if line.startswith("[")] == ["[Unit]", "[Service]"]
    before = settings()["ExecStart"][0]
    after = before.replace("run /etc/ridethrough/estate.toml", "centre /etc/ridethrough/centre.toml")
    assert said[said.index("[Service]") + 1 :] == ["ExecStart=", f"ExecStart={after}"]
