"""The service ends soon when it is asked to, and never by a hang-up."""

from __future__ import annotations

import signal
import socket
import time
from pathlib import Path
from statistics import median

import pytest

from tests.daemon import Daemon, command, daemon, eventually
from tests.trials.plant import Shape, plant
from tests.trials.stops import stopped

pytestmark = [pytest.mark.real_server, pytest.mark.slow]


def test_a_stop_under_load_takes_seconds(tmp_path: Path) -> None:
    took_s = stopped(tmp_path, 3, seed=7)
    assert median(took_s) < 2.0
    assert max(took_s) < 5.0


def test_a_stop_waits_for_no_client_that_is_stuck(tmp_path: Path) -> None:
    """Answers that nobody takes, bodies that do not come, and streams that nobody reads."""
    with plant(Shape(systems=1, units=2)) as it:
        estate = it.write_estate(tmp_path)
        with daemon(estate, tmp_path / "data") as service:
            service.wait_for("/health/ready", lambda b: b.get("answering") == 2 or None, "both cards answer")
            host = f"Host: 127.0.0.1:{service.port}\r\n"
            body = f"POST /v1/alarms/none/acknowledge HTTP/1.1\r\n{host}Content-Type: application/json\r\n"
            crowd = []
            for said in (
                [f"GET /openapi.json HTTP/1.1\r\n{host}\r\n" * 20] * 100
                + [f"{body}Content-Length: 1000\r\n\r\n"] * 50
                + [f"GET /v1/live HTTP/1.1\r\n{host}\r\n"] * 20
            ):
                sock = socket.socket()
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                sock.connect(("127.0.0.1", service.port))
                sock.sendall(said.encode())
                crowd.append(sock)
            time.sleep(0.5)
            eventually(
                lambda: service.get("/health/live")[0] == 200,
                "what can be answered has been, and they are stuck",
            )
            code, took_s = service.end(signal.SIGTERM)
            for sock in crowd:
                sock.close()
    log = estate.with_suffix(".log").read_text("utf-8")
    print(f"{len(crowd)} clients that are stuck: gone after {took_s:.2f} s")
    assert code == 0, "it ended by itself, before the limit at which it would have ended itself"
    assert took_s < 2.0
    assert "Traceback" not in log, log
    assert "Cancel " not in log, log


STUCK = """
import asyncio, sys, time
from pathlib import Path
from collector.service.service import Service
run = Service.run
async def stuck(self):
    asyncio.get_running_loop().call_later(1.0, time.sleep, 60.0)
    await run(self)
Service.run = stuck
from api.commands.main import main
sys.exit(main())
"""


def test_a_stop_that_the_service_has_no_turn_to_hear_ends_it_in_time_all_the_same(tmp_path: Path) -> None:
    with plant(Shape(systems=1, units=2)) as it:
        estate, log = it.write_estate(tmp_path), tmp_path / "stuck.log"
        service = Daemon(estate, tmp_path / "data", log, code=STUCK)
        try:
            eventually(lambda: "http://" in log.read_text("utf-8"), "it serves")
            time.sleep(4.0)
            code, took_s = service.end(signal.SIGTERM)
        finally:
            service.close()
    assert code == 1
    assert took_s < 5.0
    assert "did not stop within 4 s" in log.read_text("utf-8")
    assert "the program itself (" in log.read_text("utf-8")
    assert command("verify", "--data", str(tmp_path / "data")).returncode == 0


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
                "is taken over", "systems: s0a is changed", "[polling] is changed",
            )  # fmt: skip
            for _ in range(20):
                service.process.send_signal(signal.SIGHUP)
                time.sleep(0.01)
            assert service.get("/health/live")[0] == 200
            code, took_s = service.end(signal.SIGTERM)
            assert (code, took_s < 5.0) == (0, True)
