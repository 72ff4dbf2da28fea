"""Starts of the service on a disk that is full to the last byte; what each part does then, its own tests hold.

`pytest -s tests/backtest/test_starts_on_a_full_disk.py`; two minutes.
"""

from __future__ import annotations

import signal
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.collector.messaging.sinks import free_port
from tests.daemon import command, daemon, eventually
from tests.small_disk import small_disk
from tests.trials.plant import Shape, plant

pytestmark = [pytest.mark.real_server, pytest.mark.slow]


def journal(data: Path) -> list[str]:
    """Return the kinds of what the file itself, read by another program, says has happened."""
    with closing(sqlite3.connect(f"file:{data / 'ledger.sqlite'}?mode=ro", uri=True)) as file:
        return [row[0] for row in file.execute("SELECT kind FROM journal")]


def test_a_start_after_a_clean_stop_on_a_disk_that_is_still_full_works_and_says_so(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 8) as disk, plant(Shape(systems=1, units=2)) as it:
        estate = it.write_estate(tmp_path, f"[notifications]\nport = {free_port()}\n")
        data, log = disk.folder / "data", estate.with_suffix(".log")
        with daemon(estate, data) as service:
            service.wait_for("/health/ready", lambda b: b.get("answering") == 2 or None, "both cards answer")
            disk.fill()
            it.to_battery(it.units)
            service.wait_for("/v1/systems/s0a", lambda b: b["on_battery"], "the outage is seen")
            assert service.end(signal.SIGTERM)[0] == 0
        begin = len(log.read_text("utf-8"))
        with daemon(estate, data) as service:
            service.wait_for("/health/ready", lambda b: b.get("answering") == 2 or None, "both cards answer")
            service.wait_for("/v1/systems/s0a", lambda b: b["on_battery"], "the outage goes on")
            service.wait_for(
                "/v1/alarms",
                lambda b: [a for a in b["items"] if a["id"].startswith("store_failing")],
                "the full disk is an alarm",
            )
            said = log.read_text("utf-8")[begin:]
            assert "full store" in said, said
            assert "under another engine id" in said, said
            disk.give_room()
            eventually(lambda: "mains_lost" in journal(data), "the outage is on the disk")
            assert service.end(signal.SIGTERM)[0] == 0
        assert command("verify", "--data", str(data)).returncode == 0


def test_a_disk_that_filled_while_nothing_ran_lets_the_service_start_again_and_again(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk", 8) as disk, plant(Shape(systems=1, units=2)) as it:
        estate, data = it.write_estate(tmp_path), disk.folder / "data"
        for start in range(3):
            with daemon(estate, data) as service:
                service.wait_for(
                    "/health/ready", lambda b: b.get("answering") == 2 or None, "both cards answer"
                )
                assert service.end(signal.SIGTERM)[0] == 0
            if start < 2:
                disk.fill()  # to the last byte, also of what closing the stores set free
        disk.give_room()
        assert command("verify", "--data", str(data)).returncode == 0
