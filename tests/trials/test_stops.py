"""The service ends soon when it is asked to, and never by a hang-up."""

from __future__ import annotations

import signal
import time
from pathlib import Path
from statistics import median

import pytest

from tests.daemon import daemon, eventually
from tests.trials.plant import Shape, plant
from tests.trials.stops import stopped

pytestmark = [pytest.mark.real_server, pytest.mark.slow]


def test_a_stop_under_load_takes_seconds(tmp_path: Path) -> None:
    took_s = stopped(tmp_path, 3, seed=7)
    assert median(took_s) < 2.0
    assert max(took_s) < 5.0


def test_a_hang_up_has_the_estate_file_checked_and_ends_nothing(tmp_path: Path) -> None:
    with plant(Shape(systems=1, units=2)) as it:
        estate = it.write_estate(tmp_path)
        text, log = estate.read_text("utf-8"), estate.with_suffix(".log")
        with daemon(estate, tmp_path / "data") as service:

            def said(text: str, *wanted: str) -> None:
                estate.write_text(text, "utf-8")
                begin = len(log.read_text("utf-8"))
                service.process.send_signal(signal.SIGHUP)
                eventually(
                    lambda: all(one in log.read_text("utf-8")[begin:] for one in wanted),
                    f"{wanted} in the log",
                )

            said(text, "it says what the running service was started with")
            said(
                text.replace("spare_units = 1", "spare_units = 7"),
                "estate.toml",
                "spare_units",
                "want",
                "got '7'"[:3],
            )
            said(
                text.replace('name = "Room s0a"', 'name = "Server hall"') + "[polling]\nevery_s = 11\n",
                "a restart takes over", "systems: s0a is changed", "[polling] is changed",
            )  # fmt: skip
            for _ in range(20):
                service.process.send_signal(signal.SIGHUP)
                time.sleep(0.01)
            assert service.get("/health/live")[0] == 200
            code, took_s = service.end(signal.SIGTERM)
            assert (code, took_s < 5.0) == (0, True)
