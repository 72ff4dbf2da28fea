"""The whole service stopped again and again while it works: with a broker, a web address, and a plant whose mains goes."""

from __future__ import annotations

import random
import signal
import time
from pathlib import Path
from statistics import median

from tests.collector.messaging.sinks import Broker
from tests.daemon import command, daemon
from tests.trials.brokers import broker_toml
from tests.trials.people import desk
from tests.trials.plant import Shape, plant


def stopped(folder: Path, times: int, *, seed: int) -> list[float]:
    """Return how many seconds each stop took; each must end with code 0, and the stores verify at the end."""
    chance, took_s = random.Random(seed), []
    broker = Broker(folder)
    broker.start()
    try:
        with plant(Shape(systems=3, units=3)) as it, desk() as night:
            estate = it.write_estate(folder, night.toml(folder) + broker_toml(broker, folder))
            for number in range(times):
                with daemon(estate, folder / "data") as service:
                    time.sleep(chance.uniform(0.0, 3.0))
                    (it.to_battery, it.to_mains)[number % 2](it.units)
                    time.sleep(chance.uniform(0.0, 3.0))
                    code, one_s = service.end((signal.SIGTERM, signal.SIGINT)[number % 2])
                    log = estate.with_suffix(".log").read_text("utf-8")
                    assert code == 0, f"stop {number + 1} ended with {code} after {one_s:.1f} s:\n{log}"
                    took_s.append(one_s)
    finally:
        broker.stop()
    assert command("verify", "--data", str(folder / "data")).returncode == 0
    print(f"{times} stops: median {median(took_s):.2f} s, longest {max(took_s):.2f} s")
    return took_s
