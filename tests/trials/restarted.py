"""A service that is started, ended and started again within one story, with a clock that can be set, and counted.

The clock that is set is the service's own view of the machine's (`SystemClock`): the machine's is shared with everybody.
What else asks the machine for the time (stamps inside files, days of what is shown) is not moved.
"""

from __future__ import annotations

import signal
import time
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.daemon import Daemon, command, eventually
from tests.trials.plant import Plant
from tests.trials.tally import Tally
from tests.trials.watching import Watching

STARTED_WITHIN_S: Final = 60.0
CLOCK_CODE: Final = """
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
import collector.process.clock
FILE = Path({file!r})
def machines(self):
    return datetime.now(UTC) + timedelta(seconds=float(FILE.read_text()))
collector.process.clock.SystemClock._machines = machines
from api.commands.main import main
sys.exit(main())
"""


@dataclass
class Restarted:
    """The service of a story, and what is counted of it."""

    folder: Path
    data: Path
    estate: Path
    plant: Plant
    watching: Watching
    began_s: float
    tally: Tally = field(default_factory=Tally)
    service: Daemon | None = None
    _stack: ExitStack = field(default_factory=ExitStack)

    def say(self, what: str) -> None:
        """Print a line of the story."""
        print(f"{time.monotonic() - self.began_s:7.1f} s  {what}", flush=True)

    def start(self) -> None:
        """Start the service; it must answer."""
        code = CLOCK_CODE.format(file=str(self.folder / "clock"))
        began_s = time.monotonic()
        service = Daemon(self.estate, self.data, self.estate.with_suffix(".log"), code=code)
        self._stack.callback(service.close)
        eventually(lambda: service.get("/health/live")[0], "an answer over HTTP", STARTED_WITHIN_S)
        self.tally.starts_s.append(time.monotonic() - began_s)
        self.watching.unreadable(*self.plant.units)
        self.service = self.watching.service = service
        self.say(f"    answers {self.tally.starts_s[-1]:.1f} s after it was started")

    def end(self, number: signal.Signals) -> None:
        """End the service by a signal."""
        assert self.service is not None
        service, self.service, self.watching.service = self.service, None, None
        code, took_s = service.end(number)
        if number is signal.SIGKILL:
            self.tally.kills_s.append(time.monotonic() - took_s)
        else:
            self.tally.stops_s.append(took_s)
            self.tally.codes.append(code)
            self.say(f"    ended with {code} after {took_s:.2f} s")
        service.close()

    def verify(self) -> None:
        """Check the stores while nothing runs."""
        found = command("verify", "--data", str(self.data))
        if found.returncode:
            self.tally.damaged.append(
                f"{time.monotonic() - self.began_s:.1f} s: {found.stdout}{found.stderr}"
            )
            self.say(f"    verify: {self.tally.damaged[-1]}")

    def settle(self) -> tuple[int, int]:
        """Wait until all that was to be told has been; return how many messages still wait, and were given up."""
        service = self.service
        assert service is not None

        def open_ones(sending: str) -> list[str]:
            status, body = service.get(f"/v1/messages?sending={sending}&limit=1000")
            assert status == 200, body
            return [one["id"] for one in body["items"]]

        with suppress(AssertionError):
            eventually(lambda: not open_ones("waiting"), "nothing waits to be sent", 420.0)
        return len(open_ones("waiting")), len(open_ones("dead"))

    def close(self) -> None:
        """Leave nothing running."""
        self._stack.close()


def set_clock(folder: Path, by_s: int) -> None:
    """Set the clock that the service sees so far from the machine's."""
    fresh = folder / "clock.new"
    fresh.write_text(str(by_s), "utf-8")
    fresh.replace(folder / "clock")
