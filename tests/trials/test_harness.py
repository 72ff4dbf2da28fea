"""The trials' own plant and people: what they claim to do is done, to the whole service with its defaults."""

from pathlib import Path

import pytest

from tests.daemon import daemon
from tests.trials.cost import cpu_s, resident_bytes
from tests.trials.people import desk
from tests.trials.plant import Shape, plant

pytestmark = [pytest.mark.slow]


def test_an_outage_of_the_trials_plant_reaches_its_desk(tmp_path: Path) -> None:
    with plant(Shape(systems=1, units=2)) as it, desk() as night:
        estate = it.write_estate(tmp_path, night.toml(tmp_path))
        with daemon(estate, tmp_path / "data") as service:
            service.wait_for(
                "/health/ready",
                lambda body: body if body.get("answering") == 2 else None,
                "both cards answer",
            )
            assert min(it.requests().values()) > 0
            it.to_battery(it.units)
            told = service.wait_for(
                "/v1/alarms",
                lambda body: [a for a in body["items"] if a["id"].startswith("on_battery")] and night.told(),
                "the outage is told",
            )
            assert "s0a" in str(told[0][1]) or "Room s0a" in str(told[0][1])
            assert cpu_s(service.process.pid) > 0.1
            assert resident_bytes(service.process.pid) > 2**20
