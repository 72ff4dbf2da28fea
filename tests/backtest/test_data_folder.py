"""The running service and its data folder: one at a time, and never beside a store that was lost."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from collector.storage.data_folder import HISTORY_FILE, LEDGER_FILE
from tests.daemon import command, daemon, free_tcp_port
from tests.trials.plant import Shape, plant

pytestmark = pytest.mark.slow


def test_a_second_service_and_a_lost_ledger_are_refused_until_it_is_accepted(tmp_path: Path) -> None:
    data = tmp_path / "data"
    with plant(Shape(units=1, spare_units=0)) as it:
        estate = it.write_estate(tmp_path)
        run = ("run", str(estate), "--data", str(data), "--port", str(free_tcp_port()))
        with daemon(estate, data) as service:
            service.wait_for("/v1/units/s0a-1", lambda unit: unit["reading"], "a reading that is kept")
            second = command(*run)
            assert second.returncode == 3
            assert f"process {service.process.pid};" in second.stderr
            print(second.stderr)
            for reading in (
                ["verify", "--data", str(data)],
                ["backup", "--data", str(data), str(tmp_path / "copy")],
            ):
                assert command(*reading).returncode == 0  # what only reads needs no lock
            assert service.end(signal.SIGKILL)[0] == -signal.SIGKILL
        for path in data.glob(f"{LEDGER_FILE}*"):
            path.unlink()
        assert command("verify", "--data", str(data)).returncode == 10
        refused = command(*run)
        assert refused.returncode == 2  # and so is not started again by a service manager
        assert "--accept-loss ledger" in refused.stderr
        print(refused.stderr)
        assert not (data / LEDGER_FILE).exists()  # nothing has been begun
        with daemon(estate, data, "--accept-loss", "ledger") as service:
            service.wait_for("/v1/units/s0a-1", lambda unit: unit["reading"], "a reading after the loss")
            told = [e for e in service.get("/v1/events")[1]["items"] if e["kind"] == "store_loss_accepted"]
            assert len(told) == 1
            assert "--accept-loss ledger" in told[0]["text"]
            assert service.end(signal.SIGTERM)[0] == 0
        assert command("verify", "--data", str(data)).returncode == 0
        with daemon(estate, data) as service:  # accepted once, it is not asked for again
            assert service.get("/health/live")[0] == 200
        assert (data / HISTORY_FILE).exists()
