"""What the whole service costs: `ridethrough run` as a process, its defaults, real sockets, alarms standing.

    python -m tests.bench.whole_service --units 30 300 1000 --seconds 120 [--settle 120] [--viewers 50] [--storm]

For each size: systems of two and sites of ten units; one card in fifty does not answer, one in twenty lists a failed
fan, so that alarms stand. After `--settle` seconds of a first start, the processor time of the service and of its judging
process is read from the kernel over `--seconds`, beside the polls that it says it has processed and the requests that the
cards counted; `/metrics` is asked every ten seconds meanwhile, as whoever keeps time series does (every two, it took a tenth of
all the time there was). `--viewers` hold the page's live stream open. `--storm` then takes the mains from every site at once and
says when each supply was told. The cards' process is not counted; it shares the machine's cores.
"""

from __future__ import annotations

import argparse
import contextlib
import re
import socket
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx

from tests.daemon import Daemon, daemon
from tests.trials.cost import cpu_s, resident_bytes
from tests.trials.people import Desk, desk
from tests.trials.plant import Plant, Shape, plant

UNITS_A_SITE = 10
SILENT_EVERY = 50
FAN_EVERY = 20
PATIENCE_S = 300.0
STORM_S = 60.0
LOOK_EVERY_S = 10.0


@dataclass(frozen=True)
class Spent:
    """The processor seconds, polls and reads up to one moment."""

    at_s: float
    service_s: float
    judging_s: float
    polls: float
    late: float
    requests: int


def figure(text: str, name: str) -> float:
    """Return one plain figure of /metrics; the largest where a thing has many."""
    found = [
        float(line.rpartition(" ")[2])
        for line in text.splitlines()
        if line.split("{")[0].split(" ")[0] in (name, f"{name}_total")
    ]
    return max(found, default=float("nan"))


def spent(service: Daemon, it: Plant) -> Spent:
    """Read all counters."""
    text = service.page("/metrics").decode()
    pid = service.process.pid
    alone = cpu_s(pid, alone=True)
    return Spent(
        time.monotonic(), alone, cpu_s(pid) - alone,
        figure(text, "ridethrough_polls_count"), figure(text, "ridethrough_polls_late_count"), sum(it.requests().values()),
    )  # fmt: skip


@contextlib.contextmanager
def viewers(count: int, port: int) -> Iterator[None]:
    """Hold so many live streams open, and read what they send only as far as the kernel does."""
    held = []
    for _ in range(count):
        one = socket.create_connection(("127.0.0.1", port), 10.0)
        one.sendall(
            f"GET /v1/live HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAccept: text/event-stream\r\n\r\n".encode()
        )
        held.append(one)
    yield
    for one in held:
        one.close()


def storm(it: Plant, night: Desk) -> str:
    """Take the mains from every site; return when the last supply was told by name."""
    before, began = len(night.told()), time.monotonic()
    it.to_battery(it.units)
    wanted = {f"m{s}" for s in range(it.shape.sites)}
    named: dict[str, float] = {}
    while len(named) < len(wanted) and time.monotonic() < began + STORM_S:
        time.sleep(0.5)
        for at, event in night.told()[before:]:
            data = event["data"]
            for supply in re.findall(r"\bm\d+\b", f"{data['what']} {data['about']} {data.get('details')}"):
                named.setdefault(supply, at - began)
    late = sorted(named.values())
    told = f"{len(named)} of {len(wanted)} supplies named"
    return told + (f"; first {late[0]:.1f} s, last {late[-1]:.1f} s" if late else "")


def run(units: int, options: argparse.Namespace) -> None:
    """Measure one size, and print it."""
    shape = Shape(sites=max(1, units // UNITS_A_SITE), systems=UNITS_A_SITE // 2, units=2)
    with tempfile.TemporaryDirectory() as name, plant(shape) as it, desk() as night:
        folder = Path(name)
        it.alarms(it.units[::FAN_EVERY], "upsAlarmFanFailure")
        it.faults(it.units[::SILENT_EVERY], hang=True)
        estate = it.write_estate(folder, night.toml(folder))
        began = time.monotonic()
        with daemon(estate, folder / "data") as service:
            wanted = len(it.units) - len(it.units[::SILENT_EVERY])
            while figure(service.page("/metrics").decode(), "ridethrough_cards_answering_count") < wanted:
                time.sleep(0.5)
                if time.monotonic() > began + PATIENCE_S:
                    break
            reading_all_s = time.monotonic() - began
            time.sleep(options.settle)
            with viewers(options.viewers, service.port):
                first = spent(service, it)
                oldest = 0.0
                end = time.monotonic() + options.seconds
                while time.monotonic() < end:
                    time.sleep(min(LOOK_EVERY_S, max(end - time.monotonic(), 0.1)))
                    oldest = max(
                        oldest, figure(service.page("/metrics").decode(), "ridethrough_reading_age_s")
                    )
                last = spent(service, it)
            polls, passed_s = last.polls - first.polls, last.at_s - first.at_s
            print(
                f"{len(it.units):5d} units: all read after {reading_all_s:.0f} s; {polls / passed_s:.1f} polls/s, "
                f"{1000 * (last.service_s - first.service_s) / polls:.2f} ms a poll "
                f"(+ judging process {1000 * (last.judging_s - first.judging_s) / polls:.2f}), "
                f"{100 * (last.service_s - first.service_s) / passed_s:.0f} % of a core (+ {100 * (last.judging_s - first.judging_s) / passed_s:.0f}); "
                f"late {last.late - first.late:.0f}; oldest reading {oldest:.1f} s; requests {last.requests - first.requests}; "
                f"{resident_bytes(service.process.pid, alone=True) / 2**20:.0f} MB; messages {len(night.told())}",
                flush=True,
            )
            if options.storm:
                print(f"      storm: {storm(it, night)}", flush=True)
                worst = 0.0
                begin = spent(service, it)
                for _ in range(15):
                    time.sleep(2.0)
                    with contextlib.suppress(httpx.TransportError):
                        worst = max(
                            worst, figure(service.page("/metrics").decode(), "ridethrough_reading_age_s")
                        )
                after = spent(service, it)
                polls = after.polls - begin.polls
                print(
                    f"      in it: {polls / (after.at_s - begin.at_s):.1f} polls/s, "
                    f"{1000 * (after.service_s - begin.service_s) / max(polls, 1):.2f} ms a poll, oldest reading {worst:.1f} s",
                    flush=True,
                )


def main() -> int:
    """Measure the sizes asked for."""
    asked = argparse.ArgumentParser(prog="python -m tests.bench.whole_service")
    asked.add_argument("--units", type=int, nargs="+", default=[30, 300])
    asked.add_argument("--seconds", type=float, default=60.0, help="how long to measure")
    asked.add_argument("--settle", type=float, default=60.0, help="how long to wait after all cards are read")
    asked.add_argument("--viewers", type=int, default=0)
    asked.add_argument("--storm", action="store_true")
    options = asked.parse_args()
    for units in options.units:
        run(units, options)
    return 0


if __name__ == "__main__":
    sys.exit(main())
