"""A changed estate file taken over by the running service: whole, within seconds, or not at all."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from tests.daemon import command, daemon
from tests.trials.plant import Shape, plant

pytestmark = [pytest.mark.slow]


def readings(told: dict[str, Any]) -> list[dict[str, Any]]:
    return [unit for unit in told["items"] if unit["reading"] is not None]


def test_a_changed_file_is_taken_over_within_seconds_and_a_faulty_one_not_at_all(tmp_path: Path) -> None:
    with plant(Shape(systems=1, units=3)) as it:
        estate = it.write_estate(tmp_path)
        text, data = estate.read_text("utf-8"), tmp_path / "data"
        third = text.index('[[unit]]\nid = "', text.index('[[unit]]\nid = "', text.index("[[unit]]") + 1) + 1)
        watch = text.index("[watch]")
        estate.write_text(text[:third] + text[watch:], "utf-8")
        assert command("reload", "--data", str(data)).returncode == 3, "no service runs"
        with daemon(estate, data) as service:
            service.wait_for("/v1/units", lambda told: len(readings(told)) == 2, "two units read")
            process, before = service.process.pid, service.page("/").decode()

            estate.write_text(text.replace("spare_units = 1", "spare_units = 7"), "utf-8")
            refused = command("reload", "--data", str(data))
            assert refused.returncode == 2
            assert "spare_units" in refused.stderr
            assert "nothing of it is taken over" in refused.stderr
            assert len(service.get("/v1/units")[1]["items"]) == 2

            estate.write_text(text + "[listen]\nport = 9\n", "utf-8")
            refused = command("reload", "--data", str(data))
            assert (refused.returncode, "listen.port wants a restart" in refused.stderr) == (2, True)

            estate.write_text(text.replace('name = "Room s0a"', 'name = "Server hall"'), "utf-8")
            began = time.monotonic()
            taken = command("reload", "--data", str(data))
            assert taken.returncode == 0, taken.stderr
            assert "systems: s0a is changed" in taken.stdout
            assert "units: " in taken.stdout
            told = service.wait_for(
                "/v1/units", lambda told: told if len(readings(told)) == 3 else None, "three"
            )
            assert time.monotonic() - began < 30.0
            assert service.process.pid == process
            assert {unit["not_read"] for unit in told["items"]} == {None}
            page = service.page("/").decode()
            assert "Server hall" in page
            version = before.partition("estate.toml (version ")[2][:12]
            assert len(version) == 12
            assert version not in page

            again = command("reload", "--data", str(data))
            assert (again.returncode, "it says what" in again.stdout) == (0, True)
