"""The service manager hears what it asks for, and only then."""

import socket
from pathlib import Path

import pytest

from collector.process.service_manager import notify, watchdog_period_s


def test_the_manager_hears_ready(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "manager"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(path))
        monkeypatch.setenv("NOTIFY_SOCKET", str(path))
        assert notify("READY=1")
        assert manager.recv(100) == b"READY=1"


@pytest.mark.parametrize("address", ["", "relative", "/nowhere/at/all"])
def test_without_a_manager_nothing_happens(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    assert not notify("READY=1")


def test_the_watchdog_is_fed_twice_as_often_as_it_bites(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    monkeypatch.setenv("WATCHDOG_USEC", "30000000")
    assert watchdog_period_s() == 15.0
    monkeypatch.setenv("WATCHDOG_PID", "1")
    assert watchdog_period_s() is None
