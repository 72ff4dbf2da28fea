"""The running service behind the walls of its unit file: it watches, tells, shows, keeps and ends as it does without.

pytest -s tests/backtest/test_confined.py
"""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from tests.collector.messaging.sinks import Broker, free_port
from tests.daemon import Daemon, command, eventually
from tests.servers import need_program
from tests.test_unit_file import settings
from tests.trials.brokers import broker_toml, listening
from tests.trials.confined import calls_let_through, confining
from tests.trials.people import desk
from tests.trials.plant import Shape, plant

pytestmark = [pytest.mark.real_server, pytest.mark.slow]


@pytest.mark.skipif(os.geteuid() != 0, reason="the walls can be put up by root alone")
def test_the_service_works_behind_the_walls_of_its_unit_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    unit = settings()
    calls = calls_let_through(unit["SystemCallFilter"], need_program("systemd-analyze"))
    assert {"openat", "epoll_wait", "fsync"} <= calls
    assert not {"mount", "sched_setscheduler", "setpriority", "bpf", "ptrace"} & calls
    monkeypatch.setenv("CALLS", " ".join(sorted(calls)))
    need_program("setpriv")
    broker, trap_port = Broker(tmp_path), free_port()
    with (
        plant(Shape(systems=1, units=3)) as it,
        desk() as night,
        listening(broker, tmp_path) as heard,
    ):
        more = f"[notifications]\nport = {trap_port}\n{night.toml(tmp_path)}{broker_toml(broker, tmp_path)}"
        estate, data = it.write_estate(tmp_path, more), tmp_path / "data"
        log = estate.with_suffix(".log")
        service = Daemon(estate, data, log, code=confining(data))
        try:
            eventually(lambda: service.get("/health/live")[0], "an answer over HTTP")
            pid = service.process.pid
            status = Path(f"/proc/{pid}/status").read_text("utf-8")
            walls = dict(line.split(":\t") for line in status.splitlines() if ":\t" in line)
            assert (walls["Seccomp"], walls["NoNewPrivs"], int(walls["CapEff"], 16)) == ("2", "1", 0)
            service.wait_for("/health/ready", lambda b: b.get("answering") == 3 or None, "the cards answer")
            it.to_battery(it.units)
            it.trap(it.units[0], 3, ("127.0.0.1", trap_port))
            eventually(night.told, "a person is told")
            eventually(heard.incidents, "the broker has it")
            service.wait_for("/v1/systems/s0a", lambda b: b["on_battery"], "it is shown")
            service.wait_for("/v1/banks/b-s0a-1", lambda b: b["unproven"] or None, "a bank is judged")
            assert b"<html" in service.page("/")
            assert b"<html" in service.page("/reports/system/s0a")
            service.process.send_signal(signal.SIGHUP)
            eventually(
                lambda: "it says what the running service was started with" in log.read_text("utf-8"),
                "the estate file is read again",
            )
            tasks = sum(len(list(Path(f"/proc/{one}/task").iterdir())) for one in family(pid))
            print(f"{len(calls)} system calls let through; {tasks} tasks of {unit['TasksMax'][0]}")
            assert tasks < int(unit["TasksMax"][0]) // 2
            code, took_s = service.end(signal.SIGTERM)
            assert (code, took_s < 5.0) == (0, True)
        finally:
            service.close()
    said = log.read_text("utf-8")
    for trouble in ("Traceback", "not permitted", "denied", "Read-only", "cannot be"):
        assert trouble not in said, said
    assert command("verify", "--data", str(data)).returncode == 0


def family(pid: int) -> list[int]:
    """Return a process and all that it started."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text("utf-8").split()
    return [pid, *(one for child in children for one in family(int(child)))]
